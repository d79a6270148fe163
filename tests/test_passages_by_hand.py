"""Names, notes, splits and merges of passages in a real database, from the command line and on the page."""

import html
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from by_hand import MINUTE, write_two_passages
from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.dashboard.doors import write_lock
from lugwatch.model import LearnedShape
from lugwatch.passage_cuts import PART_NUMBERS
from lugwatch.store.queries import History
from lugwatch.store.restamping import restamp
from lugwatch.store.writer import Store
from lugwatch.units import format_time
from pages import Bench, InProcess
from test_cli import Spoken, say
from test_joint_page import HOSTILE

pytestmark = pytest.mark.usefixtures("built")


@dataclass
class Desk(Bench):
    store: Store
    capsys: pytest.CaptureFixture[str]

    def at(self, minutes_ago: float) -> str:
        return format_time(self.clock.time() - round(minutes_ago * MINUTE))

    def say(self, *words: object) -> Spoken:
        return say(self.capsys, "passages", *words, "--db", self.database)

    def passages(self) -> Any:
        spoken = self.say("--json")
        assert spoken.status == 0, spoken.err
        return json.loads(spoken.out)

    def history(self) -> History:
        return History.open(self.database)

    def tell(self, path: str, **form: object) -> Any:
        answer = self.client.tell(path, form or None)
        assert answer.status_code == 200, answer.text
        return answer.json()


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Iterator[Desk]:
    clock, database = ManualClock(), tmp_path / "a.db"
    with write_two_passages(database, clock) as store:
        yield Desk(database, clock, InProcess(create_app(database, clock)), store, capsys)


