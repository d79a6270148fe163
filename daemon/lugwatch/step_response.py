"""What a step of load says of a joint's settling rise: every plausible shape weighed by the readings.

The joint is two modes (fast: itself; slow: what soaks through cable and bar). Every plausible pair of time
constants and share of the slow mode is weighed by how well it explains the readings (a grid:
deterministic), and amplitude, offset and what the modes held at the start are integrated out exactly.
Not here: other currents, verdicts (`proof`). May import: thermal, numpy.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lugwatch import thermal

Array = NDArray[np.float64]

# ---- what is believed before the first reading -------------------------------------------------

# The joint itself [s]: lugs and studs of 50 to 300 g on copper; log-normal within these bounds.
TAU_FAST_SECONDS: Array = np.geomspace(50.0, 1000.0, 40)
TAU_FAST_MEDIAN_SECONDS, TAU_FAST_LOG_SD = 250.0, 0.8
# Cable and bar [s], evenly on the logarithm, and at least half as slow again as the fast mode.
TAU_SLOW_SECONDS: Array = np.geomspace(500.0, 6000.0, 13)
SLOWER_RATIO = 1.5
# Share of the settling rise that is the slow mode's, evenly: a bad contact is nearly all contact, a crimp on
# a thick cable all cable. Above 1 the lug is warmed by its cable and starts late; a joint that would start
# by cooling is excluded: share ≤ τ_slow/(τ_slow − τ_fast).
SLOW_SHARES: Array = np.linspace(0.0, 1.4, 29)
# Settling rise at the current of the test [K], log-normal: most good joints 4 to 40 K.
RISE_MEDIAN_KELVIN, RISE_LOG_SD = 12.0, 1.1
RISES_KELVIN: Array = np.geomspace(0.1, 500.0, 851)

OFFSET_SD_KELVIN = 0.5  # probes against each other, air that the probe does not see
UNKNOWN_SURROUNDINGS_SD_KELVIN = 30.0  # about the first reading, where no air is measured
MODE_SD_KELVIN = 0.3  # what each mode may hold from before
SENSOR_SD_KELVIN = 0.05
# The two modes are an approximation of a cable whose cooling is not linear: this share of the rise,
# alike for some minutes, in the readings…
MODEL_RATIO, MODEL_SECONDS = 0.012, 400.0
PROBE_LAG_SECONDS = 6.0  # …what a probe of unknown lag may be behind…
SETTLING_RATIO = 0.04  # …and this share of where it settles: draughts, cooling.
_MOST_BINS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class _Columns:
    """Responses at the times of the readings, (n, time constants), to one kelvin of settling rise."""

    fast: Array
    slow: Array
    fast_air: Array  # the air through the same lag
    slow_air: Array
    fast_decay: Array  # what is left of a kelvin held at the start
    slow_decay: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """What the readings leave of the rises that were possible."""

    cold_weight: Array  # of RISES_KELVIN, as if copper stayed at 20 °C; sums to 1
    offset_kelvin: float
    slow_share: float
    fast_alone_kelvin: float | None  # mean over the shapes without a slow mode; None: they explain nothing


def weigh(
    t: Array, probe: Array, air: Array, amps: Array, *, squared: float, known: bool, began: float
) -> Weighed:
    """Weight of every one of RISES_KELVIN at the current squared [A²]; arguments of `proof.forecast_step`.

    known: whether `air` was measured, or is a constant whose level the fit finds.
    """
    columns = _columns(t, air, _drive(probe, amps, squared), began)
    return _weigh(t, probe, air, columns, known, began)


def _drive(probe: Array, amps: Array, squared: float) -> Array:
    """Heat of each moment against that of the test's mean current in copper at 20 °C."""
    return amps**2 / squared * thermal.resistance_factor(probe)


