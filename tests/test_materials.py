"""Published figures against what they must agree with; sources stand beside the numbers."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch import materials, thermal
from lugwatch.materials import (
    CFR_183_425_AMPS,
    CONTACT_VOLTAGES,
    ENGINE_SPACE_FACTOR,
    IEC_60228_OHMS_PER_KM,
    METALS,
    RISE_LIMITS,
    Conductor,
    CopperRule,
    Grade,
    Sureness,
)


def test_copper_is_one_over_58_and_the_same_everywhere() -> None:
    # 0.15328 Ω g/m² at 8.89 g/cm³ (NBS Circular 31)
    assert METALS["copper"].resistivity_ohm_metres == pytest.approx(1e-6 / 58.0, rel=2e-5)
    assert METALS["copper"].resistivity_ohm_metres == pytest.approx(0.15328 / 8.89e6, rel=1e-4)
    assert METALS["copper"].per_kelvin == thermal.COPPER_ALPHA_PER_KELVIN


def test_every_metal_is_a_worse_conductor_than_silver_and_says_where_it_is_from() -> None:
    for name, metal in METALS.items():
        assert metal.name == name
        assert 1.59e-8 <= metal.resistivity_ohm_metres <= 74e-8
        assert metal.source
    assert METALS["stainless 316"].sureness is Sureness.MEMORY
    with pytest.raises(TypeError):
        METALS["gold"] = METALS["silver"]  # type: ignore[index]


def test_a_stainless_washer_in_the_path() -> None:
    # M10 washer, 20 mm over 10.5 mm, 2 mm thick: bulk only, the contact layers come on top
    area = math.pi / 4.0 * (0.020**2 - 0.0105**2)
    steel = METALS["stainless 304"].resistivity_ohm_metres * 0.002 / area
    copper = METALS["copper"].resistivity_ohm_metres * 0.002 / area
    assert steel == pytest.approx(6.33e-6, rel=0.002)
    assert steel / copper == pytest.approx(41.8, rel=0.002)


# IEC 60228 annex, temperature correction factors as printed in a cable maker's reprint
@pytest.mark.parametrize(
    ("celsius", "factor"),
    [(5, 1.064), (10, 1.042), (20, 1.0), (30, 0.962), (40, 0.926), (50, 0.893), (60, 0.862), (70, 0.833),
     (80, 0.806), (90, 0.781), (100, 0.758)],
)  # fmt: skip
def test_the_cable_standards_rule(celsius: float, factor: float) -> None:
    assert materials.factor_to_20_celsius(celsius, CopperRule.CABLE) == pytest.approx(factor, abs=5e-4)


def test_the_two_rules_are_near_and_not_the_same() -> None:
    assert materials.factor_to_20_celsius(40.0) == pytest.approx(0.9271, abs=5e-5)
    assert materials.factor_to_20_celsius(90.0) == pytest.approx(0.7843, abs=1e-4)
    for celsius in (40.0, 60.0, 90.0):
        ratio = materials.factor_to_20_celsius(celsius) / materials.factor_to_20_celsius(
            celsius, CopperRule.CABLE
        )
        assert 1.0005 < ratio < 1.005
    with pytest.raises(ValueError, match="-300"):
        materials.factor_to_20_celsius(-300.0)


@given(st.floats(-40.0, 200.0))
def test_the_rule_of_the_core_undoes_its_resistance_factor(celsius: float) -> None:
    there = 1.0 + thermal.COPPER_ALPHA_PER_KELVIN * (celsius - 20.0)
    assert materials.factor_to_20_celsius(celsius) * there == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize(
    ("mm2", "kind", "ohms_per_km"),
    [
        (35.0, Conductor.FLEXIBLE, 0.554),
        (50.0, Conductor.FLEXIBLE, 0.386),
        (70.0, Conductor.FLEXIBLE, 0.272),
        (95.0, Conductor.FLEXIBLE, 0.206),
        (50.0, Conductor.STRANDED, 0.387),
        (25.0, Conductor.FLEXIBLE_TINNED, 0.795),
    ],
)
def test_the_conductor_table(mm2: float, kind: Conductor, ohms_per_km: float) -> None:
    assert materials.ohms_per_metre(mm2, kind) == pytest.approx(ohms_per_km / 1000.0, rel=1e-12)


def test_no_conductor_is_better_than_copper_and_none_far_worse() -> None:
    # stranding and tolerance: class 2 is 1.05 to 1.13 times 17.241/S, class 5 1.10 to 1.17 times
    for mm2, (stranded, flexible, tinned) in IEC_60228_OHMS_PER_KM.items():
        bulk = 17.241 / mm2
        assert 1.045 < stranded / bulk < 1.13, mm2
        assert 1.095 < flexible / bulk < 1.17, mm2
        assert 1.01 < tinned / flexible < 1.04, mm2


@given(st.floats(1.5, 240.0), st.floats(1.5, 240.0), st.sampled_from(Conductor))
def test_between_two_sizes_more_copper_is_less_resistance(one: float, other: float, kind: Conductor) -> None:
    thin, thick = sorted((one, other))
    less, more = materials.ohms_per_metre(thick, kind), materials.ohms_per_metre(thin, kind)
    assert less <= more * (1.0 + 1e-12)
    assert 1.04 < less * thick / 17.241e-3 < 1.21


@pytest.mark.parametrize("mm2", [0.0, -50.0, 1.0, 300.0, math.nan])
def test_outside_the_table_nothing_is_guessed(mm2: float) -> None:
    with pytest.raises(ValueError, match="outside the table"):
        materials.ohms_per_metre(mm2)


def test_heat_of_a_metre_of_cable() -> None:
    # class 5, 50 mm² at 100 A: 3.86 W/m at 20 °C, 4.92 W/m at 90 °C
    watts = 100.0**2 * materials.ohms_per_metre(50.0)
    assert watts == pytest.approx(3.86)
    assert watts / materials.factor_to_20_celsius(90.0) == pytest.approx(4.92, abs=0.005)


def test_ampacity_by_us_law() -> None:
    assert materials.allowable_amps("2/0", 105, engine_space=False) == 330.0
    assert materials.allowable_amps("2/0", 105, engine_space=True) == pytest.approx(280.5)
    assert materials.allowable_amps("4", 60, engine_space=True) == pytest.approx(105 * 0.58)
    with pytest.raises(ValueError, match="no size '3'"):
        materials.allowable_amps("3", 105, engine_space=False)
    with pytest.raises(ValueError, match="no insulation of 100"):
        materials.allowable_amps("2", 100, engine_space=False)


def test_the_ampacity_table_grows_with_size_and_with_rating() -> None:
    rows = list(CFR_183_425_AMPS.values())
    assert all(len(row) == len(ENGINE_SPACE_FACTOR) for row in rows)
    for row in rows:
        assert list(row) == sorted(row)
    for smaller, larger in itertools.pairwise(rows):
        assert all(a < b for a, b in zip(smaller, larger, strict=True))


def test_bus_bars_in_still_air() -> None:
    # CDA Publication 22 section 10 prints 1570 A for 100 × 6.3 mm and 2360 A for a 50 mm rod
    assert materials.bar_amps(630.0, 212.6) == pytest.approx(1568.9, abs=0.1)
    assert materials.rod_amps(1964.0, 157.0) == pytest.approx(2361.1, abs=0.1)
    assert materials.rerated_amps(1570.0, 50.0, 30.0) == pytest.approx(1570.0 * 0.6**0.61)
    # the rise goes with I^1.64
    assert materials.rerated_amps(100.0, 10.0, 10.0 * 2.0**1.64) == pytest.approx(200.0, rel=1e-3)


def test_a_rise_at_part_load_is_a_spread() -> None:
    # 10 K at 40 % load: 62.5 (n = 2), 52.0 (1.8), 44.9 (1.64), 43.3 K (1.6)
    full = materials.rise_at_load(10.0, 40.0, 100.0)
    assert full.most_kelvin == pytest.approx(62.5, abs=0.05)
    assert full.usual_kelvin == pytest.approx(52.0, abs=0.05)
    assert full.bar_kelvin == pytest.approx(44.9, abs=0.05)
    assert full.least_kelvin == pytest.approx(43.3, abs=0.05)
    less = materials.rise_at_load(62.5, 100.0, 40.0)
    assert less.least_kelvin == pytest.approx(10.0)
    assert less.least_kelvin < less.usual_kelvin < less.most_kelvin
    with pytest.raises(ValueError, match="a current that flows"):
        materials.rise_at_load(10.0, 0.0, 100.0)


@pytest.mark.parametrize(
    ("newtons", "micro_ohms"), [(1, 458.4), (10, 145.0), (100, 45.84), (1000, 14.50), (5000, 6.483)]
)
def test_one_spot_of_copper_under_force(newtons: float, micro_ohms: float) -> None:
    # Holm with H = 0.9 GPa; computed from the formula, which is from memory
    assert materials.plastic_contact_ohms(newtons, 0.9e9) == pytest.approx(micro_ohms * 1e-6, rel=5e-4)


def test_half_the_force_is_1_414_times_the_resistance_and_two_metals_share() -> None:
    ratio = materials.plastic_contact_ohms(50.0, 0.9e9) / materials.plastic_contact_ohms(100.0, 0.9e9)
    assert ratio == pytest.approx(math.sqrt(2.0))
    assert materials.spot_radius_metres(1.0, 0.9e9) == pytest.approx(18.8e-6, rel=1e-3)
    tin = METALS["tin"].resistivity_ohm_metres
    both = materials.constriction_ohms(20e-6, METALS["copper"].resistivity_ohm_metres, tin)
    assert both == pytest.approx((1.7241e-8 + 10.9e-8) / 80e-6)


# melting point [K] that the relation gives for Holm's melting voltage, from 20 °C
@pytest.mark.parametrize(
    ("metal", "kelvin"),
    [("copper", 1407), ("silver", 1220), ("tin", 509), ("aluminium", 1004), ("nickel", 2101), ("zinc", 618)],
)
def test_the_voltage_temperature_relation(metal: str, kelvin: float) -> None:
    found = materials.spot_celsius(CONTACT_VOLTAGES[metal].melting_volts, 20.0) + 273.15
    assert found == pytest.approx(kelvin, abs=3.0)


def test_tin_melts_at_505_kelvin_and_a_tinned_joint_is_warm_inside() -> None:
    assert materials.spot_celsius(0.13, 20.0) + 273.15 == pytest.approx(505.0, abs=5.0)
    assert materials.spot_celsius(0.07, 20.0) == pytest.approx(95.8, abs=0.3)
    assert materials.spot_celsius(0.12, 20.0) == pytest.approx(210.0, abs=1.0)
    assert materials.spot_celsius(0.0, 31.0) == pytest.approx(31.0)


@pytest.mark.parametrize(
    ("kelvin", "grade"),
    [(-5, Grade.NONE), (0.4, Grade.NONE), (1, Grade.INVESTIGATE), (3.4, Grade.INVESTIGATE), (4, Grade.REPAIR),
     (15.0, Grade.REPAIR), (15.1, Grade.AT_ONCE)],
)  # fmt: skip
def test_grades_between_similar_parts(kelvin: float, grade: Grade) -> None:
    assert materials.grade_over_similar(kelvin) is grade


@pytest.mark.parametrize(
    ("kelvin", "grade"),
    [(0, Grade.NONE), (1, Grade.INVESTIGATE), (10, Grade.INVESTIGATE), (11, Grade.REPAIR), (20, Grade.REPAIR),
     (21, Grade.MONITOR), (40, Grade.MONITOR), (40.1, Grade.AT_ONCE)],
)  # fmt: skip
def test_grades_over_ambient(kelvin: float, grade: Grade) -> None:
    assert materials.grade_over_ambient(kelvin) is grade


def test_rise_limits_say_how_sure_they_are() -> None:
    known = {limit.what: limit for limit in RISE_LIMITS}
    assert len(known) == len(RISE_LIMITS)
    assert known["terminal of tinned copper or brass"].rise_kelvin == 65.0
    assert known["terminal of tinned copper or brass"].sureness is Sureness.READ
    assert known["terminal of bare copper"].sureness is Sureness.MEMORY
    # UL 486A-B: 50 K at 125 A is 23 K at 85 A by I² (worked in public; 23.1)
    lug = known["lug, static heating at its test current"]
    assert materials.rise_at_load(lug.rise_kelvin, 125.0, 85.0).least_kelvin == pytest.approx(23.1, abs=0.05)