def count(database: Path, table: str) -> int:
    with closing(sqlite3.connect(database)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


# ---- figures --------------------------------------------------------------------------------------


@pytest.mark.parametrize("minutes_ago", [57.0, 48.3, 35.5])
def test_parts_add_up_and_merging_them_gives_the_original_figures(bench: Desk, minutes_ago: float) -> None:
    before = bench.passages()
    assert bench.say("split", 1, "--at", bench.at(minutes_ago)).status == 0
    first, second = bench.passages()[:2]
    assert (first["passage_id"], second["passage_id"]) == (1, PART_NUMBERS + 1)
    assert first["found_ids"] == second["found_ids"] == [1]
    assert first["end_time"] == second["start_time"] == bench.at(minutes_ago)
    assert (first["start_time"], second["end_time"]) == (before[0]["start_time"], before[0]["end_time"])
    for channel, told in before[0]["currents"].items():
        parts = [p["currents"][channel] for p in (first, second)]
        assert sum(p["amp_hours"] for p in parts) == pytest.approx(told["amp_hours"], rel=1e-9)
    with bench.history() as history:
        read = [v for _, channel, v in history.readings(*_span(history)) if channel == "fuse_bar"]
    hottest = [p["joints"]["fuse_bar"]["max_celsius"] for p in (first, second)]
    assert max(hottest) == max(read) and hottest[0] < hottest[1], "it warms throughout"
    assert bench.say("merge", PART_NUMBERS + 1, 1).status == 0
    assert bench.passages() == before


def _span(history: History) -> tuple[int, int]:
    whole = history.passages_found()[0]
    assert whole.end_time is not None
    return whole.start_time, whole.end_time


def test_ampere_hours_peak_and_rise_are_those_of_the_parts_own_time(bench: Desk) -> None:
    # the inverter runs from 10 to 15 minutes after the start at 60 A, else 0.4 A
    bench.say("split", 1, "--at", bench.at(52.0))
    first, second = (p["currents"]["inverter"] for p in bench.passages()[:2])
    assert (first["max_amps"], second["max_amps"]) == (0.4, 60.0)
    # by hand, of 5.1 Ah told by the watch: 480 s at 0.4 A; later 720 s at 0.4 A, 260 s at 60 A and between
    # readings each 20 s two slopes at 30.2 A
    share = 480 * 0.4 / (480 * 0.4 + 720 * 0.4 + 260 * 60.0 + 2 * 20 * 30.2)
    assert first["amp_hours"] == pytest.approx(5.1 * share, rel=1e-6)
    # the stud that doubles in the last ten minutes does so in the later part alone
    bench.say("split", 2, "--at", bench.at(10.0))
    early, late = (p["joints"]["bar_alternator"] for p in bench.passages()[2:])
    assert late["rise_coefficient"] == pytest.approx(2.0 * early["rise_coefficient"])
    with bench.history() as history:
        whole = history.passages_found()[1].joints["bar_alternator"]
    assert late["rise_coefficient"] == pytest.approx(whole.rise_coefficient), "a passage tells its end"
    # estimates that do not wander add nothing to the 2 % of the whole
    assert early["rise_coefficient_sd"] == pytest.approx(0.02 * early["rise_coefficient"])
    # and the page tells that as a change from part to part
    shown = bench.client.get(f"/api/passages/{2 * PART_NUMBERS + 2}").json()
    row = next(r for r in shown["rows"] if r["joint"] == "bar_alternator")
    assert row["change_ratio"] == pytest.approx(2.0) and row["margin_kelvin"] > 0.0
    assert [a["alert_id"] for a in shown["alerts"]] == [7]


def test_a_part_with_little_load_or_before_its_shape_was_learned_says_so(bench: Desk) -> None:
    bench.say("split", 2, "--at", bench.at(6.0))
    late = bench.passages()[2]["joints"]["bar_alternator"]
    assert (late["rise_coefficient"], late["rise_coefficient_sd"]) == (None, None)
    assert late["rise_coefficient_reason"] == "too_little_load" and late["max_celsius"] > 40.0
    assert "not enough load to tell" in bench.say().out
    assert "not enough load to tell" in bench.client.get(f"/passages/{PART_NUMBERS + 2}").text
    bench.say("undo")
    shape = LearnedShape(
        joint="bar_alternator", time=bench.clock.time() - 14 * MINUTE, tau_fast_seconds=200.0,
        tau_slow_seconds=2000.0, fast_weight=0.4, neighbour_weight=0.0, tau_fast_ratio_sd=0.2,
        tau_slow_ratio_sd=0.2, windows_count=1000, stage=1, log_likelihood_gain=0.1,
    )  # fmt: skip
    bench.store.write([shape], monotonic_seconds=2000.0, time=bench.clock.time())
    bench.say("split", 2, "--at", bench.at(15.0))
    early, late = (p["joints"]["bar_alternator"] for p in bench.passages()[1:])
    assert early["rise_coefficient"] is None and early["rise_coefficient_reason"] == "not_learned"
    assert late["rise_coefficient"] is not None and late["rise_coefficient_reason"] is None
    assert "how it warms was not learned yet" in bench.say().out
    assert "how it warms was not learned yet" in bench.client.get("/passages/2").text
    # what was measured with another rod is not compared
    first = bench.client.get("/api/passages/2").json()["rows"]
    assert next(r for r in first if r["joint"] == "bar_alternator")["change_reason"] == "too_little"
    bench.say("undo")
    whole = bench.client.get("/api/passages/2").json()["rows"]
    row = next(r for r in whole if r["joint"] == "bar_alternator")
    assert (row["change_ratio"], row["change_reason"]) == (None, "learned")
    assert "how it warms was learned anew between" in bench.client.get("/passages/2").text
    assert "how it warms was learned anew between" in bench.client.get("/passages/2/sheet").text
    season = bench.client.get("/api/season").json()["joints"]
    cells = next(r for r in season if r["joint"] == "bar_alternator")["cells"]
    assert [c["ratio"] for c in cells] == [1.0, 1.0]


def test_merged_ones_add_their_ampere_hours(bench: Desk) -> None:
    spoken = bench.say("merge", 1, 2)
    assert "Passage 2 is part of passage 1 now. Undo it with `lugwatch passages undo 1`." in spoken.out
    (merged,) = bench.passages()
    assert merged["amp_hours"] == pytest.approx(2 * 84.2) and merged["found_ids"] == [1, 2]
    assert (merged["start_time"], merged["end_time"]) == (bench.at(60.0), bench.at(2.0))
    assert bench.say("split", 1, "--at", bench.at(30.0)).status == 0
    assert [p["found_ids"] for p in bench.passages()] == [[], []]


def test_figures_of_a_part_outlive_its_readings(bench: Desk) -> None:
    bench.say("split", 1, "--at", bench.at(45.0))
    before = bench.passages()
    assert count(bench.database, "passage_part") == 2
    with closing(sqlite3.connect(bench.database)) as connection, connection:
        connection.execute("UPDATE batch SET readings = NULL")
        connection.execute("DELETE FROM estimate")
    assert bench.passages() == before
    refused = bench.say("split", 2, "--at", bench.at(10.0))
    assert refused.status == 2 and "has no readings left on one side of that time" in refused.err


def test_a_passage_under_way_is_split_up_to_now(bench: Desk) -> None:
    with closing(sqlite3.connect(bench.database)) as connection, connection:
        connection.execute("UPDATE passage SET end_time = NULL WHERE passage_id = 2")
    assert bench.say("split", 2, "--at", bench.at(10.0)).status == 0
    early, late = bench.passages()[1:]
    assert late["end_time"] is None and early["end_time"] == bench.at(10.0)
    assert 0.0 < late["amp_hours"] < early["amp_hours"], "10 minutes against 15"
    assert "under way" in bench.say().out


def test_cuts_move_with_a_clock_that_was_set_right(bench: Desk) -> None:
    bench.say("split", 1, "--at", bench.at(45.0))
    before = bench.passages()
    with closing(sqlite3.connect(bench.database)) as connection, connection:
        restamp(connection, 1, 0, 2**50, 60 * MINUTE)
    after = bench.passages()
    assert [(p["amp_hours"], p["joints"]) for p in after] == [(p["amp_hours"], p["joints"]) for p in before]
    assert after[0]["end_time"] == after[1]["start_time"] == bench.at(-15.0)


def test_what_was_found_alerts_and_journal_stay_as_they_were(bench: Desk) -> None:
    def kept() -> object:
        with bench.history() as history:
            return history.passages_found(), history.alerts(), history.alert_changes(), history.journal()

    before = kept()
    bench.say("split", 1, "--at", bench.at(45.0))
    bench.say("merge", PART_NUMBERS + 1, 2)
    bench.say("name", 1, "Out")
    assert kept() == before
    assert count(bench.database, "crew_action") == 0, "the watch is not asked"


# ---- words and the list of decisions ----------------------------------------------------------------


def test_names_and_notes_are_told_and_undone(bench: Desk) -> None:
    assert "Passage 1 is called To Corfu." in bench.say("name", 1, " To  Corfu ", "--by", "Ada").out
    bench.say("note", 1, "Fan on all the way")
    out = bench.say().out
    assert "Passage 1, To Corfu: 2026" in out and "\n  Fan on all the way\n" in out
    told = bench.say("decisions").out.splitlines()
    assert "passage 1: called To Corfu (Ada)" in told[0] and "noted: Fan on all" in told[1]
    assert bench.say("undo").out.startswith("Decision 2 is undone")
    assert bench.say("undo", 1, "--by", "Ben").status == 0
    assert [(p["name"], p["note"]) for p in bench.passages()] == [(None, None)] * 2
    told = bench.say("decisions").out.splitlines()
    assert told[0].endswith("(Ada); undone") and "decision 1 undone (Ben)" in told[3]
    assert [d["deed"] for d in json.loads(bench.say("decisions", "--json").out)] == [
        "name", "note", "undo", "undo"]  # fmt: skip
    assert "nothing to undo" in bench.say("undo").err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("split", 9, "--at", "2026-05-28T20:00:00Z"), "there is no passage 9; there are 1, 2"),
        (("split", 1, "--at", "yesterday"), "--at 'yesterday' is no time"),
        (("split", 1, "--at", "2020-01-01T00:00:00Z"), "2020-01-01T00:00:00Z is not within passage 1"),
        (("split", 1), "Missing option '--at'"),
        (("merge", 1, 1), "are not neighbours"),
        (("merge", 1, 3), "there is no passage 3"),
        (("name", 1, "x" * 81), "the name is 81 characters long; at most 80"),
        (("note", 1, "\u202eabc"), "the note holds characters that cannot be shown"),
        (("name", 1, "x", "--by", " "), "is no name"),
        (("name", "x", "x"), "is not a valid integer"),
        (("undo", 5), "there is no decision 5; `lugwatch passages decisions` lists them"),
    ],
)
def test_what_makes_no_sense_is_one_line_and_changes_nothing(
    bench: Desk, words: tuple[object, ...], says: str
) -> None:
    spoken = bench.say(*words)
    assert spoken.status == 2 and spoken.err.count("\n") == 1 and says in spoken.err, spoken.err
    assert count(bench.database, "passage_decision") == 0


