"""What begins anew: shapes that were learned, joints that somebody worked on or called good.

Each changes the joints it speaks of and leaves the rows of every other as they are, to the last bit.
Not here: when to learn and from what (`learning`), what an entry of the journal is (`journal`).
May import: state and the core below it.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import (
    alert_rules,
    alert_states,
    belief,
    climb,
    company,
    creep,
    estimator,
    journal,
    jump,
    learning,
    learning_windows,
    passage_rise,
    passages,
    resistance,
    trend,
)
from lugwatch.model import Condition, JournalEntry, JournalKind, Output
from lugwatch.state import State, joint_ids

Flags = NDArray[np.bool_]
Changed = tuple[State, tuple[Output, ...]]


def learned(state: State, answer: learning.Answer) -> Changed:
    """Go on with learned shapes: β and offset from the record, the modes unknown until the next look."""
    plan, place = state.plan, learning.heard(state.record, answer)
    joints = answer.joints[place]
    moved = np.isin(np.arange(len(plan.rated_amps)), joints)
    record = learning.settle(state.record, answer)
    baseline, taken, emptied = learning.settle_baseline(state.record, state.baseline, answer)
    part = learning.picked(answer.learned.tracked, place)
    part = replace(part, stepped=np.full(len(joints), -np.inf))
    bank = learning.bank(record, plan.bank, plan.has_neighbours)
    tracked = learning.placed(state.tracked, part, joints)
    ended = journal.told(plan, state.journal, state.baseline, emptied, answer.time)
    noted = journal.date_taken(journal.undate(state.journal, emptied), taken, answer.begun_time, answer.time)
    drops = _rebased(state, bank, tracked)
    state = replace(
        state,
        record=record,
        watch=jump.restart(state.watch, moved, record.busiest),
        company=company.restart(state.company, moved),
        baseline=baseline,
        journal=noted,
        bank=bank,
        tracked=tracked,
        drops=drops,
    )
    # another shape measures with another rod: passages before and after must not be put in one row
    state, crept = judge_creep(_forget_rises(state, moved), answer.monotonic_seconds, answer.time)
    shapes = learning.rows(joint_ids(state), state.record, answer)
    over = () if record.windows else (learning_windows.over(answer.time),)
    return state, (*shapes, *ended, *journal.told(plan, noted, baseline, taken), *crept, *over)


def _rebased(state: State, bank: estimator.Bank, tracked: estimator.Tracked) -> resistance.Drops:
    """Millivolt drops under new shapes; a joint's rise is another number, its ohms are not."""
    if not any(state.drops.drops):
        return state.drops
    of = state.record.stage > 0
    before = belief.warmings(state.bank, state.tracked, of)
    return resistance.rebased(state.drops, before, belief.warmings(bank, tracked, of))


def entry(state: State, written: JournalEntry) -> Changed:
    """Somebody wrote into the journal; an entry that was taken in before changes nothing.

    What follows from it is of the time at which it is taken in: a filter cannot be run backwards.
    """
    if journal.was_taken(state.journal, written.entry_id):
        return state, ()
    state = replace(state, journal=journal.take(state.journal, written.entry_id))
    joints = joint_ids(state)
    if written.joint not in joints:  # of the boat, or of a joint that is no longer watched
        return state, ()
    i = joints.index(written.joint)
    match written.kind:
        case JournalKind.WORK:
            return _worked_on(state, i)
        case JournalKind.GOOD:
            state = replace(state, record=learning.without_baseline(state.record, i))
            return _without_baseline(state, i, journal.RESTS_ON_BASELINE)
        case JournalKind.MILLIVOLTS:
            return _measured(state, i, written), ()
        case JournalKind.NOTE:
            return state, ()


def _measured(state: State, i: int, written: JournalEntry) -> State:
    """A voltage is kept; it leads to ohms once the joint's rise is known (`pair_with_rise`)."""
    value = float(state.intake.value[state.plan.probe[i]])
    # what the probe says now tells of the measurement only if that was now
    recent = abs(written.time - state.window_time) < journal.SAME_TIME_MILLISECONDS
    probe_celsius = value if recent and np.isfinite(value) else None
    return replace(state, journal=journal.measured(state.journal, i, written, probe_celsius))


