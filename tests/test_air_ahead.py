"""Where the air is heading: against a space whose end is known, and against a forecast scored afterwards."""

import numpy as np
import pytest
from numpy.typing import NDArray

from lugwatch import air_ahead
from lugwatch.air_ahead import DRIFT, FACTOR, SD
from lugwatch.estimator import Inputs

Array = NDArray[np.float64]
MINUTE = 60.0


def windows(celsius: Array, seconds: Array, *, loaded: Array | None = None) -> list[Inputs]:
    """One joint in this air (times,), loaded throughout unless told otherwise."""
    flowing = np.ones(len(celsius), dtype=bool) if loaded is None else loaded
    return [
        Inputs(
            monotonic_seconds=float(second),
            probe_celsius=np.array([np.nan]),
            probe_count=np.zeros(1),
            air_celsius=np.array([value]),
            neighbour_celsius=np.array([np.nan]),
            amps_squared=np.array([8100.0 if flows else 0.0]),
            loaded=np.array([flows]),
        )
        for value, second, flows in zip(celsius, seconds, flowing, strict=True)
    ]


def warming_space(tau_seconds: float, hours: float, *, rise_kelvin: float = 24.0) -> tuple[Array, Array]:
    """An air that follows a warm engine with one time constant, from 20 °C, a row each 10 s."""
    seconds = np.arange(0.0, hours * 3600.0, 10.0)
    return 20.0 + rise_kelvin * (1.0 - np.exp(-seconds / tau_seconds)), seconds


def test_one_time_constant_is_found_as_its_factor() -> None:
    """What is left of an exponential is 1/(exp(span/τ) − 1) of its last span, whenever it is asked."""
    celsius, seconds = warming_space(3000.0, 7.0, rise_kelvin=60.0)
    factor, drift, _ = air_ahead.learn(windows(celsius, seconds))[0]
    # learned from changes over 1.5 to 4 hours, in which 83 to 99 % comes: so much less than of the whole
    assert factor == pytest.approx(1.0 / (np.exp(600.0 / 3000.0) - 1.0), rel=0.08)
    assert abs(drift) < 0.5


def test_the_end_of_a_warming_space_is_told_after_ten_minutes_and_not_before() -> None:
    celsius, seconds = warming_space(2400.0, 0.5)
    past, learned = air_ahead.empty(1), air_ahead.unlearned(1)
    told = []
    for value, second in zip(celsius, seconds, strict=True):
        past = air_ahead.remember(past, np.array([value]), float(second))
        change, sd = air_ahead.expected(past, learned, np.array([value]), float(second))
        told.append((second, value + change[0], sd[0]))
    early = [t for t in told if t[0] < 10 * MINUTE]
    late = [t for t in told if t[0] >= 11 * MINUTE]
    assert np.isnan([t[1:] for t in early]).all()
    for _, end, sd in late:
        # the prior is of a space of 40 minutes, as this one is: 3.5 for 3.52
        assert end == pytest.approx(44.0, abs=0.2)
        assert sd > air_ahead.PRIOR_SD_KELVIN * np.sqrt(2.0)
    # the less there is to come, the surer it is
    assert (np.diff([sd for _, _, sd in late]) < 0.0).all()


def test_an_air_that_stands_still_is_expected_to_stay() -> None:
    learned = air_ahead.learn(windows(np.full(1800, 25.0), np.arange(1800) * 10.0))[0]
    assert learned[FACTOR] == pytest.approx(air_ahead.PRIOR_FACTOR)
    assert learned[DRIFT] == pytest.approx(0.0, abs=1e-12)
    # calm weather on one passage is no promise of calm weather
    assert 1.5 < learned[SD] < air_ahead.unlearned(1)[0, SD]


def test_weather_that_came_and_went_widens_what_is_said() -> None:
    seconds = np.arange(0.0, 5 * 3600.0, 10.0)
    swinging = 20.0 + 6.0 * np.sin(2.0 * np.pi * seconds / (2.5 * 3600.0))
    calm = air_ahead.learn(windows(np.full(len(seconds), 20.0), seconds))[0, SD]
    assert air_ahead.learn(windows(swinging, seconds))[0, SD] > 1.3 * calm


def test_the_cooling_after_the_engine_is_not_learned_as_what_goes_on() -> None:
    warm, seconds = warming_space(2400.0, 5.0)
    cold = 20.0 + (warm[-1] - 20.0) * np.exp(-seconds / 2400.0)
    celsius, both = np.concatenate([warm, cold]), np.concatenate([seconds, seconds + seconds[-1] + 10.0])
    flowing = np.arange(len(both)) < len(seconds)
    alone = air_ahead.learn(windows(warm, seconds))
    np.testing.assert_allclose(air_ahead.learn(windows(celsius, both, loaded=flowing)), alone, atol=1e-9)


def test_too_short_a_record_leaves_the_prior() -> None:
    celsius, seconds = warming_space(2400.0, 0.9)
    np.testing.assert_array_equal(air_ahead.learn(windows(celsius, seconds)), air_ahead.unlearned(1))
    assert air_ahead.learn([]).shape == (0, 3)


def test_intervals_of_seeded_days_hold_what_comes() -> None:
    """Learned on two days, asked on a third: spaces of 30 to 60 min, days that drift by ±2 K in 4 hours."""
    random = np.random.default_rng(11)
    held, asked = 0, 0
    for _ in range(120):
        tau, rise = random.uniform(1800.0, 3600.0), random.uniform(15.0, 25.0)
        days = []
        for _ in range(3):
            celsius, seconds = warming_space(tau, 5.0, rise_kelvin=rise)
            days.append(celsius + random.normal(0.0, 2.0) * seconds / 14_400.0)
        record = [w for day in range(2) for w in windows(days[day][::6], seconds[::6] + day * 86_400.0)]
        learned = air_ahead.learn(record)
        now = int(random.uniform(20.0, 60.0) * 6)
        past = air_ahead.empty(1)
        for i in range(now - 90, now + 1):
            past = air_ahead.remember(past, days[2][i : i + 1], float(seconds[i]))
        change, sd = air_ahead.expected(past, learned, days[2][now : now + 1], float(seconds[now]))
        truth = days[2][now + 1440] - days[2][now]
        held += int(abs(change[0] - truth) < 1.96 * sd[0])
        asked += 1
    assert 0.90 <= held / asked <= 1.0


def test_a_clock_that_went_back_begins_anew() -> None:
    past = air_ahead.remember(air_ahead.empty(1), np.array([20.0]), 5000.0)
    past = air_ahead.remember(past, np.array([30.0]), 100.0)
    assert np.isnan(past.celsius[:-1]).all()
    assert past.celsius[-1, 0] == 30.0
    change, _ = air_ahead.expected(past, air_ahead.unlearned(1), np.array([30.0]), 800.0)
    # the oldest that is left is 700 s old
    assert change[0] == pytest.approx(0.0)
