"""`step(state, event) -> (state, outputs)`: all behaviour of lugwatch, pure and deterministic.

The same events give the same outputs, whether they come from probes now or from a recording; arrays
inside a state are never changed in place. Not here: threads, files, sockets, clocks. Imports no
sqlite3, socket, threading, asyncio, time or logging. Longer than other files: the order in which
things happen is read in one place.
"""

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from lugwatch import (
    alert_channels,
    alert_deeds,
    alert_memory,
    alert_rules,
    alert_states,
    anew,
    belief,
    climb,
    company,
    creep,
    current_doubt,
    estimator,
    intake,
    journal,
    judgement,
    jump,
    learning,
    learning_windows,
    model,
    passage_doubt,
    passage_rise,
    passages,
    signature,
    sources_health,
    telling,
    trend,
    watchman_rules,
)
from lugwatch.model import (
    AlertChange,
    CrewAction,
    Fault,
    JournalEntry,
    Reading,
    Scan,
    Tick,
    WatchmanReport,
)
from lugwatch.plan import Plan
from lugwatch.state import State as State
from lugwatch.state import begin as begin
from lugwatch.state import joint_ids
from lugwatch.state import with_drop as with_drop
from lugwatch.state import with_memory as with_memory

Array = NDArray[np.float64]

# A pause longer than this leaves the modes of a joint unknown.
GAP_SECONDS = 600.0
# Before shapes are learned for good a change must be so much clearer to be believed; by how often they were
# learned: never, from the first hour, from a passage.
EARLY_RATIO: Array = np.array([2.0, 2.0, 1.4, 1.0])
OF_A_PASSAGE = 2  # stage: learned from a whole passage
# Estimates are put out this often, and at once when a joint changes its state.
PUT_OUT_SECONDS = 30.0
# Seconds to go of silences and shelves are kept this often: a reboot counts from there.
ALERTS_KEPT_SECONDS = 60.0


Event = model.Event | learning.Answer
Output = model.Output | learning.Request


def step(state: State, event: Event) -> tuple[State, tuple[Output, ...]]:
    """Take in one event."""
    state, outputs = _step(state, event)
    if any(isinstance(output, AlertChange) for output in outputs):
        # with the changes, so that no cut parts an alert from its timers
        state, kept = _keep_alerts(state, *_when(state, event))
        outputs = (*outputs, *kept)
    return state, outputs


def _when(state: State, event: Event) -> tuple[float, int]:
    if isinstance(event, JournalEntry):  # it knows no more than the day it was written of
        return state.intake.window_start_seconds, state.window_time
    return event.monotonic_seconds, event.time


def _keep_alerts(state: State, now: float, time: int) -> tuple[State, tuple[Output, ...]]:
    book = replace(state.book, kept_seconds=now)
    return replace(state, book=book), (alert_memory.memory(book, now, time),)


def _step(state: State, event: Event) -> tuple[State, tuple[Output, ...]]:
    match event:
        case learning.Answer():
            return anew.learned(state, event)
        case Scan():
            return _scan(state, event)
        case Reading():
            values = ((event.channel, event.value),)
            return _scan(
                state,
                Scan(values=values, monotonic_seconds=event.monotonic_seconds, time=event.time),
            )
        case Fault():
            return _fault(state, event)
        case Tick():
            return _tick(state, event)
        case CrewAction():
            book, changes = alert_deeds.act(state.book, event, _reminder(state.plan, event))
            return replace(state, book=book), changes
        case JournalEntry():
            return anew.entry(state, event)
        case WatchmanReport():
            found = [watchman_rules.finding(event)]
            book, changes = alert_states.apply(state.book, found, event.monotonic_seconds, event.time)
            return replace(state, book=book), changes


def _reminder(plan: Plan, action: CrewAction) -> alert_states.Finding | None:
    """What is said of a joint that is taken out of service; None: no joint of ours."""
    joint = next((j for j in plan.boat.joints if j.joint == action.joint), None)
    return None if joint is None else alert_rules.out_of_service(joint, action.who)


