"""One joint on the page: its lines with every peak, its gaps, its history, its journal; names of any kind."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from invented_boat import invented_boat, invented_estimate, write_invented_history
from lugwatch.clock import ManualClock
from lugwatch.dashboard import joint_view
from lugwatch.dashboard.app import create_app
from lugwatch.model import JointState, Reading
from lugwatch.store.queries import Bucket, History
from lugwatch.store.writer import Store
from lugwatch.units import format_time
from pages import Bench, InProcess

pytestmark = pytest.mark.usefixtures("built")


HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    'it\'s & "quoted"',
    "{{ 7123 * 7 }} {% raw %}",
    "</svg></textarea><b>",
    "🔥 Anschluß Ωμέγα \u202eabc",
    "x" * 80,
]
TRAVELLING = ["bar", "a/b", "../x", "a b", "?q=1", "ä#", "%2e"]


@dataclass
class Desk(Bench):
    store: Store

    def lines(self, start: int, end: int, points: int = 600, joint: str = "bar_alternator") -> Any:
        span = f"from={format_time(start)}&to={format_time(end)}&points={points}"
        return self.get(f"/api/joints/{joint}/lines?{span}")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Desk]:
    clock = ManualClock()
    database = tmp_path / "a.db"
    with write_invented_history(database, clock) as store:
        yield Desk(database, clock, InProcess(create_app(database, clock)), store)


# ---- its lines ------------------------------------------------------------------------------


@pytest.mark.parametrize("points", [2, 10, 100, 2000])
def test_a_peak_of_one_reading_is_seen_at_every_zoom(bench: Desk, points: int) -> None:
    now = bench.clock.time()
    bench.store.write(
        [Reading(channel="bar_alternator", value=88.5, monotonic_seconds=999.0, time=now - 1_803_003)],
        monotonic_seconds=1001.0,
        time=now,
    )
    for hours in (1.5, 24.0, 24.0 * 365):
        found = bench.lines(now - int(hours * 3_600_000), now, points)["celsius"]
        known = [v for v in found["maximum"] if v is not None]
        assert max(known) == 88.5 and len(known) <= points + 1
        assert min(v for v in found["minimum"] if v is not None) < 60.0


def test_a_gap_is_told_with_its_ends_and_what_was_never_recorded_too(bench: Desk) -> None:
    now = bench.clock.time()
    found = bench.lines(now - 3 * 3_600_000, now + 3_600_000)
    (before, off) = found["gaps"]
    assert before[0] == (now - 3 * 3_600_000) / 1000.0 and before[1] == pytest.approx(now / 1000.0 - 3600.0)
    # the logger was off from 2100 to 1500 s before the end; what is still to come is no gap
    assert off == [pytest.approx(now / 1000.0 - 2100.0), pytest.approx(now / 1000.0 - 1500.0)]
    assert None in found["celsius"]["mean"]


def test_where_nothing_was_recorded_all_is_gap(bench: Desk) -> None:
    now = bench.clock.time()
    found = bench.lines(now - 10 * 86_400_000, now - 9 * 86_400_000)
    assert found["gaps"] == [[(now - 10 * 86_400_000) / 1000.0, (now - 9 * 86_400_000) / 1000.0]]
    assert found["celsius"]["mean"] == found["ratio"]["mean"] == []


def test_the_band_is_two_deviations_and_a_wild_one_is_left_out() -> None:
    def buckets(*values: float) -> list[Bucket]:
        return [Bucket(time=n * 5000, minimum=v, mean=v, maximum=v, count=1) for n, v in enumerate(values)]

    found = joint_view.band(buckets(1.5, 1.0), buckets(0.1, 7.0), 5.0, 4)
    assert found["minimum"] == [1.3, None] and found["maximum"] == [1.7, None]
    assert found["mean"] == [1.5, 1.0]
    assert joint_view.band([], [], 5.0, 4)["mean"] == []
    assert joint_view.band(buckets(1.0), [], 5.0, 4)["minimum"] == [None]


def test_alerts_and_entries_are_marked_where_they_belong(bench: Desk) -> None:
    now = bench.clock.time()
    bench.client.tell("/api/journal", {"kind": "note", "joint": "isolator_in", "words": "Looked at it"})
    found = bench.lines(now - 3_600_000, now + 1000, joint="isolator_in")
    assert [a["alert_id"] for a in found["alerts"]] == [7]
    assert [e["note"] for e in found["entries"]] == ["Looked at it"]
    other = bench.lines(now - 3_600_000, now + 1000, joint="fuse_bar")
    assert other["alerts"] == other["entries"] == []
    # an alert that is still on is marked in a stretch after it began, not in one before
    assert bench.lines(now - 60_000, now, joint="isolator_in")["alerts"]
    assert not bench.lines(now - 3_600_000, now - 3_000_000, joint="isolator_in")["alerts"]


@pytest.mark.parametrize(
    "query",
    [
        "",
        "from=2026-05-03T10:00:00Z",
        "from=yesterday&to=today",
        "from=2026-05-03T10:00:00Z&to=2026-05-03T09:00:00Z",
        "from=1900-01-01T00:00:00Z&to=2026-05-03T09:00:00Z",
        "from=2026-05-03T10:00:00Z&to=2026-05-03T11:00:00Z&points=2001",
        "from=2026-05-03T10:00:00Z&to=2026-05-03T11:00:00Z&points=nan",
    ],
)
def test_a_stretch_that_is_none_is_refused_in_words(bench: Desk, query: str) -> None:
    answer = bench.client.get(f"/api/joints/bar_alternator/lines?{query}")
    assert answer.status_code == 422 and isinstance(answer.json()["detail"], str)


# ---- the rest of it -------------------------------------------------------------------------


def test_a_joint_tells_what_it_is_made_of_and_how_it_did(bench: Desk) -> None:
    found = bench.get("/api/joints/bar_alternator")
    assert found["sheet"]["limit_celsius"] == 90.0 and found["sheet"]["air"] == "Air in the locker"
    assert found["sheet"]["current"] == "Alternator" and found["now"]["state"] == "steady"
    (point,) = found["passages"]["points"]
    assert point["passage_id"] == 1 and point["rise_coefficient"] == pytest.approx(27.4 / 92.0**2)
    page = bench.client.get("/joints/bar_alternator").text
    assert "Bus bar, alternator stud" in page and "set in the configuration" in page
    assert bench.client.get("/joints/nowhere").status_code == 404
    assert "There is nothing here." in bench.client.get("/joints/nowhere").text
    assert bench.client.get("/api/joints/nowhere").json() == {"detail": "there is no joint 'nowhere'"}


def test_before_anything_was_written_there_is_no_joint(tmp_path: Path) -> None:
    client = InProcess(create_app(tmp_path / "none.db", ManualClock()))
    assert client.get("/joints/bar").status_code == 404
    for path in ("/passages/1", "/api/joints/bar/lines?from=2026-05-03T10:00:00Z&to=2026-05-03T11:00:00Z"):
        assert client.get(path).status_code == 404, path
    for path in ("/season", "/alerts", "/journal", "/page", "/enter"):
        assert client.get(path).status_code == 200, path


# ---- its journal ----------------------------------------------------------------------------


def test_an_entry_from_the_page_is_as_one_from_the_command(bench: Desk) -> None:
    written = bench.client.tell(
        "/api/journal",
        {"kind": "millivolts", "joint": "fuse_bar", "millivolts": "4.5", "amps": "90", "celsius": "41",
         "words": "by the new meter", "by": "Ida", "at": "2026-05-03T14:30:00Z"},
    )  # fmt: skip
    assert written.status_code == 202 and written.json()["entry_id"] == 1
    with History.open(bench.database) as history:
        (entry,) = history.journal("fuse_bar")
    assert (entry.volts, entry.amps, entry.celsius) == (0.0045, 90.0, 41.0)
    assert (entry.who, entry.note, format_time(entry.time)) == (
        "Ida", "by the new meter", "2026-05-03T14:30:00Z",
    )  # fmt: skip
    assert bench.client.tell("/api/journal", {"kind": "note", "words": "Laid up"}).status_code == 202
    (boat, fuse) = bench.get("/api/journal")
    assert (boat["joint"], fuse["name"]) == (None, "Main fuse, bar side")
    assert "by the new meter" in bench.client.get("/joints/fuse_bar").text
    assert "Laid up" in bench.client.get("/journal").text


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"kind": "work", "joint": "fuse_bar"}, "Work is empty"),
        ({"kind": "work", "joint": "", "words": "x"}, "Work is said of a joint"),
        ({"kind": "good", "joint": "nowhere"}, "there is no joint 'nowhere'"),
        ({"kind": "painted", "joint": "fuse_bar"}, "none of work, good, millivolts, note"),
        ({"kind": "millivolts", "joint": "fuse_bar", "millivolts": "4,5", "amps": "90"}, "decimal point"),
        ({"kind": "millivolts", "joint": "fuse_bar", "millivolts": "4.5"}, "Voltage needs Current"),
        ({"kind": "millivolts", "joint": "fuse_bar", "millivolts": "nan", "amps": "90"}, "is no number"),
        ({"kind": "note", "words": " "}, "A note is empty"),
        ({"kind": "note", "words": "x" * 2001}, "2001 characters"),
        ({"kind": "note"}, "nothing to write"),
        ({"kind": "good", "joint": "fuse_bar", "at": "yesterday"}, "yesterday"),
        ({"kind": "good", "joint": "fuse_bar", "by": "a\x07"}, "By holds characters"),
        ({"kind": "good", "joint": "fuse_bar", "colour": "red"}, "colour"),
        ({}, "kind"),
    ],
)
def test_a_wrong_entry_is_one_line_in_the_forms_words(bench: Desk, form: dict[str, str], says: str) -> None:
    answer = bench.client.tell("/api/journal", form)
    assert answer.status_code == 422
    told = answer.json()["detail"]
    assert says in told and "\n" not in told and "--" not in told
    with History.open(bench.database) as history:
        assert history.journal() == []


# ---- names of any kind ----------------------------------------------------------------------


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_is_never_markup(tmp_path: Path, name: str) -> None:
    clock, database = ManualClock(), tmp_path / "a.db"
    boat = invented_boat()
    joints = tuple(replace(j, name=name, facts={"stud": name, "note": name}) for j in boat.joints)
    channels = tuple(replace(c, name=name) for c in boat.channels)
    boat = replace(boat, name=name, joints=joints, channels=channels)
    client = InProcess(create_app(database, clock))
    with Store.open(database, clock=clock, boat=boat, version="0") as store:
        estimates = [invented_estimate(i, clock.time(), JointState.STEADY) for i in range(11)]
        store.write(estimates, monotonic_seconds=1000.0, time=clock.time())
        client.tell("/api/journal", {"kind": "note", "joint": "fuse_bar", "words": name})
        paths = ("/", "/joints/fuse_bar", "/alerts", "/journal", "/season", "/passages", "/watchman")
        for path in paths:
            page = client.get(path)
            assert page.status_code == 200, path
            # our own pages carry none of these but as text
            assert "<script>alert" not in page.text and "<img" not in page.text, path
            assert "</svg></textarea>" not in page.text and "<b>\n" not in page.text
            assert "49861" not in page.text or "7123 * 7" not in name


@pytest.mark.parametrize("joint", TRAVELLING)
def test_any_joint_in_an_address_is_that_or_not_there(bench: Desk, joint: str) -> None:
    for path in (f"/joints/{joint}", f"/api/joints/{joint}"):
        assert bench.client.get(path).status_code in (404, 405), path
