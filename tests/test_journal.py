"""What an entry of the journal does to a joint, and to no other."""

from dataclasses import replace

import numpy as np
import pytest

import boats
from histories import START_TIME
from journals import AMPS, MEASURED, TWO, Plain, again, entry, follow, learned_boat, of_kind, rows_of
from lugwatch import journal, learning, pipeline, snapshot
from lugwatch.learning import STAGES
from lugwatch.model import (
    AlertChange,
    AlertChangeKind,
    AlertState,
    Condition,
    Estimate,
    Event,
    JointBaseline,
    JointState,
    JournalEntry,
    JournalKind,
    LearnedShape,
)
from lugwatch.pipeline import State
from lugwatch.trend import USABLE_SECONDS


@pytest.fixture(scope="module")
def learned() -> tuple[State, Plain]:
    """Both joints after three passages."""
    return learned_boat()


def test_a_baseline_carries_its_date_and_its_interval(learned: tuple[State, Plain]) -> None:
    state, plain = learned
    state, outputs = follow(state, list(again(plain).go(5.0, AMPS)))
    last = of_kind(outputs, Estimate)[-1]
    assert last.baseline_rise_coefficient == pytest.approx(state.baseline.rise_kelvin[1] / 120.0**2)
    assert last.baseline_rise_coefficient_sd > 0.0
    # both passages are in the record that it was taken from
    assert START_TIME < last.baseline_time < START_TIME + 60_000


def test_work_on_a_joint_makes_it_new_and_leaves_the_other_as_it_is(learned: tuple[State, Plain]) -> None:
    state, plain = learned
    after, outputs = pipeline.step(state, entry(JournalKind.WORK))
    assert rows_of(after, 1) == rows_of(state, 1)
    assert after.record.stage.tolist() == [0, STAGES]
    assert after.baseline.evidence_seconds[0] == 0.0 and not after.tracked.started[0]
    assert np.isnan(after.record.calm[0])
    (ended,) = of_kind(list(outputs), JointBaseline)
    assert ended.joint == "bar" and ended.ended_time == after.window_time
    # one more window: the worked-on joint has no figure, and says why
    after, outputs_now = follow(after, list(again(plain).go(1.0, AMPS)))
    rows = {e.joint: e for e in of_kind(outputs_now, Estimate)}
    assert rows["bar"].state is JointState.LEARNING and rows["fuse"].state is not JointState.LEARNING
    assert rows["bar"].baseline_ratio is None and rows["bar"].baseline_time is None
    assert "learning" in (rows["bar"].reason or "")
    assert rows["fuse"].baseline_ratio is not None


def test_the_other_joint_is_tracked_as_if_nobody_had_worked_on_the_first(
    learned: tuple[State, Plain],
) -> None:
    state, plain = learned
    events = [*again(plain).passage(40.0), *again(plain).go(0.0, 0.0)]
    untouched, _ = follow(state, events)
    worked, outputs = follow(pipeline.step(state, entry(JournalKind.WORK))[0], events)
    assert [s.joint for s in of_kind(outputs, LearnedShape)] == ["bar"], "and no other is learned anew"
    assert worked.record.stage.tolist() == [1, STAGES]
    before, after = rows_of(untouched, 1), rows_of(worked, 1)
    for name, value in before.items():
        # what is matched for common changes has the ring's place in common, and nothing else
        np.testing.assert_array_equal(after[name], value, err_msg=name)


def test_a_joint_is_learned_anew_from_what_it_is_after_the_work(learned: tuple[State, Plain]) -> None:
    state, plain = learned
    before = float(state.baseline.rise_kelvin[0])
    later = again(plain, bar=5.0)  # it was cleaned: 13 K at its rating instead of 20 K
    passages = [event for _ in range(STAGES) for event in later.passage(45.0)]
    state, outputs = follow(state, [entry(JournalKind.WORK), *passages])
    assert state.record.stage.tolist() == [STAGES, STAGES]
    assert [(s.joint, s.stage) for s in of_kind(outputs, LearnedShape)] == [
        ("bar", 1),
        ("bar", 2),
        ("bar", 3),
    ]
    assert before == pytest.approx(20.0, rel=0.1)
    # three passages of 45 min leave a slow mode of 25 min open: it says itself that it may be off by a fifth
    assert state.baseline.rise_kelvin[0] == pytest.approx(13.0, rel=0.2)
    assert abs(state.baseline.rise_kelvin[0] - 13.0) < 1.5 * state.baseline.rise_sd_kelvin[0]
    taken = [b for b in of_kind(outputs, JointBaseline) if b.ended_time is None and b.joint == "bar"]
    begun = START_TIME + round(plain.seconds * 1000)
    assert taken and all(begun <= b.baseline_time < b.taken_time for b in taken)
    assert of_kind(outputs, AlertChange) == []
    # and the joint that was left alone has the baseline it had
    assert state.baseline.rise_kelvin[1] == learned[0].baseline.rise_kelvin[1]