def _scan(state: State, scan: Scan) -> tuple[State, tuple[Output, ...]]:
    channels = state.plan.channels
    index, plausible = channels.index, channels.plausible
    good: list[tuple[int, float]] = []
    refused: list[Fault] = []
    for channel, value in scan.values:
        i = index[channel]
        low, high = plausible[i]
        if low <= value <= high:
            good.append((i, value))
            continue
        why = intake.refusal(channels.channels[i], value)
        assert why is not None
        refused.append(
            Fault(
                source=channels.channels[i].source or "recording",
                channel=channel,
                kind=why[0],
                detail=why[1],
                monotonic_seconds=scan.monotonic_seconds,
                time=scan.time,
            )
        )
    if refused:
        values = tuple((channels.channels[i].channel, value) for i, value in good)
        scan = replace(scan, values=values)
    outputs: list[Output] = [scan] if good else []
    if good:
        hold = state.plan.boat.watching.no_data_seconds * 2.0
        taken = intake.take(channels, state.intake, good, scan.monotonic_seconds, scan.time, hold)
        health = sources_health.count_readings(state.health, channels, good, scan.time)
        currents = current_doubt.take(state.plan, state.currents, good, scan.monotonic_seconds)
        state = replace(state, intake=taken, currents=currents, health=health)
    for fault in refused:
        state, more = _fault(state, fault)
        outputs += more
    return state, tuple(outputs)


def _fault(state: State, fault: Fault) -> tuple[State, tuple[Output, ...]]:
    taken = intake.note_fault(state.plan.channels, state.intake, fault)
    health = sources_health.count_fault(state.health, fault)
    return replace(state, intake=taken, health=health), (fault,)


def _tick(state: State, tick: Tick) -> tuple[State, tuple[Output, ...]]:
    book, elapsed = alert_states.elapse(state.book, tick.monotonic_seconds, tick.time)
    state = replace(state, book=book)
    state, outputs = _window(state, tick)
    return state, (*elapsed, *outputs)


