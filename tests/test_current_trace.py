"""What single readings tell of a current's channel: habits, ends of the range, numbers that stand still."""

import math
from collections.abc import Iterable

import numpy as np
import pytest

from lugwatch import current_trace
from lugwatch.current_trace import Trace

RATED, FLOOR = 150.0, 12.0
STEP_SECONDS = 5.0


def taken(values: Iterable[float], trace: Trace | None = None) -> Trace:
    trace = trace or Trace()
    now = 0.0 if math.isnan(trace.amps) else trace.run_until_seconds
    for value in values:
        now += STEP_SECONDS
        trace = current_trace.take(trace, value, now, FLOOR, 1.5 * RATED, RATED)
    return trace


def noisy(amps: float, readings: int, seed: int = 1, *, step: float = 0.01, sd: float = 0.3) -> list[float]:
    random = np.random.default_rng(seed)
    return [round(round(float(v) / step) * step, 6) for v in random.normal(amps, sd, readings)]


def test_nothing_is_known_of_a_channel_that_was_never_read() -> None:
    trace = Trace()
    assert not trace.habits_known and not trace.fine and not trace.standing and not trace.at_top
    assert not current_trace.at_end(trace, RATED)
    assert not current_trace.held_back(trace, FLOOR, RATED)


def test_a_channel_that_shows_its_noise_is_held_back_when_it_stands_still() -> None:
    trace = taken(noisy(80.0, 100))
    assert trace.fine
    assert not current_trace.held_back(trace, FLOOR, RATED)
    still = taken([80.0] * 4, trace)
    assert current_trace.held_back(still, FLOOR, RATED) and not still.standing
    assert taken([80.0] * 12, trace).standing
    assert not current_trace.held_back(taken([80.0] * 4 + [80.13], trace), FLOOR, RATED)


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_a_coarse_channel_may_say_the_same_for_hours(step: float) -> None:
    trace = taken([round(94.0 / step) * step] * 2000, taken(noisy(90.0, 300, step=step)))
    assert trace.standing and not trace.fine
    assert not current_trace.held_back(trace, FLOOR, RATED)
    assert not current_trace.at_end(trace, RATED)


def test_below_the_floor_any_number_may_stay() -> None:
    trace = taken([0.0] * 500 + [-0.31] * 500, taken(noisy(80.0, 100)))
    assert not current_trace.held_back(trace, FLOOR, RATED)
    assert not current_trace.at_end(trace, RATED)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_end_of_the_range_is_hit_over_and_over(sign: float) -> None:
    free = [sign * v for v in noisy(80.0, 100)]
    clipped = [sign * min(v, 60.0) for v in noisy(60.5, 100, seed=2, sd=0.6)]
    trace = current_trace.next_window(taken(clipped, taken(free)))
    ends = (trace.positive.end_amps, trace.negative.end_amps)
    assert ends == ((60.0, None) if sign > 0.0 else (None, 60.0))
    # known from now on: two hits in a window are enough
    again = taken([sign * 59.2, sign * 60.0, sign * 60.0], trace)
    assert current_trace.at_end(again, RATED)
    below = taken([sign * v for v in noisy(50.0, 2)], trace)
    assert not current_trace.at_end(below, RATED)
    # until it shows that it can say more
    assert taken([sign * 60.5], trace).positive.end_amps is None
    assert taken([sign * 60.5], trace).negative.end_amps is None


def test_a_largest_reading_is_not_the_end_of_the_range() -> None:
    for seed in range(20):
        trace = taken(noisy(90.0, 1500, seed, sd=1.6))
        assert trace.positive.end_amps is None
        assert not current_trace.at_end(trace, RATED)


def test_standing_at_the_rating_needs_no_noise_to_be_the_end() -> None:
    assert not current_trace.at_end(taken([150.0] * 11), RATED)
    assert current_trace.at_end(taken([150.0] * 13), RATED)
    assert current_trace.at_end(taken([-160.0] * 13), RATED)
    assert not current_trace.at_end(taken([150.0] * 13), None), "nobody said what it is rated for"
    # over its rating and varying: measured
    assert not current_trace.at_end(taken(noisy(155.0, 200)), RATED)


def test_leaps_are_counted_and_steps_of_a_load_are_not() -> None:
    assert taken([90.0, -90.0] * 10).leaps_share > current_trace.LEAPING_SHARE
    # a kettle every half minute
    assert taken(([0.8] * 6 + [140.0] * 6) * 20).leaps_share < current_trace.LEAPING_SHARE
    assert taken([0.8, 160.0] * 2 + [0.8] * 10).leaps_share < current_trace.LEAPING_SHARE


def test_beyond_what_the_shunt_can_carry_is_counted_by_window() -> None:
    trace = taken([220.0, 226.0, -230.0])
    assert trace.window_beyond == 2
    assert current_trace.next_window(trace).window_beyond == 0
