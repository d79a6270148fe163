"""The slow creep of a joint: one rise coefficient per passage, is it growing, and when is it half up again?

Two questions on two axes. *Whether* it grows is asked of the order of the passages alone (Mann-Kendall,
exact), so no choice of axis, no pause and no burst of passages can make or hide a creep. *How much* and *by
when* are told in calendar time: corrosion and creeping metal go on at rest, a skipper plans by the
calendar, and loaded hours would first need a forecast of how the boat will be used. Each pair of
passages counts by the time between them, so five passages of one week do not outvote a summer.
Not here: one passage's figure (`passages`), the baseline (`trend`), when to alert (`alert_rules`).
May import: change, model, numpy.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from lugwatch import change
from lugwatch.model import Creep, CreepVerdict, Passage

Array = NDArray[np.float64]

# The latest so many of each joint: some seasons of a busy boat, and half a millisecond of sorting.
PASSAGES_KEPT = 200
# A passage on which the rise was known worse than this share tells nothing of a creep.
CERTAIN_RATIO = 0.2
# Of n! equally likely orders one rises throughout. Five passages do that by chance once in 120, six once
# in 720; asked anew after each passage of each joint, only the latter is rare enough.
PASSAGES_NEEDED = 6
RISING_P = 0.002  # one-sided; 1/720 is below, the next worse order of six (6/720) is not
STEADY_P = 0.05  # above, there is no trend to speak of
# A smaller gain is no news even where it is certain: air and cooling change with the season by as much.
CREEPING_GAIN = 0.08
STEADY_GAIN = 0.04
# A part of a stated deviation is common to all passages (heat of bodies, what neighbours always carry), and
# what is common moves no trend: passages of simulated healthy seasons scatter by a fifth to three fifths
# of what they state. So a third of it is the least that is believed to differ from passage to passage.
OWN_SHARE = 1.0 / 3.0
REACHES_RATIO = 1.5  # what is forecast
DAY_MS = 86_400_000
# A straight line says nothing of what is further off than this.
FORECAST_DAYS = 3650.0
_QUANTILE = NormalDist().inv_cdf(0.5 + change.INTERVAL_SHARE / 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One joint on one passage."""

    passage_id: int
    time: int  # the middle of the passage
    rise_coefficient: float  # K/A²
    rise_coefficient_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Per joint, in the order of the boat: its passages, and the first that counts since its last reset."""

    points: tuple[tuple[Point, ...], ...]
    first_passage_id: tuple[int, ...]


def empty(joints: int) -> History:
    """No passage yet."""
    return History(points=((),) * joints, first_passage_id=(0,) * joints)


def remember(history: History, joints: Sequence[str], points: Mapping[str, Sequence[Point]]) -> History:
    """Add points by joint id, each joint's in the order of its passages; keeps the latest that count.

    A passage that is told of twice, as after a power cut, counts once and as last told.
    """
    kept = []
    for i, joint in enumerate(joints):
        counted = {
            p.passage_id: p
            for p in (*history.points[i], *points.get(joint, ()))
            if p.passage_id >= history.first_passage_id[i]
            and p.rise_coefficient > 0.0
            and p.rise_coefficient_sd < CERTAIN_RATIO * p.rise_coefficient
        }
        kept.append(tuple(counted.values())[-PASSAGES_KEPT:])
    return replace(history, points=tuple(kept))


def add(history: History, joints: Sequence[str], passage: Passage) -> History:
    """Add a passage that has ended; joints of which too little was seen on it are as before."""
    if passage.end_time is None:
        return history
    middle = (passage.start_time + passage.end_time) // 2
    points = {
        joint: (
            Point(
                passage_id=passage.passage_id,
                time=middle,
                rise_coefficient=j.rise_coefficient,
                rise_coefficient_sd=sd,
            ),
        )
        for joint, j in passage.joints.items()
        if j.rise_coefficient is not None and (sd := j.against_others_sd) is not None
    }
    return remember(history, joints, points)


def forget(history: History, joint_index: int, next_passage_id: int) -> History:
    """The joint has a new baseline: only passages from `next_passage_id` on count.

    Hand over the tracker's `next_passage_id`: a passage under way has a smaller one and is left out, since
    it saw the joint before and after.
    """
    points, first = list(history.points), list(history.first_passage_id)
    points[joint_index] = tuple(p for p in points[joint_index] if p.passage_id >= next_passage_id)
    first[joint_index] = next_passage_id
    return History(points=tuple(points), first_passage_id=tuple(first))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line through the passages; time in days since the first, values in K/A²."""

    slope: float  # per day
    slope_low: float  # 95 %; infinite where the times cannot bear an interval
    slope_high: float
    level: float  # in the middle of the passages
    level_sd: float
    middle_days: float
    span_days: float


