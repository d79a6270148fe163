"""A boat without air and current at any joint: watched by limit and rate of rise, and nothing else fails."""

from dataclasses import replace

import boats
from lugwatch import pipeline
from lugwatch.model import AlertChange, Boat


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
