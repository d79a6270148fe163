"""From a rise to ohms: hand-worked values, a lumped joint, sister boats, and nonsense refused."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import root

from bench import ohms as bench
from boats import boat, joint
from lugwatch import belief, estimator, fin, materials, pipeline, resistance
from lugwatch.resistance import Apparent, Basis, Law, MillivoltDrop, Warming
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.electrics import CURRENTS
from lugwatch.simulator.plant import Network, heat_flows

SWITCH = resistance.law(joint("switch", cable_mm2=(50.0, 50.0), facts={"stud": "M10"}))
POST = resistance.law(joint("post", cable_mm2=(50.0,)))
ON_BAR = resistance.law(joint("bar", cable_mm2=(50.0,), neighbours=("other",)))
UNTOLD = resistance.law(joint("untold"))


def warming(lone: float, slope: float = math.nan, ratio_sd: float = 0.02) -> Warming:
    return Warming(
        rise_coefficient=lone,
        rise_coefficient_sd=ratio_sd * lone,
        lone_coefficient=lone,
        lone_coefficient_sd=ratio_sd * lone,
        early_slope=slope,
        early_slope_sd=ratio_sd * slope,
    )


def drop_of(law: Law, ohms: float, rise: float) -> MillivoltDrop:
    return resistance.millivolt_drop(
        law,
        volts=ohms * 100.0,
        amps=100.0,
        celsius=20.0,
        rise_coefficient=rise,
        rise_coefficient_sd=0.01 * rise,
    )


# ---- millivolts


def test_a_drop_by_hand() -> None:
    """4.8 mV at 95 A and 45 °C: 50.526 µΩ hot; · 254.45/279.45 = 46.01 µΩ at 20 °C (IEC 60028)."""
    ohms, sd = resistance.ohms_at_20_celsius(0.0048, 95.0, 45.0)
    assert ohms == pytest.approx(46.01e-6, rel=2e-4)
    # 0.3 % of the reading, 0.1 mV of 4.8, 1 % of the shunt: 2.34 %
    assert sd / ohms == pytest.approx(math.sqrt(0.003**2 + (0.1 / 4.8) ** 2 + 0.01**2), rel=1e-6)
    # leads swapped, current the other way: the same joint
    assert resistance.ohms_at_20_celsius(-0.0048, 95.0, 45.0)[0] == ohms
    assert resistance.ohms_at_20_celsius(0.0048, -95.0, 45.0)[0] == ohms


@pytest.mark.parametrize(
    ("volts", "amps", "celsius", "says"),
    [
        (4.8, 95.0, 45.0, "4.8 mV is 0.0048"),  # typed in millivolts
        (0.0048, 0.2, 45.0, "too little to measure"),
        (0.0, 95.0, 45.0, "coarse a range"),
        (0.0048, 95.0, 318.15, "not measured"),  # kelvin
        (math.nan, 95.0, 45.0, "must be numbers"),
        (0.0048, math.inf, 45.0, "must be numbers"),
    ],
)
def test_what_no_joint_can_be_is_refused_in_one_line(
    volts: float, amps: float, celsius: float, says: str
) -> None:
    with pytest.raises(ValueError, match=says) as caught:
        resistance.ohms_at_20_celsius(volts, amps, celsius)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("rise", [0.0, -1e-3, math.nan, math.inf])
def test_a_drop_needs_a_rise_to_be_followed_by(rise: float) -> None:
    with pytest.raises(ValueError, match="rise coefficient is not known yet"):
        drop_of(SWITCH, 50e-6, rise)


def test_the_conductance_of_a_lumped_joint_by_hand() -> None:
    """150 µΩ that warms by 8.1 K at 90 A sheds 1.215 W: with no cable heat, 0.15 W/K."""
    bare = replace(SWITCH, cable_ohms=0.0, cable_sd_ohms=0.0)
    drop = drop_of(bare, 150e-6, 8.1 / 90.0**2)
    assert drop.conductance == pytest.approx(0.15)
    ratio = math.hypot(drop.sd_ohms / drop.ohms, 0.01)
    assert drop.conductance_sd == pytest.approx(0.15 * ratio)
    # with its cables' own heating it must shed more for the same rise
    assert drop_of(SWITCH, 150e-6, 8.1 / 90.0**2).conductance > 0.3 > drop.conductance


@given(ohms=st.floats(20e-6, 2e-3), grown=st.floats(1.0, 20.0), cable=st.floats(0.0, 200e-6))
def test_a_followed_drop_is_exact_where_the_cable_is_known(ohms: float, grown: float, cable: float) -> None:
    """B = (R + c)/G on a joint of constant G: from one measurement any other resistance is found."""
    law = replace(SWITCH, cable_ohms=cable)
    rise = (ohms + cable) / 0.25
    found = resistance.followed(law, drop_of(law, ohms, rise), (grown * ohms + cable) / 0.25, 1e-6)
    assert found is not None
    assert found.basis is Basis.MILLIVOLT_DROP
    assert found.ohms == pytest.approx(grown * ohms, rel=1e-6)


def test_a_followed_drop_is_as_measured_until_the_joint_moves() -> None:
    rise = 1e-3
    drop = drop_of(UNTOLD, 50e-6, rise)
    same = resistance.followed(UNTOLD, drop, rise, 0.0)
    moved = resistance.followed(UNTOLD, drop, 2.0 * rise, 0.0)
    assert same is not None
    assert moved is not None
    assert same.ohms == pytest.approx(50e-6)
    # in proportion would be 100 µΩ; with a cable it is more, how much more nobody said
    assert moved.ohms > 100e-6
    assert moved.ohms - 1.96 * moved.sd_ohms < 100e-6
    assert moved.sd_ohms > 2.0 * same.sd_ohms
    assert resistance.followed(UNTOLD, drop, 0.4 * rise, 0.0) is None, "colder than its cable allows"


# ---- the heat balance


def test_the_law_is_the_fin_both_ways() -> None:
    """The heat that two cables and a lug take at a rise, made by I²·R: the same R comes back."""
    amps, air = 60.0, resistance.AIR_CELSIUS  # half of the joint's 120 A
    rise = 18.0
    watts = 2.0 * float(fin.root_watts(fin.copper_cable(50.0), amps, np.array(air + rise), air))
    film = 6.0 * (rise / 20.0) ** 0.25 + float(fin.radiation_coefficient(0.35, np.array(air + rise), air))
    watts += 0.0035 * film * rise
    hot = 1.0 + 0.00393 * (air + rise - 20.0)
    found = resistance.heat_balance(SWITCH, rise / (amps**2 * hot), 0.0)
    assert found is not None
    assert found.ohms == pytest.approx(watts / (amps**2 * hot), rel=2e-3)
    assert found.basis is Basis.HEAT_BALANCE


def test_the_cable_s_own_heating_is_taken_off() -> None:
    """r′·L of one 50 mm² cable: 0.386 mΩ/m over a healing length of 0.2 m is 77 µΩ; two cables, twice."""
    cable = fin.copper_cable(50.0)
    loss = float(fin.loss_coefficient(cable, np.array([36.0]), 30.0)[0])
    by_hand = cable.ohms_per_metre * fin.healing_length_metres(cable, loss)
    assert by_hand == pytest.approx(77e-6, rel=0.05)
    assert SWITCH.cable_ohms == pytest.approx(2.0 * by_hand, rel=0.1)
    assert POST.cable_ohms == pytest.approx(by_hand, rel=0.1)
    # a rise that the cable alone explains leaves no joint
    assert resistance.heat_balance(SWITCH, 0.2 * SWITCH.cable_ohms, 0.0) is None


@pytest.mark.parametrize(("law", "why"), [(POST, "what is at its other end?"), (UNTOLD, "no cable is told")])
def test_heat_with_an_untold_way_gives_no_figure(law: Law, why: str) -> None:
    assert resistance.heat_balance(law, 5e-3, 0.0) is None, why
    assert resistance.heat_capacity(law, 1e-5, 0.0) is None, why
    assert resistance.apparent(law, warming(5e-3, 1e-5), None) is None
    measured = resistance.apparent(law, warming(1e-3), drop_of(law, 60e-6, 1e-3))
    assert measured is not None
    assert measured.basis is Basis.MILLIVOLT_DROP


def test_a_bar_takes_heat_so_a_joint_on_it_has_more_resistance_for_the_same_rise() -> None:
    on_bar, alone = (
        resistance.heat_balance(law, 5e-3, 0.0) for law in (ON_BAR, replace(POST, known_ways=True))
    )
    assert on_bar is not None
    assert alone is not None
    assert on_bar.ohms > 1.1 * alone.ohms


def test_more_rise_is_more_resistance_and_deviations_grow_with_what_is_not_known() -> None:
    assert np.all(np.diff(SWITCH.ohms) > 0.0)
    assert np.all(np.diff(SWITCH.rise_coefficient) > 0.0)
    sure, unsure = (resistance.heat_balance(SWITCH, 5e-3, sd) for sd in (0.0, 1e-3))
    assert sure is not None
    assert unsure is not None
    assert unsure.sd_ohms > sure.sd_ohms
    assert sure.sd_ohms > 0.2 * sure.ohms, "air, draught and surfaces are never known better"
    beyond = resistance.heat_balance(SWITCH, 10.0 * float(SWITCH.rise_coefficient[-1]), 0.0)
    assert beyond is not None
    assert beyond.ohms == pytest.approx(10.0 * SWITCH.ohms[-1])


@pytest.mark.parametrize("lone", [0.0, -1e-3, math.nan])
def test_no_rise_gives_no_ohms(lone: float) -> None:
    assert resistance.heat_balance(SWITCH, lone, 1e-4) is None
    assert resistance.heat_capacity(SWITCH, lone, 1e-4) is None


# ---- the heat capacity


def test_the_heat_capacity_by_hand() -> None:
    """300 g of mixed metal, 120 J/K, warms by 0.25 K in a minute at 100 A: 50 µΩ."""
    law = resistance.law(joint("switch", cable_mm2=(50.0, 50.0), facts={"metal_grams": 300.0}))
    assert (law.joules_per_kelvin, law.joules_ratio_sd) == (pytest.approx(120.0), 0.20)
    found = resistance.heat_capacity(law, 0.25 / 60.0 / 100.0**2, 0.0)
    assert found is not None
    assert found.ohms == pytest.approx(50e-6)
    assert found.sd_ohms == pytest.approx(50e-6 * math.hypot(0.20, 0.22))


def test_metal_that_nobody_weighed_is_guessed_widely() -> None:
    # two 36 g lugs, an M10 stud of 60 g, 0.3 J/K for each of 100 mm²: 27.7 + 28.2 + 30
    assert SWITCH.joules_per_kelvin == pytest.approx(85.9, abs=0.1)
    assert SWITCH.joules_ratio_sd > 0.3
    # one 25 mm² cable on a bar: two 15 g lugs, an M8 stud of 32 g, 0.3 J/K for each of 25 + 100 mm²
    house, _ = resistance.metal_joules_per_kelvin((25.0,), "M8", on_bar=True)
    assert house == pytest.approx(11.55 + 15.04 + 37.5, abs=0.05)
    small, _ = resistance.metal_joules_per_kelvin((10.0,))
    large, _ = resistance.metal_joules_per_kelvin((95.0, 95.0), "M12")
    assert small < SWITCH.joules_per_kelvin < large
    # copper of 60 cm³: 3.45 J/(cm³ K)
    assert resistance.metal_joules_per_kelvin((50.0,), grams=537.6)[0] == pytest.approx(207.0, rel=0.05)
    with pytest.raises(ValueError, match="1 to 20 000 g"):
        resistance.metal_joules_per_kelvin((50.0,), grams=0.3)


# ---- which one is shown


def test_the_surer_way_is_shown_and_an_unsure_one_is_not() -> None:
    balance = resistance.heat_balance(SWITCH, 8e-3, 0.01 * 8e-3)
    capacity = resistance.heat_capacity(SWITCH, 1e-5, 0.0)
    assert balance is not None
    assert capacity is not None
    shown = resistance.apparent(SWITCH, warming(8e-3, 1e-5), None)
    assert shown is not None
    best = min((balance, capacity), key=lambda way: way.sd_ohms / way.ohms)
    assert shown.basis is best.basis
    assert resistance.apparent(SWITCH, warming(8e-3, 1e-5, ratio_sd=0.9), None) is None
    drop = drop_of(SWITCH, 300e-6, 8e-3)
    measured = resistance.apparent(SWITCH, warming(8e-3, 1e-5), drop)
    assert measured is not None
    assert (measured.basis, measured.ohms) == (Basis.MILLIVOLT_DROP, pytest.approx(300e-6))
    assert resistance.apparent(SWITCH, warming(8e-3, ratio_sd=0.9), drop) is None, "not even by the balance"


def test_drops_belong_to_their_joints() -> None:
    drop = drop_of(SWITCH, 50e-6, 1e-3)
    drops = resistance.with_drop(resistance.no_drops(3), 1, drop)
    assert drops.drops == (None, drop, None)
    assert resistance.with_drop(drops, 1, None) == resistance.no_drops(3)


def test_a_drop_survives_a_shape_learned_anew() -> None:
    """B is another number under another shape; the joint, and so its ohms, is the same."""
    drop = drop_of(SWITCH, 50e-6, 1.0e-3)
    drops = resistance.with_drop(resistance.no_drops(2), 0, drop)
    moved = resistance.rebased(drops, [warming(1.2e-3)] * 2, [warming(1.5e-3)] * 2)
    kept = moved.drops[0]
    assert kept is not None
    before = resistance.followed(SWITCH, drop, 1.2e-3, 0.0)
    after = resistance.followed(SWITCH, kept, 1.5e-3, 0.0)
    assert before is not None
    assert after is not None
    assert after.ohms == pytest.approx(before.ohms)
    assert kept.conductance * kept.rise_coefficient == pytest.approx(drop.conductance * drop.rise_coefficient)
    assert moved.drops[1] is None
    unknown = resistance.rebased(drops, [warming(0.0)] * 2, [warming(1.5e-3)] * 2)
    assert unknown == drops


# ---- in the pipeline


def test_what_is_known_of_a_joint_before_it_was_loaded_gives_no_ohms() -> None:
    bank = estimator.default_bank(np.array([120.0, 200.0]), np.array([False, True]))
    first, second = belief.warmings(bank, estimator.initial(bank), False)
    assert first.lone_coefficient == pytest.approx(first.rise_coefficient)
    # on a bar: what its neighbours hold back is added, and what is not known of it
    assert second.lone_coefficient > 1.5 * second.rise_coefficient
    assert resistance.apparent(SWITCH, first, None) is None
    assert resistance.apparent(ON_BAR, second, None) is None


def test_laws_stand_in_the_plan_and_drops_in_the_state() -> None:
    state = pipeline.begin(boat(joint("bar", cable_mm2=(50.0, 70.0)), joint("post")), 0.0, 0)
    assert [law.known_ways for law in state.plan.laws] == [True, False]
    drop = drop_of(state.plan.laws[0], 50e-6, 1e-3)
    assert pipeline.with_drop(state, "post", drop).drops.drops == (None, drop)


# ---- sister boats


def settled(network: Network, amps: float, resistance_ratio: np.ndarray) -> np.ndarray:
    """Temperatures at which a boat's network comes to rest, air and bodies at 30 °C, `amps` everywhere."""
    nodes = len(network.names)
    lumps = nodes - network.body_count
    currents, air, still = np.full(len(CURRENTS), amps), np.full(2, 30.0), np.ones(2)

    def left_over(rise: np.ndarray) -> np.ndarray:
        celsius = np.full(nodes, 30.0)
        celsius[:lumps] += rise
        flows = heat_flows(network, celsius, currents, air, still, resistance_ratio)
        return (flows.made - flows.lost + flows.passed)[:lumps]

    solved = root(left_over, np.full(lumps, 8.0))
    assert solved.success
    return np.append(solved.x, np.zeros(network.body_count)) + 30.0


