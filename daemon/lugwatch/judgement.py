"""From what is tracked to what is said: figures for the rules, findings, estimates, passages' windows.

Arrays become plain numbers here, and NaN becomes None. Not here: the filter (`estimator`), thresholds
(`alert_rules`), states of alerts (`alert_states`). May import: the core below `pipeline`.
"""

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from lugwatch import (
    air_ahead,
    alert_channels,
    alert_rules,
    alert_states,
    belief,
    climb,
    company,
    estimator,
    headroom,
    jump,
    learning,
    screening,
    settling,
    trend,
)
from lugwatch.alert_states import Book, Finding
from lugwatch.intake import Intake, Window
from lugwatch.model import Condition, JointState, Quantity
from lugwatch.passages import Observation
from lugwatch.plan import MISSING, Plan

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]

# The rate of rise is taken over at least this long, since one probe step is 1/16 K.
RATE_SECONDS = 55.0
RATE_WINDOWS = 8
# "The present current" of a projection: hunting of a regulator is not a new current.
PRESENT_SECONDS = 60.0
# A joint that would rise by this much and does not has lost its probe; draughts take some tenths of a kelvin.
EXPECTED_KELVIN = 1.5
SHOWN_RATIO = 0.35  # a figure that the filter is less certain of than this share of it is not shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What is remembered from window to window, per joint (joints,)."""

    past_celsius: Array  # (RATE_WINDOWS, joints), newest last; NaN: none
    past_seconds: Array  # (RATE_WINDOWS,)
    present_amps_squared: Array
    hour_amps_squared: Array  # mean over the last hour under way
    loaded_amps_squared: Array  # and over its last hour of load
    past_air: air_ahead.Past
    ends_celsius: Array  # when they were last worked out; NaN: never
    put_out_seconds: float
    states: tuple[JointState, ...]


