"""One honest figure a joint and passage: weighted, not shrunk by repetition, whole over a restart."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

import boats
from lugwatch import passages, pipeline, snapshot
from lugwatch.json_shapes import passage_object
from lugwatch.model import JointPassage, Passage
from lugwatch.passages import Observation, RiseMean, Tracker

GAP_SECONDS = 1800.0


def window(seconds: float, rise: tuple[float, float] | None = None, *, length: float = 10.0) -> Observation:
    time = boats.START_TIME + round(seconds * 1000)
    return Observation(
        monotonic_seconds=seconds,
        time=time,
        start_time=time - round(length * 1000),
        seconds=length,
        flowing=True,
        amp_hours={"alternator": 0.25},
        peak_amps={"alternator": 90.0},
        peak_celsius={"bar": 50.0},
        rises={} if rise is None else {"bar": rise},
    )


def joint_after(*rises: tuple[float, float] | None, length: float = 10.0) -> JointPassage:
    tracker = Tracker()
    for k, rise in enumerate(rises):
        tracker, _ = passages.observe(tracker, window(length * (k + 1), rise, length=length), GAP_SECONDS)
    assert tracker.open is not None
    return tracker.open.joints["bar"]


def test_the_figure_is_the_mean_and_not_the_last_window() -> None:
    got = joint_after((4.0e-3, 1e-4), (5.0e-3, 1e-4), (4.5e-3, 1e-4), (4.1e-3, 1e-4))
    assert got.rise_coefficient == pytest.approx(4.4e-3)


def test_a_sure_window_weighs_more_by_the_square() -> None:
    got = joint_after((4.0e-3, 1e-4), (5.0e-3, 2e-4))
    assert got.rise_coefficient == pytest.approx((4 * 4.0e-3 + 5.0e-3) / 5)


def test_a_thousand_like_windows_are_no_surer_than_one() -> None:
    assert joint_after(*[(4.0e-3, 1e-4)] * 1000).rise_coefficient_sd == pytest.approx(1e-4)


def test_what_it_wandered_within_the_passage_is_in_the_deviation() -> None:
    got = joint_after(*[(4.0e-3, 1e-4), (4.4e-3, 1e-4)] * 50)
    assert got.rise_coefficient == pytest.approx(4.2e-3)
    assert got.rise_coefficient_sd == pytest.approx(np.hypot(1e-4, 2e-4))


def test_the_surest_window_gives_the_deviation() -> None:
    assert joint_after((4.0e-3, 8e-4), (4.0e-3, 2e-4), (4.0e-3, 3e-4)).rise_coefficient_sd == pytest.approx(
        2e-4
    )


def test_windows_without_enough_to_tell_change_nothing_and_none_at_all_is_null() -> None:
    assert joint_after((4.0e-3, 1e-4), None, None) == joint_after((4.0e-3, 1e-4))
    nothing = joint_after(None, None)
    assert nothing == JointPassage(max_celsius=50.0, rise_coefficient=None, rise_coefficient_sd=None)
    tracker, _ = passages.observe(Tracker(), window(10.0), GAP_SECONDS)
    assert tracker.open is not None
    told = json.loads(json.dumps(passage_object(tracker.open), allow_nan=False))
    assert told["joints"]["bar"] == {
        "max_celsius": 50.0,
        "rise_coefficient": None,
        "rise_coefficient_sd": None,
    }


def test_the_next_passage_begins_anew() -> None:
    tracker, _ = passages.observe(Tracker(), window(10.0, (4.0e-3, 1e-4)), GAP_SECONDS)
    tracker, closed = passages.observe(tracker, window(4000.0, (6.0e-3, 1e-4)), GAP_SECONDS)
    assert closed[0].joints["bar"].rise_coefficient == pytest.approx(4.0e-3)
    assert tracker.open is not None and tracker.open.joints["bar"].rise_coefficient == pytest.approx(6.0e-3)


@given(
    st.lists(
        st.tuples(st.floats(1e-6, 1.0), st.floats(1e-7, 1.0), st.floats(1.0, 600.0)), min_size=1, max_size=40
    )
)
@example([(1.0, 1.0, 1.0), (1e-6, 1e-7, 1.0)])  # weights fourteen powers of ten apart
def test_the_running_mean_is_the_weighted_mean(windows: list[tuple[float, float, float]]) -> None:
    """numpy.average and a weighted variance of all at once as the oracle."""
    mean: RiseMean | None = None
    for rise, sd, seconds in windows:
        mean = passages.take(mean, rise, sd, seconds)
    assert mean is not None
    rises, sds, seconds_all = (np.array(column) for column in zip(*windows, strict=True))
    sds = np.maximum(sds, passages.LEAST_SD_RATIO * rises)
    weights = seconds_all / sds**2
    expected = np.average(rises, weights=weights)
    wander = np.average((rises - expected) ** 2, weights=weights)
    assert mean.mean == pytest.approx(expected, rel=1e-6)
    assert mean.sd == pytest.approx(np.sqrt(sds.min() ** 2 + wander), rel=1e-4)


def test_a_restart_in_mid_passage_loses_nothing_of_it() -> None:
    rises = [(4.0e-3 + 1e-5 * k, 1e-4) for k in range(40)]
    through = joint_after(*rises)
    state, tracker = boats.begin(boats.boat()), Tracker()
    for k, rise in enumerate(rises[:20]):
        tracker, _ = passages.observe(tracker, window(10.0 * (k + 1), rise), GAP_SECONDS)
    text = snapshot.to_text(replace(state, passages=tracker), 200.0, boats.START_TIME + 200_000)
    later = boats.START_TIME + 201_000
    tracker = snapshot.resume(pipeline.begin(boats.boat(), 201.0, later), text, 201.0, later).passages
    for k, rise in enumerate(rises[20:]):
        tracker, _ = passages.observe(tracker, window(10.0 * (k + 21), rise), GAP_SECONDS)
    assert tracker.open is not None
    assert tracker.open.joints["bar"] == through


def test_a_snapshot_from_before_goes_on_with_the_figure_it_has() -> None:
    tracker, _ = passages.observe(Tracker(), window(10.0, (4.0e-3, 1e-4)), GAP_SECONDS)
    document = json.loads(snapshot.to_text(replace(boats.begin(boats.boat()), passages=tracker), 10.0, 0))
    del document["passage"]["rises"]
    resumed = snapshot.resume(boats.begin(boats.boat()), json.dumps(document), 11.0, 1000).passages
    resumed, _ = passages.observe(resumed, window(20.0), GAP_SECONDS)
    assert resumed.open is not None
    assert resumed.open.joints["bar"].rise_coefficient == pytest.approx(4.0e-3)


def test_the_pipeline_gives_the_figure_of_the_whole_passage() -> None:
    events = []
    for k in range(1440):
        probe = boats.two_mode_celsius(5.0 * k, 90.0)
        events += [
            boats.scan(5.0 * k, bar=round(probe * 16) / 16, air=20.0, alternator=90.0),
            boats.tick(5.0 * k),
        ]
    state, _ = boats.run(boats.begin(boats.boat()), events)
    passage = state.passages.open
    assert isinstance(passage, Passage)
    figures = passage.joints["bar"]
    assert figures.rise_coefficient == state.passages.rises["bar"].mean
    assert figures.rise_coefficient_sd is not None
    assert figures.rise_coefficient_sd >= state.passages.rises["bar"].least_sd > 0.0
    assert figures.rise_coefficient == pytest.approx(20.0 / 120.0**2, rel=0.15)
