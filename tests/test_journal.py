"""The journal end to end: a command writes it, the store keeps it, pipeline, replay and watch take it in."""

import json
import math
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import boats
from histories import START_TIME, estimate, open_store, put
from lugwatch import journal, learning, pipeline, snapshot
from lugwatch.clock import ManualClock
from lugwatch.errors import UserError
from lugwatch.estimator import SHAPES_PER_JOINT
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
    Output,
)
from lugwatch.pipeline import State
from lugwatch.replay import replay, resume, step_and_learn
from lugwatch.runner import Watch
from lugwatch.store.crew import put_journal_entry
from lugwatch.store.migrations import SCHEMA_NUMBER
from lugwatch.store.queries import History
from lugwatch.store.recording import open_recording
from lugwatch.trend import USABLE_SECONDS
from lugwatch.units import parse_time
from processes import until
from test_cli import CONFIG, Spoken, recording, say

TWO = boats.boat(boats.joint("bar"), boats.joint("fuse"))
AMPS = 90.0
STEP_SECONDS = 10.0


class Plain:
    """Two-mode joints stepped exactly, with a fixed wobble in place of noise; invented figures."""

    def __init__(self, **own_kelvin: float) -> None:
        self.own_kelvin = own_kelvin
        self.fast = dict.fromkeys(own_kelvin, 0.0)
        self.slow = dict.fromkeys(own_kelvin, 0.0)
        self.seconds = 0.0

    def go(self, minutes: float, amps: float) -> Iterator[Event]:
        share = (amps / 120.0) ** 2
        for _ in range(round(minutes * 60.0 / STEP_SECONDS)):
            self.seconds += STEP_SECONDS
            probes = {}
            for name, own in self.own_kelvin.items():
                celsius = 20.0 + self.fast[name] + self.slow[name]
                heating = share * (1.0 + 0.00393 * (celsius - 20.0))
                keep_fast, keep_slow = math.exp(-STEP_SECONDS / 180.0), math.exp(-STEP_SECONDS / 1500.0)
                self.fast[name] = own * heating + keep_fast * (self.fast[name] - own * heating)
                self.slow[name] = 8.0 * heating + keep_slow * (self.slow[name] - 8.0 * heating)
                wobble = 0.05 * math.sin(self.seconds / 37.0 + len(name))
                celsius = 20.0 + self.fast[name] + self.slow[name] + wobble
                probes[name] = round(celsius * 16) / 16
            yield boats.scan(self.seconds, **probes, air=20.0, alternator=amps)
            yield boats.tick(self.seconds)

    def passage(self, minutes: float) -> Iterator[Event]:
        """Load, and the pause that ends a passage."""
        yield from self.go(minutes, AMPS)
        yield from self.go(32.0, 0.0)


def follow(state: State, events: Iterator[Event] | list[Event]) -> tuple[State, list[Output]]:
    outputs: list[Output] = []
    for event in events:
        state, more = step_and_learn(state, event)
        outputs += more
    return state, outputs


def entry(kind: JournalKind, number: int = 1, joint: str | None = "bar", **changes: object) -> JournalEntry:
    values: dict[str, object] = {"entry_id": number, "joint": joint, "time": START_TIME, "kind": kind}
    values |= {"note": "Cleaned, new washer", "who": "Ida"}
    return JournalEntry(**{**values, **changes})  # type: ignore[arg-type]


MEASURED = {"volts": 0.0045, "amps": 90.0, "celsius": 41.0, "note": None}


def of_kind(outputs: list[Any], kind: type) -> list[Any]:
    return [o for o in outputs if isinstance(o, kind)]


@pytest.fixture(scope="module")
def learned() -> tuple[State, Plain]:
    """Both joints after three passages: shapes and baselines stand."""
    plain = Plain(bar=12.0, fuse=9.0)
    state, outputs = follow(boats.begin(TWO), [e for _ in range(STAGES) for e in plain.passage(45.0)])
    assert state.record.stage.tolist() == [STAGES, STAGES]
    assert state.record.windows == (), "nothing is kept when there is nothing left to learn"
    stages = [(s.joint, s.stage) for s in of_kind(outputs, LearnedShape)]
    assert sorted(stages) == [(joint, n + 1) for joint in ("bar", "fuse") for n in range(STAGES)]
    return state, plain


def again(plain: Plain, **own_kelvin: float) -> Plain:
    """A copy to go on from, its joints perhaps others than before."""
    copy = Plain(**{**plain.own_kelvin, **own_kelvin})
    copy.fast, copy.slow, copy.seconds = dict(plain.fast), dict(plain.slow), plain.seconds
    return copy