def pair_with_rise(state: State, rise_kelvin: NDArray[np.float64], sd_kelvin: NDArray[np.float64]) -> State:
    """Where a measured voltage and a rise that is known come together: ohms by millivolts from now on.

    rise_kelvin, sd_kelvin: (joints,) β and its deviation.
    """
    known = state.tracked.started & state.plan.tracked
    memory, paired = journal.pair_with_rise(state.journal, state.plan, rise_kelvin, sd_kelvin, known)
    if not paired:
        return state
    drops = state.drops
    for i, measurement in paired:
        drop = journal.drop_of(state.plan.laws[i], measurement)
        if drop is not None:
            drops = resistance.with_drop(drops, i, drop)
    return replace(state, journal=memory, drops=drops)


def _worked_on(state: State, i: int) -> Changed:
    """Another joint stands where this one stood: all that was believed of it begins anew."""
    plan, only = state.plan, np.array([i], dtype=np.intp)
    record = learning.restart(state.record, i, state.intake.window_start_seconds)
    bank = learning.bank(record, plan.bank, plan.has_neighbours)
    unknown = learning.picked(estimator.initial(bank), only)
    state = replace(
        state,
        record=record,
        bank=bank,
        tracked=learning.placed(state.tracked, unknown, only),
        journal=journal.without_measurements(state.journal, i),
        drops=resistance.with_drop(state.drops, i, None),
    )
    return _without_baseline(state, i, journal.RESTS_ON_SHAPE)


def _without_baseline(state: State, i: int, over: Sequence[Condition]) -> Changed:
    """One joint's baseline begins anew, and what compared with it is over."""
    plan, now, time = state.plan, state.intake.window_start_seconds, state.window_time
    only = np.arange(len(plan.rated_amps)) == i
    ended = journal.told(plan, state.journal, state.baseline, only, time)
    book, changes = alert_states.end(state.book, plan.boat.joints[i].joint, over, now, time)
    state = replace(
        state,
        book=book,
        baseline=learning.emptied(state.baseline, only),
        watch=jump.restart(state.watch, only, state.record.busiest),
        company=company.restart(state.company, only),
        journal=journal.undate(state.journal, only),
    )
    state, crept = judge_creep(_forget_rises(state, only), now, time)
    return state, (*changes, *ended, *crept)


def _forget_rises(state: State, joints: Flags) -> State:
    """What passages told of these joints (joints,) so far counts no more, the open one's neither."""
    history = state.creep
    for i in np.flatnonzero(joints):
        history = creep.forget(history, int(i), state.passages.next_passage_id)
    ids = joint_ids(state)
    return replace(
        state,
        creep=history,
        course=passage_rise.restart(state.course, joints, state.tracked),
        passages=passages.forget(state.passages, [ids[i] for i in np.flatnonzero(joints)]),
        climb=climb.restart(state.climb, joints),
    )


def judge_creep(state: State, monotonic_seconds: float, time: int) -> Changed:
    """What each joint's passages say now: a row a joint, and the changes of its alert.

    To be asked when a passage has ended and when a baseline was taken anew.
    """
    plan, baseline = state.plan, state.baseline
    rated_squared = plan.rated_amps**2
    rows, findings = [], []
    for i, joint in enumerate(plan.boat.joints):
        if not plan.tracked[i]:
            continue
        usable = baseline.evidence_seconds[i] >= trend.USABLE_SECONDS
        base = (
            float(baseline.rise_kelvin[i] / rated_squared[i]),
            float(baseline.rise_sd_kelvin[i] / rated_squared[i]),
        )
        judged = creep.judge(joint.joint, state.creep.points[i], base if usable else None, time)
        rows.append(judged)
        findings.append(alert_rules.creeping(joint, judged))
    book, changes = alert_states.apply(state.book, findings, monotonic_seconds, time)
    return replace(state, book=book), (*changes, *rows)
