"""The parts of the bench that decide verdicts: the settled plant, simple rules, medians, what is kept."""

import math
from pathlib import Path

import buses
import numpy as np
import pytest
from curve import clairvoyant, clairvoyant_false_per_1000_hours, held, raised, window_sd_kelvin
from recordings import PLANT_STEP_SECONDS
from setting import at_least, at_most, kept, median
from truth import settled_celsius

from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.plant import Floats, heat_flows, step
from lugwatch.simulator.simulation import BODY_SECONDS

BOAT = make_boat(3)
AMPS = np.array([95.0, 60.0, 20.0, 15.0])
AIR = np.array([38.0, 24.0])
DRAUGHT = np.array([1.1, 0.95])
BODIES = np.array([70.0, 78.0, 25.0, 40.0])
SOUND = np.ones(len(BOAT.network.names))


def run(hours: float, dt_seconds: float) -> Floats:
    celsius = np.full(len(BOAT.network.names), 24.0)
    celsius[-len(BODIES) :] = BODIES
    for _ in range(round(hours * 3600.0 / dt_seconds)):
        flows = heat_flows(BOAT.network, celsius, AMPS, AIR, DRAUGHT, SOUND)
        celsius = step(BOAT.network, celsius, flows, BODIES, BODY_SECONDS, dt_seconds)
    return celsius


def test_the_settled_plant_is_where_the_plant_ends() -> None:
    settled = settled_celsius(BOAT.network, AMPS, AIR, DRAUGHT, SOUND, BODIES)
    assert settled == pytest.approx(run(14.0, 4.0), abs=0.01)
    flows = heat_flows(BOAT.network, settled, AMPS, AIR, DRAUGHT, SOUND)
    balance = (flows.made - flows.lost + flows.passed)[: -len(BODIES)]
    assert np.max(np.abs(balance)) < 1e-6


def test_the_plants_step_errs_by_less_than_a_probes_noise() -> None:
    # from rest into full load, where it is worst; a probe's noise is 0.03 K
    joints = len(BOAT.joints)
    for hours in (0.05, 0.2, 1.0):
        assert run(hours, PLANT_STEP_SECONDS)[:joints] == pytest.approx(run(hours, 0.5)[:joints], abs=0.03)


def test_a_rule_speaks_once_after_its_delay_and_again_after_it_was_clear() -> None:
    values = np.full((300, 1), 20.0)
    values[10:15] = 50.0  # too short
    values[50:90] = 50.0
    values[60] = 39.0  # a dip inside the dead band starts the delay again
    values[95:130] = 50.0  # back before it was clear for long enough
    values[200:240] = 50.0
    (rows,) = raised(values, 40.0, on_rows=12)
    assert rows.tolist() == [72, 211]
    assert held(values >= 40.0, 12)[:, 0].sum() == 18 + 24 + 29


def test_the_clairvoyant_is_as_quick_as_his_noise_allows_and_as_quiet() -> None:
    random = np.random.default_rng(1)
    warmer = np.concatenate([np.zeros(1), np.full(719, 10.0 * window_sd_kelvin())])
    # 9.5 deviations a window over a height of 10: the second window after the probe's lag
    assert clairvoyant(warmer, 0.01, random)[2] == 20.0
    assert all(math.isinf(s) for s in clairvoyant(np.zeros(720), 15.0, random)[1:])
    # average run lengths of a cumulative sum, k = 0.5: h = 4: 168, h = 5: 465, one-sided twice that
    # (Montgomery, Statistical Quality Control, table of two-sided charts)
    for height, two_sided in ((4.0, 168.0), (5.0, 465.0)):
        windows = 1000.0 * 360.0 / clairvoyant_false_per_1000_hours(height, 1)
        assert windows == pytest.approx(2.0 * two_sided, rel=0.01)


def test_medians_and_verdicts_of_nothing_and_of_never() -> None:
    assert median([3.0, 1.0, math.inf]) == 3.0
    assert math.isinf(median([1.0, math.inf]))
    assert math.isnan(median([]))
    assert at_most("x", 1.0, 1.0, "%").met
    assert not at_most("x", math.nan, 1.0, "%").met
    assert not at_least("x", math.nan, 1.0, "%").met
    assert not at_most("x", math.inf, 1.0, "min").met


def test_what_is_kept_is_made_once(tmp_path: Path) -> None:
    made: list[int] = []

    def make() -> int:
        made.append(1)
        return len(made)

    assert [kept(tmp_path, ("a", 1), make), kept(tmp_path, ("a", 1), make)] == [1, 1]
    assert kept(tmp_path, ("a", 2), make) == 2
    assert not list(tmp_path.glob("*.part"))


def test_sixteen_probes_are_read_ten_times_faster_together_than_one_by_one() -> None:
    told, verdict = buses._onewire_cycle()
    assert verdict.met, told.reached


def test_gaps_of_a_source_that_brought_nothing_meet_no_target() -> None:
    assert math.isnan(buses._quantile([], 50.0))
    assert buses._quantile([1.0, 2.0, 9.0], 50.0) == 2.0
