"""The writer: all of a batch or nothing, of files that are ours and no others."""

import math
import sqlite3
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

import boats
from histories import (
    START_TIME,
    alert,
    change,
    counts,
    estimate,
    fault,
    folder_state,
    health,
    open_store,
    passage,
    put,
    reading,
)
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import AlertChangeKind, AlertState, CrewDeed, JointState
from lugwatch.store.crew import put_crew_action
from lugwatch.store.migrations import APPLICATION_ID, SCHEMA_NUMBER, migrations
from lugwatch.store.queries import History

TABLES = {
    *("boot", "batch", "boat", "channel", "joint", "fault", "source_health", "estimate"),
    *("alert", "alert_change", "crew_action", "snapshot", "passage", "passage_current", "passage_joint"),
    *("passage_decision", "passage_part", "proof_trial", "fitting_check"),
    *("push_line", "push_heard", "alert_memory"),
    *("learned_shape", "learning_window", "proof_test", "creep", "journal", "baseline"),
    *("reading_block", "block_times", "minute", "hour", "day", "rollup_due", "estimate_kept", "closed_until"),
    *("history", "outbox", "photo"),
}


def tables_of(path: Path) -> list[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE '%sqlite_%'"
        ).fetchall()


def test_a_new_file_is_ours_strict_and_in_wal_mode(tmp_path: Path) -> None:
    path = tmp_path / "boat with space #1.db"
    open_store(path).close()
    header = path.read_bytes()[:100]
    assert int.from_bytes(header[68:72], "big") == APPLICATION_ID
    assert int.from_bytes(header[60:64], "big") == SCHEMA_NUMBER == len(migrations._migrations)
    assert header[18:20] == b"\x02\x02"  # WAL, https://sqlite.org/fileformat2.html section 1.3.3
    assert {name for name, _ in tables_of(path)} == TABLES
    assert all("STRICT" in sql for _, sql in tables_of(path))
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]


def test_an_empty_file_becomes_a_database(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    path.touch()
    open_store(path).close()
    assert {name for name, _ in tables_of(path)} == TABLES


def test_each_opening_is_a_boot_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    boots = []
    for number in range(3):
        with open_store(path) as store:
            put(store, [reading(20.0, START_TIME + number)])
            boots.append(store.boot_id)
    assert boots == [1, 2, 3]
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute("SELECT boot_id, sequence, monotonic_seconds FROM batch").fetchall()
    assert found == [(boot_id, 0, START_TIME / 1000.0) for boot_id in boots]


def test_a_channel_keeps_its_history_when_the_configuration_changes(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [reading(20.0)])
    with open_store(path, boat=boats.boat(boats.joint("other"), boats.joint("bar"))) as store:
        put(store, [reading(21.0, START_TIME + 1)])
    with open_store(path, boat=boats.boat(boats.joint("other"))), History.open(path) as history:
        assert [(time - START_TIME, value) for time, _, value in history.readings()] == [(0, 20.0), (1, 21.0)]
        assert [joint.joint for joint in history.boat().joints] == ["other"]
        assert "bar" in [channel.channel for channel in history.channels()]


# ---- refusals --------------------------------------------------------------------------------


def _text(path: Path) -> None:
    path.write_text("time,bar\n2026-05-03T14:30:00Z,20\n" * 10)


def _foreign(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("CREATE TABLE boot (wine TEXT)")
        connection.commit()


def _newer(path: Path) -> None:
    open_store(path).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_NUMBER + 1}")


def _cut_header(path: Path) -> None:
    path.write_bytes(b"SQLite format 3\x00" + b"\x00" * 30)


def _cut_body(path: Path) -> None:
    open_store(path).close()
    path.write_bytes(path.read_bytes()[:5000])


NOT_OURS: list[tuple[Callable[[Path], object], str]] = [
    (_text, "is not a database"),
    (_foreign, "another program's database"),
    (_newer, "newer lugwatch"),
    (_cut_header, "is not a database"),
    (_cut_body, "damaged"),
    (lambda path: path.mkdir(), "is a folder"),
]
OPENERS: list[Callable[[Path], object]] = [
    open_store,
    History.open,
    lambda path: put_crew_action(path, CrewDeed.ACKNOWLEDGE, 1, "Ada", START_TIME),
]


@pytest.mark.parametrize("opener", OPENERS, ids=["store", "history", "crew"])
@pytest.mark.parametrize(("make", "words"), NOT_OURS, ids=[words for _, words in NOT_OURS])
def test_what_is_not_ours_is_refused_untouched(
    tmp_path: Path, make: Callable[[Path], object], words: str, opener: Callable[[Path], object]
) -> None:
    path = tmp_path / "other.db"
    make(path)
    before = folder_state(tmp_path)
    with pytest.raises((UserError, OperationFailed), match=words) as caught:
        opener(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    after = folder_state(tmp_path)
    # a damaged file of ours is opened by SQLite, which may put its empty companions beside it
    assert {name: after[name] for name in before} == before
    if words != "damaged":
        assert after.keys() == before.keys()


@pytest.mark.parametrize("opener", OPENERS[1:], ids=["history", "crew"])
def test_a_reader_never_makes_a_file(tmp_path: Path, opener: Callable[[Path], object]) -> None:
    for path, words in ((tmp_path / "none.db", "no such file"), (tmp_path / "no" / "x.db", "is not there")):
        with pytest.raises(UserError, match=words):
            opener(path)
    (tmp_path / "empty.db").touch()
    with pytest.raises(UserError, match="is empty"):
        opener(tmp_path / "empty.db")
    assert folder_state(tmp_path) == {"empty.db": b""}


def test_a_store_in_no_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="make it first"):
        open_store(tmp_path / "no" / "boat.db")


# ---- all or nothing --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "bad",
    [
        reading(math.nan),
        reading(math.inf),
        reading(20.0, channel="no_such_channel"),
        estimate(rise_kelvin=math.nan),
        estimate(seconds_to_limit=math.inf),
        passage(amp_hours=math.nan),
    ],
    ids=["nan", "infinity", "unknown channel", "estimate nan", "estimate infinity", "passage nan"],
)
def test_a_number_that_is_none_never_gets_in_and_takes_its_batch_along(tmp_path: Path, bad: object) -> None:
    """C13, C14: SQLite would keep a NaN as NULL without a word."""
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [reading(20.0)])
        before = counts(path)
        with pytest.raises(ValueError, match=r"nan|inf|no_such_channel"):
            put(store, [reading(21.0), fault("x"), change(1, alert()), bad], snapshot="{}")  # type: ignore[list-item]
        assert counts(path) == before
        put(store, [reading(21.0, START_TIME + 1)])
        assert counts(path)["reading"] == 2


