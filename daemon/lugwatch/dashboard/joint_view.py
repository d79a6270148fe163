"""One joint as JSON-ready objects: what it is made of, its history over passages, its lines on one time axis.

Peaks are kept: each point holds least, mean and most of what fell into it. A gap is said, with its ends.
Pure but for `History`, which is handed in. May import: the rooms of the dashboard, store, model, units.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from lugwatch.dashboard import views
from lugwatch.json_shapes import JsonObject, creep_object, journal_entry_object
from lugwatch.model import Alert, Boat, Creep, Joint, JournalEntry, Passage
from lugwatch.store.held_back import AT_REST_MS
from lugwatch.store.queries import Bucket, History
from lugwatch.units import format_time

MOST_POINTS = 2000
# a deviation larger than the figure itself says nothing, and would only blow up the axis
LARGEST_RATIO_SD = 1.0


def find_joint(boat: Boat, joint: str) -> Joint | None:
    return next((j for j in boat.joints if j.joint == joint), None)


def sheet(joint: Joint, boat: Boat) -> JsonObject:
    """What a joint is made of and where its figures come from, as configured; None where it is not told."""
    names = {c.channel: c.name for c in boat.channels}
    joints = {j.joint: j.name for j in boat.joints}
    return {
        "joint": joint.joint,
        "name": joint.name,
        "limit_celsius": joint.limit_celsius,
        "limit_basis": joint.limit_basis,
        "rated_amps": joint.rated_amps,
        "current": names.get(joint.current or ""),
        "probe": names.get(joint.probe, joint.probe),
        "air": names.get(joint.air or ""),
        "neighbours": [joints[n] for n in joint.neighbours if n in joints],
        "cable_mm2": list(joint.cable_mm2),
        "cable_insulation": joint.cable_insulation,
        "facts": {key: value for key, value in joint.facts.items() if value is not None},
    }


def over_passages(joint: str, passages: Sequence[Passage], creep: Creep | None) -> JsonObject:
    """How the joint's rise moved from passage to passage, with its trend and where that ends."""
    points: list[JsonObject] = []
    for p in passages:
        found = p.joints.get(joint)
        if found is None:
            continue
        points.append(
            {
                "passage_id": p.passage_id,
                "time": format_time(p.start_time),
                "max_celsius": found.max_celsius,
                "rise_coefficient": found.rise_coefficient,
                "rise_coefficient_sd": found.rise_coefficient_sd,
                "rise_coefficient_repeat_sd": found.against_others_sd,
                "rise_coefficient_reason": found.rise_coefficient_reason,
            }
        )
    told = None if creep is None else views.creep_told(creep)
    return {"points": points, "creep": None if creep is None else creep_object(creep), "told": told}


def lines(
    history: History,
    joint: Joint,
    start: int,
    end: int,
    points: int,
    interval_seconds: float,
    live_until: int | None = None,
) -> JsonObject:
    """Every line of the joint between two times [ms], on one axis, with what happened meanwhile.

    live_until: what lies beyond has not been yet, and is no gap.
    """

    def estimates(column: str) -> list[Bucket]:
        return history.estimate_series(joint.joint, column, start, end, points)

    # a joint without load is told of less often, which is no gap
    seldom_seconds = max(interval_seconds, AT_REST_MS / 1000.0)
    celsius = history.series(joint.probe, start, end, points)
    amps = history.series(joint.current, start, end, points) if joint.current else []
    last = end if live_until is None else min(end, live_until)
    return {
        "from": format_time(start),
        "to": format_time(end),
        "limit_celsius": joint.limit_celsius,
        "celsius": views.columns(celsius, interval_seconds),
        "reference": views.columns(estimates("reference_celsius"), seldom_seconds),
        "rise": views.columns(estimates("rise_kelvin"), seldom_seconds),
        "amps": views.columns(amps, interval_seconds),
        "ratio": band(estimates("baseline_ratio"), estimates("baseline_ratio_sd"), seldom_seconds, 4),
        "ohms": band(estimates("resistance_ohms"), estimates("resistance_sd_ohms"), seldom_seconds, 9),
        "gaps": [[a / 1000.0, b / 1000.0] for a, b in gaps(celsius, start, last, interval_seconds)],
    }


def band(
    means: Sequence[Bucket], deviations: Sequence[Bucket], interval_seconds: float, digits: int
) -> JsonObject:
    """A figure with two deviations to each side, where both are known."""
    sds = [(bucket.time, bucket.mean) for bucket in deviations]
    times = [time for time, _ in sds]
    kept = [m for m in means if math.isfinite(m.mean)]
    series = views.columns(kept, interval_seconds, digits)
    lows: list[float | None] = []
    highs: list[float | None] = []
    for seconds, mean in zip(_listed(series["time_seconds"]), _listed(series["mean"]), strict=True):
        sd = _nearest(sds, times, seconds * 1000.0) if seconds is not None and times else None
        if mean is None or sd is None or sd > LARGEST_RATIO_SD * max(abs(mean), 1e-12):
            lows.append(None)
            highs.append(None)
        else:
            lows.append(round(mean - 2.0 * sd, digits))
            highs.append(round(mean + 2.0 * sd, digits))
    return {"time_seconds": series["time_seconds"], "minimum": lows, "mean": series["mean"], "maximum": highs}


def _nearest(sds: Sequence[tuple[int, float]], times: Sequence[int], time: float) -> float:
    """The value whose time is nearest; there is at least one."""
    after = bisect_left(times, time)
    found = min(sds[max(0, after - 1) : after + 1], key=lambda pair: abs(pair[0] - time))
    return found[1]


def _listed(column: object) -> list[float | None]:
    assert isinstance(column, list)
    return column


def gaps(buckets: Sequence[Bucket], start: int, end: int, interval_seconds: float) -> list[tuple[int, int]]:
    """Stretches [ms] of at least three usual steps without a reading; the whole, where there is none."""
    if end <= start:
        return []
    times = [b.time for b in buckets]
    steps = [b - a for a, b in pairwise(times)]
    least = views.GAP_PERIODS * max(interval_seconds * 1000.0, median(steps) if steps else 0.0)
    ends = [start, *times, end]
    return [(a, b) for a, b in pairwise(ends) if b - a > least]


def marks(
    joint: str, alerts: Sequence[Alert], entries: Sequence[JournalEntry], start: int, end: int
) -> JsonObject:
    """Alerts of the joint and entries of its journal that touch this stretch."""
    return {
        "alerts": [
            {
                "alert_id": a.alert_id,
                "category": a.category.value,
                "condition": a.condition.value,
                "time": format_time(a.raised_time),
                "until": None if a.rectified_time is None else format_time(a.rectified_time),
                "text": a.text,
            }
            for a in alerts
            if a.joint == joint
            and a.raised_time <= end
            and (a.rectified_time is None or a.rectified_time >= start)
        ],
        "entries": [journal_entry_object(e) for e in entries if start <= e.time <= end],
    }
