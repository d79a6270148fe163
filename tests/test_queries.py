"""Reading while the writer writes: every noun comes back as it went in, and no peak is lost."""

import random
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import boats
from histories import (
    START_TIME,
    alert,
    change,
    estimate,
    fault,
    health,
    open_store,
    passage,
    put,
    reading,
)
from lugwatch.model import (
    AlertChangeKind,
    AlertState,
    Boat,
    Channel,
    Joint,
    JointPassage,
    JointState,
    Quantity,
    Watching,
)
from lugwatch.store.queries import History
from lugwatch.store.writer import Store

HOUR = 3_600_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "boat.db"


def history_of(store: Store) -> History:
    return History.open(store.path)


def test_a_new_history_knows_nothing(path: Path) -> None:
    with open_store(path) as store, history_of(store) as history:
        assert history.boat() == boats.boat()
        assert history.estimates() == history.alerts() == history.alert_changes() == []
        assert history.passages() == history.source_health() == history.faults() == []
        assert history.latest_readings() == {} and history.count_readings() == 0
        assert history.last_batch() is None and history.data_span() is None
        assert list(history.readings()) == [] and history.series("bar", 0, 2 * START_TIME) == []


def test_the_boat_comes_back_with_every_field(path: Path) -> None:
    boat = Boat(
        name="Grå Rype",
        slug="gra-rype",
        channels=(
            Channel(channel="z", quantity=Quantity.CELSIUS, name="Zinc", source=None),
            Channel(channel="a", quantity=Quantity.AMPS, name="Alt", source="mqtt", rated_amps=120.0),
        ),
        joints=(
            Joint(
                joint="z",
                name="Zinc lug",
                probe="z",
                current="a",
                air=None,
                neighbours=("b", "c"),
                rated_amps=None,
                limit_celsius=75.0,
                limit_basis="default",
                cable_mm2=(35.0, 50.0),
                cable_insulation="105",
                facts={"stud": "M8", "torque_newton_metres": 12.5, "hardware": ["nut", "washer"]},
            ),
        ),
        watching=Watching(interval_seconds=1.0),
    )
    with open_store(path, boat=boat) as store, history_of(store) as history:
        assert history.boat() == replace(boat, watching=Watching())


def test_a_reader_cannot_write_and_makes_no_difference(path: Path) -> None:
    with open_store(path) as store, history_of(store) as history:
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            history._connection.execute("DELETE FROM boat")
        put(store, [reading(20.0)])
        assert history.count_readings() == 1
        put(store, [reading(21.0, START_TIME + 1)])
        assert history.count_readings() == 2


def test_the_latest_estimate_of_each_joint_at_a_time(path: Path) -> None:
    boat = boats.boat(boats.joint("bar"), boats.joint("post"), boats.joint("never"))
    early, late = (
        estimate(),
        estimate(START_TIME + HOUR, state=JointState.HOT, reason="a", baseline_ratio=None),
    )
    post = estimate(START_TIME + 10, "post", probe_time=None, resistance_basis=None)
    with open_store(path, boat=boat) as store, history_of(store) as history:
        put(store, [early, post])
        put(store, [late])
        assert history.estimates() == [late, post]
        assert history.estimates(START_TIME + HOUR) == [late, post]
        assert history.estimates(START_TIME + HOUR - 1) == [early, post]
        assert history.estimates(START_TIME) == [early]
        assert history.estimates(START_TIME - 1) == []


def test_alerts_newest_first_and_their_changes_in_order(path: Path) -> None:
    raised = alert(1)
    over = alert(1, AlertState.NORMAL, rectified_time=START_TIME + 5, acknowledged_by="Ada")
    second = alert(2, joint=None, channel="alternator", text="Strøm: 130 A")
    changes = [change(1, raised), change(2, over, AlertChangeKind.RECTIFIED), change(3, second)]
    with open_store(path) as store, history_of(store) as history:
        put(store, changes[:1])
        assert history.alerts(active_only=True) == [raised]
        put(store, changes[1:])
        assert history.alerts() == [second, over]
        assert history.alerts(active_only=True) == [second]
        assert history.alert_changes() == changes  # each as it was then
        assert history.alert_changes(after_sequence=1, limit=1) == changes[1:2]