def rows_of(state: State, joint: int) -> dict[str, Any]:
    """Everything that is believed of one joint, exactly."""
    rows = slice(joint * SHAPES_PER_JOINT, (joint + 1) * SHAPES_PER_JOINT)
    named: dict[str, Any] = {}
    for part in (state.tracked, state.bank, state.baseline, state.watch, state.record, state.journal):
        for name in part.__slots__:
            array = getattr(part, name)
            if isinstance(array, np.ndarray):
                of = rows if len(array) == 2 * SHAPES_PER_JOINT else joint
                named[f"{type(part).__name__}.{name}"] = array[of].tolist()
    named["shape"] = state.record.shapes.mean[joint].tolist()
    named["shape covariance"] = state.record.shapes.covariance[joint].tolist()
    tuning = state.bank.tuning
    for name in ("own_walk_ratio", "own_walk_kelvin", "surprise_sd"):
        named[name] = np.broadcast_to(getattr(tuning, name), state.bank.rows)[rows].tolist()
    return named


# ---- the pipeline ----------------------------------------------------------------------------


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
    assert state.baseline.rise_kelvin[0] == pytest.approx(13.0, rel=0.1)
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


# ---- the store -------------------------------------------------------------------------------


def test_entries_are_kept_in_the_order_of_their_time_and_found_by_joint(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    written = [
        entry(JournalKind.WORK, 1),
        entry(JournalKind.MILLIVOLTS, 2, "fuse", **MEASURED, time=START_TIME - 1000),
        entry(JournalKind.NOTE, 3, None, note="Laid up – ¾ of the season"),
    ]
    with open_store(path, boat=TWO) as store:
        assert [put_journal_entry(path, e) for e in written] == [1, 2, 3], "while the writer has it open"
        assert store.load_journal() == written and store.load_journal(2) == written[2:]
    with History.open(path) as history:
        assert [e.entry_id for e in history.journal()] == [2, 1, 3]
        assert history.journal("fuse") == [written[1]]
        assert history.journal("bar") == [written[0]]
        assert history.joint_ids() == ["bar", "fuse"]


def test_a_number_that_is_none_is_our_own_defect(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    open_store(path).close()
    with pytest.raises(ValueError, match="journal entry bar holds nan"):
        put_journal_entry(path, entry(JournalKind.MILLIVOLTS, **{**MEASURED, "volts": math.nan}))


def test_a_file_of_somebody_else_gets_no_entry(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("washers\n" * 30)
    with pytest.raises(UserError, match="is not a database"):
        put_journal_entry(path, entry(JournalKind.WORK))
    assert path.read_text() == "washers\n" * 30


def test_a_database_of_an_older_version_is_read_and_then_brought_up(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [estimate()])
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TABLE journal")
        connection.execute("DROP TABLE baseline")
        connection.execute("DELETE FROM _sqlite_migrations WHERE name = 'journal_and_baselines'")
        connection.execute(f"PRAGMA user_version = {SCHEMA_NUMBER - 1}")
        connection.commit()
    with History.open(path) as history:
        assert history.journal() == [] and history.baselines() == []
        assert history.estimates() == [estimate()]
    assert put_journal_entry(path, entry(JournalKind.WORK)) == 1
    with History.open(path) as history:
        assert history.journal() == [entry(JournalKind.WORK)]


def baseline(taken: int, coefficient: float, ended: int | None = None) -> JointBaseline:
    return JointBaseline(
        joint="bar",
        taken_time=START_TIME + taken,
        baseline_time=START_TIME + taken - 5,
        ended_time=None if ended is None else START_TIME + ended,
        rise_coefficient=coefficient,
        rise_coefficient_sd=coefficient / 50.0,
        evidence_seconds=1800.0,
    )


def test_a_joint_shows_the_baseline_that_stood_at_that_time(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [estimate(START_TIME), baseline(100, 0.001), baseline(100, 0.0011)])
        put(store, [baseline(200, 0.002), baseline(200, 0.002, ended=300)])
        # a clock that was wrong: taken later, with an earlier label
        put(store, [baseline(150, 0.003)])
    with History.open(path) as history:
        shown = {at: history.baselines(START_TIME + at) for at in (50, 120, 250, 299, 300)}
        assert [b.rise_coefficient for b in history.baselines()] == [0.003]
        assert history.estimates()[0].baseline_rise_coefficient == 0.003
        assert history.estimates()[0].baseline_time == START_TIME + 145
    assert shown[50] == []
    assert shown[120] == [baseline(100, 0.0011)], "told again while it grew: one row"
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM baseline").fetchone() == (3,)


def test_an_ended_baseline_is_not_shown_and_none_of_before_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [estimate(START_TIME), baseline(100, 0.001), baseline(200, 0.002)])
        put(store, [baseline(200, 0.002, ended=300)])
    with History.open(path) as history:
        assert history.baselines() == []
        assert history.estimates()[0].baseline_time is None
        assert [b.rise_coefficient for b in history.baselines(START_TIME + 299)] == [0.002]


# ---- the command -----------------------------------------------------------------------------


@pytest.fixture
def database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "boat.db"
    open_store(path, boat=TWO).close()
    return path


Speak = Callable[..., Spoken]


@pytest.fixture
def speak(capsys: pytest.CaptureFixture[str]) -> Speak:
    return lambda *words: say(capsys, "journal", *words)


def test_what_is_added_is_listed(database: Path, speak: Speak) -> None:
    for words in (
        ("bar", "--work", "Cleaned,\n new washer", "--at", "2026-05-03T14:30:00Z", "--by", "Ida"),
        ("bar", "--good"),
        ("fuse", "--millivolts", "4.5", "--amps", "90", "--celsius", "41", "--note", "by the new meter"),
        ("--note", "Laid up for the winter"),
    ):
        spoken = speak("add", *words, "--db", database)
        assert spoken.status == 0, spoken.err
    spoken = speak("list", "--db", database, "--json")
    entries = {e["entry_id"]: e for e in json.loads(spoken.out)}
    assert entries[1] == {
        "entry_id": 1, "joint": "bar", "time": "2026-05-03T14:30:00Z", "kind": "work",
        "note": "Cleaned, new washer", "who": "Ida", "volts": None, "amps": None, "celsius": None,
    }  # fmt: skip
    assert (entries[2]["kind"], entries[2]["note"], entries[2]["who"]) == ("good", None, "crew")
    assert entries[3]["volts"] == pytest.approx(0.0045) and entries[3]["amps"] == 90.0
    assert entries[3]["celsius"] == 41.0 and entries[3]["note"] == "by the new meter"
    assert entries[4]["joint"] is None and entries[4]["kind"] == "note"
    told = speak("list", "fuse", "--db", database).out
    assert "4.5 mV at 90 A and 41 °C, 50 µΩ" in told and "by the new meter" in told and "Ida" not in told
    assert "the boat" in speak("list", "--db", database).out


def test_an_empty_journal_says_so(database: Path, speak: Speak) -> None:
    assert speak("list", "--db", database).out == "Nothing is written in the journal yet.\n"
    assert json.loads(speak("list", "--db", database, "--json").out) == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("bra", "--good"), "'bra'; it knows bar, fuse"),
        (("bar",), "nothing to write"),
        ((), "nothing to write"),
        (("--work", "Cleaned"), "of a joint"),
        (("bar", "--good", "--work", "Cleaned"), "one entry says one thing"),
        (("bar", "--work", "Cleaned", "--note", "and more"), "leave --note out"),
        (("bar", "--work", " "), "--work is empty"),
        (("bar", "--note", "a\x07b"), "cannot be shown"),
        (("bar", "--note", "x" * 2001), "2001 characters"),
        (("bar", "--good", "--by", ""), "--by is empty"),
        (("bar", "--good", "--amps", "90"), "go with --millivolts"),
        (("bar", "--millivolts", "4.5"), "needs --amps"),
        (("bar", "--millivolts", "4.5", "--amps", "0.5"), "--amps 0.5"),
        (("bar", "--millivolts", "4.5", "--amps", "-90"), "leave the sign out"),
        (("bar", "--millivolts", "4.5", "--amps", "20000"), "10000 A"),
        (("bar", "--millivolts", "-4.5", "--amps", "90"), "leave the sign out"),
        (("bar", "--millivolts", "0", "--amps", "90"), "meter's range"),
        (("bar", "--millivolts", "5001", "--amps", "90"), "430 mV"),
        (("bar", "--millivolts", "0.0045", "--amps", "90"), "in millivolts"),
        (("bar", "--millivolts", "nan", "--amps", "90"), "'nan' is no number"),
        (("bar", "--millivolts", "4,5", "--amps", "90"), "decimal point"),
        (("bar", "--millivolts", "4.5", "--amps", "inf"), "'inf' is no number"),
        (("bar", "--millivolts", "4.5", "--amps", "90", "--celsius", "400"), "°C"),
        (("bar", "--good", "--at", "yesterday"), "yesterday"),
        (("bar", "--good", "--db", "nowhere.db"), "nowhere.db"),
        (("bar", "--good", "--dbs", "x"), "--dbs"),
    ],
)
def test_what_cannot_be_is_one_line_and_exit_2_and_nothing_is_written(
    words: tuple[str, ...], says: str, database: Path, speak: Speak
) -> None:
    words = words if "--db" in words else (*words, "--db", str(database))
    spoken = speak("add", *words)
    assert spoken.status == 2, spoken.out
    assert spoken.err.startswith("lugwatch: ") and spoken.err.count("\n") == 1 and says in spoken.err
    assert spoken.out == ""
    with History.open(database) as history:
        assert history.journal() == []