def test_without_a_database_it_says_what_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["passages"], ["passages", "undo"]):
        spoken = say(capsys, *words)
        assert spoken.status == 2 and "needs --db FILE" in spoken.err


def test_a_database_of_an_older_version_is_read_and_takes_decisions(bench: Desk) -> None:
    bench.store.close()
    with closing(sqlite3.connect(bench.database)) as connection, connection:
        connection.execute("DROP TABLE passage_decision")
        connection.execute("DROP TABLE passage_part")
        connection.execute("DELETE FROM _sqlite_migrations WHERE name = 'passages_by_hand'")
        (schema,) = connection.execute("PRAGMA user_version").fetchone()
        connection.execute(f"PRAGMA user_version = {schema - 1}")
    assert [p["passage_id"] for p in bench.passages()] == [1, 2]
    assert bench.say("name", 1, "Out").status == 0
    assert bench.passages()[0]["name"] == "Out"


# ---- on the page --------------------------------------------------------------------------------------


def test_all_of_it_on_the_page(bench: Desk) -> None:
    before = bench.client.get("/api/passages").json()
    bench.tell("/api/passages/1/name", words="To Corfu")
    bench.tell("/api/passages/1/note", words="Fan on")
    done = bench.tell("/api/passages/1/split", at=bench.at(45.0))
    assert (done["deed"], done["who"], done["cut_time"]) == ("split", "page", bench.at(45.0))
    page = bench.client.get("/passages").text
    for words in (
        "To Corfu",
        "Fan on",
        "A part of a passage, split by hand",
        "Passage 3000001",
        "decision 3",
    ):
        assert words in page, words
    sheet = bench.client.get("/passages/1").text
    assert "Sandpiper: To Corfu, " in sheet and 'data-merge="3000001"' in sheet and " above " in sheet
    later = bench.client.get("/passages/3000001").text
    assert 'data-merge="1"' in later and 'data-merge="2"' in later and 'data-undo="3"' in later
    merged = bench.tell("/api/passages/2/merge", other_id=3000001)
    assert merged["passage_id"] == 3000001
    assert "Made by hand of what was found as several." in bench.client.get("/passages/3000001").text
    assert bench.client.get("/passages/2").status_code == 404
    assert [p["passage_id"] for p in bench.client.get("/api/season").json()["passages"]] == [1, 3000001]
    told = bench.client.get("/api/passage_decisions").json()
    assert [(d["decision_id"], d["counts"]) for d in told] == [(n, True) for n in (4, 3, 2, 1)]
    for number in (4, 3, 2, 1):
        bench.tell(f"/api/passage_decisions/{number}/undo")
    assert bench.client.get("/api/passages").json() == before


