"""Kinds of the field that a boat has to live through: bad shunts, air that misleads, probes that come off.

The invented boat at her buses, the real pipeline above; see DEVELOPERS.md.
"""

import math

import pytest

import boats
import shunts
from lugwatch.model import AlertChange, AlertChangeKind, Condition, Estimate, Event, JointState
from lugwatch.simulator.air import Weather
from lugwatch.simulator.faults import PlantFault, Trouble
from shunts import second_passage
from test_current_doubt import bad, once

pytestmark = pytest.mark.slow
ENGINE_STOPS = 30.0


def dead_at(minute: float, channel: str, until: float = math.inf) -> shunts.Spoil:
    def spoil(at: float, values: dict[str, float]) -> dict[str, float]:
        return values | ({channel: 0.0} if minute <= at < until else {})

    return spoil


# ---- a chip that lost its settings says 0 A and no error -------------------------------------------


@pytest.mark.parametrize("step_amps", [None, 1.0])
def test_a_current_that_falls_to_zero_while_its_joints_stay_warm_is_told(step_amps: float | None) -> None:
    told = second_passage(step_amps=step_amps, spoil=dead_at(25.0, "alternator", until=45.0))
    text = once(told, "alternator", 26.0, 32.0)
    assert "exactly 0.00 A" in text and "stay warm as they would not without a current" in text
    rows = told.rows("bar_alternator", 33.0, 45.0)
    assert rows and all(e.reason is not None and "stuck at 0.00 A" in e.reason for e in rows)
    assert told.minutes(Condition.CURRENT_DOUBTFUL, AlertChangeKind.RECTIFIED)


@pytest.mark.parametrize("step_amps", [None, 1.0])
def test_a_current_that_truly_ends_at_zero_is_believed(step_amps: float | None) -> None:
    """The engine stops, its heat soaks into the joints, and a node with a dead band says exactly 0."""
    told = second_passage(
        minutes=75.0, step_amps=step_amps, spoil=dead_at(ENGINE_STOPS, "alternator"),
        engine=((60.0, 1.0), (ENGINE_STOPS * 60.0, 0.0)),
    )  # fmt: skip
    assert told.doubts() == []
    assert told.accused() == []


# ---- the rise over the air is wrong, and no contact is ------------------------------------------------


@pytest.mark.parametrize(
    "fault",
    [
        bad(Trouble.AIR_PROBE_DRAUGHT, "air_locker", 20.0, size=4.0),  # too cold
        bad(Trouble.AIR_PROBE_DRAUGHT, "air_machinery", 20.0, 50.0, size=-8.0),  # in the sun
        bad(Trouble.PROBE_DEAD, "air_machinery", 20.0),
        bad(Trouble.HATCH, "machinery", 20.0),
    ],
    ids=["cold air probe", "air probe in the sun", "dead air probe", "hatch"],
)
def test_no_contact_is_accused_of_what_its_air_does(fault: PlantFault) -> None:
    told = second_passage(fault)
    assert told.accused() == []
    conditions = {alert.condition for _, _, alert in told.changes}
    assert conditions <= {Condition.COMMON_MODE, Condition.NO_DATA}
    if fault.kind is Trouble.PROBE_DEAD:
        assert Condition.NO_DATA in conditions
        rows = told.rows("fuse_alternator_in", 25.0, 60.0)
        assert rows and all(e.reason == "the air around it is not being read" for e in rows)
        assert all(e.reference_celsius is e.rise_kelvin is e.resistance_ohms is None for e in rows)
        assert all(e.settles_at_celsius is None for e in rows)


@pytest.mark.parametrize("warmest_hour", [9.0, 21.0])
def test_weather_without_load_accuses_no_joint(warmest_hour: float) -> None:
    """More than 18 K warmer, or colder, within two hours at anchor: no climate does more."""
    told = second_passage(
        minutes=120.0, engine=(), inverter_amps=((0.0, 0.8),),
        weather=Weather(mean_celsius=18.0, swing_kelvin=34.0, warmest_seconds=warmest_hour * 3600.0),
    )  # fmt: skip
    assert told.accused() == []
    assert {alert.condition for _, _, alert in told.changes} <= {Condition.COMMON_MODE}


@pytest.mark.parametrize("joint", ["bar_alternator", "fuse_alternator_in"])
def test_a_probe_that_came_off_under_load_is_told_as_such(joint: str) -> None:
    """It shows the air from one minute to the next, and the current flows on."""
    told = second_passage(bad(Trouble.PROBE_OFF, joint, 20.0), minutes=40.0)
    raised = [
        (minute, alert.joint)
        for minute, kind, alert in told.changes
        if kind is AlertChangeKind.RAISED and alert.condition is Condition.PROBE_OFF_JOINT
    ]
    assert [name for _, name in raised] == [joint]
    assert raised[0][0] < 25.0
    assert [line for line in told.accused() if "probe_off_joint" not in line] == []
    rows = told.rows(joint, 30.0, 40.0)
    assert rows and all(e.state is JointState.PROBE_OFF for e in rows)
    assert not any("learning" in (e.reason or "") for e in rows)


def test_a_load_of_ninety_seconds_makes_no_figure() -> None:
    """Of a joint that was never loaded before: too short to know what it settles at."""
    events: list[Event] = []
    for k in range(900):
        seconds = 2.0 * k
        amps = 110.0 if 600.0 <= seconds < 690.0 else 0.3
        since = max(0.0, min(seconds - 600.0, 90.0))
        rise = boats.two_mode_celsius(since, 110.0) - 20.0 if seconds >= 600.0 else 0.0
        cooling = math.exp(-max(0.0, seconds - 690.0) / 240.0)
        events += [
            boats.scan(seconds, bar=20.0 + rise * cooling, air=20.0, alternator=amps),
            boats.tick(seconds),
        ]
    _, outputs = boats.run(boats.begin(boats.boat()), events)
    told = [o for o in outputs if isinstance(o, Estimate)]
    assert len(told) > 50
    assert all(e.resistance_ohms is None and e.baseline_ratio is None for e in told)
    assert [o for o in outputs if isinstance(o, AlertChange)] == []
