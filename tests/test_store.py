"""The writer: all of a batch or nothing, through locks, full disks, foreign files and kill -9."""

import math
import multiprocessing
import random
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

import boats
from histories import (
    START_TIME,
    alert,
    change,
    estimate,
    fault,
    folder_state,
    health,
    open_store,
    passage,
    put,
    reading,
)
from lugwatch.clock import ManualClock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import AlertChangeKind, AlertState, CrewDeed
from lugwatch.store.crew import put_crew_action
from lugwatch.store.errors import StoreBusy, StoreFull
from lugwatch.store.migrations import APPLICATION_ID, SCHEMA_NUMBER, migrations
from lugwatch.store.queries import History
from lugwatch.store.writer import LOCK_SECONDS, SYNC_SECONDS, Store

TABLES = {
    *("boot", "batch", "boat", "channel", "joint", "reading", "fault", "source_health", "estimate"),
    *("alert", "alert_change", "crew_action", "snapshot", "passage", "passage_current", "passage_joint"),
    *("learned_shape", "learning_window", "creep", "journal", "baseline"),
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


def counts(path: Path) -> dict[str, int]:
    with closing(sqlite3.connect(path)) as connection:
        return {
            table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("batch", "reading", "fault", "estimate", "alert", "alert_change", "snapshot")
        }


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


# ---- durability ------------------------------------------------------------------------------


def synced(store: Store, work: Callable[[], None]) -> bool:
    statements: list[str] = []
    connection = store._open_connection()
    connection.set_trace_callback(statements.append)
    work()
    connection.set_trace_callback(None)
    begin = statements.index("BEGIN IMMEDIATE")
    assert statements[-1] == "COMMIT"
    return statements[begin - 1] == "PRAGMA synchronous = FULL"


def test_alerts_are_synced_at_once_and_readings_within_seconds(tmp_path: Path) -> None:
    clock = ManualClock()
    with open_store(tmp_path / "boat.db", clock=clock) as store:
        assert synced(store, lambda: put(store, [reading(20.0)]))  # nothing is known to be on the card yet
        clock.advance(SYNC_SECONDS - 1.0)
        assert not synced(store, lambda: put(store, [reading(20.0)]))
        assert synced(store, lambda: put(store, [change(1, alert())]))
        clock.advance(SYNC_SECONDS - 0.5)
        assert not synced(store, lambda: put(store, [reading(20.0)]))
        clock.advance(0.5)
        assert synced(store, lambda: put(store, [reading(20.0)]))


def write_for_ever(path: Path, first: int, acknowledged: Connection) -> None:
    """In a process that will be killed: batches of equal numbers, each told of when it is written."""
    store = open_store(path)
    sizes = random.Random(first)
    number = first
    while True:
        count = sizes.randrange(1, 1500)
        put(store, [reading(float(number), START_TIME + number * 10_000 + i) for i in range(count)])
        acknowledged.send((number, count))
        number += 1


def test_twenty_kills_lose_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["lugwatch.store.writer", "histories"])
    chance = random.Random(20)
    written: dict[int, int] = {}
    starts: list[int] = []
    for kill in range(20):
        receiving, sending = context.Pipe(duplex=False)
        first = max(written, default=-1) + 2  # the one after the last may be in or not
        starts.append(first)
        child = context.Process(target=write_for_ever, args=(path, first, sending))
        child.start()
        sending.close()
        for _ in range(chance.randrange(1, 12)):
            assert receiving.poll(30.0), "the child wrote nothing"
            number, count = receiving.recv()
            written[number] = count
        until = time.perf_counter() + chance.random() * 0.004
        while time.perf_counter() < until:
            pass  # somewhere inside the next transaction
        child.kill()
        child.join(30.0)
        while receiving.poll():
            try:
                number, count = receiving.recv()
            except (EOFError, OSError):
                break
            written[number] = count
        receiving.close()
        child.close()
        if kill % 5 == 0:
            with History.open(path) as history:  # before any writer has recovered the file
                assert history.count_readings() >= sum(written.values())
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        found = dict(connection.execute("SELECT value, count(*) FROM reading GROUP BY value").fetchall())
    assert {number: found.get(float(number)) for number in written} == written
    # what was not acknowledged is there whole or not at all; a batch is one transaction
    sizes = {first: random.Random(first) for first in starts}
    for number in sorted(found):
        start = max(first for first in starts if first <= number)
        assert found[number] == sizes[start].randrange(1, 1500)


