"""The invented passages: the demo's story, healthy days, every trouble, and the recordings of them."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from lugwatch import config
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.faults import PlantFault, Trouble, resistance_ratio
from lugwatch.simulator.record import (
    Recorded,
    Row,
    record,
    record_season,
    write_recording_csv,
    write_truth,
)
from lugwatch.simulator.scenarios import Scenario, demo_story, healthy_passage
from lugwatch.sources.registry import check
from lugwatch.store.recording import open_recording

START = 1_780_000_000_000
BOAT = make_boat()


@pytest.fixture(scope="module")
def story() -> Recorded:
    return record(BOAT, demo_story(), seed=1, start_time=START)


def motoring(*faults: PlantFault, minutes: float = 60.0) -> Scenario:
    return Scenario(
        name="motoring",
        duration_seconds=minutes * 60.0,
        engine=((0.0, 1.0),),
        faults=faults,
    )


def lived(*faults: PlantFault, minutes: float = 60.0) -> Recorded:
    return record(BOAT, motoring(*faults, minutes=minutes), seed=4, start_time=START)


def at(recorded: Recorded, minute: float, joint: str) -> tuple[float, float]:
    """True °C and Ω."""
    row, column = round(minute * 12), recorded.truth.joints.index(joint)
    return recorded.truth.celsius[row, column], recorded.truth.resistance_ohms[row, column]


def seen(recorded: Recorded, channel: str) -> np.ndarray:
    return np.array([np.nan if (v := row.values[channel]) is None else v for row in recorded.rows])


# ---- the demo's story ----------------------------------------------------------------------------


def test_the_alternator_carries_its_load_from_the_second_minute_on(story: Recorded) -> None:
    amps = story.truth.amps[:, 0]
    assert amps[5] < 1.0
    assert np.all(np.abs(amps[2 * 12 : 82 * 12] - 95.0) < 8.0)
    assert np.all(amps[84 * 12 :] < 25.0)


def test_the_bad_stud_is_sound_then_grows_then_cools(story: Recorded) -> None:
    _celsius, sound = at(story, 29, "bar_alternator")
    assert 25e-6 <= sound <= 75e-6
    assert at(story, 38, "bar_alternator")[1] == pytest.approx(2.0 * sound, rel=0.01)
    assert at(story, 70, "bar_alternator")[1] > 5.0 * sound
    at_load, _ = at(story, 81.9, "bar_alternator")
    assert 75.0 < at_load < 90.0
    # a minute's climb at the end: it would have been over its limit well before minute 90
    climb = at_load - at(story, 80.9, "bar_alternator")[0]
    assert at_load + 5.0 * climb > 90.0
    assert at(story, 89.9, "bar_alternator")[0] < at_load - 20.0


def test_no_other_joint_of_the_story_goes_bad(story: Recorded) -> None:
    for joint in BOAT.joints:
        if joint.joint != "bar_alternator":
            _, first = at(story, 1, joint.joint)
            _, last = at(story, 89, joint.joint)
            assert first == last
            column = story.truth.joints.index(joint.joint)
            assert np.all(story.truth.celsius[:, column] < joint.limit_celsius - 15.0)


def test_the_same_seed_tells_the_same_story_and_another_does_not(story: Recorded) -> None:
    assert record(BOAT, demo_story(), seed=1, start_time=START).rows == story.rows
    assert record(BOAT, demo_story(), seed=2, start_time=START).rows != story.rows


# ---- healthy passages ----------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_passage_stays_far_below_every_limit(seed: int) -> None:
    boat = make_boat(seed)
    healthy = record(boat, healthy_passage(seed, 3.0), seed=seed, start_time=START, plant_step_seconds=2.0)
    limits = np.array([j.limit_celsius for j in boat.joints])
    assert np.all(healthy.truth.celsius < limits - 15.0)
    assert np.max(healthy.truth.amps[:, 0]) > 80.0
    assert np.ptp(healthy.truth.resistance_ohms, axis=0) == pytest.approx(np.zeros(len(boat.joints)))
    machinery = healthy.truth.air_celsius[:, 0]
    assert np.max(machinery) - machinery[0] > 12.0


def test_a_season_has_gaps_for_nights_and_carries_the_warmth_over() -> None:
    season = record_season(
        BOAT, passages=3, seed=5, start_time=START, hours=1.0, night_hours=5.0, step_seconds=10.0
    )
    assert len(season) == 3
    for earlier, later in pairwise(season):
        gap_seconds = (later.rows[0].time - earlier.rows[-1].time) / 1000.0
        assert 4.9 * 3600 < gap_seconds < 5.1 * 3600
    with_nights = record_season(
        BOAT,
        passages=2,
        seed=5,
        start_time=START,
        hours=1.0,
        night_hours=2.0,
        night_rows=True,
        step_seconds=10.0,
    )
    assert len(with_nights) == 4
    assert with_nights[1].rows[0].time == with_nights[0].end_time
    left = with_nights[0].truth.celsius[-1]
    assert with_nights[1].truth.celsius[0] == pytest.approx(left, abs=1.0)
    assert np.max(np.abs(with_nights[1].truth.amps[:, 0])) == 0.0


# ---- troubles ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "size", "seconds", "expected"),
    [
        (Trouble.RESISTANCE_STEP, 2.0, 599.0, 1.0),
        (Trouble.RESISTANCE_STEP, 2.0, 600.0, 2.0),
        (Trouble.RESISTANCE_STEP, 2.0, 1800.0, 1.0),  # mended
        (Trouble.RESISTANCE_GROWTH, 300.0, 599.0, 1.0),
        (Trouble.RESISTANCE_GROWTH, 300.0, 900.0, 2.0),
        (Trouble.RESISTANCE_GROWTH, 300.0, 1200.0, 4.0),
        (Trouble.RESISTANCE_GROWTH, 300.0, 9000.0, 16.0),  # metal does not heal
        (Trouble.FAN, 2.0, 900.0, 1.0),
    ],
)
def test_what_a_fault_does_to_a_resistance(
    kind: Trouble, size: float, seconds: float, expected: float
) -> None:
    fault = PlantFault(kind=kind, where="x", start_seconds=600.0, end_seconds=1800.0, size=size)
    assert resistance_ratio(fault, seconds) == pytest.approx(expected)


def test_a_doubled_joint_warms_and_its_far_fellows_do_not() -> None:
    fault = PlantFault(kind=Trouble.RESISTANCE_STEP, where="switch_battery", start_seconds=600.0, size=2.0)
    bad, good = lived(fault), lived()
    warmer = at(bad, 55, "switch_battery")[0] - at(good, 55, "switch_battery")[0]
    assert 0.3 < warmer < 5.0
    assert at(bad, 55, "inverter_positive")[0] == pytest.approx(at(good, 55, "inverter_positive")[0], abs=0.1)


def test_an_intermittent_joint_comes_and_goes() -> None:
    fault = PlantFault(kind=Trouble.INTERMITTENT, where="bar_battery", start_seconds=600.0, size=20.0)
    recorded = lived(fault)
    ohms = recorded.truth.resistance_ohms[:, recorded.truth.joints.index("bar_battery")]
    bad = ohms > 1.5 * ohms[0]
    assert not np.any(bad[:120])
    assert 0.05 < np.mean(bad[120:]) < 0.6
    assert np.sum(np.diff(bad.astype(int)) == 1) >= 5


def test_a_probe_that_fell_off_shows_the_air_and_a_dead_one_nothing() -> None:
    recorded = lived(
        PlantFault(kind=Trouble.PROBE_OFF, where="fuse_alternator_in", start_seconds=2400.0),
        PlantFault(kind=Trouble.PROBE_DEAD, where="bar_house", start_seconds=1200.0, end_seconds=1800.0),
    )
    air = recorded.truth.air_celsius[-1, 0]
    assert recorded.rows[-1].values["fuse_alternator_in"] == pytest.approx(air, abs=0.6)
    dead = np.isnan(seen(recorded, "bar_house"))
    assert np.all(dead[240:360])
    assert not np.any(dead[:240])
    assert not np.any(dead[360:])


def test_a_fan_and_a_hatch_cool_their_space() -> None:
    plain = lived(minutes=90)
    fan = lived(PlantFault(kind=Trouble.FAN, where="machinery", start_seconds=0.0, size=2.5), minutes=90)
    hatch = lived(PlantFault(kind=Trouble.HATCH, where="machinery", start_seconds=3600.0), minutes=90)
    assert at(fan, 89, "fuse_alternator_in")[0] < at(plain, 89, "fuse_alternator_in")[0] - 0.5
    assert hatch.truth.air_celsius[-1, 0] < plain.truth.air_celsius[-1, 0] - 8.0


def test_an_air_probe_in_a_draught_reads_too_cold() -> None:
    fault = PlantFault(kind=Trouble.AIR_PROBE_DRAUGHT, where="air_locker", start_seconds=600.0, size=2.0)
    difference = seen(lived(), "air_locker") - seen(lived(fault), "air_locker")
    assert np.max(np.abs(difference[:120])) == 0.0
    assert np.mean(difference[120:]) == pytest.approx(2.0, abs=0.05)


def test_a_shunt_drifts_and_another_clips() -> None:
    recorded = lived(
        PlantFault(kind=Trouble.SHUNT_GAIN, where="alternator", start_seconds=0.0, size=0.10),
        PlantFault(kind=Trouble.SHUNT_CLIPPED, where="battery", start_seconds=600.0, size=50.0),
    )
    ratio = seen(recorded, "alternator")[100:] / recorded.truth.amps[100:, 0]
    assert np.mean(ratio[-50:]) - np.mean(ratio[:50]) == pytest.approx(0.083, abs=0.02)
    assert np.max(seen(recorded, "battery")[120:]) == 50.0
    assert np.max(recorded.truth.amps[120:, 1]) > 70.0


def test_a_shunt_sticks_and_another_is_turned_round() -> None:
    recorded = lived(
        PlantFault(kind=Trouble.SHUNT_STUCK, where="alternator", start_seconds=600.0, end_seconds=1800.0),
        PlantFault(kind=Trouble.SHUNT_REVERSED, where="battery", start_seconds=600.0),
    )
    alternator, battery = seen(recorded, "alternator"), seen(recorded, "battery")
    assert len(set(alternator[120:360])) == 1
    assert len(set(alternator[360:600])) > 100 and len(set(alternator[:120])) > 60
    assert battery[60] > 50.0 and np.all(battery[120:] < -50.0)
    assert np.all(recorded.truth.amps[120:, 1] > 50.0)


# ---- what the instruments make of it -------------------------------------------------------------


def test_probes_step_by_sixteenths_lag_and_err_a_little(story: Recorded) -> None:
    for part in BOAT.probes:
        values = seen(story, part.channel)
        assert np.all(values * 16 == np.round(values * 16))
        if part.node is not None:
            lagged = story.truth.celsius[:, story.truth.joints.index(part.node)].copy()
            share = 1.0 - np.exp(-5.0 / part.lag_seconds)
            for row in range(1, len(lagged)):
                lagged[row] = lagged[row - 1] + share * (lagged[row] - lagged[row - 1])
            error = (values - lagged)[: 30 * 12]
            assert np.mean(error) == pytest.approx(part.offset_kelvin, abs=0.05)
            assert 0.02 < np.std(error) < 0.1


def test_shunts_err_by_their_gain_and_offset(story: Recorded) -> None:
    for i, part in enumerate(BOAT.shunts):
        true = story.truth.amps[100:, i]
        expected = part.gain * true + part.offset_amps
        assert np.mean(seen(story, part.channel)[100:] - expected) == pytest.approx(0.0, abs=0.05)


# ---- recordings and the configuration ------------------------------------------------------------


def test_her_configuration_has_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text(configuration_text(BOAT, tmp_path, ("127.0.0.1", 1883)), encoding="utf-8")
    read = config.load(path)
    assert check(read) == []
    assert read.warnings == ()
    assert len(read.boat.joints) == 12
    assert {c.source for c in read.channels} == {"onewire", "serial", "mqtt"}
    assert sum(c.source == "onewire" for c in read.channels) == 12
    assert [c.channel for c in read.boat.channels if c.one_way] == ["alternator"]
    by_id = {j.joint: j for j in read.boat.joints}
    assert by_id["bar_alternator"].limit_celsius == 90.0
    assert set(by_id["bar_alternator"].neighbours) == {"bar_battery", "bar_inverter", "bar_house"}


def test_a_recording_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    recorded = lived(PlantFault(kind=Trouble.PROBE_DEAD, where="bar_house", start_seconds=60.0), minutes=5)
    configured = tmp_path / "lugwatch.toml"
    configured.write_text(configuration_text(BOAT, tmp_path, ("127.0.0.1", 1883)), encoding="utf-8")
    path = tmp_path / "recording.csv"
    assert write_recording_csv(path, recorded.rows, BOAT.channels) == 60
    read = list(open_recording(path, config.load(configured).boat))
    assert [row.time for row in read] == [row.time for row in recorded.rows]
    for got, row in zip(read, recorded.rows, strict=True):
        assert dict(got.readings) == {c: v for c, v in row.values.items() if v is not None}


def test_empty_cells_and_plain_numbers(tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    row = Row(time=1_780_000_000_500, values={"a": 20.0625, "b": None, "c": -0.5, "d": 100.0})
    write_recording_csv(path, [row], ("a", "b", "c", "d"))
    assert path.read_text() == "time,a,b,c,d\n2026-05-28T20:26:40.500Z,20.0625,,-0.5,100\n"


def test_the_truth_lies_beside_it(tmp_path: Path, story: Recorded) -> None:
    path = tmp_path / "truth.npz"
    write_truth(path, story.truth)
    with np.load(path) as read:
        assert np.array_equal(read["celsius"], story.truth.celsius)
        assert tuple(read["joints"]) == story.truth.joints


def test_faults_of_a_scenario_are_data() -> None:
    story = demo_story()
    assert replace(story, faults=()).faults == ()
    assert story.faults[0].where == "bar_alternator"