def test_a_journal_can_be_begun_before_anything_was_watched(tmp_path: Path, speak: Speak) -> None:
    configuration, path = tmp_path / "lugwatch.toml", tmp_path / "new.db"
    configuration.write_text(CONFIG, encoding="utf-8")
    refused = speak("add", "fuse", "--good", "--db", path, "--config", configuration)
    assert refused.status == 2 and "'fuse'; it knows bar" in refused.err and not path.exists()
    assert speak("add", "bar", "--good", "--db", path, "--config", configuration).status == 0
    assert [e["kind"] for e in json.loads(speak("list", "--db", path, "--json").out)] == ["good"]


# ---- replay and restart ----------------------------------------------------------------------


def csv_rows(hours: float, start: float = 0.0) -> list[str]:
    """An alternator's passage of one joint; from one hour on it heats by half as much again."""
    rows = []
    for k in range(round(start * 360), round((start + hours) * 360)):
        seconds = 10.0 * k
        more = 6.0 * max(0.0, 1.0 - math.exp(-(seconds - 3600.0) / 180.0)) if seconds > 3600.0 else 0.0
        rise = (boats.two_mode_celsius(seconds, AMPS) - 20.0) + more
        rows.append(f"{START_TIME // 1000 + 10 * k},{20.0 + rise:.4f},20.0,{AMPS:.0f}")
    return rows


