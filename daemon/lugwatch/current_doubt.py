"""Which currents are not believed now, on whose word, and what is kept from the filter meanwhile.

What can be known, and what not:

- *clipped*: the source says so; or the channel stands on one number at its rating; or, where it reads
  finely enough to show its noise, the largest number of the last minutes is hit exactly, over and over. A
  coarse channel that clips in mid-range looks like a charger at its limit, and is not found. A number at
  or beyond the rating that varies is measured: shunts bear that for a while, and amplifiers reach further.
- *stuck*: one number, not zero and under load, needs a witness. For a channel that always varied: another
  current that meets it on the same metal has moved, a joint on it has left the course that this current
  would have taken it on, or ten minutes have gone by. For one that may well repeat itself: two thirds of the
  joints on it, and two at least, off their course in the same proportion, by half of their rise where all
  stand in one air. With one joint on it nobody can tell a coarse stuck current from a joint gone bad.
  Exactly zero is legal for ever, since heat soaks into resting joints from engine and battery: a joint that
  warms at zero is no witness. But where a current fell from a load to exactly zero from one reading to the
  next, its joints have to cool as they do without a current. If two thirds of them, and two at least, have
  kept most of what they should have lost, the current flows on and it is the reading that stopped: an
  amplifier that lost its settings in a dip says 0 A without an error. Soak adds to what a joint has; it does
not keep it where it was. - *reversed*: heating goes with the square of a current, so no joint can tell its
  direction, and a sign that is wrong hurts no estimate. Only the configuration can know: `one_way = true`
  says that a current flows one way and reads positive. Where it says nothing, nothing is said. Nor can a
  swapped pair of leads be told from a current that truly flows back, e.g. through a failed diode: the advice
names both. - *implausible*: beyond one and a half times the shunt's rating, or leaping by more than the
  rating from reading to reading. NaN, infinity and three times the rating never come in (`intake.refusal`).

Not here: readings (`current_trace`), courses (`current_course`), words. May import: plan and the core below.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import current_course, current_rules, current_trace, estimator, intake, jump, signature
from lugwatch.alert_states import Book, Finding
from lugwatch.current_rules import UNKNOWN_SIZE, Doubt, Doubted
from lugwatch.current_trace import Trace
from lugwatch.model import Channel, Condition, Estimate, FaultKind, Quantity
from lugwatch.plan import MISSING, UNRATED_AMPS, Plan

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Shunts are to carry two thirds of their rating continuously (makers' selection guides): well beyond it,
# and not for a moment, is no current of a boat that was laid out for it.
LARGEST_RATED_RATIO = 1.5
# Another current on the same metal has moved when it changed by this share of its rating, and so much.
WITNESS_RATIO, WITNESS_AMPS = 0.05, 5.0
# A channel that always varied needs no witness after standing still for so long.
LONG_SECONDS = 600.0
# Off its course by a share of its rise: by a fan or a hatch all joints in one air may change that much, those
# in two airs hardly do so together.
TWO_AIRS_RATIO, ONE_AIR_RATIO = 0.2, 0.5
ALIKE_RATIO = 0.4  # the least of several joints against the most: one current moves all in proportion
JOINTS_RATIO = 2.0 / 3.0  # so many of the joints on it, and two at least
# A fall to exactly zero: from so many times the floor, looked at for so long; most of the heat is kept.
FALL_FLOORS, FALL_SECONDS, KEPT_SHARE, LOST_SHARE = 2.0, 900.0, 0.8, 0.4
RESTS_ON_CURRENT = frozenset(
    {Condition.WARMING, Condition.HEADING_HOT, Condition.INTERMITTENT, Condition.PROBE_OFF_JOINT}
)
# After so long without a current that is believed, nobody knows how warm a joint's modes are.
LOST_SECONDS = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What is remembered of every channel (temperatures have an idle trace), and the joints' courses."""

    traces: tuple[Trace, ...]
    doubted: tuple[Doubted | None, ...]
    stuck: tuple[str, ...]  # the witness that convicted the present run; "": none
    others_amps: Array  # (channels, channels) what all said when a channel's run began
    doubted_seconds: Array  # (channels,) for how long its size has been unknown
    course: current_course.Course  # of the joints whose current stands still


def empty(plan: Plan) -> Memory:
    """Nothing seen yet."""
    n = plan.channels.size
    return Memory(
        traces=(Trace(),) * n,
        doubted=(None,) * n,
        stuck=("",) * n,
        others_amps=np.full((n, n), np.nan),
        doubted_seconds=np.zeros(n),
        course=current_course.empty(len(plan.boat.joints)),
    )


def floor_amps(plan: Plan, channel: Channel) -> float:
    """Less than this is no load [A]."""
    return plan.boat.watching.current_floor_ratio * (channel.rated_amps or UNRATED_AMPS)