def _window(state: State, tick: Tick) -> tuple[State, tuple[Output, ...]]:
    plan = state.plan
    length = tick.monotonic_seconds - state.intake.window_start_seconds
    # a hair of slack, so that rows exactly one window apart are not put off to the next row
    needed = 1.0 if tick.closing else plan.boat.watching.estimate_seconds
    if length < needed - 1e-6:
        return state, ()
    window, opened = intake.close(plan.channels, state.intake, plan.boat.watching, tick.monotonic_seconds)
    inputs = _inputs(plan, window)
    currents = current_doubt.look(
        plan, state.currents, opened, window, state.bank, state.tracked, inputs, GAP_SECONDS
    )
    unknown = current_doubt.of_joints(plan, currents, opened)
    inputs = current_doubt.without(inputs, unknown)
    believed = current_doubt.believed(currents, window)
    tracked = estimator.step(state.bank, state.tracked, inputs, GAP_SECONDS)
    tracked, watch = current_doubt.lose(
        plan, currents, tracked, state.watch, tick.monotonic_seconds, GAP_SECONDS
    )
    if watch is not state.watch:
        lost = np.asarray(~watch.information.any(axis=1))
        state = replace(
            state,
            watch=watch,
            company=company.restart(state.company, lost),
            course=passage_rise.reopened(state.course, lost),
            climb=climb.restart(state.climb, lost),
        )
    before_changes = state
    state, tracked, common, heated = _changes(state, tracked, inputs, current_doubt.fallen(plan, currents))
    watch, airs = state.watch, state.company
    every_seconds = 0.0 if tick.closing else PUT_OUT_SECONDS
    due = tick.monotonic_seconds - state.judgement.put_out_seconds >= every_seconds - 1e-6
    seen = judgement.look(
        plan,
        state.bank,
        tracked,
        state.baseline,
        state.judgement,
        believed,
        inputs,
        state.record,
        GAP_SECONDS,
        due,
    )
    centre = slice(None, None, estimator.SHAPES_PER_JOINT)
    heating, come = tracked.heating[centre], tracked.air_fast_celsius[centre]
    ahead = seen.believed.reference() - tracked.mean[centre, estimator.OFFSET] - come
    climbing = climb.unsettled(state.climb, ahead)
    climbing = climb.step(climbing, seen.believed.rise_kelvin_at_rated, heating, seen.judged, length)
    unrest = learning.unrest_ratio(state.record, watch.unrest)
    before = state.baseline
    baseline = trend.learn(
        before,
        seen.believed.rise_kelvin_at_rated,
        seen.believed.rise_sd_kelvin_at_rated,
        seen.judged,
        min(length, GAP_SECONDS),
    )
    findings = [
        *judgement.joint_findings(plan, seen, watch, unrest, (climbing, state.record), state.book),
        *current_doubt.common(
            plan,
            # a current that stands still is perhaps stuck: it will be doubted, or nobody can tell
            unknown | (heated & current_doubt.standing(plan, currents)),
            common,
            _common_findings(plan, common, airs.shift_kelvin, state.book),
        ),
        *judgement.channel_findings(plan, state.book, window, opened, state.started_seconds),
        *current_doubt.findings(plan, currents, window),
    ]
    book = current_doubt.without_suspicion(plan, unknown, state.book)
    book, changes = alert_states.apply(book, findings, tick.monotonic_seconds, tick.time)
    counted = current_doubt.counted(currents, window)
    observation = judgement.passage_observation(plan, counted, tick.time, state.window_time)
    tracker, closed = passages.observe(state.passages, observation, plan.boat.watching.passage_gap_seconds)
    course, tracker = _course(state, before_changes, tracker, tracked, inputs)
    crept: tuple[Output, ...] = ()
    if closed:
        history = state.creep
        for passage in closed:
            history = creep.add(history, joint_ids(state), passage)
        state = replace(state, book=book, baseline=baseline, creep=history)
        state, crept = anew.judge_creep(state, tick.monotonic_seconds, tick.time)
        book = state.book
    noted = journal.date(state.journal, before, baseline, state.window_time, tick.time)
    state = anew.pair_with_rise(
        replace(state, journal=noted, tracked=tracked),
        seen.believed.rise_kelvin_at_rated,
        seen.believed.rise_sd_kelvin_at_rated,
    )
    warmings = partial(belief.warmings, state.bank, tracked, state.record.stage > 0)
    memory, estimates = telling.estimates(
        plan,
        seen,
        book,
        opened,
        window.silent,
        telling.Ohms(warmings=warmings, drops=state.drops),
        partial(journal.compared, plan, noted, baseline),
        tick.time,
        tick.monotonic_seconds,
        due,
    )
    health, said = sources_health.look(state.health, plan, window.silent, tick.monotonic_seconds, tick.time)
    told = journal.told(plan, noted, baseline, journal.news(before, baseline, bool(estimates)))
    record = learning.note(state.record, inputs, tracker.open is not None, length, tick.time)
    if closed:
        watch = jump.forget(watch)
        airs, tracked = company.forget(airs, tracked, plan.airs)
    kept: tuple[Output, ...] = ()
    if record.windows is not state.record.windows:
        kept = (learning_windows.kept(joint_ids(state), record, tick.time),)
    at_rest = bool(closed) or tracker.open is None
    record, asked = learning.request(record, at_rest, plan.rated_amps, plan.has_neighbours, GAP_SECONDS)
    estimates = current_doubt.explained(plan, currents, estimates)
    if estimates:
        book, renewed = alert_states.updates(book, tick.time)
        crept = (*crept, *renewed)
    outputs: list[Output] = [*changes, *closed, *crept, *told, *estimates, *said, *kept, *asked]
    if estimates and tracker.open is not None:
        outputs.append(tracker.open)
    state = replace(
        state,
        intake=opened,
        currents=currents,
        tracked=tracked,
        record=record,
        watch=watch,
        company=airs,
        baseline=baseline,
        judgement=memory,
        book=book,
        passages=tracker,
        course=course,
        climb=climbing,
        health=health,
        window_time=tick.time,
    )
    if book.due and tick.monotonic_seconds - book.kept_seconds >= ALERTS_KEPT_SECONDS:
        state, remembered = _keep_alerts(state, tick.monotonic_seconds, tick.time)
        outputs += remembered
    return state, tuple(outputs)


def _changes(
    state: State, tracked: estimator.Tracked, inputs: estimator.Inputs, fallen: NDArray[np.bool_]
) -> tuple[State, estimator.Tracked, NDArray[np.intp], NDArray[np.bool_]]:
    """Changes of joints' own heating and of airs' readings, believed where they are beyond doubt.

    And what else is common to many, and which joints show what their current would explain.
    fallen: (joints,) whose current perhaps flows unread; they are no company against an air.
    """
    plan, calm = state.plan, state.record.calm
    learned = ~np.isnan(calm)
    if not learned.any():  # without a learned shape nobody knows what a change looks like
        return state, tracked, np.zeros(len(plan.groups), dtype=np.intp), np.zeros(len(calm), dtype=bool)
    watch = jump.step(state.watch, state.bank, tracked, inputs)
    airs = company.step(state.company, state.bank, tracked, inputs)
    clearest = jump.strongest(watch)
    # what little was seen of it so far was perhaps its calmest hour
    stage = np.minimum(state.record.stage, learning.STAGES)
    early = EARLY_RATIO[stage]
    # and no engine had stopped in it: what the air does then is no news of its probe
    clearer = np.where(stage < OF_A_PASSAGE, np.inf, early)
    misread = company.find(airs, plan.airs, learned & ~fallen, clearest[0], plan.currents, clearer)
    if misread.believed.any():
        airs, tracked = company.believe(airs, state.bank, tracked, inputs, misread, plan.airs)
        watch = jump.calmed(watch, np.asarray(misread.believed @ plan.airs, dtype=bool))
        clearest = jump.strongest(watch)
    rise, variance = estimator.mixed_rise(tracked, estimator.weights(tracked))
    bound = early * np.maximum(calm, jump.CALM_RMS)
    found = jump.find(watch, rise, bound, plan.groups, plan.metal, misread.excused, clearest)
    if found.own.any():
        ratio, _ = trend.ratio(state.baseline, rise, np.sqrt(variance))
        good = np.where(company.cooled(ratio, plan.airs), rise / ratio, np.nan)
        watch, tracked = jump.believe(watch, tracked, found, rise, good)
    return replace(state, watch=watch, company=airs), tracked, found.common, misread.heated