def test_a_passage_is_told_as_it_last_was(path: Path) -> None:
    going, ended = passage(1), passage(1, START_TIME + HOUR, 77.0)
    ended = replace(
        ended,
        joints={
            "bar": JointPassage(max_celsius=80.0, rise_coefficient=0.004, rise_coefficient_sd=1e-4),
            "post": JointPassage(max_celsius=None, rise_coefficient=None, rise_coefficient_sd=None),
        },
    )
    with open_store(path) as store, history_of(store) as history:
        put(store, [going])
        assert history.passages() == [going]
        put(store, [going, ended, passage(2)])
        assert history.passages() == [ended, passage(2)]


def test_health_faults_and_the_last_batch(path: Path) -> None:
    with open_store(path) as store, history_of(store) as history:
        put(store, [health("onewire"), health("serial", "silent"), fault("first")])
        put(store, [health("onewire", "faulty", 99), fault("second", None)], time=START_TIME + 5)
        assert history.source_health() == [health("onewire", "faulty", 99), health("serial", "silent")]
        assert [found.detail for found in history.faults()] == ["second", "first"]
        assert history.faults(1) == [
            replace(fault("second", None), monotonic_seconds=(START_TIME + 5) / 1000.0)
        ]
        assert history.last_batch() == (START_TIME + 5, (START_TIME + 5) / 1000.0, 1)


# ---- series ----------------------------------------------------------------------------------


def test_a_short_series_is_raw_and_includes_both_ends(path: Path) -> None:
    with open_store(path) as store, history_of(store) as history:
        put(store, [reading(20.0 + i, START_TIME + i) for i in range(10)])
        found = history.series("bar", START_TIME + 2, START_TIME + 5)
        assert [(b.time - START_TIME, b.minimum, b.mean, b.maximum, b.count) for b in found] == [
            (i, 20.0 + i, 20.0 + i, 20.0 + i, 1) for i in range(2, 6)
        ]
        assert history.series("no_such_channel", 0, 2 * START_TIME) == []


def test_one_peak_in_a_week_is_seen(path: Path) -> None:
    """C44: averages hide the peak."""
    values = [61.0] * 20_000
    values[13_337], values[4_711] = 90.0, -3.0
    with open_store(path) as store, history_of(store) as history:
        put(store, [reading(value, START_TIME + 30_000 * i) for i, value in enumerate(values)])
        found = history.series("bar", 0, 2 * START_TIME, 500)
    assert len(found) <= 500
    assert max(bucket.maximum for bucket in found) == 90.0
    assert min(bucket.minimum for bucket in found) == -3.0
    assert sum(bucket.count for bucket in found) == 20_000
    peak = next(bucket for bucket in found if bucket.maximum == 90.0)
    assert abs(peak.time - (START_TIME + 30_000 * 13_337)) < 20_000 * 30_000 / 500


