"""A climb under an even load is told; another load, what all share and a neighbour's heat are not."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from lugwatch import alert_rules, climb
from lugwatch.alert_states import Verdict
from lugwatch.model import Condition
from test_alert_rules import STEADY

Array = NDArray[np.float64]
WINDOW_SECONDS = 10.0
ALL = np.ones(4, dtype=bool)
NOBODY = np.zeros((4, 4), dtype=bool)
LEARNED_TWICE = np.full(4, 3)


def lived(rise: Array, heating: Array, judged: NDArray[np.bool_] | None = None) -> tuple[climb.Watch, Array]:
    """(windows, joints) each; the largest ratio of each joint."""
    watch, largest = climb.empty(rise.shape[1]), np.ones(rise.shape[1])
    for k in range(len(rise)):
        here = np.ones(rise.shape[1], dtype=bool) if judged is None else judged[k]
        watch = climb.step(watch, rise[k], heating[k], here, WINDOW_SECONDS)
        largest = np.maximum(largest, watch.ratio)
    return watch, largest


def hours(length: float) -> Array:
    return np.asarray(np.arange(round(length * 3600.0 / WINDOW_SECONDS)) * WINDOW_SECONDS / 3600.0)


def growing(per_hour: float, start: float = 1.0, length: float = 3.0, joints: int = 4, who: int = 0) -> Array:
    """β of 20 K, one of which grows by this share in an hour."""
    rise = np.full((len(hours(length)), joints), 20.0)
    rise[:, who] *= 1.0 + per_hour * np.maximum(hours(length) - start, 0.0)
    return rise


def found(rise: Array, heating: float = 0.5, **changes: object) -> climb.Found:
    watch, _ = lived(rise, np.full_like(rise, heating))
    asked: dict[str, object] = {
        "rise_now_kelvin": rise[-1] * heating,
        "visible": ALL,
        "learned": np.ones(4),
        "stage": LEARNED_TWICE,
        "groups": np.zeros((1, 4), dtype=bool),
        "metal": NOBODY,
    }
    return climb.find(watch, **{**asked, **changes})  # type: ignore[arg-type]


def test_a_joint_that_grows_is_told_and_by_how_much() -> None:
    got = found(growing(0.15))
    assert got.climbing.tolist() == [True, False, False, False]
    # 30 % in two hours, less what is forgotten of the lowest, and the smoothing runs three minutes behind
    assert got.ratio[0] == pytest.approx(1.3 / np.exp(2.0 * climb.FORGETTING_PER_HOUR), rel=0.02)


def test_the_time_until_it_is_told_follows_from_the_bound() -> None:
    """Growth of 24 % in an hour is beyond 1.10 after 10/(24 − 6) of an hour and the smoothing."""
    rise = growing(0.24)
    watch, told = climb.empty(4), np.nan
    for k, when in enumerate(hours(3.0)):
        watch = climb.step(watch, rise[k], np.full(4, 0.5), ALL, WINDOW_SECONDS)
        if watch.ratio[0] >= climb.CLIMBING_RATIO:
            told = when - 1.0
            break
    assert told == pytest.approx(np.log(1.1) / (0.24 / 1.08 - 0.06) + 180.0 / 3600.0, abs=0.08)


@pytest.mark.parametrize("per_hour", [0.0, 0.05, -0.2])
def test_what_stands_or_wanders_slowly_or_sinks_is_no_climb(per_hour: float) -> None:
    assert not found(growing(per_hour)).climbing.any()


def test_a_draught_that_comes_and_goes_is_no_climb() -> None:
    rise = np.full((len(hours(5.0)), 4), 20.0)
    rise *= 1.0 + 0.04 * np.sin(2.0 * np.pi * hours(5.0) / 1.3)[:, None]
    _, largest = lived(rise, np.full_like(rise, 0.5))
    assert largest.max() < climb.CLIMBING_RATIO


def test_another_load_begins_anew() -> None:
    """What an offset hides becomes a larger share when the current is turned down; that is no climb."""
    rise = np.full((len(hours(4.0)), 4), 20.0)
    heating = np.full_like(rise, 0.5)
    later = hours(4.0) > 2.0
    rise[later], heating[later] = 26.0, 0.2
    _, largest = lived(rise, heating)
    assert largest.max() < 1.01


def test_under_little_load_nothing_is_judged() -> None:
    rise = growing(0.5)
    _, largest = lived(rise, np.full_like(rise, 0.02))
    assert largest.max() == 1.0


def test_what_all_in_one_air_show_is_the_air() -> None:
    rise = np.concatenate([growing(0.15)[:, :1]] * 4, axis=1)
    assert found(rise).climbing.all()
    assert not found(rise, groups=np.ones((1, 4), dtype=bool)).climbing.any()


def test_few_others_are_company_enough_and_may_show_half_of_it() -> None:
    """An engine's space with three joints in use, and its fan stops."""
    rise = growing(0.15)
    rise[:, 1] = rise[:, 2] = growing(0.11)[:, 0]
    group = np.array([[True, True, True, False]])
    assert found(rise).climbing[0]
    assert not found(rise, groups=group).climbing.any()
    one_other = np.array([[True, True, False, False]])
    assert not found(rise, groups=one_other).climbing.any()
    metal = NOBODY.copy()
    metal[0, 1] = metal[1, 0] = True
    assert found(rise, groups=one_other, metal=metal).climbing[0], "its neighbour shows its heat"


