"""The core as a whole: the same events give the same outputs, and what is not known is not invented."""

import itertools
import json
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import boats
from boats import motoring
from lugwatch import pipeline, snapshot
from lugwatch.model import (
    AlertChange,
    AlertChangeKind,
    AlertMemory,
    Category,
    Condition,
    CrewAction,
    CrewDeed,
    Estimate,
    Event,
    Fault,
    FaultKind,
    JointState,
    Passage,
    Quantity,
    Scan,
    SourceHealth,
)


def changes(outputs: list[Any]) -> list[tuple[AlertChangeKind, Condition]]:
    return [(o.change, o.alert.condition) for o in outputs if isinstance(o, AlertChange)]


def estimates(outputs: list[Any], joint: str = "bar") -> list[Estimate]:
    return [o for o in outputs if isinstance(o, Estimate) and o.joint == joint]


def test_a_sound_joint_is_learned_and_nothing_is_said() -> None:
    _, outputs = boats.run(boats.begin(boats.boat()), motoring(0, 7200))
    assert changes(outputs) == []
    last = estimates(outputs)[-1]
    assert last.state is JointState.STEADY
    assert last.rise_coefficient is not None and last.rise_coefficient_sd is not None
    # 20 K at 120 A; copper's own warming takes some per cent of it off the cold coefficient
    expected = 20.0 / 120.0**2
    assert abs(last.rise_coefficient - expected) < 2.5 * last.rise_coefficient_sd
    assert last.rise_coefficient_sd < 0.15 * expected
    assert last.settles_at_celsius == pytest.approx(20.0 + 20.0 * (90 / 120) ** 2, abs=1.5)
    assert last.seconds_to_limit is None, "never at this current"
    assert last.baseline_ratio == pytest.approx(1.0, abs=0.08)


def test_a_joint_that_doubles_is_announced_as_warming_and_then_worse() -> None:
    state, outputs = boats.run(boats.begin(boats.boat()), motoring(0, 7200))

    def worse() -> Iterator[Event]:
        for k in range(720):
            seconds = 7200 + 5.0 * k
            # its contact triples within half an hour
            more = 24.0 * (90 / 120) ** 2 * (1.0 - math.exp(-5.0 * k / 900.0))
            probe = boats.two_mode_celsius(seconds, 90.0) + more
            yield boats.scan(seconds, bar=round(probe * 16) / 16, air=20.0, alternator=90.0)
            yield boats.tick(seconds)

    _, outputs = boats.run(state, worse())
    said = [o for o in outputs if isinstance(o, AlertChange)]
    assert said[0].alert.condition is Condition.WARMING
    assert said[0].alert.category is Category.CAUTION
    assert (said[0].time - boats.START_TIME) / 1000 - 7200 < 600, "within ten minutes"
    worst = max(said, key=lambda change: change.alert.category is Category.WARNING)
    assert worst.change is AlertChangeKind.WORSENED and worst.alert.condition is Condition.WARMING
    assert "against its baseline" in worst.alert.text
    assert "Never break the alternator's output" in said[0].alert.advice


def test_no_reading_is_said_by_the_clock_alone() -> None:  # C04
    state, _ = boats.run(boats.begin(boats.boat()), motoring(0, 600))
    _, outputs = boats.run(state, [boats.tick(600.0 + s) for s in range(0, 400, 5)])
    silent = estimates(outputs)[-1]
    assert silent.state is JointState.SILENT
    assert silent.probe_celsius is None and silent.rise_kelvin is None and silent.current_amps is None
    assert silent.probe_time == boats.START_TIME + 595_000
    told = [o.alert for o in outputs if isinstance(o, AlertChange)]
    assert {a.condition for a in told} == {Condition.NO_DATA}
    # all sources at one moment are their supply: one alert, not one for each probe, nor for each bus
    assert [(a.joint, a.channel) for a in told] == [(None, None)] * 2, "said, and after 5 min said again"
    assert told[0].text == "Nothing at all is read of 3 channels: the last reading is 85 s old."


