"""A shunt's zero, step and range on invented readings."""

import numpy as np
import pytest

from lugwatch.current_check import (
    RangeVerdict,
    StepVerdict,
    ZeroVerdict,
    in_range,
    step,
    zero,
)

SECONDS = np.arange(0.0, 900.0, 2.0)


def noise(seed: int, sd: float = 0.15, count: int = len(SECONDS)) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, count)


def test_a_zero_has_a_mean_an_interval_and_a_scatter() -> None:
    covered = 0
    for seed in range(200):
        found = zero(0.31 + noise(seed, count=120), 150.0)
        assert found is not None and found.verdict is ZeroVerdict.GOOD
        assert found.scatter_amps == pytest.approx(0.15, rel=0.3)
        covered += found.low_amps <= 0.31 <= found.high_amps
    # 12 blocks and a normal quantile: a little less than 95 % (Student's t would be 97 % as wide again)
    assert 175 <= covered <= 198


@pytest.mark.parametrize(
    ("amps", "verdict"),
    [
        (1.9 + noise(1), ZeroVerdict.OFF),
        (-1.9 + noise(2), ZeroVerdict.OFF),
        (9.0 + noise(3), ZeroVerdict.FLOWING),  # 6 % of the shunt is no offset
        (2.0 + noise(4) + np.where(SECONDS > 400.0, 1.5, 0.0), ZeroVerdict.FLOWING),  # a load came on
        (noise(5, sd=15.0), ZeroVerdict.CANNOT_TELL),
        (np.zeros(200), ZeroVerdict.GOOD),
    ],
)
def test_zeros_are_judged(amps: np.ndarray, verdict: ZeroVerdict) -> None:
    found = zero(amps, 150.0)
    assert found is not None and found.verdict is verdict


def test_few_readings_tell_no_zero() -> None:
    assert zero(np.zeros(23), 150.0) is None


def on(amps: float, at: float = 300.0) -> np.ndarray:
    return np.where(at <= SECONDS, amps, 0.0)


@pytest.mark.parametrize(
    ("amps", "expected", "verdict"),
    [
        (on(21.0), 20.0, StepVerdict.RIGHT),
        (on(-21.0), -20.0, StepVerdict.RIGHT),
        (on(-21.0), 20.0, StepVerdict.REVERSED),
        (on(42.0), 20.0, StepVerdict.WRONG_SIZE),
        (on(10.0), 20.0, StepVerdict.WRONG_SIZE),
        (on(3.0), 20.0, StepVerdict.NO_STEP),
        (on(-70.0, at=100.0) + on(70.0, at=200.0) + on(21.0, at=400.0), 20.0, StepVerdict.RIGHT),
    ],
)
def test_a_known_load(amps: np.ndarray, expected: float, verdict: StepVerdict) -> None:
    found = step(SECONDS, 4.0 + amps + noise(7), expected)
    assert found is not None and found.verdict is verdict
    if verdict is StepVerdict.NO_STEP:
        assert found.change_amps is None and found.low_amps is None
    else:
        assert found.change_amps is not None and found.low_amps is not None and found.high_amps is not None
        assert found.low_amps < found.change_amps < found.high_amps


def test_its_size_is_told_with_an_honest_interval_and_its_moment() -> None:
    inside = 0
    for seed in range(60):
        found = step(SECONDS, on(20.0) + noise(seed, sd=0.6), 20.0)
        assert found is not None and found.low_amps is not None and found.high_amps is not None
        assert found.at_seconds == pytest.approx(300.0, abs=15.0)
        inside += found.low_amps <= 20.0 <= found.high_amps
    # the calmest moment is chosen among a few, so a little less than 95 %
    assert inside >= 48


def test_a_minute_is_too_short() -> None:
    assert step(SECONDS[:25], on(20.0)[:25], 20.0) is None
    assert step(SECONDS[:0], SECONDS[:0], 20.0) is None


def test_range_goes_by_two_thirds_for_hours_and_by_all_of_it_at_once() -> None:
    """Two makers' definition of continuous use; common practice."""
    assert in_range(101.0, 140.0, 150.0) is RangeVerdict.GOOD
    assert in_range(106.0, 140.0, 150.0) is RangeVerdict.OVER_CONTINUOUS
    assert in_range(80.0, 151.0, 150.0) is RangeVerdict.OVER_RATED
