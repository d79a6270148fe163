"""The dashboard over a real database: views, honesty about age, who may ask."""

import json
import re
import socket
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from invented_boat import (
    invented_alert,
    invented_boat,
    invented_estimate,
    invented_states,
    write_invented_history,
)
from lugwatch.clock import ManualClock
from lugwatch.dashboard import views
from lugwatch.dashboard.app import create_app
from lugwatch.dashboard.guard import is_allowed
from lugwatch.dashboard.reading import age_seconds
from lugwatch.dashboard.serve import open_port
from lugwatch.errors import OperationFailed
from lugwatch.model import AlertState
from lugwatch.store.queries import Bucket
from lugwatch.store.writer import Store
from pages import Bench, InProcess

pytestmark = pytest.mark.usefixtures("built")


@pytest.fixture
def empty(tmp_path: Path) -> Bench:
    clock = ManualClock()
    database = tmp_path / "lugwatch.db"
    return Bench(database, clock, InProcess(create_app(database, clock)))


@pytest.fixture
def store(empty: Bench) -> Iterator[Store]:
    with write_invented_history(empty.database, empty.clock) as store:
        yield store


@pytest.fixture
def bench(empty: Bench, store: Store) -> Bench:
    return empty


# ---- what is shown --------------------------------------------------------------------------


def test_waits_for_the_watch_and_works_when_it_appears(empty: Bench) -> None:
    for path in ("/", "/passages", "/watchman"):
        assert empty.client.get(path).status_code == 200
    assert "Waiting for the watch to start." in empty.client.get("/").text
    for path in ("/api/now", "/api/chart?hours=6", "/api/passages", "/api/alerts", "/api/health"):
        empty.get(path)
    empty.database.touch()
    assert empty.get("/api/now")["waiting"] is True
    empty.database.unlink()
    with write_invented_history(empty.database, empty.clock):
        assert empty.get("/api/now")["sentence"] == "Seven steady, two without load, one warming, one silent."


def test_somebody_elses_file_is_said_and_not_touched(empty: Bench) -> None:
    empty.database.write_bytes(b"not a database at all" * 20)
    now = empty.get("/api/now")
    assert now["sentence"] == "Nothing is known: the history cannot be read."
    assert "not a database" in now["problem"]
    assert empty.client.get("/watchman").status_code == 200
    assert empty.client.get("/api/passages").status_code == 503
    assert empty.database.read_bytes() == b"not a database at all" * 20


def test_worst_joint_first_and_every_number_named_with_its_unit(bench: Bench) -> None:
    now = bench.get("/api/now")
    assert [joint["joint"] for joint in now["joints"]][:2] == ["isolator_in", "battery_minus"]
    worst, silent = now["joints"][:2]
    assert (worst["mark"], worst["probe_celsius"], worst["baseline_ratio"]) == ("triangle", 41.2, 1.46)
    assert (silent["mark"], silent["probe_celsius"], silent["reference_celsius"]) == ("dashed", None, 31.0)
    assert silent["age_seconds"] == pytest.approx(240.0)
    assert now["joints"][2]["mark"] == "dot"
    assert now["time"].endswith("Z")
    assert now["axis"] == {"low_celsius": 30.0, "high_celsius": 110.0}
    assert [c["current_amps"] for c in now["currents"]] == [pytest.approx(a, abs=4) for a in (92, 64, 0.4)]
    assert now["alerts"][0]["name"] == "Isolator, in"
    assert now["alerts"][0]["state"] == "active-unacknowledged"


def test_old_data_never_looks_live(bench: Bench) -> None:
    bench.clock.advance(720.0)
    now = bench.get("/api/now")
    assert now["sentence"] == "Nothing is known: no reading for 12 min."
    assert now["stale"] is True and now["age_seconds"] == 720.0
    for joint in now["joints"]:
        assert joint["state"] == "silent" and joint["mark"] == "dashed"
        figures = ("probe_celsius", "reference_celsius", "current_amps", "settles_at_celsius", "rise_kelvin")
        assert [joint[key] for key in figures] == [None] * 5
    assert [c["current_amps"] for c in now["currents"]] == [None] * 3
    assert now["alerts"][0]["text"].startswith("Isolator, in")


