"""What the journal does to the core: which entries were taken in, since when each baseline stands, what
was measured by millivolts.

Each entry is taken in once, in whatever order they come: the numbers that were taken are remembered with
the state (`snapshot`), so a power cut between hearing of an entry and its effect hands it out again.
Not here: what a reset does to shapes and filter (`anew`), how entries are written (`store`).
May import: trend, resistance, plan, model, numpy.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lugwatch import resistance, trend
from lugwatch.model import Condition, JointBaseline, JournalEntry
from lugwatch.plan import Plan

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Times = NDArray[np.int64]

# Alerts that compare a joint with its baseline, and those that rest on what is believed of it at all.
# They are over when that is taken away; `hot`, `rising_fast` and missing data go on by themselves.
RESTS_ON_BASELINE = (Condition.WARMING, Condition.CREEPING, Condition.PROBE_OFF_JOINT)
RESTS_ON_SHAPE = (*RESTS_ON_BASELINE, Condition.INTERMITTENT, Condition.HEADING_HOT)
# So near to a measurement its probe tells how warm the joint was at it.
SAME_TIME_MILLISECONDS = 600_000
# Measurements kept of one joint, newest last.
MEASUREMENTS_KEPT = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A voltage measured across a joint, with what the joint's rise was then."""

    entry_id: int
    time: int
    volts: float
    amps: float
    celsius: float | None  # as measured by hand
    probe_celsius: float | None  # what its probe said when the entry was taken in
    rise_coefficient: float | None = None  # K/A²; None: not known well enough yet
    rise_coefficient_sd: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What is remembered of the journal; times [ms], 0: none."""

    taken_until: int  # every entry up to this number was taken in…
    taken_beyond: frozenset[int]  # …and these after it
    begun_time: Times  # (joints,) when the load began that the baseline rests on
    taken_time: Times  # (joints,) since when it is compared with
    measurements: tuple[tuple[Measurement, ...], ...]  # per joint


def empty(joints: int) -> Memory:
    """Nothing taken in."""
    none = np.zeros(joints, dtype=np.int64)
    return Memory(
        taken_until=0,
        taken_beyond=frozenset(),
        begun_time=none,
        taken_time=none,
        measurements=((),) * joints,
    )


# ---- entries ---------------------------------------------------------------------------------


def was_taken(memory: Memory, entry_id: int) -> bool:
    """Whether this entry had its effect already."""
    return entry_id <= memory.taken_until or entry_id in memory.taken_beyond


def take(memory: Memory, entry_id: int) -> Memory:
    """Remember that this entry has its effect now."""
    until, beyond = memory.taken_until, memory.taken_beyond | {entry_id}
    while until + 1 in beyond:
        until += 1
    return replace(memory, taken_until=until, taken_beyond=frozenset(i for i in beyond if i > until))


def measured(memory: Memory, joint: int, entry: JournalEntry, probe_celsius: float | None) -> Memory:
    """Keep a measured voltage until the joint's rise is known well enough to go with it."""
    assert entry.volts is not None and entry.amps is not None, "checked where it was written"
    new = Measurement(
        entry_id=entry.entry_id,
        time=entry.time,
        volts=entry.volts,
        amps=entry.amps,
        celsius=entry.celsius,
        probe_celsius=probe_celsius,
    )
    return _with_measurements(memory, joint, (*memory.measurements[joint], new)[-MEASUREMENTS_KEPT:])


def without_measurements(memory: Memory, joint: int) -> Memory:
    """The joint was worked on: what was measured before says nothing of it now."""
    return _with_measurements(memory, joint, ())


def _with_measurements(memory: Memory, joint: int, of_joint: tuple[Measurement, ...]) -> Memory:
    rest = memory.measurements
    return replace(memory, measurements=(*rest[:joint], of_joint, *rest[joint + 1 :]))


def pair_with_rise(
    memory: Memory, plan: Plan, rise_kelvin: Array, sd_kelvin: Array, known: Flags
) -> tuple[Memory, tuple[tuple[int, Measurement], ...]]:
    """Give each measurement the rise coefficient of its joint, once that is certain; and which got one now.

    rise_kelvin, sd_kelvin: (joints,) β [K]; known: (joints,) it rests on load of the joint as it is.
    """
    now = []
    for i, of_joint in enumerate(memory.measurements):
        if all(m.rise_coefficient is not None for m in of_joint):
            continue
        if not (known[i] and 0.0 < sd_kelvin[i] < trend.CERTAIN_RATIO * rise_kelvin[i]):
            continue
        squared = float(plan.rated_amps[i]) ** 2
        found, sd = float(rise_kelvin[i]) / squared, float(sd_kelvin[i]) / squared
        paired = tuple(
            replace(m, rise_coefficient=found, rise_coefficient_sd=sd) if m.rise_coefficient is None else m
            for m in of_joint
        )
        now.append((i, paired[-1]))
        memory = _with_measurements(memory, i, paired)
    return memory, tuple(now)