def take(plan: Plan, memory: Memory, values: Iterable[tuple[int, float]], now: float) -> Memory:
    """Good readings (index, value) of one instant."""
    traces = list(memory.traces)
    others = memory.others_amps
    stuck = memory.stuck
    touched = False
    for i, value in values:
        channel = plan.channels.channels[i]
        if channel.quantity is not Quantity.AMPS:
            continue
        touched = True
        largest = math.inf if channel.rated_amps is None else LARGEST_RATED_RATIO * channel.rated_amps
        traces[i] = current_trace.take(
            traces[i], value, now, floor_amps(plan, channel), largest, channel.rated_amps
        )
        if traces[i].run_readings == 1 and stuck[i]:
            stuck = (*stuck[:i], "", *stuck[i + 1 :])
        # what the others said when it was still moving
        if traces[i].run_readings == current_trace.HELD_READINGS:
            others = others.copy()
            others[i] = [trace.amps for trace in traces]
    if not touched:
        return memory
    return replace(memory, traces=tuple(traces), stuck=stuck, others_amps=others)


def look(
    plan: Plan,
    memory: Memory,
    taken: intake.Intake,
    window: intake.Window,
    bank: estimator.Bank,
    tracked: estimator.Tracked,
    inputs: estimator.Inputs,
    gap_seconds: float,
) -> Memory:
    """At the end of a window: follow the courses, and judge every current.

    tracked: as it was before this window; inputs: of this window, with every current as it was read.
    """
    standing = [i for i, t in enumerate(memory.traces) if _stands(plan, t, i) or _fell(plan, t, i)]
    if standing or memory.course.tracked is not None:
        on = np.isin(plan.current, standing) & plan.tracked & tracked.started
        course = current_course.follow(memory.course, on, bank, tracked, inputs, gap_seconds)
    else:
        course = memory.course
    off_course = current_course.off_course(course, inputs.probe_celsius)
    kept, certain = current_course.kept_share(course, inputs.probe_celsius)
    doubted = list(memory.doubted)
    stuck = list(memory.stuck)
    for i, channel in enumerate(plan.channels.channels):
        if channel.quantity is not Quantity.AMPS:
            continue
        stuck[i] = (
            stuck[i] or _witness(plan, memory, i, off_course) or _warm_at_zero(plan, memory, i, kept, certain)
        )
        doubted[i] = _judge(plan, memory.traces[i], channel, taken, i, stuck[i], bool(window.silent[i]))
    unknown = _unknown(doubted)
    length = window.end_seconds - window.start_seconds
    return Memory(
        traces=tuple(
            current_trace.next_window(trace) if trace.window_readings else trace for trace in memory.traces
        ),
        doubted=tuple(doubted),
        stuck=tuple(stuck),
        others_amps=memory.others_amps,
        course=course,
        doubted_seconds=np.where(unknown, memory.doubted_seconds + length, 0.0),
    )


def _judge(
    plan: Plan, trace: Trace, channel: Channel, taken: intake.Intake, i: int, stuck: str, silent: bool
) -> Doubted | None:
    fault = taken.last_fault[i]
    if taken.faults_in_a_row[i] and fault is not None and fault.kind is FaultKind.CLIPPED:
        told = taken.faults_in_a_row[i] >= plan.thresholds.faults_in_a_row
        return Doubted(doubt=Doubt.CLIPPED if told else Doubt.HELD, amps=math.nan)
    if silent or math.isnan(trace.amps):
        return None
    floor = floor_amps(plan, channel)
    if trace.window_beyond:
        return Doubted(doubt=Doubt.IMPLAUSIBLE, amps=trace.amps)
    if trace.leaps_share > current_trace.LEAPING_SHARE:
        leaps = "leaps by more than its shunt is rated for from one reading to the next"
        return Doubted(doubt=Doubt.IMPLAUSIBLE, amps=trace.amps, witness=leaps)
    if stuck:
        return Doubted(doubt=Doubt.STUCK, amps=trace.amps, seconds=trace.run_seconds, witness=stuck)
    if current_trace.at_end(trace, channel.rated_amps):
        return Doubted(doubt=Doubt.CLIPPED, amps=trace.amps)
    if current_trace.held_back(trace, floor, channel.rated_amps):
        return Doubted(doubt=Doubt.HELD, amps=trace.amps)
    if channel.one_way and trace.amps <= -floor:
        return Doubted(doubt=Doubt.REVERSED, amps=trace.amps)
    return None


def _stands(plan: Plan, trace: Trace, i: int) -> bool:
    return (
        trace.run_readings >= current_trace.HELD_READINGS
        and trace.run_seconds >= 2.0 * plan.boat.watching.estimate_seconds - 1e-6
        and abs(trace.amps) >= floor_amps(plan, plan.channels.channels[i])
    )


