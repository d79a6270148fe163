"""From what is tracked to what is said: figures for the rules, findings, estimates, passages' windows.

Arrays become plain numbers here, and NaN becomes None. Not here: the filter (`estimator`), thresholds
(`alert_rules`), states of alerts (`alert_states`). May import: the core below `pipeline`.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import alert_rules, belief, estimator, jump, resistance, trend
from lugwatch.alert_states import Book, Finding
from lugwatch.intake import Intake, Window, silent_after_seconds
from lugwatch.model import AlertState, Condition, Estimate, JointState, Quantity
from lugwatch.passages import Observation
from lugwatch.plan import MISSING, Plan

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# The rate of rise is taken over at least this long, since one probe step is 1/16 K.
RATE_SECONDS = 55.0
RATE_WINDOWS = 8
# "The present current" of a projection: hunting of a regulator is not a new current.
PRESENT_SECONDS = 60.0
# A figure less certain than this share of itself is not shown.
SHOWN_RATIO = 0.35
# A joint whose current makes less of a rise than this is not judged by it: what its neighbours do is more.
VISIBLE_KELVIN = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What is remembered from window to window, per joint (joints,)."""

    past_celsius: Array  # (RATE_WINDOWS, joints), newest last; NaN: none
    past_seconds: Array  # (RATE_WINDOWS,)
    present_amps_squared: Array
    put_out_seconds: float
    states: tuple[JointState, ...]