def test_good_as_it_is_takes_a_new_baseline_and_keeps_the_shape(learned: tuple[State, Plain]) -> None:
    state, plain = learned
    after, outputs = pipeline.step(state, entry(JournalKind.GOOD, note=None))
    assert rows_of(after, 1) == rows_of(state, 1)
    kept, now = rows_of(state, 0), rows_of(after, 0)
    for name in kept:
        if name.startswith(("Tracked.", "Bank.", "shape", "Record.stage", "Record.calm")):
            assert now[name] == kept[name], name
    assert after.baseline.evidence_seconds[0] == 0.0
    assert len(of_kind(list(outputs), JointBaseline)) == 1
    later = again(plain)
    after, told = follow(after, list(later.go(75.0, AMPS)))
    bar = [e for e in of_kind(told, Estimate) if e.joint == "bar"]
    first = next(e for e in bar if e.baseline_ratio is not None)
    assert first.time - START_TIME >= 1000.0 * (plain.seconds + USABLE_SECONDS) - 20_000
    assert first.baseline_time is not None and first.baseline_time >= START_TIME + 1000.0 * plain.seconds
    assert bar[-1].state is JointState.STEADY and bar[-1].baseline_ratio == pytest.approx(1.0, abs=0.05)
    assert of_kind(told, LearnedShape) == []
    # told once when it could be used, then as it grew, always as the same one
    news = [b for b in of_kind(told, JointBaseline) if b.joint == "bar"]
    assert len({b.taken_time for b in news}) == 1 and len(news) > 2
    assert [b.evidence_seconds for b in news] == sorted(b.evidence_seconds for b in news)


@pytest.mark.parametrize("kind", [JournalKind.WORK, JournalKind.GOOD])
def test_a_trend_alert_ends_with_what_it_compared_with(
    kind: JournalKind, learned: tuple[State, Plain]
) -> None:
    state, plain = learned
    worse = again(plain, bar=30.0)
    state, outputs = follow(state, list(worse.go(40.0, AMPS)))
    raised = [c.alert.condition for c in of_kind(outputs, AlertChange)]
    assert Condition.WARMING in raised
    state, outputs_now = pipeline.step(state, entry(kind))
    ended = [c for c in of_kind(list(outputs_now), AlertChange) if c.alert.condition is Condition.WARMING]
    assert [c.change for c in ended] == [AlertChangeKind.RECTIFIED]
    assert ended[0].alert.rectified_time == state.window_time
    active = [
        a
        for a in state.book.alerts.values()
        if a.condition is Condition.WARMING and a.state is not AlertState.RECTIFIED_UNACKNOWLEDGED
    ]
    assert active == []
    # and does not come back while the joint goes on as it is
    _, outputs = follow(state, list(worse.go(20.0, AMPS)))
    assert [c for c in of_kind(outputs, AlertChange) if c.alert.condition is Condition.WARMING] == []


def test_an_answer_to_a_question_from_before_the_work_is_not_for_that_joint() -> None:
    plain = Plain(bar=12.0, fuse=9.0)
    state, asked = boats.begin(TWO), []
    for event in plain.passage(30.0):
        state, outputs = pipeline.step(state, event)
        asked += [o for o in outputs if isinstance(o, learning.Request)]
    (request,) = asked
    assert request.joints.tolist() == [0, 1]
    answer = learning.carry_out(request, plain.seconds, START_TIME + round(plain.seconds * 1000))
    worked, _ = pipeline.step(state, entry(JournalKind.WORK))
    after, outputs = pipeline.step(worked, answer)
    assert [o.joint for o in outputs if isinstance(o, LearnedShape)] == ["fuse"]
    assert after.record.stage.tolist() == [0, 1]
    assert after.baseline.evidence_seconds[0] == 0.0
    assert not after.tracked.started[0]


def test_a_joint_without_load_of_its_own_is_not_learned_with_the_others() -> None:
    quiet = boats.joint("quiet", current=None)
    boat = boats.boat(boats.joint("bar"), quiet)
    plain = Plain(bar=12.0, quiet=9.0)
    state, outputs = follow(boats.begin(boat), plain.passage(30.0))
    assert [s.joint for s in of_kind(outputs, LearnedShape)] == ["bar"]
    assert state.record.stage.tolist() == [1, 0]