def _columns(t: Array, air: Array, drive: Array, began: float) -> _Columns:
    """Every time constant at once, exact for steps of any length (each mode is exp(−dt/τ) apart)."""
    taus = np.concatenate([TAU_FAST_SECONDS, TAU_SLOW_SECONDS])
    heat, warm = np.zeros((len(t), len(taus))), np.zeros((len(t), len(taus)))
    start = min(float(t[0]), began)
    now, before, mode, lagged = start, 0.0, np.zeros(len(taus)), np.full(len(taus), air[0])
    for i, moment in enumerate(t):
        if moment > began:
            # current came on between two readings, or before the first: it was then what it is now
            since = max(now, began)
            mean = drive[i] if now <= began else (before + drive[i]) / 2.0
            keep = np.exp(-(moment - since) / taus)
            mode = mode * keep + mean * (1.0 - keep)
        else:
            keep = np.exp(-(moment - now) / taus)
            mode = mode * keep + drive[i] * (1.0 - keep)
        keep = np.exp(-(moment - now) / taus)
        lagged = lagged * keep + (air[max(i - 1, 0)] + air[i]) / 2.0 * (1.0 - keep)
        heat[i], warm[i], now, before = mode, lagged, moment, drive[i]
    decay = np.exp(-np.subtract.outer(t, np.full(1, t[0])) / taus)
    cut = len(TAU_FAST_SECONDS)
    return _Columns(
        fast=heat[:, :cut], slow=heat[:, cut:], fast_air=warm[:, :cut], slow_air=warm[:, cut:],
        fast_decay=decay[:, :cut], slow_decay=decay[:, cut:],
    )  # fmt: skip


def _bins(t: Array, began: float) -> Array:
    """Averaging of the rows (bins, n): up to _MOST_BINS stretches of equal length, rest and load apart."""
    width = max((t[-1] - t[0]) / _MOST_BINS, 1e-9)
    label = np.floor((t - began) / width) + np.where(t > began, 0.5, 0.0)
    _, place = np.unique(label, return_inverse=True)
    mean = np.zeros((int(place.max()) + 1, len(t)))
    mean[place, np.arange(len(t))] = 1.0
    result: Array = mean / mean.sum(axis=1, keepdims=True)
    return result


def _error_factor(t: Array, rise: Array, count: Array) -> Array:
    """Cholesky factor of the covariance of the binned readings [K]: sensor, probe lag, model."""
    # 1/16 K steps do not average out as noise does: never better than a mean of four
    variance = SENSOR_SD_KELVIN**2 / np.minimum(count, 4.0)
    rate = np.gradient(rise, t) if len(t) > 1 else np.zeros(len(t))
    lag = PROBE_LAG_SECONDS * rate
    alike = np.exp(-np.abs(np.subtract.outer(t, t)) / MODEL_SECONDS)
    model = MODEL_RATIO * np.abs(rise)
    covariance = np.diag(variance) + (np.outer(model, model) + np.outer(lag, lag)) * alike
    factor: Array = np.linalg.cholesky(covariance).astype(np.float64)
    return factor


def _weigh(t: Array, probe: Array, air: Array, columns: _Columns, known: bool, began: float) -> Weighed:
    """Weight of every settling rise, from all shapes: evidence of each, times what was believed before.

    With a shape given the readings are linear in (rise, offset, what fast and slow held): the inner
    products of all columns are formed once, and each shape only picks its own.
    """
    mean = _bins(t, began)
    at = mean @ t
    whole = mean @ (probe - air)
    factor = _error_factor(at, whole - whole[0], 1.0 / np.sum(mean**2, axis=1))
    swing_fast, swing_slow = columns.fast_air - air[:, None], columns.slow_air - air[:, None]
    parts = [columns.fast, columns.slow, np.ones((len(t), 1)), columns.fast_decay, columns.slow_decay,
             (probe - air)[:, None], swing_fast, swing_slow]  # fmt: skip
    white = np.linalg.solve(factor, mean @ np.concatenate(parts, axis=1))
    gram = white.T @ white
    fasts, slows = len(TAU_FAST_SECONDS), len(TAU_SLOW_SECONDS)
    starts = np.cumsum([0, fasts, slows, 1, fasts, slows, 1, fasts, slows])
    i, j, share, log_prior = _shapes()
    # each column of each shape as a short sum of gram's columns: (index, factor)
    own = [(starts[0] + i, 1.0 - share), (starts[1] + j, share)]
    ones = [(np.full(len(i), starts[2]), np.ones(len(i)))]
    held_fast, held_slow = [(starts[3] + i, np.ones(len(i)))], [(starts[4] + j, np.ones(len(i)))]
    seen = [
        (np.full(len(i), starts[5]), np.ones(len(i))),
        (starts[6] + i, share - 1.0),
        (starts[7] + j, -share),
    ]
    design = [own, ones, held_fast, held_slow]
    normal = np.stack([np.stack([_product(gram, a, b) for b in design], axis=-1) for a in design], axis=-1)
    right = np.stack([_product(gram, a, seen) for a in design], axis=-1)
    offset_sd = OFFSET_SD_KELVIN if known else UNKNOWN_SURROUNDINGS_SD_KELVIN
    prior = np.array([0.0, offset_sd**-2, MODE_SD_KELVIN**-2, MODE_SD_KELVIN**-2])
    return _answer(normal + np.diag(prior), right, _product(gram, seen, seen), share, log_prior)