def test_one_current_that_stopped_is_not_shown_while_the_rest_lives(bench: Bench, store: Store) -> None:
    bench.clock.advance(90.0)
    estimates = [invented_estimate(i, bench.clock.time(), s) for i, s in enumerate(invented_states())]
    store.write(estimates, monotonic_seconds=bench.clock.monotonic_seconds(), time=bench.clock.time())
    now = bench.get("/api/now")
    assert now["stale"] is False
    assert [(c["current_amps"], c["age_seconds"]) for c in now["currents"]] == [(None, 90.0)] * 3


@pytest.mark.parametrize(
    ("time", "monotonic_seconds", "expected"),
    [
        (5_000, 1005.0, 5.0),  # both clocks agree
        (9 * 86_400_000, 1005.0, 777_600.0),  # wall time was set forward: the older age is the safe one
        (-20 * 60_000, 1005.0, 5.0),  # wall time was set back: the other clock still knows
        (600_000, 12.0, 600.0),  # another boot
        (-600_000, 12.0, None),  # another boot without a right clock: nothing is known
    ],
)
def test_age_by_the_clock_that_makes_it_older(
    time: int, monotonic_seconds: float, expected: float | None
) -> None:
    age = age_seconds(
        time=time, monotonic_seconds=monotonic_seconds, batch_time=0, batch_monotonic_seconds=1000.0
    )
    assert age == expected


def test_nan_hides_one_figure_and_not_the_page() -> None:
    estimate = replace(invented_estimate(0, 0), rise_coefficient=float("nan"), baseline_ratio=float("inf"))
    shown = views.estimate_object(estimate)
    assert shown["rise_coefficient"] is None and shown["baseline_ratio"] is None
    assert json.dumps(shown, allow_nan=False)


def test_axis_is_not_stretched_by_an_absurd_settling_temperature() -> None:
    wild = replace(invented_estimate(0, 0), settles_at_celsius=4000.0, settles_at_sd_kelvin=900.0)
    assert views.axis([wild]) == {"low_celsius": 30.0, "high_celsius": 130.0}


# ---- the chart ------------------------------------------------------------------------------


def _bucket(seconds: int, low: float, mean: float, high: float) -> Bucket:
    return Bucket(time=seconds * 1000, minimum=low, mean=mean, maximum=high, count=1)


def test_a_gap_is_a_row_of_nulls_and_a_peak_is_kept() -> None:
    buckets = [_bucket(t, 20.0, 21.0, 90.0 if t == 10 else 22.0) for t in (0, 5, 10, 15, 500, 505, 510)]
    shown = views.columns(buckets, 5.0)
    assert shown["time_seconds"] == [0, 5, 10, 15, 20, 500, 505, 510]
    assert shown["maximum"] == [22.0, 22.0, 90.0, 22.0, None, 22.0, 22.0, 22.0]
    assert shown["minimum"][4] is None and shown["mean"][4] is None


def test_two_missed_cycles_are_no_gap_and_seven_seconds_beside_five_neither() -> None:
    shown = views.columns([_bucket(t, 1, 1, 1) for t in (0, 7, 14, 21, 35, 42)], 5.0)
    assert None not in shown["mean"]
    assert views.columns([], 5.0)["mean"] == []


def test_chart_holds_the_gap_of_the_history(bench: Bench) -> None:
    chart = bench.get("/api/chart?hours=1")
    assert len(chart["joints"]) == 11 and len(chart["currents"]) == 3
    for series in [joint["celsius"] for joint in chart["joints"]]:
        assert len(series["time_seconds"]) <= 302
        assert series["maximum"].count(None) == 1
    exact = bench.get(f"/api/chart?from={chart['from']}&to={chart['to']}")
    assert exact["joints"][0]["celsius"]["maximum"] == chart["joints"][0]["celsius"]["maximum"]


@pytest.mark.parametrize(
    "query",
    [
        "hours=0",
        "hours=-1",
        "hours=nan",
        "hours=inf",
        "from=yesterday&to=today",
        "from=2026-05-03T10:00:00Z",
        "from=2026-05-03T10:00:00Z&to=2026-05-03T09:00:00Z",
        "from=1000-01-01T00:00:00Z&to=2026-01-01T00:00:00Z",
    ],
)
def test_a_bad_span_is_refused(bench: Bench, query: str) -> None:
    assert bench.client.get(f"/api/chart?{query}").status_code == 422


