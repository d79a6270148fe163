"""Others at the same database: whoever holds a lock or a query, nothing is lost and no alert waits for it."""

import subprocess
import sys
from itertools import pairwise
from pathlib import Path

from afloat import Afloat
from histories import START_TIME, open_store, put, reading
from lugwatch.model import AlertChange, Condition
from lugwatch.store.queries import History
from lugwatch.store.runs import HOUR_MS
from lugwatch.store.writer import _WAL_BYTES
from processes import until

HOLD = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute(sys.argv[2])
connection.execute("SELECT count(*) FROM batch").fetchone()
sys.stdout.write("held\\n")
sys.stdout.flush()
sys.stdin.readline()
connection.execute("ROLLBACK")
"""


class Holder:
    """Another process in the middle of a transaction."""

    def __init__(self, path: Path, begin: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", HOLD, str(path), begin],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "held\n"

    def let_go(self) -> None:
        self.process.communicate("\n", timeout=30.0)


def test_an_alert_is_said_while_another_program_holds_the_database(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with Afloat(path) as boat:
        boat.waits_for_store = False
        heard = boat.listener
        until(lambda: heard.estimates() > 5)
        holder = Holder(path, "BEGIN IMMEDIATE")
        boat.bar_celsius = 95.0
        until(lambda: heard.changes(Condition.HOT) == ["raised"])
        holder.let_go()
        until(lambda: heard.changes(Condition.NOT_RECORDING) in ([], ["raised", "rectified"]))
        count = heard.estimates()
        until(lambda: heard.estimates() > count + 5)
    with History.open(path) as history:
        times = [time for time, channel, _ in history.readings() if channel == "bar"]
        changes = history.alert_changes()
    assert {b - a for a, b in pairwise(times)} == {5000}
    heard_of = [o.sequence for o in heard.outputs if isinstance(o, AlertChange)]
    assert [change.sequence for change in changes] == heard_of == list(range(1, len(heard_of) + 1))


def test_a_query_that_is_held_open_for_a_day_costs_room_for_as_long_and_no_reading(tmp_path: Path) -> None:
    """C41. The log cannot be cut back under a reader: it grows, and is cut when that goes."""
    path = tmp_path / "boat.db"
    wal = path.with_name(path.name + "-wal")
    with open_store(path) as store:
        put(store, [reading(20.0)])
        holder = Holder(path, "BEGIN")
        time = START_TIME
        for _ in range(24 * 12):  # a day, five minutes at a time
            time += 300_000
            put(store, [reading(20.0 + i / 16, time + i * 5000) for i in range(60)], time=time)
        held_bytes = wal.stat().st_size
        assert held_bytes < 40e6
        holder.let_go()
        store.checkpoint()
        put(store, [reading(20.0, time + 1)], time=time + 1)
        assert wal.stat().st_size <= min(_WAL_BYTES, held_bytes)
        with History.open(path) as history:
            assert history.count_readings() == 24 * 12 * 60 + 2


def test_an_export_goes_on_while_hours_are_closed_under_it_and_holds_up_nothing(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    wal = path.with_name(path.name + "-wal")
    with open_store(path) as store, History.open(path) as history:
        written = []
        for hour in range(30):
            time = START_TIME + hour * HOUR_MS
            written += [(time + i * 60_000, "bar", 20.0 + i) for i in range(60)]
            put(store, [reading(value, at) for at, _, value in written[-60:]], time=time)
        exported = []
        for number, entry in enumerate(history.readings(end=written[-1][0])):
            exported.append(entry)
            if number % 100 == 50:  # the watch writes, closes hours and cuts its log back meanwhile
                time += HOUR_MS
                put(store, [reading(1.0, time + i) for i in range(50)], time=time)
                store.checkpoint()
                assert wal.stat().st_size == 0
        assert exported == written