def drop_of(law: resistance.Law, measurement: Measurement) -> resistance.MillivoltDrop | None:
    """The drop that leads to ohms; None where no temperature was known or no joint can have shown it."""
    celsius = measurement.celsius if measurement.celsius is not None else measurement.probe_celsius
    if celsius is None or measurement.rise_coefficient is None or measurement.rise_coefficient_sd is None:
        return None
    try:
        return resistance.millivolt_drop(
            law,
            volts=measurement.volts,
            amps=measurement.amps,
            celsius=celsius,
            rise_coefficient=measurement.rise_coefficient,
            rise_coefficient_sd=measurement.rise_coefficient_sd,
        )
    except ValueError:  # the command refuses such; an entry of another hand may hold it
        return None


# ---- baselines -------------------------------------------------------------------------------


def date(memory: Memory, before: trend.Baseline, after: trend.Baseline, start_time: int, time: int) -> Memory:
    """After one window from `start_time` to `time`: when evidence began, and when it was enough."""
    if before is after:
        return memory
    begins = (before.evidence_seconds == 0.0) & (after.evidence_seconds > 0.0)
    enough = _usable(after) & ~_usable(before)
    return replace(
        memory,
        begun_time=np.where(begins, start_time, memory.begun_time),
        taken_time=np.where(enough, time, memory.taken_time),
    )


def date_taken(memory: Memory, joints: Flags, begun_time: int, time: int) -> Memory:
    """Baselines of these joints (joints,) were taken at once from a record that begins at `begun_time`."""
    return replace(
        memory,
        begun_time=np.where(joints, begun_time, memory.begun_time),
        taken_time=np.where(joints, time, memory.taken_time),
    )


def undate(memory: Memory, joints: Flags) -> Memory:
    """These joints have no baseline."""
    return date_taken(memory, joints, 0, 0)


def _usable(baseline: trend.Baseline) -> Flags:
    return baseline.evidence_seconds >= trend.USABLE_SECONDS


def news(before: trend.Baseline, after: trend.Baseline, due: bool) -> Flags:
    """Which baselines (joints,) to tell: new ones, those that stand now, when `due` those that grew."""
    if before is after:
        return np.zeros(len(after.evidence_seconds), dtype=bool)
    usable = _usable(after)
    stands = (after.evidence_seconds >= trend.SETTLED_SECONDS) & (
        before.evidence_seconds < trend.SETTLED_SECONDS
    )
    grew = due & (after.evidence_seconds != before.evidence_seconds)
    result: Flags = usable & (~_usable(before) | stands | grew)
    return result


def told(
    plan: Plan, memory: Memory, baseline: trend.Baseline, joints: Flags, ended_time: int | None = None
) -> tuple[JointBaseline, ...]:
    """The rows of the baselines of these joints (joints,), where there is one."""
    if not joints.any():
        return ()
    return tuple(
        JointBaseline(
            joint=plan.boat.joints[i].joint,
            taken_time=int(memory.taken_time[i]),
            baseline_time=int(memory.begun_time[i]),
            ended_time=ended_time,
            rise_coefficient=_coefficient(plan, baseline.rise_kelvin, i),
            rise_coefficient_sd=_coefficient(plan, baseline.rise_sd_kelvin, i),
            evidence_seconds=float(baseline.evidence_seconds[i]),
        )
        for i in np.flatnonzero(joints & (memory.taken_time > 0))
    )


class Compared(NamedTuple):
    """What a joint is compared with: K/A², and when its load began [ms]; None: nothing yet."""

    rise_coefficient: float | None
    rise_coefficient_sd: float | None
    baseline_time: int | None


def compared(plan: Plan, memory: Memory, baseline: trend.Baseline) -> list[Compared]:
    """For each joint."""
    squared = plan.rated_amps**2
    columns = (
        memory.taken_time.tolist(),
        (baseline.rise_kelvin / squared).tolist(),
        (baseline.rise_sd_kelvin / squared).tolist(),
        memory.begun_time.tolist(),
    )
    return [
        Compared(rise, sd, begun) if taken > 0 else Compared(None, None, None)
        for taken, rise, sd, begun in zip(*columns, strict=True)
    ]


def _coefficient(plan: Plan, kelvin: Array, i: int | np.intp) -> float:
    return float(kelvin[i]) / float(plan.rated_amps[i]) ** 2
