"""Damage that SQLite cannot see: a text of readings that is none any more, a name that is no text."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

import boats
from histories import START_TIME, fault, open_store, put, reading
from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.errors import UserError
from lugwatch.keeping import Keeping
from lugwatch.store.damage import open_or_begin_anew, salvage
from lugwatch.store.errors import StoreDamaged
from lugwatch.store.queries import History
from lugwatch.store.restoring import restore
from lugwatch.store.runs import HOUR_MS


def lived(path: Path) -> None:
    """Ten batches of twenty readings; a fault belongs to the fourth."""
    with open_store(path) as store:
        for number in range(10):
            time = START_TIME + number * 1000
            more = [fault("a plug")] if number == 3 else []
            put(store, [*(reading(20.0 + i, time + i) for i in range(20)), *more], time=time)


SPOILT = [
    "{",
    "[[0, {}], 5]",
    '[[0,{"1":NaN}]]',
    '[[0,{"1":1e999}]]',
    '[["0",{"1":2}]]',
    "[" * 50_000,
    "[[0,[1]]]",
]


def spoil_batch(path: Path, text: str) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        fourth = "SELECT batch_id FROM batch WHERE readings IS NOT NULL ORDER BY batch_id LIMIT 1 OFFSET 3"
        connection.execute(f"UPDATE batch SET readings = ? WHERE batch_id = ({fourth})", (text,))


@pytest.mark.parametrize("text", SPOILT, ids=range(len(SPOILT)))
def test_readings_that_are_none_any_more_are_told_and_the_others_got_out(tmp_path: Path, text: str) -> None:
    path = tmp_path / "boat.db"
    lived(path)
    spoil_batch(path, text)
    with History.open(path) as history, pytest.raises(UserError, match="lugwatch salvage"):
        list(history.readings())
    result = CliRunner().invoke(commands, ["export", "--db", str(path), "--out", str(tmp_path / "out.csv")])
    assert isinstance(result.exception, UserError)
    with pytest.raises(UserError, match="readings of its last hours"):
        restore(path, tmp_path / "card.db", clock=ManualClock())
    assert not (tmp_path / "card.db").exists()
    done = salvage(path, tmp_path / "saved.db", lambda _: None)
    assert done.damaged == ("batch",)
    with History.open(tmp_path / "saved.db") as saved:
        assert saved.count_readings() == 9 * 20
        assert [f.detail for f in saved.faults()] == ["a plug"]


def test_the_watch_sets_such_a_history_aside_when_it_comes_to_pack_it(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    lived(path)
    spoil_batch(path, "{")
    later = START_TIME + 3 * HOUR_MS
    with open_store(path, clock=ManualClock(9000.0, later)) as store, pytest.raises(StoreDamaged):
        for number in range(6):
            put(store, [reading(21.0, later + number * 1000)], time=later + number * 1000)


def test_a_name_in_it_that_is_no_text_is_damage_and_no_crash(tmp_path: Path) -> None:
    """SQLite quotes what it cannot parse, and its message is then no text either."""
    path = tmp_path / "boat.db"
    lived(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    data = path.read_bytes()
    place = data.index(b"CREATE TABLE boot")
    path.write_bytes(data[:place] + b"CREATE TABL\x80 boot" + data[place + 17 :])
    with pytest.raises(UserError, match="may be damaged"):
        History.open(path)
    with pytest.raises(UserError, match="is damaged"):
        restore(path, tmp_path / "card.db", clock=ManualClock())
    store, aside = open_or_begin_anew(path, clock=ManualClock(), boat=boats.boat(), keeping=Keeping())
    with store:
        assert aside is not None and aside.exists()
