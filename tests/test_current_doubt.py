"""Bad shunts at the bus, the real pipeline above: told once, nobody accused, nothing estimated, over again.

Times are those that README states. The same defect is read finely (hundredths) and in steps of 1 A.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

import boats
import shunts
from lugwatch import current_doubt, current_rules, pipeline, replay, snapshot
from lugwatch.alert_states import Book, Verdict
from lugwatch.current_rules import Doubt, Doubted
from lugwatch.model import (
    AlertChange,
    AlertChangeKind,
    Category,
    Condition,
    Event,
    Fault,
    FaultKind,
    Quantity,
)
from lugwatch.simulator import electrics
from lugwatch.simulator.faults import PlantFault, Trouble
from shunts import MINUTE, second_passage

pytestmark = pytest.mark.slow
CLEARED = AlertChangeKind.RECTIFIED


def bad(kind: Trouble, where: str, start: float, end: float = math.inf, size: float = 1.0) -> PlantFault:
    return PlantFault(
        kind=kind, where=where, start_seconds=start * MINUTE, end_seconds=end * MINUTE, size=size
    )


def once(told: shunts.Told, channel: str, after: float, before: float) -> str:
    """The text of the one doubt of this passage; nobody else was accused of anything."""
    alerts = told.doubts()
    assert [(a.channel, a.joint, a.category) for a in alerts] == [(channel, None, Category.CAUTION)]
    (minute,) = told.minutes(Condition.CURRENT_DOUBTFUL)
    assert after <= minute <= before
    assert told.accused() == []
    assert told.minutes(Condition.COMMON_MODE) == []
    assert told.minutes(Condition.CURRENT_FAULT) == told.minutes(Condition.NO_DATA) == []
    return alerts[0].text


# ---- healthy -------------------------------------------------------------------------------------


@pytest.mark.parametrize("step_amps", [None, 0.1, 1.0])
def test_hunting_bursts_and_loads_are_believed(step_amps: float | None) -> None:
    told = second_passage(step_amps=step_amps)
    assert told.changes == []
    assert all("not believed" not in (e.reason or "") for _, e in told.estimates)


@pytest.mark.parametrize("trouble", [None, Trouble.FAN, Trouble.HATCH])
def test_a_charger_that_regulates_is_believed(
    monkeypatch: pytest.MonkeyPatch, trouble: Trouble | None
) -> None:
    """In tenths its current stands still for minutes: at its limit, then in float; a fan starts beside it."""
    shunts.learned(0.1)
    monkeypatch.setattr(electrics, "_wander", lambda *_: 0.0)
    faults = () if trouble is None else (bad(trouble, "machinery", 25.0, size=2.5),)
    told = second_passage(*faults, minutes=80.0, step_amps=0.1, bulk_seconds=2400.0, taper_seconds=400.0)
    assert told.doubts() == []


def test_a_starter_cranks_for_seconds() -> None:
    told = second_passage(
        minutes=20.0, spoil=lambda m, v: v | ({"battery": -520.0} if 0.8 <= m < 1.1 else {})
    )
    assert told.changes == []


# ---- clipped -------------------------------------------------------------------------------------


def test_a_range_that_ends_below_the_current_is_found_and_nothing_is_estimated() -> None:
    told = second_passage(bad(Trouble.SHUNT_CLIPPED, "alternator", 10.0, 35.0, size=50.0))
    once(told, "alternator", 10.0, 20.0)
    for row in told.rows("bar_alternator", 11.0, 35.0):
        assert row.current_amps is None and row.settles_at_celsius is None and row.seconds_to_limit is None
        assert (row.reason or "").startswith("its current is not believed")
        assert row.probe_celsius is not None
    # joints on other currents go on
    assert all(r.current_amps is not None for r in told.rows("bar_battery", 11.0, 35.0))
    (over,) = told.minutes(Condition.CURRENT_DOUBTFUL, CLEARED)
    assert 40.0 <= over <= 41.0
    assert told.rows("bar_alternator", 55.0, 60.0)[-1].baseline_ratio is not None


def test_a_burst_beyond_the_range_is_told_within_two_minutes_each_time_as_one() -> None:
    """The inverter draws 120 A and 90 A; the range ends at 80 A. The alert is over between the two."""
    told = second_passage(bad(Trouble.SHUNT_CLIPPED, "inverter", 0.0, size=80.0))
    minutes = told.minutes(Condition.CURRENT_DOUBTFUL)
    assert len(minutes) == 2 and 22.0 <= minutes[0] <= 24.0 and 46.0 <= minutes[1] <= 47.0
    assert "stands at 80.0 A, the end of what it can show" in told.doubts()[0].text
    assert "clamp meter" in told.doubts()[0].advice and "does not" not in told.doubts()[0].text
    assert told.minutes(Condition.CURRENT_DOUBTFUL, CLEARED)[0] == pytest.approx(32.2, abs=0.5)
    assert told.accused() == []


def test_a_current_about_the_end_of_the_range_is_one_alert_and_does_not_chatter() -> None:
    told = second_passage(bad(Trouble.SHUNT_CLIPPED, "alternator", 10.0, 50.0, size=90.0))
    once(told, "alternator", 10.0, 20.0)
    assert len(told.minutes(Condition.CURRENT_DOUBTFUL, CLEARED)) == 1


def test_both_ends_of_a_battery_shunt_clip() -> None:
    told = second_passage(bad(Trouble.SHUNT_CLIPPED, "battery", 10.0, 40.0, size=50.0))
    once(told, "battery", 10.0, 20.0)
    # discharging beyond the other end
    assert all(row.current_amps is None for row in told.rows("switch_battery", 23.5, 25.0))
    (over,) = told.minutes(Condition.CURRENT_DOUBTFUL, CLEARED)
    assert 45.0 <= over <= 46.0


def test_a_coarse_channel_at_its_rating_is_clipped() -> None:
    told = second_passage(
        step_amps=1.0, minutes=30.0, spoil=lambda m, v: v | ({"alternator": 150.0} if m >= 10 else {})
    )
    text = once(told, "alternator", 11.0, 12.0)
    assert "150.0 A" in text


def test_a_source_that_says_itself_that_it_clips_is_believed_in_that() -> None:
    morning = shunts.learned()
    told, _ = shunts.live(
        morning.state,
        shunts.motoring(40.0),
        morning.plant,
        morning.time,
        seed=7,
        flagged=lambda minute: "inverter" if 22.0 <= minute < 27.0 else None,
    )
    text = once(told, "inverter", 22.3, 23.0)
    assert "says itself" in text
    row = told.rows("inverter_positive", 23.0, 27.0)[-1]
    assert row.reason == "its current is not believed: it is at the end of its range"
    assert 32.0 <= told.minutes(Condition.CURRENT_DOUBTFUL, CLEARED)[0] <= 33.0


# ---- stuck ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("channel", ["alternator", "battery"])
def test_a_fine_channel_is_stuck_when_another_current_moves(channel: str) -> None:
    told = second_passage(bad(Trouble.SHUNT_STUCK, channel, 10.0, 35.0))
    text = once(told, channel, 10.0, 15.0)  # at minute 14 the house takes 8 A more
    assert "house, which meets it on the same metal, has moved" in text
    (over,) = told.minutes(Condition.CURRENT_DOUBTFUL, CLEARED)
    assert 40.0 <= over <= 41.0
    assert told.rows("bar_alternator", 55.0, 60.0)[-1].baseline_ratio is not None


def test_a_fine_channel_without_a_witness_is_held_back_at_once_and_told_after_ten_minutes() -> None:
    told = second_passage(
        bad(Trouble.SHUNT_STUCK, "alternator", 26.0), minutes=40.0,
        house_amps=((0.0, 12.0),), inverter_amps=((0.0, 0.8),),
    )  # fmt: skip
    assert "never stood still before" in once(told, "alternator", 36.0, 37.0)
    assert all(row.current_amps is None for row in told.rows("bar_alternator", 27.0, 40.0))


@pytest.mark.parametrize(("then_amps", "way"), [(20.0, "cooled"), (60.0, "cooled"), (130.0, "warmed")])
def test_a_coarse_channel_is_stuck_when_its_joints_say_so(then_amps: float, way: str) -> None:
    """It sticks at minute 25; at minute 30 the alternator's current changes."""
    told = second_passage(
        bad(Trouble.SHUNT_STUCK, "alternator", 25.0), step_amps=1.0,
        alternator_limit_amps=((0.0, 92.0), (30 * MINUTE, then_amps)),
    )  # fmt: skip
    text = once(told, "alternator", 30.0, 38.0)
    assert f"the joints on it have {way} as they would not at a constant current" in text
    assert told.rows("bar_alternator", 40.0, 60.0)[-1].rise_coefficient is None


