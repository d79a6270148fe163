"""Gradings: a table with sources, moved by an owner, told by `check` as the watch goes by it."""

import math
from dataclasses import replace
from pathlib import Path

import pytest

import boats
from lugwatch import alert_grading, alert_rules, config, grading_words
from lugwatch.alert_grading import Thresholds
from lugwatch.alert_rules import JointFacts
from lugwatch.alert_states import Verdict
from lugwatch.errors import ConfigurationError
from lugwatch.grading_words import Basis
from lugwatch.model import Category, Grading
from test_config import GOOD, write

T = Thresholds()
SURE = JointFacts(
    joint=boats.joint("bar"),
    probe_celsius=60.0,
    loaded=True,
    ratio=1.3,
    ratio_sd=0.01,
    change_ratio=1.0,
    unrest_ratio=1.0,
    settles_celsius=65.0,
    settles_sd_kelvin=1.0,
    runaway=False,
    seconds_to_limit=None,
    rising_kelvin_per_minute=0.0,
    rising_limit_kelvin_per_minute=4.0,
)


@pytest.mark.parametrize(
    ("baseline_kelvin", "ratio", "category"),
    [
        # ANSI/NETA MTS table 100.18, similar parts under the same load: 1 to 3 K possible, 4 to 15 K
        # probable, more than 15 K a major discrepancy. A factor of a small rise is no more than possible.
        (4.0, 1.7, Category.CAUTION),  # 2.8 K more
        (8.0, 1.7, Category.WARNING),  # 5.6 K more, and surely beyond 1.6
        (30.0, 1.4, Category.CAUTION),  # 12 K more
        (45.0, 1.4, Category.WARNING),  # 18 K more
        (None, 1.7, Category.WARNING),  # its rating is not known: by its factor alone
        (None, 1.4, Category.CAUTION),
    ],
)
def test_warming_is_graded_by_factor_and_by_kelvin(
    baseline_kelvin: float | None, ratio: float, category: Category
) -> None:
    found = alert_rules.warming(replace(SURE, ratio=ratio, baseline_kelvin=baseline_kelvin), T)
    assert (found.verdict, found.category) == (Verdict.TRUE, category)


def test_a_warning_is_kept_until_a_fifth_of_it_is_gone() -> None:
    keeps = [
        alert_rules.warming(replace(SURE, ratio=ratio, baseline_kelvin=20.0), T).keeps
        for ratio in (1.7, 1.5, 1.47)
    ]
    assert keeps == [Category.WARNING, Category.WARNING, Category.CAUTION]


@pytest.mark.parametrize(
    ("left", "category", "keeps"),
    [
        (3600.0, Category.WARNING, Category.WARNING),
        (599.0, Category.WARNING, Category.ALARM),
        (300.0, Category.ALARM, Category.ALARM),
        (None, Category.WARNING, Category.WARNING),
    ],
)
def test_the_time_that_is_left_makes_an_alarm(
    left: float | None, category: Category, keeps: Category
) -> None:
    heading = replace(SURE, settles_celsius=120.0, seconds_to_limit=left)
    found = alert_rules.heading_hot(heading, T)
    assert (found.verdict, found.category, found.keeps) == (Verdict.TRUE, category, keeps)
    # 30 K to go: at 6.0 K/min it is five minutes
    rate = math.inf if left is None else 30.0 / left * 60.0
    if left is not None:
        rising = replace(SURE, rising_kelvin_per_minute=rate, rising_limit_kelvin_per_minute=0.1)
        assert alert_rules.rising_fast(rising, T).category is category


def test_an_owner_moves_a_grading_for_all_joints_or_for_one() -> None:
    mine = replace(boats.joint("bar"), grading=Grading(warming_ratio=1.3, alarm_seconds=600.0))
    boat = replace(
        boats.boat(mine, boats.joint("lug")), grading=Grading(warming_ratio=1.2, delay_seconds=90.0)
    )
    bar, lug = (alert_grading.of(boat, joint) for joint in boat.joints)
    assert (bar.warming_ratio, lug.warming_ratio) == (1.3, 1.2)
    assert bar.warming_clear_ratio == pytest.approx(1.15), "halfway back, as usual"
    assert (bar.alarm_seconds, lug.alarm_seconds, bar.delay_seconds) == (600.0, 300.0, 90.0)
    assert alert_grading.loosest([bar, lug]).warming_clear_ratio == pytest.approx(1.1)
    quiet = alert_rules.warming(replace(SURE, ratio=1.25), bar)
    told = alert_rules.warming(replace(SURE, ratio=1.25), lug)
    assert (quiet.verdict, told.verdict) == (Verdict.HOLD, Verdict.TRUE)


