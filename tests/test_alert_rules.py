"""Each rule at its edges: what sets a condition, what clears it, and what it does not know."""

from dataclasses import replace

import pytest

import boats
from lugwatch import alert_channels, alert_rules
from lugwatch.alert_rules import JointFacts, Thresholds
from lugwatch.alert_states import Verdict
from lugwatch.model import Category, Channel, Quantity

T = Thresholds()
STEADY = JointFacts(
    joint=boats.joint("bar"),
    probe_celsius=40.0,
    loaded=True,
    ratio=1.0,
    ratio_sd=0.05,
    change_ratio=1.0,
    unrest_ratio=1.0,
    settles_celsius=45.0,
    settles_sd_kelvin=1.0,
    runaway=False,
    seconds_to_limit=None,
    rising_kelvin_per_minute=0.0,
    rising_limit_kelvin_per_minute=4.0,
)


def test_a_steady_joint_sets_nothing() -> None:
    assert {rule(STEADY, T).verdict for rule in alert_rules.JOINT_RULES} == {Verdict.FALSE}


@pytest.mark.parametrize(
    ("ratio", "sd", "change", "verdict", "category"),
    [
        (1.30, 0.05, 1.0, Verdict.TRUE, Category.CAUTION),  # 6.8 deviations
        (1.30, 0.10, 1.0, Verdict.HOLD, Category.CAUTION),  # 3.4 deviations: neither certain nor gone
        (1.10, 0.01, 1.0, Verdict.HOLD, Category.CAUTION),  # certain, and too little to say
        (1.05, 0.05, 1.0, Verdict.FALSE, Category.CAUTION),
        (1.05, 0.05, 1.2, Verdict.TRUE, Category.CAUTION),  # a change in this passage
        (2.50, 0.30, 1.0, Verdict.TRUE, Category.WARNING),
        (1.80, 0.10, 1.0, Verdict.TRUE, Category.WARNING),
        (1.70, 0.10, 1.0, Verdict.TRUE, Category.CAUTION),  # 1 deviation beyond +60 %
    ],
)
def test_warming(ratio: float, sd: float, change: float, verdict: Verdict, category: Category) -> None:
    facts = replace(STEADY, ratio=ratio, ratio_sd=sd, change_ratio=change)
    found = alert_rules.warming(facts, T)
    assert (found.verdict, found.category) == (verdict, category)
    assert alert_rules.warming(replace(facts, loaded=False), T).verdict is Verdict.HOLD


def test_much_more_is_said_as_a_factor() -> None:
    facts = replace(STEADY, ratio=28.0, ratio_sd=4.0)
    assert "heats 28 times (21 to 37) what its baseline does" in alert_rules.warming(facts, T).text


def test_warming_that_others_in_its_air_show_too_is_none_of_its_own() -> None:
    facts = replace(STEADY, ratio=1.4, ratio_sd=0.05)
    assert alert_rules.warming(facts, T).verdict is Verdict.TRUE
    assert alert_rules.warming(replace(facts, company_ratio=1.3), T).verdict is Verdict.HOLD
    assert alert_rules.warming(replace(facts, company_ratio=1.05), T).verdict is Verdict.TRUE


def test_warming_beside_a_far_worse_neighbour_waits_but_a_change_of_its_own_does_not() -> None:
    facts = replace(STEADY, ratio=1.4, ratio_sd=0.05, shadowed=True)
    assert alert_rules.warming(facts, T).verdict is Verdict.HOLD
    assert alert_rules.warming(replace(facts, change_ratio=1.3), T).verdict is Verdict.TRUE


def test_an_air_that_is_misread_is_said_at_once_and_with_its_size() -> None:
    air = Channel(channel="air", quantity=Quantity.CELSIUS, name="Locker air", source=None)
    found = alert_channels.common_finding(air, 0, -3.1, 8)
    assert (found.verdict, found.joint, found.channel) == (Verdict.TRUE, None, "air")
    assert found.on_delay_seconds == 0.0
    assert "Locker air reads about 3 K colder than the 8 joints" in found.text
    assert alert_channels.common_finding(air, 0, 0.3, 8).verdict is Verdict.FALSE


def test_warming_without_a_baseline_goes_by_the_change_alone() -> None:
    unknown = replace(STEADY, ratio=None, ratio_sd=None)
    assert alert_rules.warming(unknown, T).verdict is Verdict.HOLD
    found = alert_rules.warming(replace(unknown, change_ratio=1.25), T)
    assert found.verdict is Verdict.TRUE
    assert "about +25 % against what it did earlier on this passage" in found.text


@pytest.mark.parametrize(
    ("unrest", "verdict"),
    [(3.1, Verdict.TRUE), (2.0, Verdict.HOLD), (1.4, Verdict.FALSE), (None, Verdict.HOLD)],
)
def test_intermittent(unrest: float | None, verdict: Verdict) -> None:
    facts = replace(STEADY, unrest_ratio=unrest)
    assert alert_rules.intermittent(facts, T).verdict is verdict
    # the filter that runs after a joint gone bad is restless too
    assert alert_rules.intermittent(replace(facts, ratio=2.0), T).verdict is Verdict.HOLD


@pytest.mark.parametrize(
    ("ratio", "sd", "verdict"),
    [
        (0.1, 0.05, Verdict.TRUE),
        (0.3, 0.25, Verdict.HOLD),  # may still be 0.8
        (0.5, 0.02, Verdict.HOLD),
        (0.8, 0.05, Verdict.FALSE),
        (None, None, Verdict.HOLD),
    ],
)
def test_probe_off_joint(ratio: float | None, sd: float | None, verdict: Verdict) -> None:
    assert alert_rules.probe_off_joint(replace(STEADY, ratio=ratio, ratio_sd=sd), T).verdict is verdict


def test_a_probe_that_came_off_shows_no_rise_and_is_told_all_the_same() -> None:
    """What its baseline would make visible counts, and not what is left of it."""
    off = replace(STEADY, ratio=-0.1, ratio_sd=0.05, loaded=False)
    assert alert_rules.probe_off_joint(off, T).verdict is Verdict.TRUE
    assert alert_rules.probe_off_joint(replace(off, expected=False), T).verdict is Verdict.HOLD
    more = replace(STEADY, ratio=1.5, ratio_sd=0.02, change_ratio=1.5)
    assert alert_rules.warming(more, T).verdict is Verdict.TRUE
    assert alert_rules.warming(replace(more, beside_lost=True), T).verdict is Verdict.HOLD
    going = replace(STEADY, ratio=0.5, ratio_sd=0.05, unrest_ratio=9.0)
    assert alert_rules.intermittent(going, T).verdict is Verdict.HOLD, "no contact comes and goes there"


def test_what_is_common_names_the_air_or_the_shunt_and_no_joint() -> None:
    air = Channel(channel="air", quantity=Quantity.CELSIUS, name="locker", source=None)
    amps = Channel(channel="alternator", quantity=Quantity.AMPS, name="alternator", source=None)
    for channel, word in ((air, "air probe"), (amps, "clamp meter")):
        found = alert_channels.common_finding(channel, -1, 0.0, 4)
        assert (found.verdict, found.joint, found.channel) == (Verdict.TRUE, None, channel.channel)
        assert "less than before" in found.text and word in found.advice
        assert alert_channels.common_finding(channel, 0, 0.0, 4).verdict is Verdict.FALSE