def test_millivolts_are_kept_with_the_rise_of_that_time(learned: tuple[State, Plain]) -> None:
    state, plain = learned
    later = again(plain)
    measured_time = START_TIME + 1000 * round(plain.seconds + 1200.0)
    of = entry(JournalKind.MILLIVOLTS, **MEASURED, time=measured_time)
    state, _ = follow(state, [*later.go(20.0, AMPS), of])
    (waiting,) = state.journal.measurements[0]
    assert waiting.rise_coefficient is None and waiting.probe_celsius == pytest.approx(31.0, abs=3.0)
    state, outputs = follow(state, list(later.go(1.0, AMPS)))
    (kept,) = state.journal.measurements[0]
    assert (kept.volts, kept.amps, kept.celsius) == (0.0045, 90.0, 41.0)
    now = [e for e in of_kind(outputs, Estimate) if e.joint == "bar"][-1]
    assert kept.rise_coefficient == pytest.approx(now.rise_coefficient, rel=0.02)
    assert kept.rise_coefficient_sd is not None and kept.rise_coefficient_sd > 0.0
    assert state.journal.measurements[1] == () and state.drops.drops[1] is None
    # 4.5 mV at 90 A, copper at 41 °C brought to 20 °C: 50 µΩ / 1.0825
    assert now.resistance_basis == "millivolt_drop"
    assert now.resistance_ohms == pytest.approx(46.2e-6, rel=0.01)
    worked, _ = pipeline.step(state, entry(JournalKind.WORK, 2))
    assert worked.journal.measurements[0] == (), "what was measured before the work holds no more"
    assert worked.drops.drops[0] is None


def test_without_a_temperature_of_that_time_no_ohms_are_made_of_a_voltage(
    learned: tuple[State, Plain],
) -> None:
    state, plain = learned
    later = again(plain)
    of = entry(JournalKind.MILLIVOLTS, volts=0.0045, amps=90.0, note=None, time=START_TIME)
    state, _ = follow(state, [*later.go(20.0, AMPS), of, *later.go(1.0, AMPS)])
    assert state.journal.measurements[0][0].rise_coefficient is not None
    assert state.drops.drops == (None, None)


def test_a_measurement_before_any_load_waits_for_a_rise_that_is_known() -> None:
    plain = Plain(bar=12.0, fuse=9.0)
    state, _ = follow(boats.begin(TWO), [entry(JournalKind.MILLIVOLTS, **MEASURED), *plain.go(3.0, 0.0)])
    assert state.journal.measurements[0][0].rise_coefficient is None
    state, _ = follow(state, plain.passage(40.0))
    found = state.journal.measurements[0][0].rise_coefficient
    assert found == pytest.approx(20.0 / 120.0**2, rel=0.35)


def test_only_the_latest_measurements_are_remembered() -> None:
    state = boats.begin(TWO)
    for number in range(1, journal.MEASUREMENTS_KEPT + 4):
        state, _ = pipeline.step(state, entry(JournalKind.MILLIVOLTS, number, **MEASURED))
    kept = [m.entry_id for m in state.journal.measurements[0]]
    assert kept == list(range(4, journal.MEASUREMENTS_KEPT + 4))


@pytest.mark.parametrize(
    "of",
    [entry(JournalKind.NOTE), entry(JournalKind.NOTE, joint=None), entry(JournalKind.WORK, joint="gone")],
)
def test_words_and_joints_that_are_no_longer_there_change_nothing_else(
    of: JournalEntry, learned: tuple[State, Plain]
) -> None:
    state, _ = learned
    after, outputs = pipeline.step(state, of)
    assert outputs == ()
    assert after == replace(state, journal=after.journal)
    assert journal.was_taken(after.journal, 1)


def test_entries_count_once_in_whatever_order_they_come(learned: tuple[State, Plain]) -> None:
    memory = journal.empty(1)
    for number in (3, 1, 5):
        memory = journal.take(memory, number)
    assert (memory.taken_until, memory.taken_beyond) == (1, frozenset({3, 5}))
    memory = journal.take(journal.take(memory, 2), 4)
    assert (memory.taken_until, memory.taken_beyond) == (5, frozenset())
    state, _ = pipeline.step(learned[0], entry(JournalKind.WORK))
    twice, outputs = pipeline.step(state, entry(JournalKind.WORK))
    assert twice is state and outputs == ()


def test_a_snapshot_remembers_what_was_taken_in_and_which_joint_is_learned_anew(
    learned: tuple[State, Plain],
) -> None:
    state, plain = learned
    later = again(plain)
    events: list[Event] = [entry(JournalKind.MILLIVOLTS, 1, "fuse", **MEASURED), entry(JournalKind.WORK, 3)]
    state, _ = follow(state, [*later.go(10.0, AMPS), *events, *later.go(10.0, AMPS)])
    time = START_TIME + round(later.seconds * 1000)
    text = snapshot.to_text(state, later.seconds, time)
    resumed = snapshot.resume(pipeline.begin(TWO, later.seconds, time), text, later.seconds, time)
    assert (resumed.journal.taken_until, resumed.journal.taken_beyond) == (1, frozenset({3}))
    assert resumed.journal.measurements == state.journal.measurements
    assert resumed.drops == state.drops and state.drops.drops[1] is not None
    assert resumed.journal.measurements[1][0].rise_coefficient is not None
    assert resumed.record.stage.tolist() == [0, STAGES]
    for joint in (0, 1):
        before, after = rows_of(state, joint), rows_of(resumed, joint)
        for name in before:
            if name.startswith(("Bank.", "Baseline.", "Memory.", "shape", "Tracked.mean")):
                np.testing.assert_array_equal(after[name], before[name], err_msg=name)