def test_an_old_history_shows_its_own_last_hours(bench: Bench) -> None:
    written = bench.get("/api/chart?hours=1")
    bench.clock.advance(40 * 86_400.0)
    later = bench.get("/api/chart?hours=1")
    assert later["to"] == written["to"] and later["joints"] == written["joints"]


def test_passages_and_watchman(bench: Bench) -> None:
    (passage,) = bench.get("/api/passages")
    assert passage["end_time"] is None and passage["amp_hours"] == 84.2
    assert next(iter(passage["joints"])) == "bar_alternator"
    page = bench.client.get("/passages").text
    assert "Alternator output stud" in page and "84 Ah" in page and "still under way" in page
    health = bench.get("/api/health")
    assert [h["source"] for h in health["health"]] == ["onewire", "serial /dev/node"]
    page = bench.client.get("/watchman").text
    assert "The watch is awake." in page and "bad_checksum" in page
    bench.clock.advance(3600.0)
    assert "The watch has stopped writing." in bench.client.get("/watchman").text


def test_a_boat_named_like_a_tag_stays_text(empty: Bench) -> None:
    boat = replace(invented_boat(), name="<script>alert(1)</script>")
    with Store.open(empty.database, clock=empty.clock, boat=boat, version="0") as store:
        estimate = invented_estimate(0, empty.clock.time())
        store.write([estimate], monotonic_seconds=1000.0, time=empty.clock.time())
    page = empty.client.get("/").text
    assert "<script>alert" not in page and "&lt;script&gt;alert" in page


# ---- the crew's deed ------------------------------------------------------------------------


def _deeds(database: Path) -> list[tuple[str, int, str]]:
    with sqlite3.connect(database) as connection:
        rows = connection.execute("SELECT deed, alert_id, who FROM crew_action").fetchall()
    connection.close()
    return rows


def test_seen_leaves_a_row_for_the_watch(bench: Bench) -> None:
    answer = bench.client.tell("/api/alerts/7/acknowledge")
    assert answer.status_code == 202
    assert answer.json()["alert_id"] == 7
    assert _deeds(bench.database) == [("acknowledge", 7, "page")]
    assert bench.client.tell("/api/alerts/8/acknowledge").status_code == 404
    assert bench.client.tell("/api/alerts/x/acknowledge").status_code == 422


def test_every_deed_of_the_crew_leaves_its_row(bench: Bench) -> None:
    for deed in ("silence", "shelve", "unshelve"):
        assert bench.client.tell(f"/api/alerts/7/{deed}").status_code == 202
    assert bench.client.tell("/api/alerts/7/shelve", {"for_seconds": 1800}).status_code == 202
    for deed in ("out_of_service", "back_in_service"):
        assert bench.client.tell(f"/api/joints/isolator_in/{deed}").status_code == 202
    with sqlite3.connect(bench.database) as connection:
        rows = connection.execute("SELECT deed, alert_id, joint, for_seconds FROM crew_action").fetchall()
    connection.close()
    assert rows == [
        ("silence", 7, None, None), ("shelve", 7, None, None), ("unshelve", 7, None, None),
        ("shelve", 7, None, 1800.0), ("out_of_service", None, "isolator_in", None),
        ("back_in_service", None, "isolator_in", None),
    ]  # fmt: skip
    assert bench.get("/api/now")["deeds"][:2] == ["acknowledge", "silence"]


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("/api/alerts/7/out_of_service", None, 422),
        ("/api/joints/nowhere/out_of_service", None, 404),
        ("/api/joints/isolator_in/acknowledge", None, 422),
        ("/api/alerts/7/shelve", {"for_seconds": -1}, 422),
        ("/api/alerts/7/shelve", {"for_minutes": 5}, 422),
    ],
)
def test_a_deed_that_is_none_is_refused(
    bench: Bench, path: str, body: dict[str, float] | None, status: int
) -> None:
    assert bench.client.tell(path, body).status_code == status
    assert _deeds(bench.database) == []