def fit(days: Array, values: Array, sds: Array) -> Line:
    """The line through at least two passages; (passages,) each, days increasing.

    Its interval is never narrower than what OWN_SHARE of the stated deviations makes of a slope.
    """
    sds = OWN_SHARE * sds
    line = change.theil_sen_by_time_apart(days, values)
    weight = 1.0 / np.maximum(sds, 1e-12) ** 2
    centre = np.sum(weight * days) / np.sum(weight)
    own = _QUANTILE / math.sqrt(float(np.sum(weight * (days - centre) ** 2)))
    middle = float(np.mean(days))
    residual = values - line.slope * (days - middle)
    level = float(np.median(residual))
    spread = max(float(np.median(np.abs(residual - level))) * 1.4826, float(np.sqrt(np.mean(sds**2))))
    return Line(
        slope=line.slope,
        slope_low=min(line.slope_low, line.slope - own),
        slope_high=max(line.slope_high, line.slope + own),
        level=level,
        level_sd=math.sqrt(math.pi / 2.0 / len(days)) * spread,  # of a median
        middle_days=middle,
        span_days=float(days[-1] - days[0]),
    )


def reaches_days(
    line: Line, baseline: tuple[float, float] | None, ratio: float = REACHES_RATIO
) -> tuple[float, float, float]:
    """Days at which a rising line is at `ratio` times its baseline, and the 95 % interval of that.

    baseline: level and its standard deviation [K/A²]; None: the line's own level at the first passage. The
    line's slope_low must be above zero. Contacts that fail do so faster than straight, so the early end is
    the one to plan by.
    """

    def at(slope: float) -> float:
        return line.middle_days + (ratio * _base(line, baseline, slope) - line.level) / slope

    centre, one, other = at(line.slope), at(line.slope_high), at(line.slope_low)
    early, late = (
        min(one, other, centre),
        max(one, other, centre),
    )  # of what lies behind, flatter is longer ago
    level_sd = (
        (ratio - 1.0) * line.level_sd if baseline is None else math.hypot(ratio * baseline[1], line.level_sd)
    )
    side = _QUANTILE * level_sd / line.slope
    return centre, centre - math.hypot(centre - early, side), centre + math.hypot(late - centre, side)


def gain_ratio(line: Line, baseline: tuple[float, float] | None) -> tuple[float, float | None, float | None]:
    """What the line gains from first to last passage, as a share of its baseline, and the 95 % interval.

    An end is None where the times cannot bear one.
    """

    def at(slope: float) -> float:
        base = _base(line, baseline, slope) if math.isfinite(slope) else 0.0
        return slope * line.span_days / base if base > 0.0 else math.copysign(math.inf, slope)

    gain, low, high = at(line.slope), at(line.slope_low), at(line.slope_high)
    base_sd = line.level_sd / line.level if baseline is None else baseline[1] / baseline[0]
    of_baseline = _QUANTILE * abs(gain) * base_sd
    below, above = math.hypot(gain - low, of_baseline), math.hypot(high - gain, of_baseline)
    return gain, gain - below if below < math.inf else None, gain + above if above < math.inf else None


