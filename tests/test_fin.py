"""A cable as a fin against a numerical boundary-value solution, hand-worked values and its limits."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_bvp, solve_ivp
from scipy.optimize import brentq

from lugwatch import fin, materials, thermal
from lugwatch.materials import Conductor

CABLE = fin.copper_cable(50.0)


def test_the_fin_of_the_textbook() -> None:
    """Long rod of copper, 5 mm, k 398, h 100, base 100 °C in 25 °C air: 8.3 W.

    Incropera, Fundamentals of Heat and Mass Transfer, example 3.9; figures from memory.
    """
    diameter, k, h = 0.005, 398.0, 100.0
    rod = fin.Cable(
        ohms_per_metre=0.0,
        watt_metres_per_kelvin=k * math.pi * diameter**2 / 4.0,
        outside_metres=diameter,
        insulation_kelvin_metres_per_watt=0.0,
    )
    loss = h * math.pi * diameter
    assert fin.fin_conductance(rod, loss) * 75.0 == pytest.approx(8.3, abs=0.05)
    # its m is 14.2 per metre
    assert fin.healing_length_metres(rod, loss) == pytest.approx(1.0 / 14.2, rel=5e-3)


@pytest.mark.parametrize("length", [0.15, 0.4, 1.0])
@pytest.mark.parametrize(("amps", "root"), [(0.0, 80.0), (95.0, 31.0), (150.0, 70.0)])
def test_the_linear_profile_is_the_boundary_value_solution(length: float, amps: float, root: float) -> None:
    air, loss = 25.0, 0.45

    def slopes(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        heat = amps**2 * CABLE.ohms_per_metre * (1.0 + 0.00393 * (y[0] - 20.0))
        return np.vstack([y[1], (loss * (y[0] - air) - heat) / CABLE.watt_metres_per_kelvin])

    x = np.linspace(0.0, length, 60)
    solved = solve_bvp(
        slopes,
        lambda a, b: np.array([a[0] - root, b[1]]),
        x,
        np.vstack([np.full(60, air), np.zeros(60)]),
        tol=1e-8,
    )
    assert solved.success
    got = fin.profile_celsius(CABLE, loss, amps, root, air, x, length)
    assert got == pytest.approx(solved.sol(x)[0], abs=1e-4)
    assert got[0] == pytest.approx(root)


def test_a_cable_of_five_healing_lengths_is_a_long_one() -> None:
    loss = 0.45
    far = 5.0 * fin.healing_length_metres(CABLE, loss)
    x = np.linspace(0.0, far / 2.0, 20)
    long = fin.profile_celsius(CABLE, loss, 90.0, 60.0, 20.0, x)
    finite = fin.profile_celsius(CABLE, loss, 90.0, 60.0, 20.0, x, far)
    assert finite == pytest.approx(long, abs=0.02 * 40.0)
    # the heat at the root is G·(T0 − T∞), less what the copper's own coefficient gives back
    net = loss - 0.00393 * 90.0**2 * CABLE.ohms_per_metre
    t_far = 20.0 + 90.0**2 * CABLE.ohms_per_metre / net
    assert fin.profile_celsius(CABLE, loss, 90.0, 60.0, 20.0, np.array([9.0]))[0] == pytest.approx(t_far)


def test_a_cable_that_runs_away_has_no_profile() -> None:
    with pytest.raises(ValueError, match="never settles"):
        fin.profile_celsius(CABLE, 0.45, 600.0, 60.0, 20.0, np.array([0.0]))


@pytest.mark.parametrize("mm2", [10.0, 50.0, 95.0])
@pytest.mark.parametrize(
    ("load", "root", "air"), [(0.0, 60.0, 20.0), (1.5, 55.0, 30.0), (2.5, 31.0, 30.0), (1.0, 120.0, 40.0)]
)
def test_the_heat_at_the_root_is_that_of_the_whole_non_linear_cable(
    mm2: float, load: float, root: float, air: float
) -> None:
    """k·A·T″ = q(T) as a boundary-value problem over eight healing lengths, far end insulated."""
    cable, amps = fin.copper_cable(mm2), load * mm2
    length = 8.0 * fin.healing_length_metres(
        cable, float(fin.loss_coefficient(cable, np.array([air + 5.0]), air)[0])
    )
    far = fin.far_celsius(cable, amps, air)

    def slopes(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        lost = fin.loss_coefficient(cable, y[0], air) * (y[0] - air)
        made = amps**2 * cable.ohms_per_metre * thermal.resistance_factor(y[0])
        return np.vstack([y[1], (lost - made) / cable.watt_metres_per_kelvin])

    x = np.linspace(0.0, length, 200)
    guess = far + (root - far) * np.exp(-8.0 * x / length)
    solved = solve_bvp(
        slopes,
        lambda a, b: np.array([a[0] - root, b[1]]),
        x,
        np.vstack([guess, np.gradient(guess, x)]),
        tol=1e-6,
        max_nodes=20_000,
    )
    assert solved.success
    expected = -cable.watt_metres_per_kelvin * solved.sol(0.0)[1]
    assert fin.root_watts(cable, amps, np.array(root), air) == pytest.approx(expected, rel=3e-3, abs=1e-4)


def test_shooting_from_the_root_with_that_heat_arrives_far_away() -> None:
    """The same without a boundary-value solver: the right slope at the root stays bounded, others do not."""
    air, amps, root = 30.0, 95.0, 60.0
    watts = float(fin.root_watts(CABLE, amps, np.array(root), air))
    far = fin.far_celsius(CABLE, amps, air)

    def run(slope_ratio: float) -> float:
        def slopes(_: float, y: np.ndarray) -> list[float]:
            lost = float(fin.loss_coefficient(CABLE, y[:1], air)[0]) * (y[0] - air)
            made = amps**2 * CABLE.ohms_per_metre * float(thermal.resistance_factor(y[:1])[0])
            return [y[1], (lost - made) / CABLE.watt_metres_per_kelvin]

        start = [root, -slope_ratio * watts / CABLE.watt_metres_per_kelvin]
        return float(solve_ivp(slopes, (0.0, 0.8), start, rtol=1e-8, atol=1e-8).y[0, -1])

    arrives = brentq(lambda ratio: run(ratio) - far, 0.9, 1.1, xtol=1e-6)
    assert arrives == pytest.approx(1.0, abs=5e-3)


def test_a_cable_settles_where_it_loses_what_it_makes() -> None:
    far = fin.far_celsius(CABLE, 95.0, 30.0)
    lost = float(fin.loss_coefficient(CABLE, np.array([far]), 30.0)[0]) * (far - 30.0)
    assert lost == pytest.approx(95.0**2 * 0.386e-3 * (1.0 + 0.00393 * (far - 20.0)), rel=1e-6)
    assert fin.far_celsius(CABLE, 0.0, 30.0) == pytest.approx(30.0)
    with pytest.raises(ValueError, match="2000 A is more than this cable can carry"):
        fin.far_celsius(CABLE, 2000.0, 30.0)


@given(amps=st.floats(0.0, 200.0), air=st.floats(-10.0, 60.0), film=st.floats(0.4, 3.0))
def test_settling_of_a_cable_against_a_root_finder(amps: float, air: float, film: float) -> None:
    def net(celsius: float) -> float:
        lost = float(fin.loss_coefficient(CABLE, np.array([celsius]), air, film)[0]) * (celsius - air)
        return lost - amps**2 * CABLE.ohms_per_metre * (1.0 + 0.00393 * (celsius - 20.0))

    if net(air + 399.0) <= 0.0:
        return
    assert fin.far_celsius(CABLE, amps, air, film) == pytest.approx(brentq(net, air, air + 399.0), abs=1e-5)


@pytest.mark.parametrize(("awg", "mm2"), [("2", 33.6), ("2/0", 67.4)])
def test_allowable_currents_warm_a_cable_by_what_they_allow(awg: str, mm2: float) -> None:
    """33 CFR 183.425 allows 75 °C wire so much at 30 °C: alone in still air it is near 45 K, bundled more.

    Sizes of AWG in mm² from memory (ASTM B258). A single cable in air must be cooler
    than its rating, not by half.
    """
    amps = materials.allowable_amps(awg, 75, engine_space=False)
    rise = fin.far_celsius(fin.copper_cable(mm2), amps, 30.0) - 30.0
    assert 25.0 < rise < 55.0


def test_films_lie_where_textbooks_have_them() -> None:
    # a horizontal cylinder of 0.1 m at 165 °C in 23 °C air: Ra 5.07e6, Nu 23.3, h 7.78 W/(m² K)
    # Incropera, example 9.4; from memory. Outside Morgan's range as coded, so the first law alone.
    nusselt = fin.churchill_chu(np.array(5.073e6), np.array(0.697))
    assert float(nusselt) == pytest.approx(23.3, rel=0.01)  # the book rounds on its way
    # the same example: radiation at emissivity 0.85 is 441 W/m of 785 in all
    per_metre = fin.radiation_coefficient(0.85, np.array(165.0), 23.0) * math.pi * 0.1 * 142.0
    assert float(per_metre) == pytest.approx(441.0, rel=0.01)
    # both laws within a fifth of each other where cables are
    rayleigh = np.geomspace(1e2, 1e4, 20)
    ratio = fin.churchill_chu(rayleigh, np.array(0.706)) / fin.morgan(rayleigh)
    assert np.all(np.abs(np.log(ratio)) < 0.2)
    h = fin.convection_coefficient(0.013, np.array([40.0, 60.0, 90.0]), 30.0)
    assert np.all((h > 2.0) & (h < 25.0))  # free convection of gases; Çengel
    assert np.all(np.diff(h) > 0.0)


def test_no_difference_is_no_trouble() -> None:
    assert np.isfinite(fin.loss_coefficient(CABLE, np.array([30.0]), 30.0)).all()
    assert float(fin.root_watts(CABLE, 0.0, np.array(30.0), 30.0)) == pytest.approx(0.0, abs=1e-9)


def test_insulation_stands_in_series_with_the_film() -> None:
    bare = fin.copper_cable(50.0, insulation_millimetres=0.001)
    thick = fin.copper_cable(50.0, insulation_millimetres=2.0)
    # by hand: strands 1.35·√50 = 9.546 mm, ln(13.546/9.546)/(2π·0.19)
    assert thick.outside_metres == pytest.approx(0.013546, abs=1e-6)
    assert thick.insulation_kelvin_metres_per_watt == pytest.approx(0.2931, abs=1e-4)
    assert bare.insulation_kelvin_metres_per_watt < 1e-3
    # against a film without end what is left is the insulation
    loss = float(fin.loss_coefficient(thick, np.array([60.0]), 30.0, 1e6)[0])
    assert loss == pytest.approx(1.0 / thick.insulation_kelvin_metres_per_watt, rel=1e-3)


def test_resistance_and_conduction_of_a_cable_agree_with_wiedemann_and_franz() -> None:
    assert CABLE.ohms_per_metre == 0.386e-3  # IEC 60228 table 3
    area = CABLE.watt_metres_per_kelvin / fin.COPPER_CONDUCTIVITY
    assert area * 1e6 == pytest.approx(44.7, abs=0.1)  # ρ/r′: what of 50 mm² really carries
    # k·ρ = L·T: the textbook's 390 W/(m K) and ρ at 20 °C, within 4 % at 50 °C
    lorenz = fin.COPPER_CONDUCTIVITY * materials.COPPER_OHM_METRES * 1.118 / 323.15
    assert lorenz == pytest.approx(materials.LORENZ_VOLTS2_PER_KELVIN2, rel=0.06)


@given(root=st.floats(-20.0, 200.0), amps=st.floats(0.0, 150.0))
def test_heat_flows_from_warm_to_cold(root: float, amps: float) -> None:
    far = fin.far_celsius(CABLE, amps, 30.0)
    watts = float(fin.root_watts(CABLE, amps, np.array(root), 30.0))
    assert watts == 0.0 or (watts > 0.0) == (root > far)


def test_many_roots_at_once_are_each_alone() -> None:
    roots = np.array([[20.0, 40.0], [60.0, 90.0]])
    together = fin.root_watts(CABLE, 80.0, roots, 30.0)
    alone = [[float(fin.root_watts(CABLE, 80.0, np.array(r), 30.0)) for r in row] for row in roots]
    assert together == pytest.approx(np.array(alone))


def test_a_size_outside_the_table_is_refused_in_one_line() -> None:
    with pytest.raises(ValueError, match=r"400 mm² is outside the table") as caught:
        fin.copper_cable(400)
    assert "\n" not in str(caught.value)
    assert fin.copper_cable(70.0, conductor=Conductor.FLEXIBLE_TINNED).ohms_per_metre == 0.277e-3