def test_the_configuration_moves_them_and_refuses_what_makes_no_sense(tmp_path: Path) -> None:
    text = GOOD.replace("[[probe]]", "[alerts]\nescalate_seconds = 120\nwarming_ratio = 1.2\n[[probe]]", 1)
    boat = config.load(write(tmp_path, text + "warming_warning_kelvin = 8\n")).boat
    assert boat.manners.escalate_seconds == 120.0
    graded = alert_grading.of(boat, boat.joints[0])
    assert (graded.warming_ratio, graded.warming_warning_kelvin) == (1.2, 8.0)
    with pytest.raises(ConfigurationError) as caught:
        config.load(write(tmp_path, text + "warming_warning_ratio = 1.1\nalarm_seconds = -1\n"))
    assert len(caught.value.mistakes) == 2
    assert any("is not above warming_ratio = 1.2" in m for m in caught.value.mistakes)


def test_check_tells_what_the_rules_go_by() -> None:
    """14 K at 95 A in air of 20 °C, by hand: 1.12 × 14 K is 15.7 K; copper's warming makes it 15.8 K more."""
    coefficient = 14.0 / (95.0**2 * 1.05502)  # 1 + 0.00393 × 14: settled at 34 °C
    basis = Basis(amps=95.0, air_celsius=20.0, rise_coefficient=coefficient, rise_coefficient_sd=1e-9)
    lines = grading_words.explained(boats.joint("bar"), T, basis)
    assert lines[0] == "at 95 A its baseline rise is 14.0 ± 0.0 K: 34 °C in air of 20 °C"
    assert lines[1] == "caution: beyond 1.12 × that, 15.8 K → 36 °C, beyond doubt for 60 s"
    # 1.6 × the heating: 21.23 / (1 − 0.00393 × 21.23) = 23.2 K
    assert lines[2] == "warning: surely beyond 1.60 × (by its factor), 23.2 K → 43 °C"
    # 70 K / (1 + 0.00393 × 70) = 54.9 K of heating at 20 °C, against 13.27 K
    assert lines[3] == "its limit of 90 °C: 4.1 × its baseline rise at 95 A, or 193 A as it is"
    assert grading_words.amps_to(90.0, coefficient, 20.0) == pytest.approx(
        95.0 * math.sqrt(70.0 / 1.2751 / (14.0 / 1.05502)), rel=1e-4
    )
    assert "300 s or less to go" in lines[4] or "5 min or less to go" in lines[4]


def test_what_is_told_agrees_with_the_rule_at_its_edge() -> None:
    coefficient = 20.0 / 120.0**2
    joint = boats.joint("bar")
    basis = Basis(amps=120.0, air_celsius=20.0, rise_coefficient=coefficient, rise_coefficient_sd=1e-9)
    told = grading_words.explained(joint, T, basis)[2]
    ratio = float(told.split("beyond ")[1].split(" ×")[0])
    kelvin = grading_words.settles_celsius(coefficient, 120.0, 20.0) - 20.0
    below, above = (
        alert_rules.warming(replace(SURE, ratio=r, ratio_sd=1e-6, baseline_kelvin=kelvin), T).category
        for r in (ratio - 0.01, ratio + 0.01)
    )
    assert (below, above) == (Category.CAUTION, Category.WARNING)


def test_without_baseline_air_or_current_it_says_so() -> None:
    basis = Basis(amps=120.0, air_celsius=20.0)
    assert "no baseline yet" in grading_words.explained(boats.joint("bar"), T, basis)[0]
    lonely = grading_words.explained(boats.joint("bar", air=None), T, basis)
    assert lonely[0].startswith("no air is configured") and lonely[-1].startswith("alarm: at 90 °C")
    hot = Basis(amps=120.0, air_celsius=95.0, rise_coefficient=1e-3)
    assert any("without any current" in line for line in grading_words.explained(boats.joint("bar"), T, hot))