@pytest.mark.parametrize(
    "origin", [None, "null", "http://elsewhere.example", "http://localhost:9999", "ftp://localhost:8037"]
)
def test_seen_from_another_page_is_refused(bench: Bench, origin: str | None) -> None:
    headers = {} if origin is None else {"Origin": origin}
    assert bench.client.post("/api/alerts/7/acknowledge", headers=headers).status_code == 403
    assert _deeds(bench.database) == []


# ---- who may ask ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "allowed"),
    [
        ("localhost:8037", True),
        ("LOCALHOST", True),
        ("127.0.0.1:8037", True),
        ("192.168.4.7:8037", True),
        ("[::1]:8037", True),
        ("locker.local:8037", True),
        ("locker.local.", True),
        ("rebound.example:8037", False),
        ("localhost.rebound.example", False),
        ("127.0.0.1.rebound.example", False),
        ("", False),
        ("[::1", False),
        ("user@rebound.example", False),
    ],
)
def test_only_names_of_this_computer(host: str, allowed: bool) -> None:
    assert is_allowed(host, {"locker.local"}) is allowed


def test_a_rebound_name_reads_nothing(bench: Bench) -> None:
    answer = bench.client.get("/api/now", headers={"Host": "rebound.example"})
    assert answer.status_code == 421 and "Sandpiper" not in answer.text


def test_headers_are_strict_on_every_answer(bench: Bench) -> None:
    for path in ("/", "/api/now", "/built/page.js", "/nowhere"):
        headers = bench.client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "form-action 'self'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
    assert bench.client.get("/api/now").headers["cache-control"] == "no-store"
    assert "immutable" in bench.client.get("/built/page.js").headers["cache-control"]


@pytest.mark.parametrize("path", ["/built/stamp.txt", "/built/templates/now.html", "/docs", "/openapi.json"])
def test_what_is_nobodys_business(bench: Bench, path: str) -> None:
    assert bench.client.get(path).status_code == 404


def test_pages_ask_nothing_of_the_outside_and_have_no_inline_code(bench: Bench) -> None:
    for path in ("/", "/passages", "/watchman"):
        page = bench.client.get(path).text
        assert "http://" not in page and "https://" not in page
        assert "style=" not in page and "onclick" not in page
        assert page.count("<script") == page.count("<script src=") + page.count('<script type="module" src=')


def test_the_page_weighs_little(bench: Bench) -> None:
    """The first page with all it asks for, on the line: at most 120 kB; a chart's data 40 kB."""
    page = bench.client.get("/").text
    scripts = bench.client.get("/built/page.js").text
    parts = {f"/built/{name}" for name in re.findall(r"part-[A-Z0-9]+\.js", scripts)}
    assert parts and "charts.js" not in page
    first = {"/", "/built/page.js", "/built/page.css", "/built/look.js", "/built/mark.svg", *parts}
    sizes = {path: bench.client.bytes_on_the_line(path) for path in first | {"/api/now", "/api/circuit"}}
    assert sum(sizes.values()) < 40_000, sizes
    assert bench.client.bytes_on_the_line("/built/charts.js") < 40_000
    assert bench.client.bytes_on_the_line("/api/chart?hours=24") < 40_000


def test_without_a_built_page_it_says_how_to_build(tmp_path: Path) -> None:
    with pytest.raises(OperationFailed, match=r"build_hook\.py"):
        create_app(tmp_path / "x.db", ManualClock(), built=tmp_path)


def test_a_taken_port_is_one_line() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(OperationFailed, match=f"port {port} .*--port") as caught:
            open_port("127.0.0.1", port)
    assert "\n" not in str(caught.value)


def test_seen_alert_is_below_the_unseen_and_the_over_last() -> None:
    clock = ManualClock()
    alert = invented_alert(clock.time())
    seen = replace(alert, alert_id=1, state=AlertState.ACTIVE_ACKNOWLEDGED)
    over = replace(alert, alert_id=2, state=AlertState.RECTIFIED_UNACKNOWLEDGED)
    ordered = sorted([over, seen, alert], key=views._alert_order)
    assert [a.alert_id for a in ordered] == [7, 1, 2]