def rise_of(network: Network, name: str, ratio: float, amps: float = 90.0) -> float:
    """The exact B [K/A²] of one joint when only its own contact is `ratio` times as bad as it was."""
    ratios = np.ones(len(network.names))
    ratios[network.index(name)] = ratio
    celsius = float(settled(network, amps, ratios)[network.index(name)])
    return (celsius - 30.0) / (amps**2 * (1.0 + 0.00393 * (celsius - 20.0)))


def test_a_measured_joint_is_followed_within_5_per_cent_of_the_plant() -> None:
    """A switch between two cables, cables of many nodes, a film that is not linear; B exact, 1 to 4 times."""
    errors = []
    for seed in range(6):
        drawn = make_boat(seed)
        network, name = drawn.network, "switch_battery"
        law = resistance.law(
            joint("s", cable_mm2=tuple(c.mm2 for c in drawn.cables if name in (c.start, c.end)))
        )
        true = float(network.resistance_ohms[network.index(name)])
        drop = drop_of(law, true, rise_of(network, name, 1.0))
        for ratio in (1.5, 2.0, 4.0):
            found = resistance.followed(law, drop, rise_of(network, name, ratio), 0.0)
            assert found is not None
            errors.append(found.ohms / (ratio * true) - 1.0)
            # in proportion to B alone it would be a quarter too little, and more as it grows
            assert drop.ohms * rise_of(network, name, ratio) / drop.rise_coefficient < 0.82 * ratio * true
    assert np.max(np.abs(errors)) < 0.05, errors