def test_a_joint_beside_one_that_climbs_more_is_not_accused() -> None:
    rise = growing(0.8)
    rise[:, 1] = growing(0.2, who=1)[:, 1]
    assert found(rise).climbing.tolist() == [True, True, False, False]
    metal = NOBODY.copy()
    metal[0, 1] = metal[1, 0] = True
    assert found(rise, metal=metal).climbing.tolist() == [True, False, False, False]


def test_what_it_did_while_it_was_well_and_a_young_shape_are_no_climb() -> None:
    rise = growing(0.15)
    restless = np.array([1.25, 1.0, 1.0, 1.0])
    assert not found(rise, learned=restless).climbing.any()
    assert not found(rise, stage=np.ones(4, dtype=np.intp)).climbing.any()
    assert found(growing(0.25), stage=np.full(4, 2)).climbing[0]
    # a record of before this was learned holds none
    assert found(rise, learned=np.full(4, np.nan)).climbing[0]


def test_where_the_air_runs_away_it_begins_anew() -> None:
    rise = growing(0.15)
    rise[:, 1] = rise[:, 0]
    watch, _ = lived(rise, np.full_like(rise, 0.5))
    again = climb.unsettled(watch, np.array([-5.0, 1.5, np.nan, 0.0]))
    assert again.ratio[0] == 1.0 and again.ratio[1] > 1.1
    assert climb.unsettled(watch, np.full(4, 2.0)) is watch


def test_a_joint_that_was_worked_on_begins_anew_and_no_other() -> None:
    rise = growing(0.15)
    rise[:, 1] = rise[:, 0]
    watch, _ = lived(rise, np.full_like(rise, 0.5))
    again = climb.restart(watch, np.array([True, False, False, False]))
    assert again.ratio[0] == 1.0
    assert again.ratio[1] == watch.ratio[1] > 1.1


def facts(**changes: object) -> alert_rules.JointFacts:
    return replace(STEADY, **changes)  # type: ignore[arg-type]


def test_a_climb_is_said_as_warming_against_earlier_on_this_passage() -> None:
    told = alert_rules.warming(
        facts(ratio=1.15, ratio_sd=0.15, change_ratio=1.0, climb_ratio=1.14, climbing=True),
        alert_rules.Thresholds(),
    )
    assert (told.condition, told.verdict) == (Condition.WARMING, Verdict.TRUE)
    assert "about +14 % against what it did earlier on this passage" in told.text
    quiet = alert_rules.warming(
        facts(ratio=1.15, ratio_sd=0.15, change_ratio=1.0, climb_ratio=1.14), alert_rules.Thresholds()
    )
    assert quiet.verdict is not Verdict.TRUE


def test_a_climb_back_to_what_the_joint_was_while_it_was_well_is_none() -> None:
    """A fan has stopped: warmer than an hour ago, and no warmer than its baseline."""
    climbing = replace(STEADY, climb_ratio=1.3, climbing=True)
    limits = alert_rules.Thresholds()
    for ratio, verdict in ((1.02, Verdict.FALSE), (1.08, Verdict.TRUE), (None, Verdict.TRUE)):
        facts = replace(climbing, ratio=ratio, ratio_sd=None if ratio is None else 0.05)
        assert alert_rules.warming(facts, limits).verdict is verdict, ratio