def test_a_coarse_range_that_ends_below_the_current_is_found_by_the_joints() -> None:
    told = second_passage(bad(Trouble.SHUNT_CLIPPED, "alternator", 10.0, 35.0, size=50.0), step_amps=1.0)
    assert "warmed" in once(told, "alternator", 12.0, 18.0)
    # what it was taken for meanwhile is taken back
    assert told.rows("bar_alternator", 55.0, 60.0)[-1].baseline_ratio == pytest.approx(1.0, abs=0.12)


def test_a_suspicion_that_rests_on_a_doubted_current_begins_anew() -> None:
    plan = boats.begin(boats.boat(boats.joint("bar"), boats.joint("lug"))).plan
    since = {(c, f"joint {j}"): 5.0 for c in (Condition.WARMING, Condition.HOT) for j in ("bar", "lug")}
    book = Book(true_since=since)
    left = current_doubt.without_suspicion(plan, np.array([True, False]), book).true_since
    assert set(since) - set(left) == {(Condition.WARMING, "joint bar")}
    assert current_doubt.without_suspicion(plan, np.array([False, False]), book) is book


def test_a_joint_gone_bad_at_a_constant_coarse_current_is_not_the_currents_fault(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shunts.learned(1.0)
    monkeypatch.setattr(electrics, "_wander", lambda *_: 0.0)
    told = second_passage(bad(Trouble.RESISTANCE_STEP, "bar_alternator", 25.0, size=8.0), step_amps=1.0)
    assert told.doubts() == []
    assert any("bar_alternator" in who for who in told.accused())


def test_exactly_zero_is_legal() -> None:
    def at_anchor(_minute: float, values: dict[str, float]) -> dict[str, float]:
        return values | {"alternator": 0.0, "inverter": 0.0, "battery": -0.31}

    told = second_passage(minutes=60.0, spoil=at_anchor, engine=())
    assert told.changes == []


# ---- reversed ------------------------------------------------------------------------------------


def test_a_current_that_flows_one_way_is_reversed_and_its_joints_are_judged_on() -> None:
    told = second_passage(bad(Trouble.SHUNT_REVERSED, "alternator", 10.0, 35.0))
    text = once(told, "alternator", 11.0, 12.0)
    assert "configured to flow one way" in text
    assert "failed diode" in told.doubts()[0].advice and "scale = -1" in told.doubts()[0].advice
    row = told.rows("bar_alternator", 30.0, 35.0)[-1]
    assert row.reason is None and row.current_amps is not None and row.current_amps < -80.0
    assert row.baseline_ratio == pytest.approx(1.0, abs=0.12)
    assert 40.0 <= told.minutes(Condition.CURRENT_DOUBTFUL, CLEARED)[0] <= 41.0


def test_where_nobody_said_which_way_a_current_flows_nothing_is_said() -> None:
    told = second_passage(bad(Trouble.SHUNT_REVERSED, "battery", 10.0, 35.0))
    assert told.changes == []


# ---- implausible ---------------------------------------------------------------------------------


def test_beyond_one_and_a_half_times_the_rating_nothing_is_estimated() -> None:
    told = second_passage(
        spoil=lambda m, v: v | ({"alternator": 2.7 * v["alternator"]} if 10 <= m < 25 else {})
    )
    assert "its shunt is rated for 150 A" in once(told, "alternator", 10.0, 11.5)
    assert all(row.current_amps is None for row in told.rows("bar_alternator", 10.5, 25.0))
    assert 30.0 <= told.minutes(Condition.CURRENT_DOUBTFUL, CLEARED)[0] <= 31.0


def test_leaps_from_one_reading_to_the_next_are_no_current() -> None:
    def leap(minute: float, values: dict[str, float]) -> dict[str, float]:
        sign = -1.0 if 10.0 <= minute < 20.0 and round(minute * 12) % 2 else 1.0
        return values | {"alternator": sign * values["alternator"]}

    told = second_passage(minutes=40.0, spoil=leap)
    assert "leaps by more than its shunt is rated for" in once(told, "alternator", 10.0, 12.0)


def test_not_a_number_is_a_failing_current_as_before() -> None:
    told = second_passage(
        minutes=40.0, spoil=lambda m, v: v | ({"alternator": math.nan} if 10 <= m < 25 else {})
    )
    assert len(told.minutes(Condition.CURRENT_FAULT)) == 1
    assert told.doubts() == [] and told.accused() == []
    # and from the third on nothing is estimated from what it said before
    row = told.rows("bar_alternator", 10.4, 11.0)[0]
    assert row.settles_at_celsius is None


# ---- passages, restarts, rules -------------------------------------------------------------------


def alternator_amp_hours(told: shunts.Told) -> tuple[float, float]:
    passage = told.state.passages.open
    assert passage is not None and passage.start_time < told.state.window_time - 58 * 60_000
    current = passage.currents["alternator"]
    return current.amp_hours, current.max_amps


def test_a_passage_goes_on_through_a_doubt_and_counts_no_amperes_that_cannot_be() -> None:
    plain, _ = alternator_amp_hours(second_passage())
    implausible, largest = alternator_amp_hours(
        second_passage(spoil=lambda m, v: v | ({"alternator": 2.7 * v["alternator"]} if 10 <= m < 50 else {}))
    )
    # under load from minute 1.3 on
    assert implausible == pytest.approx(plain * 18.7 / 58.7, rel=0.03)
    assert largest < 120.0
    clipped, largest = alternator_amp_hours(
        second_passage(bad(Trouble.SHUNT_CLIPPED, "alternator", 0.0, size=90.0))
    )
    assert 0.9 * plain < clipped < plain and largest == 90.0


def test_a_restart_keeps_the_alert_until_the_current_moves() -> None:
    told = second_passage(bad(Trouble.SHUNT_STUCK, "alternator", 10.0), minutes=16.0)
    now, time = told.state.window_time / 1000.0, told.state.window_time
    text = snapshot.to_text(told.state, now, time)
    begun = pipeline.with_memory(
        pipeline.begin(shunts.watched_boat(), now, time), told.state.book, told.state.passages
    )
    state = snapshot.resume(begun, text, now, time)
    held = told.rows("bar_alternator", 0.0, 5.0)[-1].current_amps
    assert held is not None

    def rest(state: pipeline.State, minutes: float, amps: float) -> tuple[pipeline.State, list[str]]:
        said = []
        start = state.window_time / 1000.0
        for k in range(1, round(minutes * 12)):
            seconds = start + 5.0 * k
            milliseconds = round(seconds * 1000)
            value = amps + (0.0 if amps == held else 0.01 * (k % 7))
            for event in (
                replace(boats.scan(0.0, alternator=value), monotonic_seconds=seconds, time=milliseconds),
                replace(boats.tick(0.0), monotonic_seconds=seconds, time=milliseconds),
            ):
                state, outputs = replay.step_and_learn(state, event)
                said += [
                    o.change.value
                    for o in outputs
                    if isinstance(o, AlertChange) and o.alert.condition is Condition.CURRENT_DOUBTFUL
                ]
        return state, said

    state, said = rest(state, 20.0, held)
    assert said == []
    _, said = rest(state, 6.0, 88.0)
    assert said == [CLEARED]


@pytest.mark.parametrize(
    ("amps", "condition"), [(200.0, Condition.CURRENT_DOUBTFUL), (math.nan, Condition.CURRENT_FAULT)]
)
def test_a_joint_that_heads_for_its_limit_is_not_acquitted_by_a_current_that_is_lost(
    amps: float, condition: Condition
) -> None:
    """It rises by 20 K at 120 A. After two hours at 90 A its current becomes 150 A and it heads for 51 °C."""
    more = (150.0 / 120.0) ** 2 - (90.0 / 120.0) ** 2

    def row(k: int, amps: float) -> list[Event]:
        bar = boats.two_mode_celsius(5.0 * k, 90.0)
        if k > 1440:
            bar += more * (boats.two_mode_celsius(5.0 * (k - 1440), 120.0) - 20.0)
        read = boats.scan(5.0 * k, bar=round(bar * 16) / 16, air=20.0, alternator=amps)
        return [read, boats.tick(5.0 * k)]

    state = boats.begin(boats.boat(boats.joint("bar", limit_celsius=42.0)))
    before = [event for k in range(1488) for event in row(k, (90.0 if k <= 1440 else 150.0) + 0.5 * (k % 3))]
    state, outputs = boats.run(state, before)
    assert [o.alert.condition for o in outputs if isinstance(o, AlertChange)] == [Condition.HEADING_HOT]
    _, outputs = boats.run(state, [event for k in range(1488, 1560) for event in row(k, amps)])
    changes = [(o.change, o.alert.condition) for o in outputs if isinstance(o, AlertChange)]
    # its limit is watched on, and what it was heading for has come
    assert changes == [
        (AlertChangeKind.RAISED, condition),
        (AlertChangeKind.RAISED, Condition.HOT),
        (AlertChangeKind.MERGED, Condition.HEADING_HOT),
    ]


@pytest.mark.parametrize("doubt", list(Doubt))
def test_every_doubt_has_its_words(doubt: Doubt) -> None:
    channel = boats.channel("alternator", Quantity.AMPS)
    doubted = Doubted(doubt=doubt, amps=90.27, seconds=240.0, witness="house has moved")
    assert current_rules.reason(doubted).startswith("its current is not believed: it ")
    found = current_rules.doubtful_finding(channel, doubted, judgeable=True)
    if doubt is Doubt.HELD:
        assert found.verdict is Verdict.HOLD
        return
    assert found.verdict is Verdict.TRUE and found.channel == "alternator" and found.joint is None
    assert "alternator" in found.text and " A" in found.text
    assert "Never break the alternator's output" in found.advice or doubt is Doubt.STUCK
    assert "licensed marine electrician" in found.advice
    assert (doubt in current_rules.UNKNOWN_SIZE) == ("only limits and rates of rise" in found.advice)


def test_what_is_not_judgeable_is_held() -> None:
    channel = boats.channel("alternator", Quantity.AMPS)
    assert current_rules.doubtful_finding(channel, None, judgeable=False).verdict is Verdict.HOLD
    assert current_rules.doubtful_finding(channel, None, judgeable=True).verdict is Verdict.FALSE


def test_a_stale_current_is_not_used_until_it_speaks_again() -> None:
    state, _ = boats.run(boats.begin(boats.boat()), [boats.scan(0.0, bar=25.0, air=20.0, alternator=90.0)])
    stale = Fault(
        source="mqtt", channel="alternator", kind=FaultKind.STALE, detail="no value for 30 s",
        monotonic_seconds=30.0, time=boats.START_TIME,
    )  # fmt: skip
    state, _ = boats.run(state, [stale])
    assert current_doubt.of_joints(state.plan, state.currents, state.intake).tolist() == [True]
    state, _ = boats.run(state, [boats.scan(35.0, alternator=90.0)])
    assert current_doubt.of_joints(state.plan, state.currents, state.intake).tolist() == [False]
