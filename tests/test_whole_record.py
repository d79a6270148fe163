"""The record out of one database and into another: all of it or nothing, once, and no watch hears of it."""

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from creeps import judge, points
from histories import START_TIME, alert, change, estimate, open_store, passage, put
from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import create_app
from lugwatch.errors import UserError
from lugwatch.model import AlertState, JointBaseline, JournalEntry, JournalKind
from lugwatch.store import whole_record
from lugwatch.store.crew import put_journal_entry
from lugwatch.store.queries import History
from pages import InProcess, built_page

CREEP = judge(points([1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6]))
BASELINE = JointBaseline(
    joint="bar", taken_time=START_TIME, baseline_time=START_TIME - 1000, ended_time=None,
    rise_coefficient=0.004, rise_coefficient_sd=0.0001, evidence_seconds=4000.0,
)  # fmt: skip


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, [str(w) for w in words])


def done(*words: str | Path) -> str:
    answer = run(*words)
    assert answer.exit_code == 0, answer.output
    return answer.output


@pytest.fixture
def lived(tmp_path: Path) -> Path:
    """Two passages, one under way, an alert that stands, entries with a photo."""
    path = tmp_path / "old.db"
    over = replace(passage(1, end_time=START_TIME + 3_600_000), joints=passage(1).joints)
    second = replace(passage(2, end_time=START_TIME + 9_000_000), start_time=START_TIME + 7_200_000)
    with open_store(path) as store:
        outputs = [over, second, passage(3), BASELINE, CREEP, change(1, alert(1)), estimate()]
        put(store, outputs, time=START_TIME + 9_500_000)
    Image.new("RGB", (60, 40), "red").save(tmp_path / "a.jpg")
    words = ("journal", "add", "bar", "--at", "2026-05-29T08:00:00Z", "--db", path)
    done(*words, "--work", "new lug, “50 mm²”", "--photo", tmp_path / "a.jpg")
    done(*words, "--millivolts", "4.5", "--amps", "90", "--celsius", "41")
    done("journal", "add", "--note", "laid up", "--at", "2026-10-29T08:00:00Z", "--db", path)
    return path


@pytest.fixture
def file(lived: Path, tmp_path: Path) -> Path:
    told = done("record", "export", "--db", lived, "--out", tmp_path / "record.json")
    assert "3 journal entries, 1 photos, 2 passages, 1 alerts, 1 baselines" in told
    return tmp_path / "record.json"


@pytest.fixture
def fresh(tmp_path: Path) -> Path:
    path = tmp_path / "new.db"
    open_store(path).close()
    return path


def everything(path: Path) -> dict[str, list[Any]]:
    """What a reader sees, but for numbers."""
    with History.open(path) as history:
        photos = history.photos()
        return {
            "journal": [(replace(e, entry_id=0), len(photos.get(e.entry_id, ()))) for e in history.journal()],
            "passages": [replace(p, passage_id=0) for p in history.passages() if p.end_time is not None],
            "alerts": [replace(a, alert_id=0) for a in history.alerts()],
            "creeps": history.creeps(),
            "proofs": history.proofs(),
        }


def rows(path: Path) -> dict[str, list[Any]]:
    tables = ("journal", "photo", "passage", "passage_joint", "passage_current", "alert", "baseline", "creep")
    with closing(sqlite3.connect(path)) as connection:
        return {t: connection.execute(f"SELECT * FROM {t} ORDER BY 1, 2").fetchall() for t in tables}


def test_what_was_there_is_there_again(lived: Path, file: Path, fresh: Path) -> None:
    told = done("record", "import", file, "--db", fresh)
    assert "of Grey Plover read in; nothing of it was there already" in told
    before, after = everything(lived), everything(fresh)
    (stood,) = before.pop("alerts")
    (over,) = after.pop("alerts")
    assert before == after
    assert over == replace(stood, state=AlertState.NORMAL, rectified_time=START_TIME), (
        "nobody watches it here"
    )
    with History.open(fresh) as history, History.open(lived) as origin:
        assert history.photo_jpeg(1) == origin.photo_jpeg(1) is not None
        assert history.baselines() == [] and len(history.baselines_of_all_times()) == 1
        assert [p.start_time for p in history.passages()] == [START_TIME, START_TIME + 7_200_000]


def test_twice_is_once_and_at_home_is_nothing(lived: Path, file: Path, fresh: Path, tmp_path: Path) -> None:
    done("record", "import", file, "--db", fresh)
    once = rows(fresh)
    assert "nothing of Grey Plover read in; 9 were there already" in done(
        "record", "import", file, "--db", fresh
    )
    assert rows(fresh) == once
    home = rows(lived)
    assert "nothing of Grey Plover read in" in done("record", "import", file, "--db", lived)
    assert rows(lived) == home
    # and out of the second again: the same rows, whatever their numbers are there
    again = tmp_path / "again.json"
    done("record", "export", "--db", fresh, "--out", again)
    assert "nothing of Grey Plover read in" in done("record", "import", again, "--db", lived)
    assert rows(lived) == home


