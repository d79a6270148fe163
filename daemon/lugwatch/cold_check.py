"""Whether probes that hang in one air agree after hours without current, and by how much one is off.

Metal follows its air late, and what sits on a battery for half a day: a plain difference at some hour is
mostly that. So each probe is held against its air through every pair of lags that a joint may have, weighed
by how well they explain the whole stretch, and what is left over is its offset, with an interval that is wide
where the stretch cannot tell offset from lag. Offsets are told against the median of the space, since that
stands still when one probe, even the air's own, is wrong (breakdown at half of them; a mean moves with each).
Not here: finding a quiet stretch (`fitting_spans`), words, files. May import: lagging, numpy.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from lugwatch.lagging import Array, lagged

ROW_SECONDS = 600.0
DEVIATIONS = 1.96  # 95 %
# what a mean of ten minutes leaves: draughts, steps of the sensor, lags that are no exponentials
ROW_KELVIN = 0.15
# places in one space that are not equally warm even at rest (common practice, no source)
PLACE_KELVIN = 0.1
FAST_SECONDS = (120.0, 600.0, 1800.0, 3600.0)  # lug and cable
SLOW_SECONDS = (7200.0, 18_000.0, 36_000.0, 72_000.0)  # engine block, battery
_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)  # of what is slow
_SLOW_PRIOR = 0.3  # most probes sit on nothing slow
_OFFSET_KELVIN, _START_KELVIN, _USUAL_DECAY_SECONDS = 2.0, 5.0, 5400.0  # priors
_FEWEST = 3  # probes of which one can be named
_MEDIAN_RATIO = 1.253  # deviation of a median against a mean's (normal errors)


class Agreement(StrEnum):
    AGREES = "agrees"
    DISAGREES = "disagrees"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeOffset:
    """How much warmer a probe reads than the median of its space [K], with its 95 % interval.

    why: of "cannot tell", one of "slow" (still follows something slow), "few" (too few to name one),
    "scattered" (no majority), "unsure" (the interval straddles what is allowed).
    """

    probe: str
    offset_kelvin: float
    low_kelvin: float
    high_kelvin: float
    allowed_kelvin: float
    verdict: Agreement
    why: str | None = None


def offsets(
    celsius: Mapping[str, Array], air: str | None, accuracy_kelvin: Mapping[str, float]
) -> list[ProbeOffset]:
    """Offsets of all probes of one space. Rows are `ROW_SECONDS` apart, (n,) each, without gaps.

    air: the probe in the air, one of them; None: there is none, and their median stands for it.
    accuracy_kelvin: what each may be off by its datasheet.
    """
    names = list(celsius)
    values = np.array([celsius[name] for name in names]).T
    if len(values) < 2 or not names:
        return []
    reference = celsius[air] if air is not None else np.median(values, axis=1)
    mean, sd = _against(values, reference)
    if air is not None:
        # by definition: it is what the others are held against
        mean[names.index(air)], sd[names.index(air)] = 0.0, 0.0
    middle = _weighted_median(mean, 1.0 / (sd**2 + PLACE_KELVIN**2))
    off = mean - middle
    count = len(names)
    of_median = _MEDIAN_RATIO * float(np.median(np.sqrt(sd**2 + PLACE_KELVIN**2))) / math.sqrt(count)
    wide = DEVIATIONS * np.sqrt(sd**2 + PLACE_KELVIN**2 + of_median**2)
    scatter = 1.4826 * float(np.median(np.abs(off)))
    found = []
    for name, kelvin, half in zip(names, off.tolist(), wide.tolist(), strict=True):
        # each may be off by its accuracy, and the median of so few by a part of it
        allowed = accuracy_kelvin[name] * (1.0 + _MEDIAN_RATIO * 2.0 / math.sqrt(3.0 * count))
        verdict, why = _verdict(kelvin, half, allowed)
        if verdict is Agreement.DISAGREES and (count < _FEWEST or scatter > allowed):
            verdict, why = Agreement.CANNOT_TELL, "few" if count < _FEWEST else "scattered"
        found.append(
            ProbeOffset(
                probe=name,
                offset_kelvin=kelvin,
                low_kelvin=kelvin - half,
                high_kelvin=kelvin + half,
                allowed_kelvin=allowed,
                verdict=verdict,
                why=why,
            )
        )
    return found


def _verdict(kelvin: float, half: float, allowed: float) -> tuple[Agreement, str | None]:
    if abs(kelvin) - half > allowed:
        return Agreement.DISAGREES, None
    if abs(kelvin) + half <= allowed or (abs(kelvin) <= allowed and half <= allowed):
        return Agreement.AGREES, None
    return Agreement.CANNOT_TELL, "slow" if half > allowed else "unsure"


def drift_kelvin_per_hour(celsius: Sequence[Array]) -> float:
    """How fast a space warmed or cooled at its fastest, over an hour, by the median of its probes."""
    middle = np.median(np.array(celsius), axis=0)
    rows = min(len(middle) - 1, round(3600.0 / ROW_SECONDS))
    if rows < 1:
        return 0.0
    moved = (middle[rows:] - middle[:-rows]) * 3600.0 / (rows * ROW_SECONDS)
    return float(moved[np.abs(moved).argmax()])


def _against(values: Array, reference: Array) -> tuple[Array, Array]:
    """Mean and deviation [K] of each column's offset to the reference, over all pairs of lags."""
    seconds: Array = np.arange(len(values), dtype=np.float64) * ROW_SECONDS
    fast: dict[float, Array] = {tau: lagged(reference, tau, ROW_SECONDS) for tau in FAST_SECONDS}
    slow: dict[float, Array] = {tau: lagged(reference, tau, ROW_SECONDS) for tau in SLOW_SECONDS}
    weights, means, variances, spreads = [], [], [], []
    for quick in FAST_SECONDS:
        for late in SLOW_SECONDS:
            for share in _SHARES:
                if (share == 0.0 and late != SLOW_SECONDS[0]) or (share == 1.0 and quick != FAST_SECONDS[0]):
                    continue
                followed = (1.0 - share) * fast[quick] + share * slow[late]
                ends = late if share else _USUAL_DECAY_SECONDS
                prior = _SLOW_PRIOR / (len(_SHARES) - 1) / len(SLOW_SECONDS) if share else 1.0 - _SLOW_PRIOR
                left = values - followed[:, None]
                log, mean, variance, rms = _one(left, seconds, quick, ends, share)
                weights.append(log + math.log(prior / (1.0 if share == 1.0 else len(FAST_SECONDS))))
                means.append(mean)
                variances.append(np.full(values.shape[1], variance))
                spreads.append(rms)
    log_weights = np.array(weights)
    share_of = np.exp(log_weights - log_weights.max(axis=0))
    share_of /= share_of.sum(axis=0)
    all_means = np.array(means)
    centre: Array = np.sum(share_of * all_means, axis=0)
    variance = np.sum(share_of * (np.array(variances) + (all_means - centre) ** 2), axis=0)
    # where no pair of lags explains it, the row's deviation was too small a word
    best = np.array(spreads)[log_weights.argmax(axis=0), np.arange(values.shape[1])]
    sd: Array = np.sqrt(variance) * np.maximum(1.0, best / ROW_KELVIN)
    return centre, sd


