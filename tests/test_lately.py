"""Innovations whitened by what they have been lately, against series of known kind."""

import numpy as np
import pytest
from numpy.typing import NDArray

from lugwatch import lately

Array = NDArray[np.float64]
SECONDS = np.full(1, 10.0)
ALWAYS = np.ones(1, dtype=bool)


def whitened(
    series: Array, *, heating: Array | None = None, walk: float = 0.0, start: lately.Lately | None = None
) -> list[lately.Whitened]:
    heating = np.full(len(series), 0.8) if heating is None else heating
    state = lately.empty(1) if start is None else start
    found = []
    for value, load in zip(series, heating, strict=True):
        white = lately.whiten(state, np.array([value]), ALWAYS, np.array([load]), np.array([walk]), SECONDS)
        state = white.lately
        found.append(white)
    return found


def over_eager(level: Array, gain: float, seed: int) -> Array:
    """Standardised innovations of a filter that runs after white noise about a level (windows,).

    Its gain is that of a walk that is not there, so it expects more: 1/(1 − gain) of the noise's variance
    (steady Kalman filter of a local level: Durbin and Koopman, section 2.11).
    """
    random = np.random.default_rng(seed)
    estimate, found = 0.0, []
    for value in level + random.standard_normal(len(level)):
        found.append((value - estimate) * np.sqrt(1.0 - gain))
        estimate += gain * (value - estimate)
    return np.array(found)


def test_white_innovations_are_left_as_they_are() -> None:
    series = np.random.default_rng(3).standard_normal(2000)
    white = whitened(series)
    assert np.mean([w.keep[0] for w in white]) < 0.12
    assert 1.0 / white[-1].certain[0] == pytest.approx(1.0, abs=0.25)


def test_a_filter_that_runs_after_noise_is_calmed() -> None:
    series = over_eager(np.zeros(2000), 0.5, seed=3)
    assert np.corrcoef(series[1:], series[:-1])[0, 1] < -0.2
    white = whitened(series)
    assert white[-1].keep[0] > 0.25
    out = np.array([w.innovation[0] for w in white[200:]])
    assert abs(np.corrcoef(out[1:], out[:-1])[0, 1]) < 0.1
    assert np.var(out) * white[-1].certain[0] == pytest.approx(1.0, abs=0.25)


def test_a_step_is_seen_more_clearly_in_what_is_left() -> None:
    """Matched by its own signature: what such a filter would have seen of the step without noise."""
    gain, steps = 0.5, 20
    signature = (1.0 - gain) ** np.arange(steps) * np.sqrt(1.0 - gain)
    series = over_eager(np.concatenate([np.zeros(1000), np.full(steps, 3.0)]), gain, seed=3)
    before = whitened(series[:1000])[-1].lately
    after = whitened(series[1000:], start=before)
    carried, matched, information = 0.0, 0.0, 0.0
    for seen, white in zip(signature, after, strict=True):
        carried = seen + white.keep[0] * carried
        matched += carried * white.certain[0] * white.innovation[0]
        information += carried * white.certain[0] * carried
    raw = float(np.sum(signature * series[1000:]) / np.sqrt(np.sum(signature**2)))
    assert matched / np.sqrt(information) > 1.2 * raw


def test_what_was_seen_at_one_load_does_not_hold_for_the_next_where_a_body_stands_behind() -> None:
    calm = over_eager(np.zeros(720), 0.5, seed=3)
    load = np.concatenate([np.full(719, 0.8), [0.4]])
    body = whitened(calm, heating=load, walk=0.5)[-1]
    assert body.keep[0] == 0.0 and body.certain[0] <= 1.0
    assert whitened(calm, walk=0.5)[-1].keep[0] > 0.15, "but it holds while the load does"
    assert whitened(calm, heating=load, walk=0.03)[-1].keep[0] > 0.15, "nothing stands behind this one"


def test_one_wild_reading_is_neither_a_change_nor_noise() -> None:
    series = np.random.default_rng(3).standard_normal(500)
    before = whitened(series)[-1]
    wild = whitened(np.array([40.0]), start=before.lately)[0]
    assert wild.innovation[0] <= lately.LARGEST_SD + abs(before.innovation[0])
    after = whitened(series[:1], start=wild.lately)[0]
    assert after.certain[0] == pytest.approx(before.certain[0], rel=0.2)


def test_a_window_that_does_not_count_tells_nothing() -> None:
    before = whitened(np.random.default_rng(3).standard_normal(50))[-1].lately
    out = lately.whiten(before, np.array([3.0]), ~ALWAYS, np.array([0.8]), np.zeros(1), SECONDS)
    assert out.innovation[0] == out.certain[0] == out.lately.carried[0] == 0.0
    assert (out.lately.square, out.lately.left, out.lately.product) == (
        before.square,
        before.left,
        before.product,
    )
    fresh = lately.restart(before, ALWAYS)
    assert fresh.square[0] == fresh.left[0] == 1.0 and fresh.soaked[0] == 0.0