def test_a_watch_hears_nothing_of_it_and_its_numbers_go_on_above_zero(file: Path, fresh: Path) -> None:
    done("record", "import", file, "--db", fresh)
    with open_store(fresh) as store:
        assert store.load_journal() == [] and store.load_alerts() == [] and store.load_rises() == {}
        assert (store.next_passage_id(), store.next_alert_id()) == (1, 1)
        number = put_journal_entry(
            fresh,
            JournalEntry(
                entry_id=0, joint="bar", time=START_TIME, kind=JournalKind.GOOD, note=None, who="crew"
            ),
        )
        assert number == 1 and [e.entry_id for e in store.load_journal()] == [1]
    with History.open(fresh) as history:
        assert history.alert_changes() == [] and all(p.passage_id < 0 for p in history.passages())


def test_a_new_database_is_made_of_a_configuration(file: Path, tmp_path: Path) -> None:
    config = tmp_path / "boat.toml"
    config.write_text(
        '[boat]\nname = "New card"\n[[probe]]\nid = "post"\n'
        '[[joint]]\nid = "post"\nprobe = "post"\nair = "none"\n',
        encoding="utf-8",
    )
    told = done("record", "import", file, "--db", tmp_path / "made.db", "--config", config)
    assert "Not configured here, so shown by their ids: bar" in told
    missing = run("record", "import", file, "--db", tmp_path / "nowhere.db")
    assert "no such file" in str(missing.exception)


def test_the_page_shows_what_was_read_in(file: Path, fresh: Path) -> None:
    built_page()
    done("record", "import", file, "--db", fresh)
    client = InProcess(create_app(fresh, ManualClock(time=START_TIME)))
    for address in (
        *("/", "/passages", "/passages/-1", "/passages/-2/sheet", "/joints/bar", "/joints/bar/sheet"),
        *("/alerts", "/journal", "/season", "/winter", "/photos/1"),
    ):
        assert client.get(address).status_code == 200, address
    assert "new lug, “50 mm²”" in client.get("/journal").text
    assert run("sheet", "passage", "--db", fresh, "-o", "-", "--", "-1").exit_code == 0


# ---- what is no record ----------------------------------------------------------------------


def changed(file: Path, change: Any) -> Path:
    document = json.loads(file.read_text(encoding="utf-8"))
    change(document)
    bad = file.with_name("bad.json")
    bad.write_text(json.dumps(document), encoding="utf-8")
    return bad


BAD = [
    (lambda d: d.update(format="song"), "is no record"),
    (lambda d: d.update(version=2), "newer lugwatch"),
    (lambda d: d.pop("boat"), "boat"),
    (lambda d: d["journal"][0].update(kind="song"), "journal.0.kind"),
    (lambda d: d["journal"][2].update(time=-5), "time -5 cannot be"),
    (lambda d: d["journal"][2].update(time=10**15), "cannot be"),
    (lambda d: d["journal"][1].update(volts=float("nan")), "NaN is no number of JSON"),
    (lambda d: d["journal"][1].update(volts="much"), "journal.1.volts"),
    (lambda d: d["journal"][0].update(note="a\x1b[2Jb"), "note is too long or holds characters"),
    (lambda d: d["journal"][0].update(entry_id=2**60), "entry_id 1152921504606846976 is too large"),
    (lambda d: d["photos"][0].update(jpeg="AAAA"), "no plain JPEG"),
    (lambda d: d["photos"][0].update(entry_id=77), "a photo of entry 77"),
    (lambda d: d["alerts"][0].update(state="on fire"), "alerts.0.state"),
    (lambda d: d["passages"][0].update(joints=[]), "passages.0.joints"),
    (lambda d: d["creeps"][0].pop("reaches_ratio"), "creeps.0.reaches_ratio"),
]


@pytest.mark.parametrize(("change", "said"), BAD)
def test_bad_input_is_one_line_and_nothing_is_read_in(
    file: Path, fresh: Path, change: Any, said: str
) -> None:
    before = rows(fresh)
    refused = run("record", "import", changed(file, change), "--db", fresh)
    assert isinstance(refused.exception, UserError), refused.output
    assert said in str(refused.exception) and "\n" not in str(refused.exception)
    assert rows(fresh) == before


def test_what_is_no_json_is_said(tmp_path: Path, fresh: Path) -> None:
    bad = tmp_path / "bad.json"
    for data in (b"", b"{", b"\xff\xfe", b"[" * 100_000, b"[]", b'"x"', b"SQLite format 3\x00"):
        bad.write_bytes(data)
        refused = run("record", "import", bad, "--db", fresh)
        assert isinstance(refused.exception, UserError) and "\n" not in str(refused.exception), data[:20]
    assert "name it FILE.json" in str(run("record", "export", "--db", fresh, "--out", "x.txt").exception)


def test_a_cut_in_the_middle_leaves_nothing(file: Path, fresh: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = rows(fresh)

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(whole_record._Import, "_alert", full)
    assert run("record", "import", file, "--db", fresh).exit_code != 0
    assert rows(fresh) == before


@given(
    part=st.sampled_from(["journal", "photos", "passages", "alerts", "baselines", "creeps"]),
    key=st.integers(0, 25),
    value=st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.just([])
    | st.just({}),
)
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_stands_in_a_field_it_is_refused_or_can_be_shown(
    file: Path, tmp_path: Path, part: str, key: int, value: Any
) -> None:
    def put_in(document: dict[str, Any]) -> None:
        row = document[part][0]
        row[sorted(row)[key % len(row)]] = value

    try:
        record = whole_record.read(changed(file, put_in))
    except UserError as refused:
        assert "\n" not in str(refused)
        return
    target = tmp_path / "fuzzed.db"
    if not target.exists():
        open_store(target).close()
    whole_record.take_in(target, record)
    everything(target)
