"""Cuts that tear files, and cards that lie: what was synced is there; a damaged history is set aside."""

import random
import shutil
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

import boats
from afloat import Afloat
from histories import (
    START_TIME,
    alert,
    change,
    estimate,
    open_store,
    passage,
    put,
    reading,
)
from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.keeping import Keeping
from lugwatch.model import Condition, JournalEntry, JournalKind
from lugwatch.store.closing import QUIET_MS
from lugwatch.store.crew import put_journal_entry
from lugwatch.store.damage import open_or_begin_anew, salvage
from lugwatch.store.queries import History
from lugwatch.store.runs import HOUR_MS
from lugwatch.store.writer import SYNC_SECONDS
from processes import until


def wal_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def test_a_torn_log_loses_nothing_that_was_synced(tmp_path: Path) -> None:
    """Whatever a cut left of the log's end: shorter, zeros, or noise in any of its bytes not yet synced."""
    path, chance = tmp_path / "boat.db", random.Random(5)
    clock = ManualClock()
    store = open_store(path, clock=clock)
    states: list[tuple[int, int, int]] = []  # numbers and alerts that must be there, bytes of the log by then
    synced = (0, 0, 0)
    sequence = 0
    for number in range(60):
        outputs = [reading(float(number), START_TIME + number * 600_000 + i) for i in range(50)]
        urgent = chance.random() < 0.2
        sequence += urgent
        clock.advance(chance.choice([1.0, SYNC_SECONDS]))
        before = store._synced_seconds
        put(store, [*outputs, *([change(sequence, alert(sequence))] if urgent else [])],
            time=START_TIME + number * 600_000)  # fmt: skip
        if store._synced_seconds != before:
            synced = (number + 1, sequence, wal_of(path).stat().st_size)
        states.append(synced)
    numbers, alerts, safe_bytes = states[-1]
    whole = wal_of(path).read_bytes()
    assert 0 < safe_bytes <= len(whole) and numbers > 50 and alerts > 5
    for number in range(40):
        torn = tmp_path / f"torn-{number}.db"
        shutil.copy(path, torn)
        tail = whole[safe_bytes:][: chance.randrange(len(whole) - safe_bytes + 1)]
        if number % 3 == 1:
            tail = bytes(len(tail))
        elif number % 3 == 2:
            tail = chance.randbytes(len(tail))
        wal_of(torn).write_bytes(whole[:safe_bytes] + tail)
        with open_store(torn) as again:
            put(again, [])
        with closing(sqlite3.connect(torn)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        with History.open(torn) as history:
            found = Counter(value for _, _, value in history.readings())
            assert all(found[float(n)] == 50 for n in range(numbers))
            assert all(count == 50 for count in found.values())  # a batch is whole or not there
            assert len(history.alert_changes()) >= alerts
    store.close()


# ---- damage ----------------------------------------------------------------------------------


def a_life(path: Path) -> int:
    """A history with a bit of everything; how many readings."""
    clock = ManualClock()
    with open_store(path, clock=clock) as store:
        chance = random.Random(9)
        for hour in range(60):
            time = START_TIME + hour * HOUR_MS
            batch = [reading(chance.random(), time + i * 5000, c) for i in range(300) for c in ("bar", "air")]
            put(store, [*batch, estimate(time)], time=time + HOUR_MS + QUIET_MS)
        put(store, [change(1, alert()), passage(1, START_TIME + 5)], snapshot='{"a": 1}')
    put_journal_entry(
        path,
        JournalEntry(entry_id=0, joint="bar", time=START_TIME, kind=JournalKind.NOTE, note="loose", who="Ada",
                     volts=None, amps=None, celsius=None),
    )  # fmt: skip
    return 60 * 600


def spoil(path: Path, chance: random.Random, pages: int, first: int = 2) -> None:
    """Noise over some pages that hold rows or what does not fit into them (fileformat2.html section 1.6).

    A page that leads to others takes all of them along: SQLite cannot reach them.
    """
    raw = bytearray(path.read_bytes())
    holding = [page for page in range(first, len(raw) // 1024) if raw[page * 1024] in (0x0D, 0x00)]
    for page in chance.sample(holding, pages):
        raw[page * 1024 : (page + 1) * 1024] = chance.randbytes(1024)
    path.write_bytes(raw)


@pytest.mark.parametrize("seed", range(6))
def test_what_is_readable_is_got_out(tmp_path: Path, seed: int) -> None:
    path, out = tmp_path / "boat.db", tmp_path / "out.db"
    count = a_life(path)
    with History.open(path) as history:
        true = Counter((time, value) for time, _, value in history.readings())
    with closing(sqlite3.connect(path)) as connection:
        longest_block = connection.execute("SELECT max(readings_count) FROM reading_block").fetchone()[0]
    spoil(path, random.Random(seed), 3, first=40)
    before = path.read_bytes()
    found = salvage(path, out, lambda _: None)
    assert path.read_bytes() == before
    with closing(sqlite3.connect(out)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with History.open(out) as history:
        # without the channel: its name may be what was lost
        got = Counter((time, value) for time, _, value in history.readings())
    assert not got - true  # nothing is made up
    # A page takes along the blocks whose heads it holds: at most nine of 1024 bytes, since a row that goes
    # on elsewhere keeps at least (1024 - 12) x 32 / 255 - 23 bytes on it (SQLite's file format, section
    # 1.6). A page of times that channels share takes along all blocks that rest on it.
    lost_at_most = 3 * 9 * longest_block
    assert got.total() >= count - lost_at_most or "block_times" in found.damaged
    assert got.total() == count or found.damaged


def test_a_whole_file_is_got_out_whole_and_read_by_every_command(tmp_path: Path) -> None:
    path, out = tmp_path / "boat.db", tmp_path / "out.db"
    count = a_life(path)
    done = CliRunner().invoke(commands, ["salvage", str(path), "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert "cannot be read" not in done.output
    with History.open(out) as copy, History.open(path) as history:
        assert copy.count_readings() == count
        assert list(copy.readings()) == list(history.readings())
        assert copy.alerts() == history.alerts() and copy.journal() == history.journal()
        assert copy.passages() == history.passages() and copy.boat() == history.boat()
        assert copy.series("bar", 0, 2 * START_TIME, 50) == history.series("bar", 0, 2 * START_TIME, 50)
    with open_store(out) as store:
        assert store.load_snapshot() == (1, START_TIME, '{"a": 1}')


def test_salvage_refuses_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "noise").write_bytes(random.Random(1).randbytes(5000))
    (tmp_path / "there").touch()
    for damaged, out, words, error in (
        ("none", "out", "there is no such file", UserError),
        ("noise", "there", "is there already", UserError),
        ("noise", "out", "nothing of it can be read", OperationFailed),
    ):
        with pytest.raises(error, match=words) as caught:
            salvage(tmp_path / damaged, tmp_path / out, lambda _: None)
        assert "\n" not in str(caught.value)
    assert not (tmp_path / "out").exists()


def truncated(path: Path) -> None:
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])


def zeros(path: Path) -> None:
    path.write_bytes(bytes(path.stat().st_size))


@pytest.mark.parametrize("damage", [truncated, zeros])
def test_a_start_on_a_damaged_history_begins_a_new_one_and_keeps_the_old(
    tmp_path: Path, damage: object
) -> None:
    path = tmp_path / "boat.db"
    a_life(path)
    damage(path)  # type: ignore[operator]
    spoiled = path.read_bytes()
    clock = ManualClock(1000.0, START_TIME + 90 * HOUR_MS)
    store, aside = open_or_begin_anew(path, clock=clock, boat=boats.boat(), keeping=Keeping())
    with store:
        assert aside is not None and aside.read_bytes()[: len(spoiled)] == spoiled
        assert aside.name.startswith("boat.db.damaged-20260601T")
        put(store, [reading(20.0)])
    store, aside = open_or_begin_anew(path, clock=clock, boat=boats.boat(), keeping=Keeping())
    store.close()
    assert aside is None
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_damage_met_while_watching_is_told_and_costs_only_what_cannot_be_read(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    a_life(path)
    spoiled: list[bool] = []
    with Afloat(path) as boat:
        until(lambda: boat.listener.estimates() > 5)

        def spoil_once() -> None:
            if not spoiled:
                spoiled.append(True)
                boat.store.checkpoint()
                boat.store._connection.close()  # type: ignore[union-attr]
                raw = bytearray(path.read_bytes())
                with closing(sqlite3.connect(path)) as connection:
                    root = connection.execute(
                        "SELECT rootpage FROM sqlite_master WHERE name = 'estimate'"
                    ).fetchone()[0]
                raw[(root - 1) * 1024 : root * 1024] = random.Random(4).randbytes(1024)
                path.write_bytes(raw)
                boat.store._connection = None

        boat.before_writing = spoil_once
        until(lambda: boat.listener.changes(Condition.HISTORY_DAMAGED) == ["raised", "rectified"])
        count = boat.listener.estimates()
        until(lambda: boat.listener.estimates() > count + 10)
    aside = [entry for entry in tmp_path.iterdir() if ".damaged-" in entry.name and entry.suffix != ".db-wal"]
    assert len([entry for entry in aside if not entry.name.endswith(("-wal", "-shm"))]) == 1
    with History.open(path) as history:
        assert history.alerts()[-1].condition is Condition.HOT  # carried over
        assert history.journal()[0].note == "loose" and len(history.passages()) >= 1
        assert history.alerts()[0].condition is Condition.HISTORY_DAMAGED
        assert history.count_readings() > 0
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