def test_one_silent_probe_accuses_nobody_else() -> None:
    two = boats.boat(boats.joint("bar"), boats.joint("lug"))
    events: list[Event] = []
    for k in range(400):
        values = {"air": 20.0, "alternator": 0.0, "lug": 21.0}
        if k < 100:
            values["bar"] = 21.0
        events += [boats.scan(5.0 * k, **values), boats.tick(5.0 * k)]
    _, outputs = boats.run(boats.begin(two), events)
    told = [o for o in outputs if isinstance(o, AlertChange)]
    assert {(o.alert.condition, o.alert.joint) for o in told} == {(Condition.NO_DATA, "bar")}
    # 25 minutes without an answer: said again, no more than that
    kinds = [AlertChangeKind.RAISED, AlertChangeKind.REPEATED, AlertChangeKind.REPEATED]
    assert [o.change for o in told] == kinds
    assert estimates(outputs, "lug")[-1].state is JointState.NO_LOAD


def test_a_missing_value_never_clears_an_alarm() -> None:  # C13
    hot = [boats.scan(s, bar=95.0, air=20.0, alternator=90.0) for s in range(0, 120, 5)]
    state, outputs = boats.run(
        boats.begin(boats.boat()), [e for s in hot for e in (s, boats.tick(s.monotonic_seconds))]
    )
    assert (AlertChangeKind.RAISED, Condition.HOT) in changes(outputs)
    _, outputs = boats.run(state, [boats.tick(120.0 + 5 * k) for k in range(400)])
    assert (AlertChangeKind.RECTIFIED, Condition.HOT) not in changes(outputs)


def test_a_temperature_on_the_limit_is_one_alarm() -> None:  # C15
    events: list[Event] = []
    for k in range(240):
        bar = 89.9 if k % 2 else 90.1
        values = {"air": 20.0, "alternator": 0.0} | ({"bar": bar} if k % 3 else {})
        events += [boats.scan(5.0 * k, **values), boats.tick(5.0 * k)]
    _, outputs = boats.run(boats.begin(boats.boat()), events)
    hot = [change for change, condition in changes(outputs) if condition is Condition.HOT]
    assert hot == [AlertChangeKind.RAISED, AlertChangeKind.REPEATED, AlertChangeKind.REPEATED], "of 20 min"


@pytest.mark.parametrize("value", [math.nan, math.inf, 3.4e38, -400.0, 1e6])
def test_a_number_that_no_probe_can_have_measured_is_a_fault(value: float) -> None:
    state, outputs = boats.run(boats.begin(boats.boat()), [boats.scan(0.0, bar=value, air=20.0)])
    faults = [o for o in outputs if isinstance(o, Fault)]
    assert [f.channel for f in faults] == ["bar"]
    assert faults[0].kind in (FaultKind.NOT_FINITE, FaultKind.IMPLAUSIBLE)
    assert [o.values for o in outputs if isinstance(o, Scan)] == [(("air", 20.0),)]
    assert math.isnan(state.intake.value[0])


def test_repeated_faults_of_a_probe_are_one_alert_that_ends_with_the_first_reading() -> None:
    def fault(seconds: float) -> Fault:
        return Fault(
            source="onewire", channel="bar", kind=FaultKind.NO_CONVERSION, detail="it had not measured",
            monotonic_seconds=seconds, time=boats.START_TIME + round(seconds * 1000),
        )  # fmt: skip

    events: list[Event] = []
    for k in range(60):
        seconds = 5.0 * k
        events.append(boats.scan(seconds, air=20.0, alternator=0.0))
        events.append(fault(seconds) if 10 <= k < 40 else boats.scan(seconds, bar=20.0))
        events.append(boats.tick(seconds))
    _, outputs = boats.run(boats.begin(boats.boat()), events)
    assert changes(outputs) == [
        (AlertChangeKind.RAISED, Condition.PROBE_FAULT),
        (AlertChangeKind.RECTIFIED, Condition.PROBE_FAULT),
    ]
    health = [o for o in outputs if isinstance(o, SourceHealth) and o.source == "onewire"]
    assert health[-1].faults_count == 30
    assert health[-1].last_fault == "no_conversion: it had not measured"