@pytest.mark.parametrize(
    ("path", "form", "says"),
    [
        ("passages/1/split", {"at": "soon"}, "When: 'soon' is no time"),
        ("passages/1/split", {"at": "2020-01-01T00:00:00Z"}, "is not within passage 1"),
        ("passages/9/name", {"words": "x"}, "there is no passage 9"),
        ("passages/1/name", {"words": "x" * 81}, "Name is 81 characters long"),
        ("passages/1/name", {"word": "x"}, "Extra inputs"),
        ("passages/1/merge", {"other_id": 1}, "are not neighbours"),
        ("passage_decisions/7/undo", None, "there is no decision 7"),
        (f"passages/{10**30}/name", {"words": "x"}, "there is no passage"),
    ],
)
def test_a_refusal_on_the_page_is_one_line(bench: Desk, path: str, form: object, says: str) -> None:
    answer = bench.client.tell(f"/api/{path}", form)
    assert answer.status_code == 422 and says in answer.json()["detail"], answer.text
    assert count(bench.database, "passage_decision") == 0


def test_nothing_is_decided_without_token_origin_or_pass_phrase(bench: Desk, tmp_path: Path) -> None:
    form = {"words": "x"}
    assert bench.client.post("/api/passages/1/name", json=form).status_code == 403
    session = bench.client.get("/api/session").json()["token"]
    elsewhere = {"Origin": "http://elsewhere.example", "X-Lugwatch-Token": session}
    assert bench.client.post("/api/passages/1/name", json=form, headers=elsewhere).status_code == 403
    lock = tmp_path / "phrase"
    write_lock(lock, "brass washers elsewhere")
    locked = InProcess(create_app(bench.database, bench.clock, Settings(passphrase_file=lock)))
    for path, told in (
        ("passages/1/name", form),
        ("passages/1/merge", {"other_id": 2}),
        ("passages/1/split", {"at": bench.at(45.0)}),
        ("passage_decisions/1/undo", None),
    ):
        assert locked.tell(f"/api/{path}", told).status_code == 401, path
    away = InProcess(create_app(bench.database, bench.clock, Settings(loopback=False)))
    assert away.tell("/api/passages/1/name", form).status_code == 401
    assert "data-hand" not in away.get("/passages/1").text
    assert count(bench.database, "passage_decision") == 0


@pytest.mark.parametrize("words", [w for w in HOSTILE if w.isprintable()])
def test_words_are_shown_as_they_were_typed_and_never_as_markup(bench: Desk, words: str) -> None:
    bench.tell("/api/passages/1/name", words=words)
    bench.tell("/api/passages/1/note", words=words)
    assert bench.client.get("/api/passages").json()[1]["name"] == words
    for path in ("/passages", "/passages/1", "/passages/2", "/passages/1/sheet"):
        page = bench.client.get(path).text
        assert "<script>alert" not in page and "<img src=x" not in page and "</svg></textarea><b>" not in page
        assert "49 " not in page
        if path == "/passages/1/sheet":
            assert html.unescape(page).count(words) >= 2  # name and note
