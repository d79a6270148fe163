"""The writer through power cuts, locks and full disks: nothing that was acknowledged is lost."""

import multiprocessing
import os
import random
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
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
    counts,
    open_store,
    passage,
    put,
    reading,
)
from lugwatch.clock import ManualClock
from lugwatch.store.errors import StoreBusy, StoreFull
from lugwatch.store.queries import History
from lugwatch.store.writer import LOCK_SECONDS, SYNC_SECONDS, Store

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
        # ten minutes from one to the next, so that hours are closed all the time
        time = START_TIME + number * 600_000
        news = change(number + 1, alert(number + 1))
        put(store, [*(reading(float(number), time + i) for i in range(count)), news], time=time)
        acknowledged.send((number, count))
        number += 1


# `LUGWATCH_KILLS=1000` takes a quarter of an hour
KILLS = int(os.environ.get("LUGWATCH_KILLS", "120"))


@pytest.mark.parametrize("kills", [20, pytest.param(KILLS, marks=pytest.mark.slow)])
def test_kills_lose_nothing_that_was_acknowledged(tmp_path: Path, kills: int) -> None:
    """SIGKILL somewhere inside a transaction, between two, or while an hour is being closed."""
    path = tmp_path / "boat.db"
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["lugwatch.store.writer", "histories"])
    chance = random.Random(20)
    written: dict[int, int] = {}
    starts: list[int] = []
    for kill in range(kills):
        receiving, sending = context.Pipe(duplex=False)
        first = max(written, default=-1) + 2  # the one after the last may be in or not
        starts.append(first)
        child = context.Process(target=write_for_ever, args=(path, first, sending))
        child.start()
        sending.close()
        for _ in range(chance.randrange(1, 12)):
            assert receiving.poll(120.0), "the child wrote nothing"
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
        if kill % (kills // 4) == 0:
            with History.open(path) as history:  # before any writer has recovered the file
                assert history.count_readings() >= sum(written.values())
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("SELECT count(*) FROM reading_block").fetchone()[0] > 0
    with History.open(path) as history:
        found = Counter(value for _, _, value in history.readings())
        told = {alert.alert_id for alert in history.alerts()}
    assert {number + 1 for number in written} <= told
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
    assert set(begins) == {"BEGIN IMMEDIATE"}


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