def test_a_single_fault_is_recorded_and_not_an_alert() -> None:  # C01
    fault = Fault(
        source="onewire", channel="bar", kind=FaultKind.NO_CONVERSION, detail="", monotonic_seconds=1.0,
        time=boats.START_TIME,
    )  # fmt: skip
    state, outputs = boats.run(boats.begin(boats.boat()), [fault])
    assert outputs == [fault]
    _, outputs = boats.run(state, motoring(5, 300))
    assert changes(outputs) == []


@pytest.mark.parametrize("amps", [0.0, 0.02, -0.03, 1e-9, 9.0])
def test_no_resistance_from_almost_no_current(amps: float) -> None:  # C24
    events = [
        e for k in range(720) for e in (
            boats.scan(5.0 * k, bar=20.4, air=20.0, alternator=amps), boats.tick(5.0 * k),
        )
    ]  # fmt: skip
    _, outputs = boats.run(boats.begin(boats.boat()), events)
    last = estimates(outputs)[-1]
    assert last.rise_coefficient is None and last.baseline_ratio is None
    assert last.reason == "not enough current now to judge"
    assert last.state is JointState.NO_LOAD


def test_charging_and_discharging_heat_alike() -> None:
    _, forward = boats.run(boats.begin(boats.boat()), motoring(0, 3600, amps=90.0))
    backward_events = [
        replace(e, values=tuple((c, -v if c == "alternator" else v) for c, v in e.values))
        if hasattr(e, "values") else e
        for e in motoring(0, 3600, amps=90.0)
    ]  # fmt: skip
    _, backward = boats.run(boats.begin(boats.boat()), backward_events)
    assert estimates(forward)[-1].rise_coefficient == estimates(backward)[-1].rise_coefficient