def _base(line: Line, baseline: tuple[float, float] | None, slope: float) -> float:
    return line.level - slope * line.middle_days if baseline is None else baseline[0]


def judge(joint: str, points: Sequence[Point], baseline: tuple[float, float] | None, time: int) -> Creep:
    """All that is to be said of one joint's creep at `time` [ms].

    baseline: rise coefficient and its standard deviation [K/A²]; None, not known: the level at the first
    passage stands in for it.
    """
    dated = _in_order_of_time(points)
    nothing = Creep(
        joint=joint,
        time=time,
        verdict=CreepVerdict.TOO_FEW_PASSAGES,
        passages_count=len(dated),
        first_time=dated[0].time if dated else None,
        last_time=dated[-1].time if dated else None,
        rise_coefficient=None,
        gain_ratio=None,
        gain_ratio_low=None,
        gain_ratio_high=None,
        gain_ratio_per_100_days=None,
        gain_ratio_per_100_days_low=None,
        gain_ratio_per_100_days_high=None,
        p_value=None,
        baseline_coefficient=None if baseline is None else baseline[0],
        baseline_coefficient_sd=None if baseline is None else baseline[1],
        reaches_ratio=REACHES_RATIO,
        reaches_time=None,
        reaches_earliest_time=None,
        reaches_latest_time=None,
    )
    if len(dated) < PASSAGES_NEEDED:
        return nothing
    days = np.array([(p.time - dated[0].time) / DAY_MS for p in dated])
    values = np.array([p.rise_coefficient for p in dated])
    line = fit(days, values, np.array([p.rise_coefficient_sd for p in dated]))
    gain, low, high = gain_ratio(line, baseline)
    p_value = change.rising_p_value(values)
    # a creep within what a single figure may err is no creep
    needed = max(CREEPING_GAIN, float(np.median([p.rise_coefficient_sd / p.rise_coefficient for p in dated])))
    verdict = _verdict(p_value, gain, low, needed)
    per_100_days = 100.0 / line.span_days
    found = replace(
        nothing,
        verdict=verdict,
        rise_coefficient=line.level + line.slope * (line.span_days - line.middle_days),
        gain_ratio=gain,
        gain_ratio_low=low,
        gain_ratio_high=high,
        gain_ratio_per_100_days=gain * per_100_days,
        gain_ratio_per_100_days_low=None if low is None else low * per_100_days,
        gain_ratio_per_100_days_high=None if high is None else high * per_100_days,
        p_value=p_value,
    )
    if verdict is not CreepVerdict.CREEPING:
        return found
    centre, early, late = (
        dated[0].time + round(max(d, -FORECAST_DAYS) * DAY_MS) if d - line.span_days < FORECAST_DAYS else None
        for d in reaches_days(line, baseline)
    )
    return replace(found, reaches_time=centre, reaches_earliest_time=early, reaches_latest_time=late)


def _verdict(p_value: float, gain: float, gain_low: float | None, needed: float) -> CreepVerdict:
    if p_value <= RISING_P and gain >= needed and gain_low is not None and gain_low > 0.0:
        return CreepVerdict.CREEPING
    steady = p_value > STEADY_P or gain < STEADY_GAIN
    return CreepVerdict.STEADY if steady else CreepVerdict.UNSURE


def _in_order_of_time(points: Sequence[Point]) -> tuple[Point, ...]:
    """Without the passages whose date cannot be, as of a day on which the clock was wrong.

    Passages are numbered in the order in which they were made; the one that contradicts most others goes
    first, until their times increase.
    """
    kept = list(points)
    while len(kept) > 1:
        times = np.array([p.time for p in kept])
        wrong = np.triu(times[:, None] >= times[None, :], k=1)
        against = wrong.sum(axis=0) + wrong.sum(axis=1)
        if not against.any():
            break
        del kept[int(np.argmax(against))]
    return tuple(kept)