def test_nothing_is_made_up_in_the_hours_the_logger_was_off(path: Path) -> None:
    """C19."""
    times = [START_TIME + 5000 * i for i in range(720)]
    times += [time + 9 * HOUR for time in times]
    with open_store(path) as store, history_of(store) as history:
        put(store, [reading(50.0, time) for time in times])
        found = history.series("bar", START_TIME - HOUR, START_TIME + 11 * HOUR, 400)
    assert not [b for b in found if START_TIME + HOUR < b.time < START_TIME + 9 * HOUR]
    assert sum(b.count for b in found) == len(times)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    offsets=st.lists(st.integers(0, 10_000), min_size=1, max_size=80),
    window=st.tuples(st.integers(-5, 10_005), st.integers(-5, 10_005)),
    max_points=st.integers(1, 30),
)
def test_buckets_hold_every_value_once(
    tmp_path_factory: pytest.TempPathFactory,
    offsets: list[int],
    window: tuple[int, int],
    max_points: int,
) -> None:
    start, end = (START_TIME + side for side in sorted(window))
    with (
        open_store(tmp_path_factory.mktemp("series") / "boat.db") as store,
        history_of(store) as history,
    ):
        put(store, [reading(float(i), START_TIME + offset) for i, offset in enumerate(offsets)])
        found = history.series("bar", start, end, max_points)
    inside = [float(i) for i, offset in enumerate(offsets) if start <= START_TIME + offset <= end]
    assert len(found) <= max_points
    assert sum(b.count for b in found) == len(inside)
    assert [b.time for b in found] == sorted(b.time for b in found)
    assert all(start <= b.time <= end and b.minimum <= b.mean <= b.maximum for b in found)
    if inside:
        assert min(b.minimum for b in found) == min(inside)
        assert max(b.maximum for b in found) == max(inside)
        assert sum(b.mean * b.count for b in found) == pytest.approx(sum(inside))


def test_a_series_of_estimates_leaves_out_what_was_unknown(path: Path) -> None:
    ratios = [1.0, None, 1.25, 1.5]
    with open_store(path) as store, history_of(store) as history:
        put(store, [estimate(START_TIME + i, baseline_ratio=ratio) for i, ratio in enumerate(ratios)])
        found = history.estimate_series("bar", "baseline_ratio", START_TIME, START_TIME + HOUR)
        assert [(b.time - START_TIME, b.mean) for b in found] == [(0, 1.0), (2, 1.25), (3, 1.5)]
        for column in ("state", "joint_id", "1; DROP TABLE reading", "value"):
            with pytest.raises(ValueError, match="is not a number of an estimate"):
                history.estimate_series("bar", column, 0, 1)


# ---- all readings ----------------------------------------------------------------------------


def test_readings_come_in_time_order_over_many_pages(path: Path) -> None:
    chance = random.Random(5)
    given_readings = [
        reading(float(i), START_TIME + chance.randrange(20_000), chance.choice(["bar", "air", "alternator"]))
        for i in range(15_000)
    ]
    with open_store(path) as store, history_of(store) as history:
        for first in range(0, 15_000, 4000):
            put(store, given_readings[first : first + 4000])
        found = list(history.readings())
        assert sorted(found) == sorted((r.time, r.channel, r.value) for r in given_readings)
        assert [time for time, _, _ in found] == sorted(time for time, _, _ in found)
        start, end = START_TIME + 5000, START_TIME + 9000
        part = [entry for entry in found if start <= entry[0] <= end]
        assert list(history.readings(start, end)) == part
        assert history.count_readings(start, end) == len(part)
        assert history.count_readings() == 15_000
        assert history.data_span() == (found[0][0], found[-1][0])


def test_a_half_read_export_does_not_hold_up_the_checkpoint(path: Path) -> None:
    """C41: a half-read cursor alone would keep the WAL from being cut back."""
    with open_store(path) as store, history_of(store) as history:
        put(store, [reading(20.0, START_TIME + i) for i in range(10_000)])
        half_read = history.readings()
        assert next(half_read) == (START_TIME, "bar", 20.0)
        put(store, [reading(21.0, START_TIME + 20_000)])
        wal = path.with_name(path.name + "-wal")
        assert wal.stat().st_size > 0
        store.checkpoint()
        assert wal.stat().st_size == 0
        assert sum(1 for _ in half_read) == 9_999  # what its hour held when it was read


def test_a_history_without_its_writer_is_read_from_the_file_alone(path: Path) -> None:
    with open_store(path) as store:
        put(store, [reading(20.0)])
    with History.open(path) as history:
        assert history.latest_readings() == {"bar": (START_TIME, 20.0)}