def test_probes_and_currents_may_tick_at_their_own_rates() -> None:
    """A burst between two probe readings heats by its I², however it falls on the windows."""
    events: list[Event] = []
    for s in range(3600):
        amps = 120.0 if (s // 7) % 2 else 40.0
        values = {"alternator": amps}
        if s % 5 == 0:
            mean_square = (120.0**2 + 40.0**2) / 2.0
            probe = boats.two_mode_celsius(float(s), math.sqrt(mean_square))
            values |= {"bar": probe, "air": 20.0}
        events += [boats.scan(float(s), **values), boats.tick(float(s))]
    _, outputs = boats.run(boats.begin(boats.boat()), events)
    last = estimates(outputs)[-1]
    assert last.rise_coefficient == pytest.approx(20.0 / 120.0**2, rel=0.2)


def test_a_joint_without_air_is_watched_by_limit_and_rate_alone() -> None:
    lonely = boats.boat(boats.joint("bar", air=None))
    events: list[Event] = []
    for k in range(60):
        events += [boats.scan(5.0 * k, bar=25.0 + 0.8 * k, alternator=90.0), boats.tick(5.0 * k)]
    _, outputs = boats.run(boats.begin(lonely), events)
    last = estimates(outputs)[-1]
    assert last.rise_coefficient is None and last.reference_celsius is None
    assert 'air = "none"' in (last.reason or "")
    # 0.8 K in 5 s is 9.6 K/min
    assert (AlertChangeKind.RAISED, Condition.RISING_FAST) in changes(outputs)


def test_acknowledging_is_an_event_like_any_other() -> None:
    hot = [boats.scan(s, bar=95.0, air=20.0, alternator=0.0) for s in range(0, 120, 5)]
    state, outputs = boats.run(
        boats.begin(boats.boat()), [e for s in hot for e in (s, boats.tick(s.monotonic_seconds))]
    )
    raised = next(o for o in outputs if isinstance(o, AlertChange))
    seen = CrewAction(
        deed=CrewDeed.ACKNOWLEDGE, alert_id=raised.alert.alert_id, who="phone", monotonic_seconds=130.0,
        time=boats.START_TIME + 130_000,
    )  # fmt: skip
    _, outputs = pipeline.step(state, seen)
    change, kept = outputs
    assert isinstance(change, AlertChange) and change.alert.acknowledged_by == "phone"
    assert change.who == "phone" and isinstance(kept, AlertMemory)


def test_a_passage_counts_its_ampere_hours_and_ends_after_the_pause() -> None:
    state, _ = boats.run(boats.begin(boats.boat()), motoring(0, 7200, amps=90.0))
    idle = [
        e for k in range(800) for e in (
            boats.scan(7200 + 5.0 * k, bar=25.0, air=20.0, alternator=0.0), boats.tick(7200 + 5.0 * k),
        )
    ]  # fmt: skip
    _, outputs = boats.run(state, idle)
    closed = [o for o in outputs if isinstance(o, Passage) and o.end_time is not None]
    assert len(closed) == 1
    assert closed[0].amp_hours == pytest.approx(180.0, rel=0.01)
    assert closed[0].max_amps == 90.0
    assert closed[0].joints["bar"].rise_coefficient is not None
    assert closed[0].start_time == boats.START_TIME
    assert closed[0].end_time == pytest.approx(boats.START_TIME + 7_200_000, abs=15_000)


def test_a_restart_goes_on_as_if_there_had_been_none() -> None:
    events = list(motoring(0, 6000))
    cut = 2 * 900 + 2  # a whole number of windows, after the first hour was learned from
    through, _ = boats.run(boats.begin(boats.boat()), events)
    first, _ = boats.run(boats.begin(boats.boat()), events[:cut])
    now = events[cut - 1]
    text = snapshot.to_text(first, now.monotonic_seconds, now.time)
    begun = pipeline.begin(boats.boat(), now.monotonic_seconds, now.time)
    second, _ = boats.run(snapshot.resume(begun, text, now.monotonic_seconds, now.time), events[cut:])
    assert second.baseline.rise_kelvin[0] == pytest.approx(through.baseline.rise_kelvin[0], rel=0.01)
    assert second.tracked.mean[0, 2] == pytest.approx(through.tracked.mean[0, 2], rel=0.02, abs=0.1)
    assert second.passages.open is not None and through.passages.open is not None
    assert second.passages.open.amp_hours == pytest.approx(through.passages.open.amp_hours, rel=0.01)


def test_after_a_reboot_the_modes_are_unknown_and_the_baseline_is_kept() -> None:
    state, _ = boats.run(boats.begin(boats.boat()), motoring(0, 7200))
    text = snapshot.to_text(state, 7200.0, boats.START_TIME + 7_200_000)
    # three hours later by the wall, forty seconds after boot by the monotonic clock
    later = boats.START_TIME + 18_000_000
    resumed = snapshot.resume(pipeline.begin(boats.boat(), 40.0, later), text, 40.0, later)
    assert resumed.baseline.rise_kelvin[0] == state.baseline.rise_kelvin[0]
    assert math.isinf(resumed.tracked.stepped[0])
    _, outputs = boats.run(
        resumed,
        [
            e for k in range(300) for e in (
                boats.scan(40.0 + 5.0 * k, bar=20.0, air=20.0, alternator=0.0), boats.tick(40.0 + 5.0 * k),
            )
        ],
    )  # fmt: skip
    assert changes(outputs) == []


@pytest.mark.parametrize("text", ["", "{}", "[]", "nonsense", '{"version": 99}'])
def test_a_snapshot_of_somebody_else_is_left_aside(text: str) -> None:
    state = boats.begin(boats.boat())
    resumed = snapshot.resume(state, text, 0.0, 0)
    assert snapshot.to_text(resumed, 0.0, 0) == snapshot.to_text(state, 0.0, 0)


_values = st.floats(allow_nan=True, allow_infinity=True, width=32)
_events = st.one_of(
    st.builds(lambda v, dt: (dt, {"bar": v}), _values, st.floats(0.0, 5000.0)),
    st.builds(lambda v, dt: (dt, {"alternator": v, "air": 20.0}), _values, st.floats(0.0, 5000.0)),
    st.builds(lambda dt: (dt, {}), st.floats(-100.0, 1e6)),
)


@given(st.lists(_events, max_size=40))
@settings(deadline=None, max_examples=150)
def test_no_events_however_odd_raise_or_give_a_number_that_is_none(story: list[Any]) -> None:
    state, now = boats.begin(boats.boat()), 0.0
    for dt, values in story:
        now += dt
        for event in (boats.scan(now, **values), boats.tick(now)):
            state, outputs = pipeline.step(state, event)
            for output in outputs:
                if isinstance(output, Estimate):
                    numbers = [
                        v for v in (getattr(output, f) for f in output.__slots__) if isinstance(v, float)
                    ]
                    assert all(math.isfinite(v) for v in numbers)
    assert snapshot.to_text(state, now, 0)


def test_the_same_events_give_the_same_outputs() -> None:
    first = boats.run(boats.begin(boats.boat()), motoring(0, 2000))[1]
    second = boats.run(boats.begin(boats.boat()), motoring(0, 2000))[1]
    assert first == second and len(first) > 100


def test_arrays_of_an_old_state_are_not_changed_by_later_steps() -> None:
    state, _ = boats.run(boats.begin(boats.boat()), itertools.islice(motoring(0, 2000), 300))
    before = snapshot.to_text(state, 0.0, 0)
    boats.run(state, motoring(800, 1500))
    assert snapshot.to_text(state, 0.0, 0) == before


def test_a_current_and_a_joint_may_share_a_name() -> None:
    both = boats.boat(boats.joint("alternator", probe="alternator_probe"))
    assert both.channels[0].quantity is Quantity.CELSIUS
    air = [e for k in range(60) for e in (boats.scan(5.0 * k, air=20.0), boats.tick(5.0 * k))]
    _, outputs = boats.run(boats.begin(both), air)
    assert len({(o.alert.joint, o.alert.channel) for o in outputs if isinstance(o, AlertChange)}) == 2


def test_a_joint_that_is_added_after_learning_is_begun_with_and_saved() -> None:
    state, _ = boats.run(boats.begin(boats.boat()), motoring(0, 7200))
    text = snapshot.to_text(state, 7200.0, boats.START_TIME + 7_200_000)
    larger = boats.boat(boats.joint("bar"), boats.joint("fuse"))
    begun = pipeline.begin(larger, 7200.0, boats.START_TIME + 7_200_000)
    resumed = snapshot.resume(begun, text, 7200.0, boats.START_TIME + 7_200_000)
    assert resumed.baseline.rise_kelvin[0] == state.baseline.rise_kelvin[0]

    def both() -> Iterator[Event]:
        for k in range(240):
            seconds = 7200 + 5.0 * k
            celsius = round(boats.two_mode_celsius(seconds, 90.0) * 16) / 16
            yield boats.scan(seconds, bar=celsius, fuse=celsius + 8.0, air=20.0, alternator=90.0)
            yield boats.tick(seconds)

    later, outputs = boats.run(resumed, both())
    assert changes(outputs) == []
    # what is not known of the new joint is null, in a text that is JSON
    again = json.loads(snapshot.to_text(later, 8400.0, boats.START_TIME + 8_400_000))["joints"]
    assert again["fuse"]["calm"] is None and again["bar"]["calm"] is not None
