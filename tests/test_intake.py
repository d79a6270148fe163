"""Readings become windows: one instant taken in at once or channel by channel is the same."""

from dataclasses import fields

import numpy as np

import boats
from lugwatch import intake
from lugwatch.model import Watching

HOLD_SECONDS = 120.0


def _assert_same(one: object, other: object) -> None:
    for field in fields(one):  # type: ignore[arg-type]
        np.testing.assert_array_equal(
            getattr(one, field.name), getattr(other, field.name), err_msg=field.name, strict=True
        )


def test_all_channels_at_once_are_the_channels_one_by_one() -> None:
    layout = intake.layout(boats.boat().channels)
    random = np.random.default_rng(3)
    whole = parts = intake.empty(layout, 100.0)
    seconds, quick = 100.0, 0
    for number in range(300):
        seconds += float(random.choice([0.0, 2.5, 5.0, 5.0, 5.0, 300.0], p=[0.05, 0.2, 0.3, 0.2, 0.2, 0.05]))
        values = [(i, float(v)) for i, v in enumerate(random.uniform(-40.0, 90.0, layout.size))]
        if number % 11 == 5:  # one channel says nothing
            del values[number % layout.size]
        full = len(values) == layout.size
        quick += full and intake._goes_on(whole, seconds, HOLD_SECONDS)
        whole = intake.take(layout, whole, values, seconds, number, HOLD_SECONDS)
        for value in values:
            parts = intake.take(layout, parts, [value], seconds, number, HOLD_SECONDS)
        _assert_same(whole, parts)
        if number % 3 == 2:
            window, whole = intake.close(layout, whole, Watching(), seconds + 1.0)
            again, parts = intake.close(layout, parts, Watching(), seconds + 1.0)
            _assert_same(window, again)
    assert 100 < quick < 290, "both ways must have been gone"


def test_a_window_says_what_was_read_in_it() -> None:
    layout = intake.layout(boats.boat().channels)
    state = intake.empty(layout, 0.0)
    for seconds in (0.0, 5.0, 10.0):
        everything = [(i, 10.0 * (i + 1) + seconds) for i in range(layout.size)]
        state = intake.take(layout, state, everything, seconds, int(seconds * 1000), HOLD_SECONDS)
    window, opened = intake.close(layout, state, Watching(), 10.0)
    first = 10.0 * (np.arange(layout.size) + 1.0)
    np.testing.assert_allclose(window.mean, first + 5.0)
    np.testing.assert_array_equal(window.count, 3.0)
    # trapezoids of I² over twice five seconds, by hand
    ends, middle = first**2 + (first + 10.0) ** 2, (first + 5.0) ** 2
    np.testing.assert_allclose(window.amps_squared, (0.5 * ends + middle) * 5.0 / 10.0)
    np.testing.assert_allclose(window.amp_seconds, (first + 5.0) * 10.0)
    np.testing.assert_array_equal(window.peak, first + 10.0)
    assert not window.silent.any()
    assert not opened.window_count.any()
