"""Has it changed? Running sums for speed within a passage, rank statistics for a creep over passages.

CUSUM is a fold: state in, standardised value in, state out, for all joints at once. Mann-Kendall and
Theil-Sen take one figure per passage and trust no single one of them; `forecast` says when a creep gets
somewhere, or nothing.
Not here: what is compared, thresholds for alerts, baselines (`trend`). May import numpy only.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Half of the shift that is to be found soonest, one standard deviation: Page's choice (Montgomery,
# Introduction to Statistical Quality Control, ch. 9).
SLACK_SIGMA = 0.5
# With that slack a two-sided sum over independent values cries wolf every 465 steps, a one-sided every 931.
THRESHOLD_SIGMA = 5.0
SIGNIFICANT_P = 0.05
INTERVAL_SHARE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Running sums per joint (joints,) [sigma] and the steps since each was last at zero."""

    above: Array  # grows while values lie above expectation
    below: Array  # grows while they lie below
    above_steps: NDArray[np.int64]
    below_steps: NDArray[np.int64]


def cusum_start(joints: int) -> Cusum:
    """Sums at zero."""
    zeros, none = np.zeros(joints), np.zeros(joints, dtype=np.int64)
    return Cusum(above=zeros, below=zeros, above_steps=none, below_steps=none)


def cusum(state: Cusum, value_sigma: Array, slack_sigma: float = SLACK_SIGMA) -> Cusum:
    """One step: C+ = max(0, C+ + z − k), C− = max(0, C− − z − k), with k = slack_sigma.

    value_sigma: (joints,) standardised, mean 0 and deviation 1 while nothing has changed; NaN, nothing
    was seen of this joint, leaves its sums as they are. Page 1954; Montgomery ch. 9.
    """
    seen = ~np.isnan(value_sigma)
    value = np.where(seen, value_sigma, 0.0)
    above = np.where(seen, np.maximum(0.0, state.above + value - slack_sigma), state.above)
    below = np.where(seen, np.maximum(0.0, state.below - value - slack_sigma), state.below)
    return Cusum(
        above=above,
        below=below,
        above_steps=np.where(above > 0.0, state.above_steps + seen, 0),
        below_steps=np.where(below > 0.0, state.below_steps + seen, 0),
    )


def has_risen(state: Cusum, threshold_sigma: float = THRESHOLD_SIGMA) -> Flags:
    """One-sided decision per joint: C+ > h, with h = threshold_sigma."""
    result: Flags = state.above > threshold_sigma
    return result


def has_shifted(state: Cusum, threshold_sigma: float = THRESHOLD_SIGMA) -> Flags:
    """Two-sided decision per joint: C+ > h or C− > h."""
    result: Flags = (state.above > threshold_sigma) | (state.below > threshold_sigma)
    return result


def risen_by_sigma(state: Cusum, slack_sigma: float = SLACK_SIGMA) -> Array:
    """How far the mean has risen since the sum left zero [sigma], (joints,): k + C+/N; 0 where it has not.

    Montgomery ch. 9. Read just after a decision it is too high: the sum crossed on a lucky step.
    """
    steps = np.maximum(state.above_steps, 1)
    result: Array = np.where(state.above_steps > 0, slack_sigma + state.above / steps, 0.0)
    return result


@dataclass(frozen=True, slots=True, kw_only=True)
class MannKendall:
    """Test for a monotonic trend: nothing but the order of the values counts."""

    score: int  # S: pairs that rise less pairs that fall
    variance: float  # of S without a trend, ties allowed for
    z: float  # (S ∓ 1)/sqrt(variance)
    p_value: float  # two-sided, normal approximation
    tau: float  # S over the number of pairs


