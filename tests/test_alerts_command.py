"""`lugwatch alerts` as a person types it: filters, and deeds that the watch finds."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from invented_boat import invented_alert
from lugwatch.clock import ManualClock
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
    CrewDeed,
)
from lugwatch.store.writer import Store
from test_alert_memory import BOAT
from test_cli import say

TIME = 1_780_000_000_000
HOUR = 3_600_000


def alert(alert_id: int, **changes: object) -> Alert:
    usual = {"joint": "a", "raised_time": TIME + alert_id * HOUR}
    return replace(invented_alert(TIME, alert_id), **{**usual, **changes})  # type: ignore[arg-type]


@pytest.fixture
def database(tmp_path: Path) -> Path:
    path = tmp_path / "boat.db"
    alerts = [
        alert(1, state=AlertState.NORMAL, condition=Condition.WARMING, category=Category.CAUTION),
        alert(2, state=AlertState.ACTIVE_UNACKNOWLEDGED, condition=Condition.HOT, category=Category.ALARM,
              first_celsius=91.0, worst_celsius=97.25, worst_time=TIME, last_celsius=93.0, last_time=TIME),
        alert(3, state=AlertState.SHELVED, condition=Condition.NO_DATA, joint="b",
              category=Category.WARNING, shelved_until_time=TIME + 9 * HOUR, shelved_by="Ben"),
    ]  # fmt: skip
    with Store.open(path, clock=ManualClock(0.0, TIME), boat=BOAT, version="1") as store:
        store.write(
            [
                AlertChange(sequence=n, time=TIME, change=AlertChangeKind.RAISED, alert=a, speaks=True)
                for n, a in enumerate(alerts, start=1)
            ],
            monotonic_seconds=0.0,
            time=TIME,
        )
    return path


def left(path: Path) -> list[tuple[CrewDeed, int | None, str | None, float | None, str]]:
    with Store.open(path, clock=ManualClock(0.0, TIME), boat=BOAT, version="1") as store:
        return [(d.deed, d.alert_id, d.joint, d.for_seconds, d.who) for d in store.take_crew_actions()]


@pytest.mark.parametrize(
    ("words", "ids"),
    [
        ([], [3, 2, 1]),
        (["--active"], [3, 2]),
        (["--joint", "b"], [3]),
        (["--condition", "hot"], [2]),
        (["--category", "caution"], [1]),
        (["--state", "shelved"], [3]),
        (["--from", str((TIME + 2 * HOUR) // 1000)], [3, 2]),
        (["--to", str((TIME + 2 * HOUR) // 1000)], [1]),
        (["--last", "1", "--active"], [3]),
        (["--joint", "a", "--active", "--category", "warning"], []),
    ],
)
def test_filters(
    database: Path, words: list[str], ids: list[int], capsys: pytest.CaptureFixture[str]
) -> None:
    spoken = say(capsys, "alerts", "--db", database, *words, "--json")
    assert spoken.status == 0, spoken.err
    assert [a["alert_id"] for a in json.loads(spoken.out)] == ids


def test_the_history_tells_first_worst_and_last(database: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spoken = say(capsys, "alerts", "--db", database)
    assert "Began at 91.0 °C; worst 97.2 °C, 2026-05-28T20:26:40Z; last 93.0 °C" in spoken.out
    assert "shelved until 2026-05-29T05:26:40Z by Ben" in spoken.out


@pytest.mark.parametrize(
    ("words", "deed"),
    [
        (["acknowledge", "2", "--by", "Ada"], (CrewDeed.ACKNOWLEDGE, 2, None, None, "Ada")),
        (["silence"], (CrewDeed.SILENCE, None, None, None, "command line")),
        (["silence", "2"], (CrewDeed.SILENCE, 2, None, None, "command line")),
        (["shelve", "2", "--for", "45"], (CrewDeed.SHELVE, 2, None, 2700.0, "command line")),
        (["shelve", "3", "--for", "2h"], (CrewDeed.SHELVE, 3, None, 7200.0, "command line")),
        (["unshelve", "3"], (CrewDeed.UNSHELVE, 3, None, None, "command line")),
        (["out", "b", "--for", "1.5h"], (CrewDeed.OUT_OF_SERVICE, None, "b", 5400.0, "command line")),
        (["back", "b"], (CrewDeed.BACK_IN_SERVICE, None, "b", None, "command line")),
    ],
)
def test_a_deed_is_left_for_the_watch(
    database: Path, words: list[str], deed: tuple[object, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    spoken = say(capsys, "alerts", *words, "--db", database)
    assert spoken.status == 0, spoken.err
    assert "watch takes it in within seconds" in spoken.out
    assert left(database) == [deed]
    # the database may also be named before the deed
    assert say(capsys, "alerts", "--db", database, *words).status == 0
    assert left(database) == [deed, deed]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["acknowledge", "1"], "no alert 1 is active; these are: 2, 3"),
        (["acknowledge", "99"], "no alert 99 is active"),
        (["acknowledge", "x"], "is not a valid integer"),
        (["acknowledge", "2", "--by", " "], "is no name"),
        (["shelve", "2", "--for", "soon"], "is no duration; write it like 30min"),
        (["shelve", "2", "--for", "0"], "is no duration"),
        (["out", "bb"], "holds no joint 'bb'; did you mean b?"),
        (["--joint", "zz"], "holds no joint 'zz'; known: a, b, c"),
        (["--condition", "odd"], "is not one of"),
        (["--from", "yesterday"], "is no time"),
    ],
)
def test_what_makes_no_sense_is_one_line_and_changes_nothing(
    database: Path, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = left(database)
    spoken = say(capsys, "alerts", "--db", database, *words)
    assert spoken.status == 2 and spoken.err.count("\n") == 1 and says in spoken.err, spoken.err
    assert left(database) == before == []


def test_an_alarm_is_shelved_for_an_hour_at_most_and_that_is_said(
    database: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoken = say(capsys, "alerts", "shelve", "2", "--for", "9h", "--db", database)
    assert spoken.out.startswith("Shelved for 60 min, the longest there is: ")


def test_without_a_database_it_says_what_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["alerts"], ["alerts", "silence"]):
        spoken = say(capsys, *words)
        assert spoken.status == 2 and "--db" in spoken.err