def empty(joints: int) -> Memory:
    """Nothing seen yet."""
    return Memory(
        past_celsius=np.full((RATE_WINDOWS, joints), np.nan),
        past_seconds=np.full(RATE_WINDOWS, -np.inf),
        present_amps_squared=np.full(joints, np.nan),
        hour_amps_squared=np.full(joints, np.nan),
        loaded_amps_squared=np.full(joints, np.nan),
        past_air=air_ahead.empty(joints),
        ends_celsius=np.full(joints, np.nan),
        put_out_seconds=-math.inf,
        states=(JointState.LEARNING,) * joints,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Every joint at the end of one window; NaN is "not known" and ends here."""

    believed: belief.Believed
    memory: Memory
    probe_celsius: Array  # of this window; NaN: nothing read in it
    read: Flags  # its current and the air around it are
    driven: Flags  # tracked, and what drives it is known
    amps: Array
    loaded: Flags
    judged: Flags  # loaded, tracked, and every input there
    certain: Flags  # the rise coefficient is known well enough to show
    ratio: Array
    ratio_sd: Array
    rate_kelvin_per_minute: Array
    explained_kelvin_per_minute: Array
    rise_now_kelvin: Array  # where the present current alone would bring it
    may_end_celsius: Array  # where each settles; NaN: below its limit for certain


def look(
    plan: Plan,
    bank: estimator.Bank,
    tracked: estimator.Tracked,
    baseline: trend.Baseline,
    memory: Memory,
    window: Window,
    inputs: estimator.Inputs,
    record: learning.Record,
    gap_seconds: float,
    due: bool,
) -> Seen:
    """All figures of all joints at the end of a window. due: a row of each is put out."""
    length = window.end_seconds - window.start_seconds
    present = settling.follow(memory.present_amps_squared, inputs.amps_squared, length, PRESENT_SECONDS)
    hour, loaded = settling.follow_hours(memory.hour_amps_squared, memory.loaded_amps_squared, inputs, length)
    asked = settling.Asked(
        present_amps_squared=present,
        hour_amps_squared=hour,
        loaded_amps_squared=loaded,
        floor_amps=plan.floor_amps,
        metal=plan.metal,
        learned=record.stage > 0,
        soaked=record.soaked,
    )
    past_air = air_ahead.remember(memory.past_air, inputs.air_celsius, window.end_seconds)
    question = belief.Question(
        settling=asked,
        air_to_come=partial(
            air_ahead.expected, past_air, record.air_ahead, inputs.air_celsius, window.end_seconds
        ),
        limit_celsius=plan.limit_celsius,
    )
    believed = belief.believe(bank, tracked, inputs, question)
    ends, may_end = memory.ends_celsius, np.full(bank.joints, np.nan)
    # ends move slowly: half of the least room that was left is a bound that nearly always holds
    room = 0.5 * float(np.min(plan.limit_celsius - ends, initial=np.inf))
    if due or not (room > 0.0 and headroom.surely_below(bank, tracked, inputs, asked, ends + room)):
        ends = may_end = believed.settles_celsius
    present_known = np.where(np.isnan(present), 0.0, present)
    current = tracked.started & plan.tracked & (window.end_seconds - tracked.stepped < gap_seconds)
    complete = ~np.isnan(inputs.air_celsius + inputs.amps_squared)
    judged = current & complete & inputs.loaded & ~np.isnan(inputs.probe_celsius)
    rise, own_sd = believed.rise_kelvin_at_rated, believed.rise_sd_kelvin_at_rated
    ratio, ratio_sd = trend.ratio(baseline, rise, own_sd)
    rate, past_celsius, past_seconds = _rate(memory, inputs.probe_celsius, window.end_seconds)
    drive = present_known / plan.rated_amps**2
    fastest = bank.tau_fast_seconds.reshape(bank.joints, -1).min(axis=1)
    return Seen(
        believed=believed,
        memory=replace(
            memory,
            past_celsius=past_celsius,
            past_seconds=past_seconds,
            present_amps_squared=present,
            hour_amps_squared=hour,
            loaded_amps_squared=loaded,
            past_air=past_air,
            ends_celsius=ends,
        ),
        probe_celsius=inputs.probe_celsius,
        read=complete,
        driven=complete & current,
        amps=np.where(plan.current == MISSING, np.nan, window.amps[plan.current]),
        loaded=inputs.loaded,
        judged=judged,
        certain=current & (rise > 0.0) & (own_sd < SHOWN_RATIO * rise),
        ratio=ratio,
        ratio_sd=ratio_sd,
        rate_kelvin_per_minute=rate,
        rise_now_kelvin=np.abs(rise) * drive,
        may_end_celsius=may_end,
        explained_kelvin_per_minute=60.0 * np.maximum(rise, 0.0) * drive / fastest,
    )


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
        np.concatenate([memory.past_celsius[1:], celsius[None]]),
        np.concatenate([memory.past_seconds[1:], (now,)]),
    )


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def joint_findings(
    plan: Plan,
    seen: Seen,
    watch: jump.Watch,
    unrest_ratio: Array,
    climbing: tuple[climb.Watch, learning.Record],
    book: Book,
) -> list[Finding]:
    """Every joint rule on every joint of which it could say something that changes the book.

    unrest_ratio: (joints,) restlessness against the most while the joint was well, its company's in it;
    NaN: not known.
    """
    believed = seen.believed
    visible = seen.judged & (seen.rise_now_kelvin >= jump.VISIBLE_KELVIN)
    climbs, record = climbing
    found = climb.find(
        climbs, seen.rise_now_kelvin, visible, record.climbed, record.stage, plan.groups, plan.metal
    )
    figures = screening.Figures(
        probe_celsius=seen.probe_celsius,
        limit_celsius=plan.limit_celsius,
        ratio=seen.ratio,
        change_ratio=watch.ratio,
        climbing=found.climbing,
        unrest_ratio=unrest_ratio,
        settles_celsius=seen.may_end_celsius,
        rising_kelvin_per_minute=seen.rate_kelvin_per_minute,
        rising_limit_kelvin_per_minute=plan.loosest.rising_kelvin_per_minute,
    )
    accused = screening.may_accuse(figures, plan.loosest, alert_rules.JOINT_RULES)
    concerned = alert_states.joints_concerned(book)
    if not concerned and True not in accused:
        return []
    # what the company shows too only ever makes it less, so the screen is as good without
    asked = [i for i, joint in enumerate(plan.boat.joints) if accused[i] or joint.joint in concerned]
    unrest_ratio = jump.own_unrest(unrest_ratio, plan.groups, asked)
    shown = np.where(visible, seen.ratio, np.nan)
    expected = seen.judged & (seen.rise_now_kelvin >= EXPECTED_KELVIN * np.abs(seen.ratio))
    lost = expected & (seen.ratio < plan.loosest.off_joint_clear_ratio)
    beside_lost = np.asarray((plan.metal & lost & ~np.eye(len(lost), dtype=bool)).any(axis=1))
    beside = company.beside(shown, seen.rise_now_kelvin, plan.airs, plan.metal, asked)
    heading = alert_states.is_said(book, Condition.HEADING_HOT)
    findings: list[Finding] = []
    for i in asked:
        joint = plan.boat.joints[i]
        judged, certain = bool(seen.judged[i]), bool(seen.certain[i])
        thresholds = plan.of_joint[i]
        # where it ends is asked of one that a rule could accuse, and while it may end an alert
        if accused[i] or heading:
            end, end_sd = float(believed.settles_celsius[i]), float(believed.settles_sd_kelvin[i])
        else:
            end = end_sd = math.nan
        explained = 2.0 * float(seen.explained_kelvin_per_minute[i]) if certain else 0.0
        settles = _known(end) if certain and not math.isnan(seen.amps[i]) else None
        facts = alert_rules.JointFacts(
            joint=joint,
            probe_celsius=_known(seen.probe_celsius[i]),
            beside_lost=bool(beside_lost[i]),
            expected=bool(expected[i]),
            loaded=bool(visible[i]),
            ratio=_known(seen.ratio[i]),
            ratio_sd=_known(seen.ratio_sd[i]),
            baseline_kelvin=(
                _known(believed.rise_kelvin_at_rated[i] / seen.ratio[i])
                if joint.rated_amps is not None
                else None
            ),
            change_ratio=float(watch.ratio[i]),
            climb_ratio=float(found.ratio[i]),
            climbing=bool(found.climbing[i]),
            company_ratio=float(beside.ratio[i]),
            shadowed=bool(beside.shadowed[i]),
            unrest_ratio=_known(unrest_ratio[i]),
            settles_celsius=settles,
            settles_sd_kelvin=_known(end_sd) if certain else None,
            runaway=certain and judged and math.isinf(end),
            # told only of a joint that heads there
            seconds_to_limit=(
                _known(believed.further().seconds_to_limit[i]) if end > joint.limit_celsius else None
            ),
            rising_kelvin_per_minute=_known(seen.rate_kelvin_per_minute[i]),
            rising_limit_kelvin_per_minute=max(thresholds.rising_kelvin_per_minute, explained),
        )
        findings += [rule(facts, thresholds) for rule in alert_rules.JOINT_RULES]
    return findings


def channel_findings(
    plan: Plan, book: Book, window: Window, intake: Intake, started_seconds: float
) -> list[Finding]:
    """Silent and failing channels; a source of which everything is silent is said once."""
    findings: list[Finding] = []
    now, thresholds = window.end_seconds, plan.thresholds
    sources = plan.channels_of_source
    failing = intake.faults_in_a_row >= thresholds.faults_in_a_row
    patient = now - started_seconds > plan.boat.watching.no_data_seconds
    silent = window.silent & (np.isfinite(intake.read_seconds) | patient)
    troubled = silent | failing
    odd = troubled.tolist()
    if True not in odd and not (book.alerts or book.true_since):
        return findings
    dead = {source for source, rows in sources.items() if bool(troubled[rows].all())}
    everything = len(sources) > 1 and len(dead) == len(sources)
    whole: list[tuple[str | None, Rows]] = [(s, rows) for s, rows in sources.items() if len(rows) > 1]
    if len(sources) > 1:
        whole.append((None, np.concatenate(list(sources.values()))))
    for source, rows in whole:
        faults = [intake.last_fault[i] for i in rows if failing[i]]
        latest = float(intake.read_seconds[rows].max())
        of_source = alert_channels.SourceFacts(
            source=source,
            channels=len(rows),
            troubled=everything if source is None else source in dead,
            together=everything and source is not None,
            silent_seconds=now - latest if math.isfinite(latest) else None,
            last_fault=faults[0] if faults else None,
        )
        findings.append(alert_channels.source_finding(of_source, thresholds))
    accused = {alert.channel for alert in book.alerts.values()}
    waiting = {who for _, who in book.true_since}
    for i, channel in enumerate(plan.channels.channels):
        joint = plan.joint_of_probe.get(channel.channel)
        who = f"channel {channel.channel}" if joint is None else f"joint {joint.joint}"
        if not (odd[i] or channel.channel in accused or who in waiting):
            continue
        age = now - float(intake.read_seconds[i])
        with_its_bus = channel.source in dead and len(sources[channel.source or ""]) > 1
        facts = alert_channels.ChannelFacts(
            channel=channel,
            joint=joint,
            silent=bool(silent[i]),
            silent_seconds=age if math.isfinite(age) else None,
            faults_in_a_row=int(intake.faults_in_a_row[i]),
            last_fault=intake.last_fault[i],
            together=with_its_bus or (everything and channel.source is not None),
        )
        findings += alert_channels.channel_findings(facts, thresholds)
    return findings


def passage_observation(plan: Plan, window: Window, time: int, start_time: int) -> Observation:
    """One window as the passage tracker sees it."""
    watching, channels, silent = plan.boat.watching, plan.channels, window.silent.tolist()
    amps = [(i, c) for i, c in enumerate(channels.channels) if c.quantity is Quantity.AMPS and not silent[i]]
    flowing = False
    squared = window.amps_squared.tolist()
    for i, c in amps:
        threshold = watching.passage_amps or watching.current_floor_ratio * (c.rated_amps or 100.0)
        # NaN, not known, flows no more than nothing does
        flowing = flowing or (math.sqrt(squared[i]) if squared[i] >= 0.0 else 0.0) >= threshold
    joints = plan.boat.joints
    peak, count = window.peak.tolist(), window.count.tolist()
    return Observation(
        monotonic_seconds=window.end_seconds,
        time=time,
        start_time=start_time,
        seconds=window.end_seconds - window.start_seconds,
        flowing=flowing,
        amp_hours={c.channel: float(window.amp_seconds[i]) / 3600.0 for i, c in amps},
        peak_amps={c.channel: peak[i] for i, c in amps if count[i] > 0},
        peak_celsius={
            joint.joint: peak[p] for joint, p in zip(joints, plan.probe.tolist(), strict=True) if count[p] > 0
        },
    )