def _fell(plan: Plan, trace: Trace, i: int) -> bool:
    """Whether it fell from a load to exactly zero not long ago."""
    floor = floor_amps(plan, plan.channels.channels[i])
    return (
        trace.amps == 0.0
        and trace.run_readings >= current_trace.HELD_READINGS
        and 2.0 * plan.boat.watching.estimate_seconds - 1e-6 <= trace.run_seconds <= FALL_SECONDS
        and abs(trace.fell_from_amps) >= FALL_FLOORS * floor
    )


def _warm_at_zero(plan: Plan, memory: Memory, i: int, kept: Array, certain: Flags) -> str:
    """In words that the joints on a current that fell to zero say that it flows on; "": they do not."""
    if not (memory.traces[i].standing and _fell(plan, memory.traces[i], i)):
        return ""
    on = (plan.current == i) & ~np.isnan(kept)
    warm = (certain & (kept >= KEPT_SHARE))[on].sum()
    if warm >= max(2.0, JOINTS_RATIO * on.sum()) and (kept[on] > LOST_SHARE).all():
        return "the joints on it stay warm as they would not without a current"
    return ""


def fallen(plan: Plan, memory: Memory) -> Flags:
    """Joints (joints,) whose current fell to exactly zero a short while ago, whether or not it did."""
    fell = [_fell(plan, trace, i) for i, trace in enumerate(memory.traces)]
    return np.array([*fell, False], dtype=bool)[plan.current]


def standing(plan: Plan, memory: Memory) -> Flags:
    """Joints (joints,) whose current has stood still for some windows, doubted or not."""
    still = [_stands(plan, trace, i) for i, trace in enumerate(memory.traces)]
    return np.array([*still, False], dtype=bool)[plan.current]


def _witness(plan: Plan, memory: Memory, i: int, off_course: Array) -> str:
    """In words what says that this current, which stands still, has moved; "": nobody."""
    trace = memory.traces[i]
    if not trace.standing or abs(trace.amps) < floor_amps(plan, plan.channels.channels[i]):
        return ""
    on = (plan.current == i) & ~np.isnan(off_course)
    share = off_course[on]
    airs = len(set(plan.air[on].tolist()))
    large = np.abs(share) >= (TWO_AIRS_RATIO if airs > 1 else ONE_AIR_RATIO)
    one_way = bool((share >= 0.0).all() or (share <= 0.0).all())
    way = "warmed" if share.sum() > 0.0 else "cooled"
    joints = f"the joints on it have {way} as they would not at a constant current"
    if trace.fine and not trace.at_top:  # at the top it will soon be known as the end of the range
        for other in _circuit(plan, i):
            rated = plan.channels.channels[other].rated_amps or UNRATED_AMPS
            moved = abs(memory.traces[other].amps - memory.others_amps[i, other])
            if moved >= max(WITNESS_AMPS, WITNESS_RATIO * rated):
                name = plan.channels.channels[other].name
                return f"{name}, which meets it on the same metal, has moved"
        if one_way and (np.abs(share) >= TWO_AIRS_RATIO).any():
            return joints
        return "it never stood still before" if trace.run_seconds >= LONG_SECONDS else ""
    sizes = np.abs(share[large])
    if one_way and len(sizes) >= max(2.0, JOINTS_RATIO * len(share)):
        return joints if sizes.min() >= ALIKE_RATIO * sizes.max() else ""
    return ""


def _circuit(plan: Plan, i: int) -> list[int]:
    """Other currents that meet this one on the same metal."""
    own = plan.current == i
    touching = plan.metal[own].any(axis=0) if own.any() else np.zeros_like(own)
    return sorted({int(c) for c in plan.current[touching] if c not in (MISSING, i)})


def _unknown(doubted: Sequence[Doubted | None]) -> Flags:
    return np.array([d is not None and d.doubt in UNKNOWN_SIZE for d in doubted], dtype=bool)


def of_joints(plan: Plan, memory: Memory, taken: intake.Intake) -> Flags:
    """Joints (joints,) from whose current nothing may be estimated: doubted, failing, or called stale."""
    if not (any(memory.doubted) or taken.faults_in_a_row.any()):
        return np.zeros(len(plan.current), dtype=bool)
    stale = np.array([fault is not None and fault.kind is FaultKind.STALE for fault in taken.last_fault])
    failing = taken.faults_in_a_row >= np.where(stale, 1, plan.thresholds.faults_in_a_row)
    unknown = _unknown(memory.doubted) | (plan.channels.is_amps & failing)
    return np.append(unknown, False)[plan.current]


