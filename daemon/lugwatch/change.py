"""Has it changed? Running sums for speed within a passage, rank statistics for a creep over passages.

CUSUM is a fold: state in, standardised value in, state out, for all joints at once. Mann-Kendall and
Theil-Sen take one figure per passage and trust no single one of them.
Not here: what is compared (`creep`), thresholds for alerts, baselines (`trend`). May import numpy only.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
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
INTERVAL_SHARE = 0.95
# Beyond so many values the normal approximation of their score is as good as the exact distribution.
EXACT_VALUES = 60


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


def rising_p_value(values: ArrayLike) -> float:
    """One-sided p of a rise: how often n values in a random order score as high as these, at least two.

    Exact for up to EXACT_VALUES values without ties, from the number of orders with k inversions (Kendall,
    Rank Correlation Methods, ch. 5): f_n is f_(n−1) spread evenly over 0 to n−1 more inversions. Else the
    normal approximation of `mann_kendall`.
    """
    trend = mann_kendall(values)
    y = np.asarray(values, dtype=np.float64)
    n = len(y)
    if n > EXACT_VALUES or len(np.unique(y)) < n:
        half = trend.p_value / 2.0
        return half if trend.score > 0 else 1.0 - half
    pairs = n * (n - 1) // 2
    share = np.ones(1)  # of all orders, by inversions
    for k in range(2, n + 1):
        share = np.convolve(share, np.full(k, 1.0 / k))
    inversions = (pairs - trend.score) // 2
    return min(float(np.sum(share[: inversions + 1])), 1.0)


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


def theil_sen_by_time_apart(times: ArrayLike, values: ArrayLike, share: float = INTERVAL_SHARE) -> TheilSen:
    """Theil-Sen line in which each pair counts by the time between its two values.

    For unequal spacing: two values of one busy day say next to nothing of a slope, and the plain median
    would let such pairs outvote the rest. Sievers 1978, Weighted rank statistics for simple linear
    regression (from memory). The interval holds the slopes b at which the sum of time apart × sign of
    (pair slope − b) is no larger than chance: that sum is Σ t·(2·rank − n − 1), a linear rank statistic
    of variance Σ(t − mean)²·n(n+1)/3 over all orders of the values. Where the times cannot bear an
    interval (all but one in one burst) its ends are infinite. Times increase, at least two.
    """
    t, y = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    n = len(t)
    first, second = np.triu_indices(n, k=1)
    apart = t[second] - t[first]
    if n < 2 or (apart <= 0.0).any():
        raise ValueError("the times of a creep must increase")
    slopes = (y[second] - y[first]) / apart
    order = np.argsort(slopes)
    slopes, weight = slopes[order], np.cumsum(apart[order])
    total = float(weight[-1])
    sigma = math.sqrt(float(np.sum((t - t.mean()) ** 2)) * n * (n + 1) / 3.0)
    width = NormalDist().inv_cdf(0.5 + share / 2.0) * sigma
    bounded = width < total

    def at(below: float) -> float:
        return float(slopes[min(int(np.searchsorted(weight, below)), len(slopes) - 1)])

    slope = at(total / 2.0)
    return TheilSen(
        slope=slope,
        slope_low=at((total - width) / 2.0) if bounded else -math.inf,
        slope_high=at((total + width) / 2.0) if bounded else math.inf,
        intercept=float(np.median(y - slope * t)),
    )


def quantile_of_others(values: Array, share: float, places: Sequence[int]) -> list[float]:
    """For each of `places` among at least two values, the quantile (linear between two) of all the others."""
    numbers = values.tolist()
    ordered = sorted(numbers)
    at = share * (len(ordered) - 2)
    low, part = int(at), at - int(at)
    result = []
    for place in places:
        # without its own value all above it stand one place lower
        own = bisect_left(ordered, numbers[place])
        below = ordered[low + (low >= own)]
        above = ordered[low + 1 + (low + 1 >= own)] if part > 0.0 else below
        result.append(below + part * (above - below))
    return result


def _ties(values: Array) -> NDArray[np.int64]:
    return np.asarray(np.unique(values, return_counts=True)[1], dtype=np.int64)


def _score_variance(n: int, groups: tuple[NDArray[np.int64], ...]) -> float:
    whole = n * (n - 1) * (2 * n + 5)
    tied = sum(int(np.sum(g * (g - 1) * (2 * g + 5))) for g in groups)
    return (whole - tied) / 18.0