def test_the_heat_balance_holds_the_truth_at_rest_on_many_sisters() -> None:
    """B exact: what is left is film, surfaces, cables of few nodes. A contact that matters within 30 %."""
    sound, bad = [], []
    for seed in range(40, 52):
        drawn = make_boat(seed)
        network, name = drawn.network, "switch_battery"
        mm2 = tuple(c.mm2 for c in drawn.cables if name in (c.start, c.end))
        law = resistance.law(joint("s", cable_mm2=mm2, rated_amps=200.0))
        for ratio, found in ((1.0, sound), (5.0, bad)):
            said = resistance.heat_balance(law, rise_of(network, name, ratio), 0.0)
            true = ratio * float(network.resistance_ohms[network.index(name)])
            assert said is not None
            found.append((said, true))
    assert bench.errors(sound)[3] == 1.0
    assert bench.errors(bad)[3] == 1.0
    assert max(abs(a.ohms / t - 1.0) for a, t in bad) < 0.30


@pytest.fixture(scope="module")
def sisters() -> list[bench.Shown]:
    return [shown for seed in range(20, 23) for shown in bench.sister(seed)]


@pytest.mark.slow
def test_without_measuring_ohms_are_good_to_some_tens_of_per_cent_and_say_so(
    sisters: list[bench.Shown],
) -> None:
    """Three boats, twelve joints, contacts from sound to twelve times that; a plant that is not the model."""
    said = [(s.said, s.true_ohms) for s in sisters if s.moment in bench.MOMENTS and s.said is not None]
    number, median, _, covered, _ = bench.errors(said)
    assert number > 40
    assert median < 0.30
    assert covered >= 0.95