_Sum = list[tuple[NDArray[np.int64], Array]]


def _product(gram: Array, a: _Sum, b: _Sum) -> Array:
    total: Array = sum((gram[p, q] * (x * y) for p, x in a for q, y in b), start=np.zeros(len(a[0][0])))
    return total


def _shapes() -> tuple[NDArray[np.int64], NDArray[np.int64], Array, Array]:
    """All shapes: index of the fast and of the slow time constant, share of the slow mode, log prior."""
    i, j, k = (
        axis.ravel()
        for axis in np.meshgrid(
            np.arange(len(TAU_FAST_SECONDS)), np.arange(len(TAU_SLOW_SECONDS)), np.arange(len(SLOW_SHARES)),
            indexing="ij",
        )
    )  # fmt: skip
    fast, slow = TAU_FAST_SECONDS[i], TAU_SLOW_SECONDS[j]
    possible = (slow >= SLOWER_RATIO * fast) & (SLOW_SHARES[k] * (slow - fast) <= slow)
    i, j, k = i[possible], j[possible], k[possible]
    log_prior = -0.5 * (np.log(TAU_FAST_SECONDS[i] / TAU_FAST_MEDIAN_SECONDS) / TAU_FAST_LOG_SD) ** 2
    return i, j, SLOW_SHARES[k], log_prior


def _answer(precision: Array, right: Array, square: Array, share: Array, log_prior: Array) -> Weighed:
    """Integrate out the linear unknowns of every shape, then add the shapes up on RISES_KELVIN."""
    covariance = np.linalg.inv(precision)
    mean = np.einsum("gij,gj->gi", covariance, right)
    misfit = square - np.einsum("gi,gi->g", right, mean)
    log_weight = log_prior - 0.5 * misfit - 0.5 * np.linalg.slogdet(precision)[1]
    variance = covariance[:, 0, 0]
    keep = log_weight > log_weight.max() - 16.0
    weight = np.exp(log_weight[keep] - log_weight.max())
    centre = mean[keep, 0]
    sd = np.sqrt(variance[keep] + (SETTLING_RATIO * centre) ** 2)
    miss = (RISES_KELVIN[None, :] - centre[:, None]) / sd[:, None]
    # a cell of the logarithmic grid is as wide as its rise, which cancels the log-normal's 1/rise
    before = np.exp(-0.5 * (np.log(RISES_KELVIN / RISE_MEDIAN_KELVIN) / RISE_LOG_SD) ** 2)
    table = (weight / sd)[:, None] * np.exp(-0.5 * miss**2) * before
    total = table.sum()
    by_shape = table.sum(axis=1) / total
    alone = by_shape * (share[keep] == 0.0)
    return Weighed(
        cold_weight=table.sum(axis=0) / total,
        offset_kelvin=float(by_shape @ mean[keep, 1]),
        slow_share=float(by_shape @ share[keep]),
        fast_alone_kelvin=float(alone @ centre / alone.sum()) if alone.sum() > 0.0 else None,
    )