def mann_kendall(values: ArrayLike) -> MannKendall:
    """Mann-Kendall test of values in order of time, at least two. Mann 1945, Kendall 1975.

    Var S = [n(n−1)(2n+5) − Σ t(t−1)(2t+5)]/18 over groups of t equal values. Successive values must be
    independent; with fewer than five no trend can be significant at 5 %.
    """
    y = np.asarray(values, dtype=np.float64)
    n = len(y)
    if n < 2:
        raise ValueError("a trend needs at least two values")
    first, second = np.triu_indices(n, k=1)
    score = int(np.sum(np.sign(y[second] - y[first])))
    variance = _score_variance(n, (_ties(y),))
    z = (score - np.sign(score)) / math.sqrt(variance) if variance > 0.0 else 0.0
    return MannKendall(
        score=score,
        variance=variance,
        z=float(z),
        p_value=math.erfc(abs(z) / math.sqrt(2.0)),
        tau=score / len(first),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TheilSen:
    """A line through the middle of all pairs; slope per unit of time with its interval."""

    slope: float
    slope_low: float
    slope_high: float
    intercept: float  # at time 0: the median of values − slope·times


def theil_sen(times: ArrayLike, values: ArrayLike, share: float = INTERVAL_SHARE) -> TheilSen:
    """Theil-Sen line: slope = median of the slopes of all pairs, which 29 % of wild values cannot upset.

    The interval of the slope is Sen's (1968), from the ranks of the pair slopes; `share` of the time it
    holds the truth. At least two different times.
    """
    t, y = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    first, second = np.triu_indices(len(t), k=1)
    apart = t[second] != t[first]
    if not apart.any():
        raise ValueError("a slope needs two different times")
    pairs = (first[apart], second[apart])
    slopes = np.sort((y[pairs[1]] - y[pairs[0]]) / (t[pairs[1]] - t[pairs[0]]))
    slope = float(np.median(slopes))
    sigma = math.sqrt(max(0.0, _score_variance(len(t), (_ties(t), _ties(y)))))
    width = NormalDist().inv_cdf(0.5 + share / 2.0) * sigma
    low = max(round((len(slopes) - width) / 2.0) - 1, 0)
    high = min(round((len(slopes) + width) / 2.0), len(slopes) - 1)
    return TheilSen(
        slope=slope,
        slope_low=float(slopes[low]),
        slope_high=float(slopes[high]),
        intercept=float(np.median(y - slope * t)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Creep:
    """A significant rise over passages, and when it gets there; times as those that were given [s]."""

    reaches_seconds: float
    earliest_seconds: float  # of the 95 % interval
    latest_seconds: float | None  # None: the interval has no end
    slope_per_second: float  # of the values
    slope_low_per_second: float
    slope_high_per_second: float
    p_value: float


def forecast(
    times: ArrayLike,
    values: ArrayLike,
    sds: ArrayLike,
    ratio: float = 1.5,
    baseline: tuple[float, float] | None = None,
) -> Creep | None:
    """When a creep reaches `ratio` times its baseline, with a 95 % interval; None when it is not significant.

    times [s], values (one rise coefficient per passage) and their standard deviations, in order of time.
    baseline: level and its standard deviation; without it the line's own level at the first time.
    Significant: Mann-Kendall p < 5 %, Sen's interval above zero, and a slope that the stated deviations
    alone could not make. A straight line is assumed; contacts that fail do so faster than straight, so
    the early end of the interval is the one to plan by.
    """
    t, y, sd = (np.asarray(column, dtype=np.float64) for column in (times, values, sds))
    if len(t) < 5 or t[-1] <= t[0]:
        return None
    trend, line = mann_kendall(y), theil_sen(t, y)
    low, high = _slope_interval(t, line, sd)
    if trend.p_value >= SIGNIFICANT_P or line.slope <= 0.0 or low <= 0.0:
        return None
    middle = float(np.mean(t))
    residual = y - line.slope * (t - middle)
    level = float(np.median(residual))
    spread = max(float(np.median(np.abs(residual - level))) * 1.4826, float(np.sqrt(np.mean(sd**2))))
    level_sd = math.sqrt(math.pi / 2.0 / len(t)) * spread  # of a median

    def reached(slope: float) -> tuple[float, float]:
        """When this slope gets there, and the deviation of that from the levels alone [s]."""
        if baseline is None:  # level + slope·x = ratio·(level + slope·(first − middle))
            gain = (ratio - 1.0) / slope
            return middle + ratio * (t[0] - middle) + gain * level, gain * level_sd
        base, base_sd = baseline
        return middle + (ratio * base - level) / slope, math.hypot(ratio * base_sd, level_sd) / slope

    quantile = NormalDist().inv_cdf(0.5 + INTERVAL_SHARE / 2.0)
    centre, side = reached(line.slope)
    early, late = reached(high)[0], reached(low)[0]
    latest = centre + math.hypot(late - centre, quantile * side)
    return Creep(
        reaches_seconds=float(centre),
        earliest_seconds=float(centre - math.hypot(centre - early, quantile * side)),
        latest_seconds=float(latest) if math.isfinite(latest) else None,
        slope_per_second=line.slope,
        slope_low_per_second=low,
        slope_high_per_second=high,
        p_value=trend.p_value,
    )


def _slope_interval(t: Array, line: TheilSen, sd: Array) -> tuple[float, float]:
    """Sen's interval, never narrower than what the stated deviations make of a fitted slope."""
    weight = 1.0 / np.maximum(sd, 1e-12) ** 2
    centre = np.sum(weight * t) / np.sum(weight)
    own = NormalDist().inv_cdf(0.5 + INTERVAL_SHARE / 2.0) / math.sqrt(
        float(np.sum(weight * (t - centre) ** 2))
    )
    return min(line.slope_low, line.slope - own), max(line.slope_high, line.slope + own)


def _ties(values: Array) -> NDArray[np.int64]:
    return np.asarray(np.unique(values, return_counts=True)[1], dtype=np.int64)


def _score_variance(n: int, groups: tuple[NDArray[np.int64], ...]) -> float:
    whole = n * (n - 1) * (2 * n + 5)
    tied = sum(int(np.sum(g * (g - 1) * (2 * g + 5))) for g in groups)
    return (whole - tied) / 18.0