@pytest.mark.slow
@pytest.mark.parametrize("way", [0, 1])
def test_the_intervals_of_both_ways_hold_also_where_they_are_too_wide_to_show(
    sisters: list[bench.Shown], way: int
) -> None:
    found: list[tuple[Apparent, float]] = [
        (a, s.true_ohms) for s in sisters if s.moment in bench.MOMENTS and (a := s.ways[way]) is not None
    ]
    number, _, _, covered, _ = bench.errors(found)
    assert number > 60
    assert covered >= 0.93  # measured over 40 boats in tests/bench/ohms.py


@pytest.mark.slow
def test_measured_once_a_joint_is_followed(sisters: list[bench.Shown]) -> None:
    found = [(s.said, s.true_ohms) for s in sisters if s.moment == "followed" and s.said is not None]
    number, median, _, covered, _ = bench.errors([f for f in found if f[0].basis is Basis.MILLIVOLT_DROP])
    assert number > 15
    assert median < 0.15
    assert covered >= 0.9


def test_a_law_is_worked_out_once() -> None:
    resistance._law.cache_clear()
    for _ in range(3):
        resistance.law(joint("one", cable_mm2=(35.0, 70.0)))
        resistance.law(joint("two", cable_mm2=(35.0, 70.0)))
    assert resistance._law.cache_info().misses == 1
    with pytest.raises(ValueError, match="outside the table"):
        resistance.law(joint("thick", cable_mm2=(400.0,)))
    assert materials.ohms_per_metre(50.0) == 0.386e-3