def replayed(folder: Path, database: Path, rows: list[str], speak: Speak, capsys: Any) -> dict[str, Any]:
    configuration = folder / "lugwatch.toml"
    configuration.write_text(CONFIG, encoding="utf-8")
    path = recording(folder, rows)
    assert say(capsys, "replay", path, "--config", configuration, "--db", database).status == 0
    return answers(database, capsys)


def answers(database: Path, capsys: Any) -> dict[str, Any]:
    words = ("joints", "alerts", "passages", "shapes")
    return {word: json.loads(say(capsys, word, "--db", database, "--json").out) for word in words}


def test_a_replay_takes_entries_in_at_their_time_and_gives_the_same_answer_each_time(
    tmp_path: Path, speak: Speak, capsys: pytest.CaptureFixture[str]
) -> None:
    configuration = tmp_path / "lugwatch.toml"
    configuration.write_text(CONFIG, encoding="utf-8")
    found = []
    for name in ("first.db", "second.db"):
        path = tmp_path / name
        for seconds, words in ((5400, ("--good",)), (-60, ("--millivolts", "4.5", "--amps", "90"))):
            at = str(START_TIME // 1000 + seconds)
            spoken = speak("add", "bar", *words, "--at", at, "--db", path, "--config", configuration)
            assert spoken.status == 0, spoken.err
        found.append(replayed(tmp_path, path, csv_rows(2.5), speak, capsys))
        # the same recording once more: every row is held, and no entry acts again
        assert replayed(tmp_path, path, csv_rows(2.5), speak, capsys) == found[-1]
    assert found[0] == found[1]
    (joint,) = found[0]["joints"]
    # its baseline is of after the entry: what it had become by then; the window that was open counts
    begun = parse_time(joint["baseline_time"])
    assert begun == pytest.approx(START_TIME + 5_400_000, abs=10_000)
    assert abs(joint["baseline_ratio"] - 1.0) < 3.0 * joint["baseline_ratio_sd"]
    plain = tmp_path / "plain.db"
    without = replayed(tmp_path, plain, csv_rows(2.5), speak, capsys)
    earlier = parse_time(without["joints"][0]["baseline_time"])
    assert earlier is not None and begun is not None and earlier < begun - 600_000


def test_an_entry_of_after_the_recording_waits_for_the_next_one(
    tmp_path: Path, speak: Speak, capsys: pytest.CaptureFixture[str]
) -> None:
    path, later = tmp_path / "boat.db", tmp_path / "later"
    later.mkdir()
    before = replayed(tmp_path, path, csv_rows(2.5), speak, capsys)
    assert before["joints"][0]["baseline_time"] is not None
    at = str(START_TIME // 1000 + 9100)
    assert speak("add", "bar", "--good", "--at", at, "--db", path).status == 0
    assert speak("add", "bar", "--note", "and earlier", "--at", "1000", "--db", path).status == 0
    assert replayed(tmp_path, path, csv_rows(2.5), speak, capsys) == before
    after = replayed(later, path, csv_rows(0.3, start=2.5), speak, capsys)
    assert after["joints"][0]["baseline_time"] is None
    assert after["joints"][0]["state"] == "learning"
    # not again with the third
    third = tmp_path / "third"
    third.mkdir()
    last = replayed(third, path, csv_rows(1.0, start=2.8), speak, capsys)
    assert last["joints"][0]["baseline_time"] is not None


def test_a_replay_cut_in_two_takes_no_entry_twice(tmp_path: Path) -> None:
    from lugwatch import config

    configuration = tmp_path / "lugwatch.toml"
    configuration.write_text(CONFIG, encoding="utf-8")
    boat = config.load(configuration, lenient=True).boat
    path = tmp_path / "boat.db"
    clock = ManualClock(0.0, 0)
    open_store(path, clock=clock, boat=boat).close()
    put_journal_entry(path, entry(JournalKind.GOOD, time=START_TIME + 1_000_000))
    for part, held in ((csv_rows(1.5), None), (csv_rows(1.0, start=1.5), START_TIME + 5_390_000)):
        rows = open_recording(recording(tmp_path, part), boat)
        with open_store(path, clock=clock, boat=boat) as store:
            replay(rows, boat, store, held_until=held)
            saved = store.load_snapshot()
            assert saved is not None
            document = json.loads(saved[2])
    assert document["journal_taken_until"] == 1
    # evidence counts from when the rise was certain, through the cut: more than the second part alone has
    assert document["joints"]["bar"]["baseline_evidence_seconds"] > 4000.0


class Listener:
    """A publisher that stops the watch when it hears that a baseline has ended."""

    def __init__(self, stop: threading.Event) -> None:
        self.stop = stop

    def start(self) -> None:
        pass

    def publish(self, outputs: Sequence[Output]) -> None:
        if any(isinstance(o, JointBaseline) and o.ended_time is not None for o in outputs):
            self.stop.set()

    def close(self) -> None:
        pass


def test_a_watch_hands_out_an_entry_again_whose_effect_was_not_kept(
    tmp_path: Path, learned: tuple[State, Plain]
) -> None:
    """The power goes between hearing of an entry and the snapshot: the next start takes it in again."""
    path, (state, plain) = tmp_path / "boat.db", learned
    time = START_TIME + round(plain.seconds * 1000)
    old = snapshot.to_text(state, plain.seconds, time)
    clock = ManualClock(plain.seconds, time)
    with open_store(path, clock=clock, boat=TWO) as store:
        put(store, [], snapshot=old)
        put_journal_entry(path, entry(JournalKind.WORK))
    for _ in range(2):
        _watch_until_a_baseline_ends(path, clock)
        with closing(sqlite3.connect(path)) as connection:
            (body,) = connection.execute("SELECT body FROM snapshot").fetchone()
            assert json.loads(body)["journal_taken_until"] == 1
            assert json.loads(body)["joints"]["bar"]["stage"] == 0
            # what a cut would have left: the snapshot of before
            connection.execute("UPDATE snapshot SET body = ?", (old,))
            connection.commit()


def _watch_until_a_baseline_ends(path: Path, clock: ManualClock) -> None:
    store = open_store(path, clock=clock, boat=TWO)
    resumed = resume(TWO, store, clock.monotonic_seconds(), clock.time())
    assert not journal.was_taken(resumed.journal, 1)
    stop = threading.Event()
    listener = Listener(stop)
    watch = Watch(state=resumed, sources=(), store=store, publishers=(listener,), clock=clock, stop=stop)
    runner = threading.Thread(target=watch.run)
    runner.start()
    # the clock of the boat goes on until the entry had its effect
    until(lambda: clock.wait(stop, 1.0), 20.0, 0.01)
    runner.join(10.0)
    assert not runner.is_alive()
