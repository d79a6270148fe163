"""A shunt's zero, sign and range from its readings: what it says of nothing and of a known load.

Not here: which readings (`fitting_spans`, the crew), words, files. May import numpy only.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
DEVIATIONS = 1.96
# class 0.5 of shunts and panel meters (after DIN 43703 in a maker's text): of the rating
CLASS_RATIO = 0.005
MOST_ZERO_RATIO = 0.05  # more is no offset but a current
_BLOCKS = 12  # of a stretch: neighbouring readings err alike, so their mean's deviation is that of blocks
_STILL_RATIO = 0.0003  # of the rating: an offset that wanders by no more stands still
FEWEST_READINGS = 24
# continuous use at no more than 2/3 of a shunt's rating (definitions of two shunt makers; common practice)
CONTINUOUS_RATIO = 2.0 / 3.0
_ROUGHLY = 1.05  # of a rule of thumb
STEP_ROW_SECONDS = 5.0
_LEVEL_ROWS, _SETTLE_ROWS = 6, 2
RIGHT_RATIO = 1.35  # "about": within this factor either way
LEAST_RATIO = 0.3  # of the load that was named; a smaller step is not that load


class ZeroVerdict(StrEnum):
    GOOD = "good"  # within the class of the shunt
    OFF = "off"  # an offset worth taking off
    FLOWING = "flowing"  # so much, or so restless, that something flows
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Zero:
    """Mean of what a shunt says while nothing should flow [A], with its 95 % interval, and its scatter."""

    mean_amps: float
    low_amps: float
    high_amps: float
    scatter_amps: float  # standard deviation of single readings
    verdict: ZeroVerdict


def zero(amps: Array, rated_amps: float) -> Zero | None:
    """(n,) readings in time order; None: too few to tell."""
    if len(amps) < FEWEST_READINGS:
        return None
    blocks = np.array([part.mean() for part in np.array_split(amps, _BLOCKS)])
    mean, scatter = float(amps.mean()), float(amps.std(ddof=1))
    half = DEVIATIONS * float(blocks.std(ddof=1)) / math.sqrt(_BLOCKS)
    # a load that comes and goes moves the blocks by far more than readings scatter within one
    within = float(np.median([part.std() for part in np.array_split(amps, _BLOCKS)]))
    restless = float(np.ptp(blocks)) > max(CLASS_RATIO * rated_amps, 6.0 * within)
    # an amplifier's offset stands still; what moves by more than its noise allows is a small current
    noise = 3.0 * within / math.sqrt(len(amps) / _BLOCKS)
    moves = float(blocks.std(ddof=1)) > max(noise, _STILL_RATIO * rated_amps)
    restless |= moves and abs(mean) > CLASS_RATIO * rated_amps
    if restless or abs(mean) - half > MOST_ZERO_RATIO * rated_amps:
        verdict = ZeroVerdict.FLOWING
    elif half > CLASS_RATIO * rated_amps:
        verdict = ZeroVerdict.CANNOT_TELL
    else:
        verdict = ZeroVerdict.GOOD if abs(mean) <= CLASS_RATIO * rated_amps else ZeroVerdict.OFF
    return Zero(
        mean_amps=mean, low_amps=mean - half, high_amps=mean + half, scatter_amps=scatter, verdict=verdict
    )


class StepVerdict(StrEnum):
    RIGHT = "right"
    REVERSED = "reversed"
    WRONG_SIZE = "wrong_size"
    NO_STEP = "no_step"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What a shunt made of a load that was switched on. Without a step: what it said, and None.

    change: with its 95 % interval, from the scatter before and after.
    """

    verdict: StepVerdict
    before_amps: float
    after_amps: float | None = None
    change_amps: float | None = None
    low_amps: float | None = None
    high_amps: float | None = None
    at_seconds: float | None = None


def step(seconds: Array, amps: Array, expected_amps: float) -> Step | None:
    """The step that a load of `expected_amps` (signed) made; None: too few readings.

    Of all steps of at least 30 % of it, either way, the first that is about as large, else the first.
    Levels are half a minute before and half a minute from ten seconds after.
    """
    if not len(seconds):
        return None
    level = _rows(seconds, amps)
    if len(level) < 2 * _LEVEL_ROWS + _SETTLE_ROWS:
        return None
    steps = _steps(level, LEAST_RATIO * abs(expected_amps))
    if not steps:
        return Step(verdict=StepVerdict.NO_STEP, before_amps=float(np.mean(level[-_LEVEL_ROWS:])))
    alike = [s for s in steps if 1.0 / RIGHT_RATIO <= abs(s[1] / expected_amps) <= RIGHT_RATIO]
    at, change, sd, before_amps = (alike or steps)[0]
    ratio = change / expected_amps
    verdict = StepVerdict.RIGHT if 1.0 / RIGHT_RATIO <= ratio <= RIGHT_RATIO else StepVerdict.WRONG_SIZE
    if ratio < 0.0:
        verdict = StepVerdict.REVERSED
    return Step(
        verdict=verdict,
        before_amps=before_amps,
        after_amps=before_amps + change,
        change_amps=change,
        low_amps=change - DEVIATIONS * sd,
        high_amps=change + DEVIATIONS * sd,
        at_seconds=float(seconds[0]) + at * STEP_ROW_SECONDS,
    )


def _rows(seconds: Array, amps: Array) -> Array:
    """Means of five seconds, a line over those without a reading."""
    row = np.floor((seconds - seconds[0]) / STEP_ROW_SECONDS).astype(np.int64)
    rows = int(row[-1]) + 1
    count = np.bincount(row, minlength=rows)
    known = np.flatnonzero(count)
    mean = np.bincount(row, weights=amps, minlength=rows)[known] / count[known]
    level: Array = np.interp(np.arange(rows), known, mean)
    return level


def _steps(level: Array, least_amps: float) -> list[tuple[int, float, float, float]]:
    """Row, change, its deviation and the level before, of every step, in the order of time."""
    found: list[tuple[int, float, float, float]] = []
    best: tuple[float, int, float, float, float] | None = None
    for at in range(_LEVEL_ROWS, len(level) - _LEVEL_ROWS - _SETTLE_ROWS + 1):
        before = level[at - _LEVEL_ROWS : at]
        after = level[at + _SETTLE_ROWS : at + _SETTLE_ROWS + _LEVEL_ROWS]
        change = float(after.mean() - before.mean())
        sd = math.sqrt((float(before.var(ddof=1)) + float(after.var(ddof=1))) / _LEVEL_ROWS)
        if abs(change) < max(least_amps, 6.0 * sd):
            if best is not None:
                found.append(best[1:])
                best = None
            continue
        # the sharpest moment of one and the same step: where the two levels are calmest
        score = abs(change) / (sd + 1e-3 * least_amps)
        if best is None or score > best[0]:
            best = (score, at, change, sd, float(before.mean()))
    return found if best is None else [*found, best[1:]]


class RangeVerdict(StrEnum):
    GOOD = "good"
    OVER_CONTINUOUS = "over_continuous"  # for half an hour, beyond two thirds of the rating
    OVER_RATED = "over_rated"


def in_range(longest_amps: float, most_amps: float, rated_amps: float) -> RangeVerdict:
    """longest: the largest mean of half an hour, most: the largest reading, both without sign [A]."""
    if most_amps > rated_amps:
        return RangeVerdict.OVER_RATED
    most_for_hours = _ROUGHLY * CONTINUOUS_RATIO * rated_amps
    return RangeVerdict.OVER_CONTINUOUS if longest_amps > most_for_hours else RangeVerdict.GOOD