def _one(
    left: Array, seconds: Array, quick: float, late: float, share: float
) -> tuple[Array, Array, float, Array]:
    """Log evidence, offset, its variance and the rms left over, for one pair of lags and all columns.

    left: readings less what the lags make of the reference. Beside the offset two decays are free, since
    nobody knows how warm metal and body were when the stretch began.
    """
    columns = np.column_stack([np.ones(len(seconds)), np.exp(-seconds / quick), np.exp(-seconds / late)])
    sds = np.array([_OFFSET_KELVIN, _START_KELVIN, _START_KELVIN * max(share, 0.2)])
    inverse = np.linalg.inv(columns.T @ columns / ROW_KELVIN**2 + np.diag(sds**-2.0))
    parts = inverse @ (columns.T @ left) / ROW_KELVIN**2
    error = left - columns @ parts
    squares = np.sum(error**2, axis=0)
    log = (
        -0.5 * squares / ROW_KELVIN**2
        - 0.5 * np.sum((parts / sds[:, None]) ** 2, axis=0)
        + 0.5 * float(np.linalg.slogdet(inverse)[1])
        - float(np.log(sds).sum())
    )
    return log, parts[0], float(inverse[0, 0]), np.sqrt(squares / len(seconds))


def _weighted_median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    heap = np.cumsum(weights[order]) - 0.5 * weights[order]
    return float(np.interp(0.5 * float(weights.sum()), heap, values[order]))