def test_a_channel_twice_in_one_ms_keeps_both_readings_in_order(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    values = [24.0, 23.0, 23.0, 25.0]
    with open_store(path) as store:
        put(store, [reading(value) for value in values])
        put(store, [reading(22.0)])  # and again after the wall clock went back (C05)
    with History.open(path) as history:
        assert [value for _, _, value in history.readings()] == [*values, 22.0]
        assert history.latest_readings()["bar"] == (START_TIME, 22.0)


def test_a_sequence_number_given_twice_is_our_defect(tmp_path: Path) -> None:
    with open_store(tmp_path / "boat.db") as store:
        put(store, [change(1, alert())])
        with pytest.raises(sqlite3.IntegrityError):
            put(store, [change(1, alert(2))])
        assert store.next_alert_id() == 2


def test_numbers_and_alerts_go_on_after_a_restart(tmp_path: Path) -> None:
    """C16: what was acknowledged stays so; numbers are never given twice."""
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        assert (store.next_alert_id(), store.next_alert_sequence(), store.next_passage_id()) == (1, 1, 1)
        assert store.load_alerts() == [] and store.load_snapshot() is None
        raised, over = alert(1), alert(2)
        known = alert(1, AlertState.ACTIVE_ACKNOWLEDGED, acknowledged_time=START_TIME, acknowledged_by="Ada")
        ended = alert(2, AlertState.NORMAL, rectified_time=START_TIME + 9)
        put(store, [change(1, raised), change(2, over), passage(3)], snapshot="first")
        put(
            store,
            [
                change(3, known, AlertChangeKind.ACKNOWLEDGED),
                change(4, ended, AlertChangeKind.RECTIFIED),
            ],
            time=START_TIME + 5,
            snapshot="second",
        )
    with open_store(path) as store:
        assert (store.next_alert_id(), store.next_alert_sequence(), store.next_passage_id()) == (3, 5, 4)
        assert store.load_alerts() == [known]
        assert store.load_snapshot() == (1, START_TIME + 5, "second")


def test_the_crews_deeds_are_handed_out_once_and_survive_until_written(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    store = open_store(path)
    assert store.take_crew_actions() == []
    assert put_crew_action(path, CrewDeed.ACKNOWLEDGE, 7, "Ada", START_TIME) == 1
    assert put_crew_action(path, CrewDeed.ACKNOWLEDGE, 8, "Ben", START_TIME + 1) == 2
    taken = store.take_crew_actions()
    assert [(action.action_id, action.alert_id, action.who) for action in taken] == [
        (1, 7, "Ada"),
        (2, 8, "Ben"),
    ]
    assert store.take_crew_actions() == []
    store.close()
    # nothing was written in between, as in a cut: they come again
    with open_store(path) as store:
        assert store.take_crew_actions() == taken
        put(store, [])
    with open_store(path) as store:
        assert store.take_crew_actions() == []


def test_every_kind_of_output_has_its_row(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [health("onewire"), fault("a"), estimate(), passage(), change(1, alert())])
    assert counts(path) == {
        "batch": 1,
        "reading": 0,
        "fault": 1,
        "estimate": 1,
        "alert": 1,
        "alert_change": 1,
        "snapshot": 0,
    }


def test_the_latest_word_on_a_source_comes_with_the_next_snapshot(tmp_path: Path) -> None:
    """Each minute's word would wear the card; one of an hour ago looks like a source that stands still."""
    with open_store(tmp_path / "boat.db") as store, History.open(store.path) as history:
        put(store, [health("onewire", count=1), health("serial", count=1)])
        put(store, [health("onewire", count=2), health("serial", count=2)])
        put(store, [health("onewire", count=3)])
        assert [h.readings_count for h in history.source_health()] == [1, 1]
        put(store, [reading(20.0)], snapshot="{}")
        assert [h.readings_count for h in history.source_health()] == [3, 2]
        put(store, [health("serial", "silent", 4)])
        assert [h.readings_count for h in history.source_health()] == [3, 4]
        put(store, [reading(20.0, START_TIME + 1)], snapshot="{}")
    with closing(sqlite3.connect(tmp_path / "boat.db")) as connection:
        assert connection.execute("SELECT count(*) FROM source_health").fetchone() == (5,)  # none twice


def test_a_joint_without_load_is_told_of_each_five_minutes_and_its_temperature_stays_of_now(
    tmp_path: Path,
) -> None:
    """At anchor its figures stand still; a row each half a minute was a third of what the card was given."""
    resting = partial(estimate, state=JointState.NO_LOAD, reason="not enough current")
    with open_store(tmp_path / "boat.db") as store, History.open(store.path) as history:
        for seconds in range(0, 660, 30):
            at = START_TIME + seconds * 1000
            put(store, [resting(at), reading(30.0 + seconds / 60.0, at)], time=at)
        (now,) = history.estimates()
        assert (now.time, now.probe_time, now.probe_celsius) == (at, at, 40.5)
        assert now.rise_kelvin == 40.5 - 31.5
        (then,) = history.estimates(at)
        assert then == resting(START_TIME + 600_000)  # as it was written
        put(store, [resting(at + 30_000, reason="no reading from its probe")], time=at + 30_000)
        put(store, [estimate(at + 60_000), reading(99.0, at + 65_000)], time=at + 65_000)
        assert history.estimates() == [estimate(at + 60_000)]  # with load it is as it was told
        put(store, [resting(at + 90_000)], time=at + 90_000)
        put(store, [resting(at - 900_000)], time=at - 900_000)  # the clock was set back
    with closing(sqlite3.connect(tmp_path / "boat.db")) as connection:
        found = connection.execute("SELECT time FROM estimate ORDER BY estimate_id").fetchall()
    assert [(time - START_TIME) // 1000 for (time,) in found] == [0, 300, 600, 660, 690, 720, -270]


def test_a_word_on_a_resting_joint_that_could_not_be_written_is_written_again(tmp_path: Path) -> None:
    resting = estimate(state=JointState.NO_LOAD)
    with open_store(tmp_path / "boat.db") as store, History.open(store.path) as history:
        with pytest.raises(ValueError, match="estimate bar holds nan"):
            put(store, [resting, estimate(probe_celsius=math.nan)])
        put(store, [resting])
        assert history.estimates() == [resting]