# ---- locks and full disks --------------------------------------------------------------------

HOLD_LOCK = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
sys.stdout.write("held\\n")
sys.stdout.flush()
sys.stdin.readline()
connection.execute("ROLLBACK")
"""


class Holder:
    """Another process that holds the write lock until it is told to let go."""

    def __init__(self, path: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", HOLD_LOCK, str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "held\n"

    def let_go(self) -> None:
        if self.process.poll() is None:
            self.process.communicate("\n", timeout=30.0)


class HeldClock(ManualClock):
    """Time passes in waits alone; after enough of it the holder lets go of its lock."""

    def __init__(self, held_seconds: float) -> None:
        super().__init__()
        self._end_seconds = self.monotonic_seconds() + held_seconds
        self.holder: Holder | None = None
        self.delays: list[float] = []

    def wait(self, event: threading.Event, seconds: float) -> bool:
        self.delays.append(seconds)
        self.advance(seconds)
        if self.holder is not None and self.monotonic_seconds() >= self._end_seconds:
            self.holder.let_go()
        return event.is_set()


def test_a_lock_of_eight_seconds_costs_no_reading(tmp_path: Path) -> None:
    """C12."""
    path = tmp_path / "boat.db"
    clock = HeldClock(8.0)
    with open_store(path, clock=clock) as store:
        clock.holder = Holder(path)
        put(store, [reading(20.0), change(1, alert())])
        with History.open(path) as history:
            assert history.count_readings() == 1
    assert sum(clock.delays) >= 8.0
    assert clock.delays == sorted(clock.delays) and len(clock.delays) < 20


def test_a_transaction_that_was_a_read_never_becomes_a_write(tmp_path: Path) -> None:
    """C12: such an upgrade fails without waiting; ours take the lock first."""
    with open_store(tmp_path / "boat.db") as store:
        statements: list[str] = []
        store._open_connection().set_trace_callback(statements.append)
        put(store, [reading(20.0), passage(), change(1, alert())], snapshot="{}")
    begins = [statement for statement in statements if statement.startswith("BEGIN")]
    assert begins == ["BEGIN IMMEDIATE"]


def test_a_lock_that_stays_is_told_of_and_the_batch_can_be_given_again(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    clock = ManualClock()
    with open_store(path, clock=clock) as store:
        holder = Holder(path)
        began = clock.monotonic_seconds()
        with pytest.raises(StoreBusy, match="another program holds the database"):
            put(store, [reading(20.0)])
        assert LOCK_SECONDS <= clock.monotonic_seconds() - began <= LOCK_SECONDS + 2.0
        holder.let_go()
        put(store, [reading(20.0)])
    assert counts(path)["reading"] == 1


def test_a_daemon_that_stops_does_not_wait_for_a_lock(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    giving_up, clock = threading.Event(), ManualClock()
    store = Store.open(path, clock=clock, boat=boats.boat(), version="0", giving_up=giving_up)
    holder = Holder(path)
    giving_up.set()
    with pytest.raises(StoreBusy):
        put(store, [reading(20.0)])
    assert clock.monotonic_seconds() == ManualClock().monotonic_seconds()
    holder.let_go()
    store.close()


def test_a_full_disk_is_told_of_and_recording_goes_on_when_there_is_room(tmp_path: Path) -> None:
    """C39: capped by SQLite's own page limit, which fails as a full disk does."""
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        connection = store._open_connection()
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        batch = [reading(20.0 + i / 16, START_TIME + i) for i in range(2000)]
        for _ in range(2):
            with pytest.raises(StoreFull, match="no room left"):
                put(store, [*batch, change(1, alert())])
        assert counts(path)["batch"] == 0
        store._open_connection().execute("PRAGMA max_page_count = 1000000")
        put(store, [*batch, change(1, alert())])
    assert counts(path)["reading"] == 2000
    assert counts(path)["alert_change"] == 1


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
