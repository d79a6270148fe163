"""Shapes from a record: known joints are found again, priors answer for what a record does not show."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from lugwatch import shape, shape_fit
from lugwatch.estimator import Inputs

Array = NDArray[np.float64]
GAP_SECONDS = 600.0
DATA = Path(__file__).parent / "data"
# τ_fast, τ_slow, fast weight, own and soaking rise at rated current
TRUE = np.array([[90.0, 900.0, 0.3, 6.0, 8.0], [220.0, 1800.0, 0.6, 10.0, 5.0]])


def hunting_amps(count: int, random: np.random.Generator) -> Array:
    """A load that goes on, off and up and down, as a passage has it."""
    amps = np.zeros(count)
    k = 30
    while k < count:
        length = int(random.integers(20, 120))
        amps[k : k + length] = random.choice([0.0, 40.0, 70.0, 100.0])
        k += length
    return amps


def record(hours: float, seed: int = 4) -> tuple[Inputs, ...]:
    random = np.random.default_rng(seed)
    count = round(hours * 360)
    amps = hunting_amps(count, random)
    air = 20.0 + 4.0 * np.sin(np.arange(count) / 180.0)
    joints = len(TRUE)
    fast, slow = np.zeros(joints), np.zeros(joints)
    air_fast, air_slow = np.full(joints, 20.0), np.full(joints, 20.0)
    found = []
    for k in range(count):
        temperature = fast + slow + TRUE[:, 2] * air_fast + (1.0 - TRUE[:, 2]) * air_slow
        heating = (amps[k] / 100.0) ** 2 * (1.0 + 0.00393 * (temperature - 20.0))
        keep_fast, keep_slow = np.exp(-10.0 / TRUE[:, 0]), np.exp(-10.0 / TRUE[:, 1])
        fast = keep_fast * fast + (1.0 - keep_fast) * TRUE[:, 3] * heating
        slow = keep_slow * slow + (1.0 - keep_slow) * TRUE[:, 4] * heating
        air_fast = keep_fast * air_fast + (1.0 - keep_fast) * air[k]
        air_slow = keep_slow * air_slow + (1.0 - keep_slow) * air[k]
        temperature = fast + slow + TRUE[:, 2] * air_fast + (1.0 - TRUE[:, 2]) * air_slow
        noise = 0.02 * random.standard_normal(joints)
        found.append(
            Inputs(
                monotonic_seconds=10.0 * (k + 1),
                probe_celsius=np.round((temperature + noise) * 16.0) / 16.0,
                probe_count=np.full(joints, 2.0),
                air_celsius=np.full(joints, air[k]),
                neighbour_celsius=np.full(joints, np.nan),
                amps_squared=np.full(joints, amps[k] ** 2),
                loaded=np.full(joints, amps[k] > 8.0),
            )
        )
    return tuple(found)


def learn(windows: tuple[Inputs, ...]) -> shape_fit.Learned:
    joints = len(TRUE)
    return shape_fit.learn(
        windows, shape.prior(joints), np.full(joints, 100.0), np.zeros(joints, dtype=bool), GAP_SECONDS
    )


@pytest.fixture(scope="module")
def long() -> shape_fit.Learned:
    return learn(record(6.0))


def test_known_joints_are_found_again(long: shape_fit.Learned) -> None:
    found = shape.physical(long.shapes.mean)
    sd = np.sqrt(np.diagonal(long.shapes.covariance, axis1=1, axis2=2))
    for column in (0, 1):
        away = np.log(found[:, column] / TRUE[:, column])
        assert np.abs(away).max() < 0.15
        assert (np.abs(away) < 3.0 * sd[:, column]).all()
    assert found[:, 2] == pytest.approx(TRUE[:, 2], abs=0.1)
    assert long.rise_kelvin == pytest.approx(TRUE[:, 3] + TRUE[:, 4], rel=0.03)


def test_a_record_that_is_well_is_calm_and_its_likelihood_gained(long: shape_fit.Learned) -> None:
    assert (long.calm < 1.6).all() and (long.calm > 0.4).all()
    assert (long.unrest < 5.0).all()
    assert (long.gain > 0.1).all(), "per window, against shapes that nobody learned"
    assert long.busiest == pytest.approx(np.full(2, 1.05), abs=0.06)


def test_ten_minutes_give_a_sane_wide_answer_and_more_sharpens_it(long: shape_fit.Learned) -> None:
    short = learn(record(6.0)[:75])
    found = shape.physical(short.shapes.mean)
    assert (found[:, 0] > 40.0).all() and (found[:, 0] < 500.0).all()
    width = np.sqrt(np.diagonal(short.shapes.covariance, axis1=1, axis2=2))
    width_long = np.sqrt(np.diagonal(long.shapes.covariance, axis1=1, axis2=2))
    # the slow mode cannot be seen in ten minutes: the answer is the prior's
    assert (width[:, 1] > 0.8 * shape.PRIOR_SD[1]).all()
    assert (width_long[:, :2] < 0.5 * width[:, :2]).all()


def test_the_same_record_gives_the_same_shape() -> None:
    windows = record(1.0)
    one, other = learn(windows), learn(windows)
    assert (one.shapes.mean == other.shapes.mean).all() and (one.rise_kelvin == other.rise_kelvin).all()


def test_longer_steps_keep_the_heat_and_break_at_pauses() -> None:
    windows = record(0.5)
    steps = shape_fit.coarse(windows, 30.0)
    assert len(steps) == 59, "the first window only tells where the first step begins"
    heat = sum(30.0 * s.amps_squared[0] for s in steps)
    assert heat == pytest.approx(sum(10.0 * w.amps_squared[0] for w in windows[1:178]))
    assert steps[7].probe_celsius[0] == windows[24].probe_celsius[0]
    late = tuple(replace(w, monotonic_seconds=w.monotonic_seconds + 7200.0) for w in windows[90:])
    broken = shape_fit.coarse(windows[:91] + late, 30.0)
    times = [s.monotonic_seconds for s in broken]
    assert times == sorted(times) and max(np.diff(times)) > 7000.0


def test_of_two_hills_the_higher_is_climbed() -> None:
    """A bus bar stud of the simulator's sister boat 6 that carries its inverter's bursts, two passages.

    Its air comes through the slow path. From the usual place alone the climb ended at a fast mode of 500 s,
    and what that does not follow was taken for draughts of 0.005; its next passages scattered by 9 %.
    """
    rows = np.genfromtxt(DATA / "load_in_bursts.csv", delimiter=",", skip_header=1)
    windows = tuple(
        Inputs(
            monotonic_seconds=float(row[0]),
            probe_celsius=row[1:2],
            probe_count=np.array([2.0]),
            air_celsius=row[2:3],
            neighbour_celsius=row[3:4],
            amps_squared=row[4:5],
            loaded=row[4:5] > 0.0,
        )
        for row in rows
    )
    learned = shape_fit.learn(windows, shape.prior(1), np.array([200.0]), np.array([True]), GAP_SECONDS)
    found = shape.physical(learned.shapes.mean)[0]
    assert found[0] < 100.0, "the fast mode"
    assert found[2] < 0.15, "and hardly any of the air in it"
    assert found[5] < 0.003, "draughts: the other hill explains by them what it does not follow"
