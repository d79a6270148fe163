"""Passages on the page: what ran, margins, changes, comparison, season; alerts with filters; the watchman."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from invented_boat import invented_alert, invented_passage, write_invented_history
from lugwatch.cli.main import main
from lugwatch.clock import ManualClock
from lugwatch.dashboard import passage_view
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.dashboard.surroundings import Surroundings
from lugwatch.model import (
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
    Fault,
    FaultKind,
    JointPassage,
)
from lugwatch.store.backup_note import BackupNote, write_backup_note, write_backup_trouble
from lugwatch.store.queries import Bucket
from lugwatch.store.writer import Store
from pages import Bench, InProcess

pytestmark = pytest.mark.usefixtures("built")


@dataclass
class Desk(Bench):
    store: Store


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Desk]:
    """Three passages: two that ended days ago, one under way, on which one joint has doubled."""
    clock, database = ManualClock(), tmp_path / "a.db"
    with write_invented_history(database, clock) as store:
        now = clock.time()
        this = invented_passage(now, passage_id=3)
        bar = this.joints["bar_alternator"]
        assert bar.rise_coefficient is not None
        worse = replace(bar, rise_coefficient=2.0 * bar.rise_coefficient, max_celsius=95.0)
        earlier = [
            replace(
                invented_passage(now - days * 86_400_000, passage_id=n),
                end_time=now - days * 86_400_000 + 60_000,
            )
            for n, days in ((1, 2), (2, 1))
        ]
        passages = [*earlier, replace(this, joints={**this.joints, "bar_alternator": worse})]
        store.write(passages, monotonic_seconds=1001.0, time=now)
        yield Desk(database, clock, InProcess(create_app(database, clock)), store)


def _row(rows: list[dict[str, Any]], joint: str) -> dict[str, Any]:
    return next(row for row in rows if row["joint"] == joint)


# ---- one passage ----------------------------------------------------------------------------


def test_a_passage_tells_what_ran_and_which_joint_moved(bench: Desk) -> None:
    found = bench.get("/api/passages/3")
    rows = found["rows"]
    assert [row["joint"] for row in rows][:2] == ["bar_alternator", "battery_plus"]
    worst = rows[0]
    assert worst["margin_kelvin"] == -5.0 and worst["change_ratio"] == pytest.approx(2.0)
    # both passages' deviations together: 2 × sqrt(0.01² + 0.02²), since only the figure was doubled
    assert worst["change_ratio_sd"] == pytest.approx(2.0 * (0.01**2 + 0.02**2) ** 0.5)
    assert _row(rows, "fuse_bar")["change_ratio"] == pytest.approx(1.0)
    assert _row(rows, "bar_inverter")["change_reason"] == "too_little"
    assert [r["channel"] for r in found["ran"]] == ["alternator", "inverter"]
    alternator = found["ran"][0]
    assert alternator["amp_hours"] == 84.2 and len(alternator["spells"]) == 2, "the logger was off between"
    inverter = found["ran"][1]
    assert len(inverter["spells"]) == 1 and 5.0 < inverter["shares"][0]["width"] < 12.0
    assert [a["alert_id"] for a in found["alerts"]] == [7]
    assert (found["previous_id"], found["next_id"]) == (2, None)
    assert bench.get("/api/passages/1")["rows"][0]["change_reason"] == "first"


def test_the_sheet_of_a_passage_reads_as_one(bench: Desk) -> None:
    page = bench.client.get("/passages/3").text
    for words in ("Sandpiper", "over its limit", "84 Ah, peak 96 A", "Still under way", "print-only",
                  "licensed marine electrician", "Isolator, in"):  # fmt: skip
        assert words in page, words
    assert bench.client.get("/passages/99").status_code == 404
    assert bench.client.get("/passages/x").status_code == 422


def test_two_passages_side_by_side_whichever_is_named_first(bench: Desk) -> None:
    one, other = (_row(bench.get(path)["compared"], "bar_alternator") for path in
                  ("/api/passages/3?with=1", "/api/passages/1?with=3"))  # fmt: skip
    assert one["change_ratio"] == other["change_ratio"] == pytest.approx(2.0)
    assert one["this"]["max_celsius"] == other["that"]["max_celsius"] == 95.0
    assert "+100" in bench.client.get("/passages/3?with=1").text
    assert bench.client.get("/passages/3?with=99").status_code == 404


def test_work_in_between_makes_two_passages_strangers(bench: Desk) -> None:
    at = "2026-05-28T10:00:00Z"  # between the second passage and the one under way
    form = {"kind": "work", "joint": "bar_alternator", "words": "New washer", "at": at}
    assert bench.client.tell("/api/journal", form).status_code == 202
    found = bench.get("/api/passages/3")
    assert found["rows"][0]["change_ratio"] is None and found["rows"][0]["change_reason"] == "work"
    row = _row(bench.get("/api/season")["joints"], "bar_alternator")
    assert [cell["ratio"] for cell in row["cells"]] == [1.0, pytest.approx(1.0)]


def test_notes_of_a_passage_are_those_until_the_next(bench: Desk) -> None:
    for at, words in (("2026-05-26T20:00:00Z", "At anchor"), ("2026-05-28T10:00:00Z", "After the second")):
        bench.client.tell("/api/journal", {"kind": "note", "words": words, "at": at})
    assert [e["note"] for e in bench.get("/api/passages/1")["notes"]] == ["At anchor"]
    assert [e["note"] for e in bench.get("/api/passages/2")["notes"]] == ["After the second"]


def test_the_season_holds_what_has_ended_and_says_where_too_little_flowed(bench: Desk) -> None:
    season = bench.get("/api/season")
    assert [p["passage_id"] for p in season["passages"]] == [1, 2]
    bar, inverter = (_row(season["joints"], j)["cells"] for j in ("bar_alternator", "bar_inverter"))
    assert [c["ratio"] for c in bar] == [1.0, pytest.approx(1.0)]
    assert [c["ratio"] for c in inverter] == [None, None]
    assert 'id="season"' in bench.client.get("/season").text


def test_when_a_current_flowed_either_way() -> None:
    def bucket(seconds: int, low: float, high: float) -> Bucket:
        return Bucket(time=seconds * 1000, minimum=low, mean=(low + high) / 2, maximum=high, count=9)

    buckets = [bucket(0, 0, 3), bucket(10, -40, 2), bucket(20, -41, -30), bucket(30, 0, 1), bucket(90, 0, 50)]
    assert passage_view.spells(buckets, 5.0, 30_000) == [(10_000, 20_000), (90_000, 90_000)]
    assert passage_view.spells(buckets, 5.0, 70_000) == [(10_000, 90_000)]
    assert passage_view.spells([], 5.0, 1000) == []


@pytest.mark.parametrize(
    ("this", "that", "reason"),
    [
        (None, (1.0, 0.1), "too_little"),
        ((None, None), (1.0, 0.1), "too_little"),
        ((1.0, 0.1), None, "first"),
        ((1.0, 0.1), (None, None), "too_little"),
        ((1.0, 0.1), (0.0, 0.1), "too_little"),
    ],
)
def test_a_change_that_cannot_be_told_says_why(this: Any, that: Any, reason: str) -> None:
    def joint(pair: Any) -> JointPassage | None:
        if pair is None:
            return None
        return JointPassage(max_celsius=50.0, rise_coefficient=pair[0], rise_coefficient_sd=pair[1])

    found = passage_view.change(joint(this), joint(that))
    assert (found.ratio, found.reason) == (None, reason)


def test_a_change_is_known_by_how_passages_repeat_and_not_over_another_shape() -> None:
    def told(rise: float) -> JointPassage:
        return JointPassage(
            max_celsius=50.0,
            rise_coefficient=rise,
            rise_coefficient_sd=0.3 * rise,
            rise_coefficient_repeat_sd=0.03 * rise,
        )

    found = passage_view.change(told(1.1), told(1.0))
    # two independent figures: relative deviations add as squares (GUM, section 5.1.2, example 2)
    assert (found.ratio, found.ratio_sd) == (pytest.approx(1.1), pytest.approx(1.1 * 0.03 * 2**0.5))
    assert passage_view.change(told(1.1), told(1.0), learned_between=True).reason == "learned"
    both = passage_view.change(told(1.1), told(1.0), learned_between=True, worked_between=True)
    assert both.reason == "work"


# ---- alerts ---------------------------------------------------------------------------------


def test_alerts_by_what_they_are(bench: Desk) -> None:
    over = replace(
        invented_alert(bench.clock.time(), alert_id=8),
        joint="fuse_bar",
        condition=Condition.HOT,
        category=Category.ALARM,
        state=AlertState.NORMAL,
        rectified_time=bench.clock.time(),
    )
    changes = [
        AlertChange(sequence=n, time=bench.clock.time(), change=kind, alert=over)
        for n, kind in ((2, AlertChangeKind.RAISED), (3, AlertChangeKind.RECTIFIED))
    ]
    bench.store.write(changes, monotonic_seconds=1002.0, time=bench.clock.time())
    for query, expected in (
        ("", [8, 7]), ("?category=alarm", [8]), ("?joint=isolator_in", [7]), ("?condition=hot", [8]),
        ("?active=true", [7]), ("?active=false", [8]), ("?joint=fuse_bar&category=caution", []),
        ("?joint=%22%3E%3Cscript%3E", []),
    ):  # fmt: skip
        assert [a["alert_id"] for a in bench.get(f"/api/alerts{query}")] == expected, query
    page = bench.client.get("/alerts?which=over").text
    assert "1 of 2" in page and "Main fuse, bar side" in page and "alarm raised" in page
    assert "No alert fits." in bench.client.get("/alerts?joint=%22%3E%3Cscript%3E").text
    assert "<script>" not in bench.client.get("/alerts?joint=%22%3E%3Cscript%3E").text


# ---- the watchman ---------------------------------------------------------------------------


def test_the_watchman_knows_disk_backup_version_and_what_failed(bench: Desk, tmp_path: Path) -> None:
    faults = [
        Fault(source="onewire", channel="bar_alternator", kind=FaultKind.BAD_CHECKSUM, detail="28-1",
              monotonic_seconds=1.0, time=bench.clock.time() - n)
        for n in range(3)
    ]  # fmt: skip
    bench.store.write(faults, monotonic_seconds=1002.0, time=bench.clock.time())
    page = bench.client.get("/watchman").text
    assert "none is known" in page and "3 times, last" in page and "bad_checksum (28-1)" in page
    assert "none is configured" in page and "GB of" in page and "was written by 0.1.0" in page
    main(["backup", "--db", str(bench.database), "--out", str(tmp_path / "copy.db")])
    assert re.search(r"\(\d+ s old\): \S+copy\.db, ", bench.client.get("/watchman").text)
    write_backup_trouble(bench.database, "/mnt/backup: there is no such folder", bench.clock.time())
    page = bench.client.get("/watchman").text
    assert "copy.db" in page and "The next one cannot be made:</b> /mnt/backup: there is no such" in page
    far = BackupNote(time=bench.clock.time() + 10**9, file="/mnt/x.db", size_bytes=1)
    write_backup_note(bench.database, far)
    page = bench.client.get("/watchman").text
    assert "age not known: times went back since" in page and "cannot be made" not in page
    (bench.database.parent / "a.db.last-backup.json").write_text("[", encoding="utf-8")
    assert "none is known" in bench.client.get("/watchman").text


def test_a_broker_that_is_away_is_said(bench: Desk) -> None:
    client = InProcess(create_app(bench.database, bench.clock, Settings(broker=("127.0.0.1", 1))))
    assert "does not answer" in client.get("/watchman").text


@pytest.mark.parametrize(
    ("link", "zone"),
    [
        ("zoneinfo/Europe/Athens", "Europe/Athens"),
        ("zoneinfo/Etc/UTC", None),
        ("elsewhere", None),
        (None, None),
    ],
)
def test_the_boats_zone_is_this_computers(tmp_path: Path, link: str | None, zone: str | None) -> None:
    local = tmp_path / "localtime"
    if link is not None:
        target = tmp_path / link
        target.parent.mkdir(parents=True, exist_ok=True)
        target.touch()
        local.symlink_to(target)
    found = Surroundings(database=tmp_path / "a.db", broker=None, time_zone=None, local_time=local)
    assert found.zone() == zone
    assert replace(found, time_zone="Pacific/Auckland").zone() == "Pacific/Auckland"