def _course(
    state: State,
    before: State,
    tracker: passages.Tracker,
    tracked: estimator.Tracked,
    inputs: estimator.Inputs,
) -> tuple[passage_rise.Course, passages.Tracker]:
    """What the open passage says of each joint, one window further.

    before: the state in which changes were not yet looked for; a joint of which one was believed is
    another joint from here on.
    """
    plan, course = state.plan, state.course
    if tracker.open is None:
        return course, tracker
    if state.passages.open is None or state.passages.open.passage_id != tracker.open.passage_id:
        return passage_rise.begin(course, tracked), tracker
    if state.company is not before.company:
        shifted = state.company.shift_kelvin != before.company.shift_kelvin
        if shifted.any():
            course = passage_rise.loosened(course, np.asarray(shifted @ plan.airs, dtype=bool))
    ids = joint_ids(state)
    if state.watch.ratio is not before.watch.ratio:
        changed = state.watch.ratio != before.watch.ratio
        course = passage_rise.reopened(course, changed)
        tracker = passages.forget(tracker, [ids[i] for i in np.flatnonzero(changed)])
    course, more = passage_rise.step(course, state.bank, tracked, inputs)
    if not more:
        return course, tracker
    record = state.record
    told = passage_doubt.told(course, state.bank, record.soaked, record.stage, plan.tracked, plan.rated_amps)
    return course, passages.tell(tracker, dict(zip(ids, told, strict=True)))


def _common_findings(
    plan: Plan, common: NDArray[np.intp], shift_kelvin: Array, book: alert_states.Book
) -> list[alert_states.Finding]:
    """What all joints of one air or one current show together.

    common: (groups,) its direction or 0; shift_kelvin: (groups,) by which an air is read too warm.
    """
    nothing = not (common.any() or shift_kelvin.any())
    if nothing and not alert_states.is_said(book, model.Condition.COMMON_MODE):
        return []
    rows = zip(plan.group_channels, common, shift_kelvin, plan.groups.sum(axis=1), strict=True)
    return [
        alert_channels.common_finding(
            plan.channels.channels[plan.channels.index[c]], int(way), float(shift), size
        )
        for c, way, shift, size in rows
        if size >= signature.COMPANY
    ]


def _inputs(plan: Plan, window: intake.Window) -> estimator.Inputs:
    """What each joint's filter sees of a window; NaN where it is not known."""
    padded = np.empty((3, len(window.mean) + 1))
    padded[:2, -1], padded[2, -1] = np.nan, 0.0  # index -1: no such channel
    padded[0, :-1], padded[1, :-1], padded[2, :-1] = window.mean, window.amps_squared, window.count
    there = ~np.isnan(window.mean)
    number = plan.neighbours @ there.astype(np.float64)
    total = plan.neighbours @ np.where(there, window.mean, 0.0)
    squared = padded[1, plan.current]
    loaded = squared >= plan.floor_amps**2
    probe = padded[0, plan.probe]
    # a probe held over from an earlier window is not a new measurement
    count = padded[2, plan.probe]
    return estimator.Inputs(
        monotonic_seconds=window.end_seconds,
        probe_celsius=np.where(count > 0, probe, np.nan),
        probe_count=count,
        air_celsius=padded[0, plan.air],
        neighbour_celsius=np.where(number > 0.0, total / np.maximum(number, 1.0), np.nan),
        amps_squared=np.where(np.isnan(squared) | loaded, squared, 0.0),
        loaded=loaded,
    )