def without(inputs: estimator.Inputs, unknown: Flags) -> estimator.Inputs:
    """The same inputs, not knowing the current of these joints."""
    if not unknown.any():
        return inputs
    return replace(
        inputs,
        amps_squared=np.where(unknown, np.nan, inputs.amps_squared),
        loaded=inputs.loaded & ~unknown,
    )


def believed(memory: Memory, window: intake.Window) -> intake.Window:
    """The same window, with no amperes where they are not believed; what was counted stays."""
    unknown = _unknown(memory.doubted)
    if not unknown.any():
        return window
    return replace(window, amps=np.where(unknown, np.nan, window.amps))


def counted(memory: Memory, window: intake.Window) -> intake.Window:
    """For passages: a clipped current counts as far as it goes; stuck or implausible it flows, uncounted."""
    wrong = [d is not None and d.doubt in (Doubt.IMPLAUSIBLE, Doubt.STUCK) for d in memory.doubted]
    if not any(wrong):
        return window
    return replace(
        window,
        amp_seconds=np.where(wrong, 0.0, window.amp_seconds),
        count=np.where(wrong, 0.0, window.count),
    )


def lose(
    plan: Plan,
    memory: Memory,
    tracked: estimator.Tracked,
    watch: jump.Watch,
    now: float,
    gap_seconds: float,
) -> tuple[estimator.Tracked, jump.Watch]:
    """A joint whose current has long been unknown begins anew when it is believed again.

    Else the filter would take the first current that is believed for that of the whole pause. What was
    learned from a number that turned out to be stuck is taken back, and what was concluded from it too.
    """
    if not (any(memory.doubted) or memory.doubted_seconds.any()):
        return tracked, watch
    convicted = [d is not None and d.doubt is Doubt.STUCK for d in memory.doubted]
    stuck = np.append(np.array(convicted, dtype=bool), False)[plan.current]
    lost = stuck | (np.append(memory.doubted_seconds, 0.0)[plan.current] >= LOST_SECONDS)
    if not lost.any():
        return tracked, watch
    tracked = current_course.put_back(memory.course, tracked, stuck)
    long_ago = np.minimum(tracked.stepped, now - gap_seconds - 1.0)
    tracked = replace(tracked, stepped=np.where(lost, long_ago, tracked.stepped))
    ratio = np.where(stuck, 1.0, watch.ratio)
    return tracked, replace(jump.restart(watch, lost, watch.busiest), ratio=ratio)


def without_suspicion(plan: Plan, unknown: Flags, book: Book) -> Book:
    """Nobody goes on being suspected of what a current said that is not believed any more.

    unknown: (joints,). Alerts that were raised stay; delays that are running begin anew.
    """
    if not book.true_since:
        return book
    cleared = {f"joint {j.joint}" for j, gone in zip(plan.boat.joints, unknown, strict=True) if gone}
    kept = {
        key: since
        for key, since in book.true_since.items()
        if not (key[0] in RESTS_ON_CURRENT and key[1] in cleared)
    }
    return book if len(kept) == len(book.true_since) else replace(book, true_since=kept)


def common(plan: Plan, unknown: Flags, ways: NDArray[np.intp], said: Iterable[Finding]) -> list[Finding]:
    """Findings of what is common to many, without those that rest on joints whose current is unknown.

    ways: (groups,) as `jump.find` gives them.
    """
    if not ways.any():
        return list(said)
    company = (plan.groups & ~unknown).sum(axis=1)
    untold = {
        channel
        for channel, way, left in zip(plan.group_channels, ways, company, strict=True)
        if way and left < signature.COMPANY
    }
    return [finding for finding in said if finding.channel not in untold]


def findings(plan: Plan, memory: Memory, window: intake.Window) -> list[Finding]:
    """What there is to say of every current."""
    return [
        current_rules.doubtful_finding(
            channel, memory.doubted[i], memory.traces[i].moved and not window.silent[i]
        )
        for i, channel in enumerate(plan.channels.channels)
        if channel.quantity is Quantity.AMPS
    ]


def explained(plan: Plan, memory: Memory, estimates: Sequence[Estimate]) -> tuple[Estimate, ...]:
    """Estimates that say why where a current is not believed, unless the probe itself is silent."""
    if not (any(memory.doubted) and _unknown(memory.doubted).any()):
        return tuple(estimates)
    why: dict[str, str] = {}
    for joint, i in zip(plan.boat.joints, plan.current, strict=True):
        doubted = None if i == MISSING else memory.doubted[i]
        if doubted is not None and doubted.doubt in UNKNOWN_SIZE:
            why[joint.joint] = current_rules.reason(doubted)
    return tuple(
        replace(row, reason=why[row.joint]) if row.joint in why and row.probe_celsius is not None else row
        for row in estimates
    )
