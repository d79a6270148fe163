"""The journal where it is written and read: store and command."""

import json
import math
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from histories import START_TIME, estimate, open_store, put
from journals import (
    MEASURED,
    TWO,
    entry,
)
from lugwatch.errors import UserError
from lugwatch.model import (
    JointBaseline,
    JournalKind,
)
from lugwatch.store.crew import put_journal_entry
from lugwatch.store.migrations import SCHEMA_NUMBER
from lugwatch.store.queries import History
from test_cli import CONFIG, Spoken, say

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
        "photos": [],
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
