"""Joints without air or current, for ever or for a while: watched by limit and rate of rise alone."""

from collections.abc import Sequence
from dataclasses import replace

import pytest

import boats
from boats import motoring
from lugwatch import pipeline
from lugwatch.model import AlertChange, Boat, Condition, Estimate, JointState, Scan


def test_a_boat_without_air_and_current_is_watched_by_its_limit() -> None:
    joint = replace(boats.joint("bar"), air=None, current=None)
    whole = boats.boat(joint)
    boat: Boat = replace(whole, channels=whole.channels[:1])
    state = pipeline.begin(boat, 0.0, boats.START_TIME)
    events = []
    for second in range(0, 300, 5):
        celsius = 40.0 if second < 100 else 95.0
        events += [boats.scan(second, bar=celsius), boats.tick(second)]
    _, outputs = boats.run(state, events)
    raised = [o.alert.condition.value for o in outputs if isinstance(o, AlertChange)]
    assert "hot" in raised


def last(outputs: Sequence[object]) -> Estimate:
    return [o for o in outputs if isinstance(o, Estimate)][-1]


@pytest.mark.parametrize(
    ("missing", "why"),
    [("air", "the air around it is not being read"), ("alternator", "its current is not being read")],
)
def test_steady_and_no_load_are_said_only_of_what_is_measured(missing: str, why: str) -> None:
    state, outputs = boats.run(boats.begin(boats.boat()), motoring(0, 10_800))
    assert last(outputs).state is JointState.STEADY
    without = [
        replace(e, values=tuple((c, v) for c, v in e.values if c != missing)) if isinstance(e, Scan) else e
        for e in motoring(10_800, 12_000)
    ]
    state, outputs = boats.run(state, without)
    blind = last(outputs)
    assert (blind.state, blind.reason) == (JointState.LIMIT_ONLY, why)
    assert blind.probe_celsius is not None and blind.limit_celsius > blind.probe_celsius
    assert (blind.baseline_ratio, blind.settles_at_celsius, blind.seconds_to_limit) == (None, None, None)
    told = [o.alert.condition for o in outputs if isinstance(o, AlertChange)]
    assert set(told) == {Condition.NO_DATA}
    _, outputs = boats.run(state, motoring(12_000, 13_200))
    assert last(outputs).state is JointState.STEADY