def empty(joints: int) -> Memory:
    """Nothing seen yet."""
    return Memory(
        past_celsius=np.full((RATE_WINDOWS, joints), np.nan),
        past_seconds=np.full(RATE_WINDOWS, -np.inf),
        present_amps_squared=np.full(joints, np.nan),
        put_out_seconds=-math.inf,
        states=(JointState.LEARNING,) * joints,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Every joint at the end of one window; NaN is "not known" and ends here."""

    believed: belief.Believed
    memory: Memory
    probe_celsius: Array  # of this window; NaN: nothing read in it
    reference_celsius: Array  # NaN: no air
    amps: Array
    loaded: Flags
    judged: Flags  # loaded, tracked, and every input there
    certain: Flags  # the rise coefficient is known well enough to show
    ratio: Array
    ratio_sd: Array
    rate_kelvin_per_minute: Array
    explained_kelvin_per_minute: Array
    rise_now_kelvin: Array  # where the present current alone would bring it


def look(
    plan: Plan,
    bank: estimator.Bank,
    tracked: estimator.Tracked,
    baseline: trend.Baseline,
    memory: Memory,
    window: Window,
    inputs: estimator.Inputs,
    gap_seconds: float,
) -> Seen:
    """All figures of all joints at the end of a window."""
    length = window.end_seconds - window.start_seconds
    present = _present(memory.present_amps_squared, inputs.amps_squared, length)
    believed = belief.believe(bank, tracked, inputs, np.nan_to_num(present), plan.limit_celsius)
    current = tracked.started & plan.tracked
    current = current & (window.end_seconds - tracked.stepped < gap_seconds)
    complete = ~(np.isnan(inputs.air_celsius) | np.isnan(inputs.amps_squared))
    judged = current & complete & inputs.loaded & ~np.isnan(inputs.probe_celsius)
    rise, rise_sd = believed.rise_kelvin_at_rated, believed.rise_sd_kelvin_at_rated
    ratio, ratio_sd = trend.ratio(baseline, rise, rise_sd)
    rate, past_celsius, past_seconds = _rate(memory, inputs.probe_celsius, window.end_seconds)
    drive = np.nan_to_num(present) / plan.rated_amps**2
    fastest = bank.tau_fast_seconds.reshape(bank.joints, -1).min(axis=1)
    return Seen(
        believed=believed,
        memory=replace(
            memory,
            past_celsius=past_celsius,
            past_seconds=past_seconds,
            present_amps_squared=present,
        ),
        probe_celsius=inputs.probe_celsius,
        reference_celsius=np.where(complete & current, believed.reference_celsius, np.nan),
        amps=np.append(window.amps, np.nan)[plan.current],
        loaded=inputs.loaded,
        judged=judged,
        certain=current & (rise > 0.0) & (rise_sd < SHOWN_RATIO * rise),
        ratio=ratio,
        ratio_sd=ratio_sd,
        rate_kelvin_per_minute=rate,
        rise_now_kelvin=np.abs(rise) * drive,
        explained_kelvin_per_minute=60.0 * np.maximum(rise, 0.0) * drive / fastest,
    )


def _present(before: Array, now: Array, length_seconds: float) -> Array:
    share = 1.0 - math.exp(-length_seconds / PRESENT_SECONDS)
    followed = before + share * (now - before)
    result: Array = np.where(np.isnan(before) | np.isnan(now), now, followed)
    return result


def _rate(memory: Memory, celsius: Array, now: float) -> tuple[Array, Array, Array]:
    """Rate of rise (joints,) [K/min] over the shortest span of at least RATE_SECONDS."""
    age = now - memory.past_seconds
    old_enough = np.flatnonzero((age >= RATE_SECONDS) & (age < 6.0 * RATE_SECONDS))
    if len(old_enough):
        row = old_enough[-1]
        rate = (celsius - memory.past_celsius[row]) / age[row] * 60.0
    else:
        rate = np.full(len(celsius), np.nan)
    return (
        rate,
        np.vstack([memory.past_celsius[1:], celsius]),
        np.append(memory.past_seconds[1:], now),
    )


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def joint_findings(plan: Plan, seen: Seen, change_ratio: Array, unrest_ratio: Array) -> list[Finding]:
    """Every joint rule on every joint.

    change_ratio, unrest_ratio: (joints,) sudden changes believed on this passage; restlessness against
    the most while the joint was well, NaN: not known.
    """
    believed, thresholds = seen.believed, plan.thresholds
    findings = []
    for i, joint in enumerate(plan.boat.joints):
        judged, certain = bool(seen.judged[i]), bool(seen.certain[i])
        explained = 2.0 * float(seen.explained_kelvin_per_minute[i]) if certain else 0.0
        settles = _known(believed.settles_celsius[i]) if certain and not math.isnan(seen.amps[i]) else None
        facts = alert_rules.JointFacts(
            joint=joint,
            probe_celsius=_known(seen.probe_celsius[i]),
            loaded=judged and bool(seen.rise_now_kelvin[i] >= VISIBLE_KELVIN),
            ratio=_known(seen.ratio[i]),
            ratio_sd=_known(seen.ratio_sd[i]),
            change_ratio=float(change_ratio[i]),
            unrest_ratio=_known(unrest_ratio[i]),
            settles_celsius=settles,
            settles_sd_kelvin=_known(believed.settles_sd_kelvin[i]) if certain else None,
            runaway=certain and judged and math.isinf(believed.settles_celsius[i]),
            seconds_to_limit=_known(believed.seconds_to_limit[i]),
            rising_kelvin_per_minute=_known(seen.rate_kelvin_per_minute[i]),
            rising_limit_kelvin_per_minute=max(plan.boat.watching.rising_kelvin_per_minute, explained),
        )
        findings += [rule(facts, thresholds) for rule in alert_rules.JOINT_RULES]
    return findings


def common_findings(plan: Plan, common: NDArray[np.intp]) -> list[Finding]:
    """What all joints of one air or one current show together; common: (groups,) its direction or 0."""
    return [
        alert_rules.common_finding(plan.channels.channels[plan.channels.index[channel]], int(way), size)
        for channel, way, size in zip(plan.group_channels, common, plan.groups.sum(axis=1), strict=True)
        if size >= jump.COMPANY
    ]


def channel_findings(
    plan: Plan, book: Book, window: Window, intake: Intake, started_seconds: float
) -> list[Finding]:
    """Silent and failing channels; a source of which everything is silent is said once."""
    findings: list[Finding] = []
    now = window.end_seconds
    dead = _dead_sources(plan, window)
    for source, rows in plan.channels_of_source.items():
        if len(rows) > 1:
            latest = float(intake.read_seconds[rows].max())
            silent = source in dead and now - started_seconds > plan.boat.watching.no_data_seconds
            age = now - latest if math.isfinite(latest) else None
            findings.append(alert_rules.source_finding(source, len(rows), silent, age))
    failing = intake.faults_in_a_row >= plan.thresholds.faults_in_a_row
    accused = {alert.channel for alert in book.alerts.values()}
    for i, channel in enumerate(plan.channels.channels):
        if not (window.silent[i] or failing[i] or channel.channel in accused):
            continue
        age = now - float(intake.read_seconds[i])
        never = not math.isfinite(age)
        patience = plan.boat.watching.no_data_seconds
        facts = alert_rules.ChannelFacts(
            channel=channel,
            joint=plan.joint_of_probe.get(channel.channel),
            silent=bool(window.silent[i]) and (not never or now - started_seconds > patience),
            silent_seconds=None if never else age,
            faults_in_a_row=int(intake.faults_in_a_row[i]),
            last_fault=intake.last_fault[i],
            source_silent=channel.source in dead,
        )
        findings += alert_rules.channel_findings(facts, plan.thresholds)
    return findings


def _dead_sources(plan: Plan, window: Window) -> set[str]:
    return {
        source
        for source, rows in plan.channels_of_source.items()
        if len(rows) > 1 and bool(window.silent[rows].all())
    }


def passage_observation(plan: Plan, seen: Seen, window: Window, time: int, start_time: int) -> Observation:
    """One window as the passage tracker sees it."""
    watching, channels = plan.boat.watching, plan.channels
    amps = [
        (i, c)
        for i, c in enumerate(channels.channels)
        if c.quantity is Quantity.AMPS and not window.silent[i]
    ]
    flowing = False
    for i, c in amps:
        threshold = watching.passage_amps or watching.current_floor_ratio * (c.rated_amps or 100.0)
        flowing = flowing or math.sqrt(np.nan_to_num(window.amps_squared[i])) >= threshold
    rated_squared = plan.rated_amps**2
    joints = plan.boat.joints
    return Observation(
        monotonic_seconds=window.end_seconds,
        time=time,
        start_time=start_time,
        seconds=window.end_seconds - window.start_seconds,
        flowing=flowing,
        amp_hours={c.channel: float(window.amp_seconds[i]) / 3600.0 for i, c in amps},
        peak_amps={c.channel: float(window.peak[i]) for i, c in amps if window.count[i] > 0},
        peak_celsius={
            joint.joint: float(window.peak[p])
            for joint, p in zip(joints, plan.probe, strict=True)
            if window.count[p] > 0
        },
        rises={
            joint.joint: (
                float(seen.believed.rise_kelvin_at_rated[i] / rated_squared[i]),
                float(seen.believed.rise_sd_kelvin_at_rated[i] / rated_squared[i]),
            )
            for i, joint in enumerate(joints)
            if seen.judged[i] and seen.certain[i]
        },
    )


def joint_states(plan: Plan, seen: Seen, book: Book, window_silent: Sequence[bool]) -> tuple[JointState, ...]:
    """One word per joint: the worst thing that is true of it."""
    active: dict[str, set[Condition]] = {}
    for alert in book.alerts.values():
        if alert.joint is not None and alert.state is not AlertState.RECTIFIED_UNACKNOWLEDGED:
            active.setdefault(alert.joint, set()).add(alert.condition)
    states = []
    for i, joint in enumerate(plan.boat.joints):
        conditions = active.get(joint.joint, set())
        word = next((w for c, w in alert_rules.STATE_OF_CONDITION.items() if c in conditions), None)
        if window_silent[i]:
            # a hot joint that falls silent is still said to be hot by its alert, not by its state
            states.append(JointState.SILENT)
        elif word is not None:
            states.append(word)
        elif not plan.tracked[i]:
            states.append(JointState.LIMIT_ONLY)
        elif not seen.loaded[i]:
            states.append(JointState.NO_LOAD)
        elif math.isnan(seen.ratio[i]):
            states.append(JointState.LEARNING)
        else:
            states.append(JointState.STEADY)
    return tuple(states)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ohms:
    """What resistances are worked out from; `warmings` is called only when a row is put out."""

    warmings: Callable[[], tuple[resistance.Warming, ...]]
    drops: resistance.Drops


def estimates(
    plan: Plan,
    seen: Seen,
    book: Book,
    intake: Intake,
    ohms: Ohms,
    time: int,
    now: float,
    every_seconds: float,
) -> tuple[Memory, tuple[Estimate, ...]]:
    """The row of each joint, when it is time or when its state has changed."""
    patience = silent_after_seconds(intake, plan.boat.watching)
    silent = [bool(now - intake.read_seconds[p] > patience[p]) for p in plan.probe]
    states = joint_states(plan, seen, book, silent)
    due = now - seen.memory.put_out_seconds >= every_seconds - 1e-6
    asked = [i for i in range(len(states)) if due or states[i] is not seen.memory.states[i]]
    warmings = ohms.warmings() if asked else ()
    rows = tuple(
        _estimate(plan, seen, intake, i, states[i], silent[i], time, _apparent(plan, seen, ohms, warmings, i))
        for i in asked
    )
    put_out = now if due else seen.memory.put_out_seconds
    return replace(seen.memory, states=states, put_out_seconds=put_out), rows


def _apparent(
    plan: Plan, seen: Seen, ohms: Ohms, warmings: Sequence[resistance.Warming], i: int
) -> resistance.Apparent | None:
    if not seen.certain[i]:
        return None
    return resistance.apparent(plan.laws[i], warmings[i], ohms.drops.drops[i])


def _estimate(
    plan: Plan,
    seen: Seen,
    intake: Intake,
    i: int,
    state: JointState,
    silent: bool,
    time: int,
    apparent: resistance.Apparent | None,
) -> Estimate:
    joint, believed, probe = plan.boat.joints[i], seen.believed, int(plan.probe[i])
    rated_squared = float(plan.rated_amps[i]) ** 2
    celsius = None if silent else _known(intake.value[probe])
    reference = _known(seen.reference_celsius[i])
    certain, judged = bool(seen.certain[i]), bool(seen.judged[i])
    shown = certain and not silent and reference is not None
    rated = joint.rated_amps is not None
    settled = _known(believed.settles_celsius[i]) if shown else None
    at_rated = _known(believed.settles_rated_celsius[i]) if shown and rated else None
    return Estimate(
        joint=joint.joint,
        time=time,
        state=state,
        reason=_reason(plan, seen, i, celsius),
        probe_time=int(intake.read_time[probe]) if math.isfinite(intake.read_seconds[probe]) else None,
        probe_celsius=celsius,
        reference_celsius=reference,
        rise_kelvin=None if celsius is None or reference is None else celsius - reference,
        current_amps=_known(seen.amps[i]),
        rise_coefficient=float(believed.rise_kelvin_at_rated[i]) / rated_squared if certain else None,
        rise_coefficient_sd=(float(believed.rise_sd_kelvin_at_rated[i]) / rated_squared if certain else None),
        resistance_ohms=None if apparent is None else apparent.ohms,
        resistance_sd_ohms=None if apparent is None else apparent.sd_ohms,
        resistance_basis=None if apparent is None else apparent.basis.value,
        baseline_ratio=_known(seen.ratio[i]) if certain else None,
        baseline_ratio_sd=_known(seen.ratio_sd[i]) if certain else None,
        settles_at_celsius=settled,
        settles_at_sd_kelvin=None if settled is None else _known(believed.settles_sd_kelvin[i]),
        settles_at_rated_celsius=at_rated,
        settles_at_rated_sd_kelvin=(
            None if at_rated is None else _known(believed.settles_rated_sd_kelvin[i])
        ),
        seconds_to_limit=_known(believed.seconds_to_limit[i]) if shown and judged else None,
        limit_celsius=joint.limit_celsius,
    )


def _reason(plan: Plan, seen: Seen, i: int, celsius: float | None) -> str | None:
    """Why a figure is missing, in words; None when all that can be known is known."""
    if celsius is None:
        return "no reading from its probe"
    if plan.current[i] == MISSING:
        return "no current is configured for it"
    if plan.air[i] == MISSING:
        return 'configured with air = "none": watched by limit and rate of rise alone'
    if math.isnan(seen.reference_celsius[i]):
        if math.isnan(seen.amps[i]):
            return "its current is not being read"
        return "the air around it is not being read"
    if not seen.loaded[i]:
        return "not enough current now to judge"
    if not seen.certain[i]:
        return "learning: too little load seen so far"
    if math.isnan(seen.ratio[i]):
        return "no baseline yet"
    return None
