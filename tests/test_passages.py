"""One figure a joint and passage: told while it is open, kept over a restart, anew on the next."""

import json
from dataclasses import replace

import pytest

import boats
from lugwatch import passage_rise, passages, snapshot
from lugwatch.json_shapes import passage_object
from lugwatch.model import JointPassage, Passage, RiseUnknown
from lugwatch.passages import Observation, Rise, Tracker

GAP_SECONDS = 1800.0


def window(seconds: float, length: float = 10.0) -> Observation:
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
    )


def told(tracker: Tracker, seconds: float, rise: tuple[float, float] | None) -> Tracker:
    tracker, _ = passages.observe(tracker, window(seconds), GAP_SECONDS)
    if rise is None:
        return tracker
    return passages.tell(
        tracker, {"bar": Rise(rise_coefficient=rise[0], sd=2.0 * rise[1], repeat_sd=rise[1])}
    )


def joint_after(*rises: tuple[float, float] | None) -> JointPassage:
    tracker = Tracker()
    for k, rise in enumerate(rises):
        tracker = told(tracker, 10.0 * (k + 1), rise)
    assert tracker.open is not None
    return tracker.open.joints["bar"]


def test_the_figure_is_the_latest_that_was_told() -> None:
    got = joint_after((4.0e-3, 2e-4), (4.4e-3, 1e-4))
    assert (got.rise_coefficient, got.rise_coefficient_sd, got.against_others_sd) == (4.4e-3, 2e-4, 1e-4)
    assert got.rise_coefficient_reason is None


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
        "rise_coefficient_repeat_sd": None,
        "rise_coefficient_reason": None,
    }


def test_what_is_not_known_is_null_with_its_reason() -> None:
    """Nothing is taken back where a current was lost; all is where the joint is another one."""
    tracker = told(Tracker(), 10.0, None)
    for reason in (RiseUnknown.NOT_LEARNED, RiseUnknown.TOO_LITTLE_LOAD):
        tracker = passages.tell(tracker, {"bar": reason, "not aboard": reason})
        assert tracker.open is not None
        assert tracker.open.joints["bar"].rise_coefficient_reason is reason
        assert "not aboard" not in tracker.open.joints
    tracker = told(tracker, 20.0, (4.0e-3, 1e-4))
    tracker = passages.tell(tracker, {"bar": RiseUnknown.TOO_LITTLE_LOAD})
    assert tracker.open is not None and tracker.open.joints["bar"].rise_coefficient == 4.0e-3
    tracker = passages.tell(
        passages.forget(tracker, ["bar", "not aboard"]), {"bar": RiseUnknown.TOO_LITTLE_LOAD}
    )
    assert tracker.open is not None
    assert tracker.open.joints["bar"] == JointPassage(
        max_celsius=50.0,
        rise_coefficient=None,
        rise_coefficient_sd=None,
        rise_coefficient_reason=RiseUnknown.BEGUN_ANEW,
    )
    assert passages.forget(Tracker(), ["bar"]) == Tracker()


def test_the_next_passage_begins_anew() -> None:
    tracker = told(Tracker(), 10.0, (4.0e-3, 1e-4))
    tracker, closed = passages.observe(tracker, window(4000.0), GAP_SECONDS)
    assert closed[0].joints["bar"].rise_coefficient == pytest.approx(4.0e-3)
    assert tracker.open is not None and tracker.open.joints["bar"].rise_coefficient is None


def test_a_snapshot_from_before_goes_on_with_the_figure_it_has() -> None:
    tracker = told(Tracker(), 10.0, (4.0e-3, 1e-4))
    document = json.loads(snapshot.to_text(replace(boats.begin(boats.boat()), passages=tracker), 10.0, 0))
    for joint in document["joints"].values():
        del joint["passage_rise"]
    resumed = snapshot.resume(boats.begin(boats.boat()), json.dumps(document), 11.0, 1000).passages
    resumed = told(resumed, 20.0, None)
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
    rise, sd = passage_rise.rise_kelvin(state.course)
    assert figures.rise_coefficient == pytest.approx(rise[0] / 120.0**2)
    assert figures.rise_coefficient_repeat_sd == pytest.approx(sd[0] / 120.0**2)
    assert figures.rise_coefficient_sd is not None
    assert figures.rise_coefficient_sd > figures.rise_coefficient_repeat_sd
    assert figures.rise_coefficient == pytest.approx(20.0 / 120.0**2, rel=0.1)
