"""Settling, runaway and running the modes forward, against closed forms and another solver."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from lugwatch import thermal


def one(value: float) -> NDArray[np.float64]:
    return np.array([value])


def test_copper_at_50_mm2_and_100_amps_loses_4_92_watts_at_90_celsius() -> None:
    """IEC 60228 class 5, 0.386 Ω/km at 20 °C; 3.86 W/m at 20 °C, 4.92 at 90 °C (recomputed)."""
    cold_watts = 0.386e-3 * 100.0**2
    assert cold_watts * thermal.resistance_factor(np.array(20.0)) == pytest.approx(3.86)
    assert cold_watts * thermal.resistance_factor(np.array(90.0)) == pytest.approx(4.92, abs=0.005)


def test_a_cold_resistance_rise_of_60_kelvin_is_really_78_5() -> None:
    """60/(1 − 0.00393·60) = 78.5 K at 20 °C surroundings: textbook algebra."""
    settled, runaway = thermal.settling_celsius(one(20.0), one(60.0 / 100.0**2), one(100.0**2))
    assert settled[0] - 20.0 == pytest.approx(78.5, abs=0.05)
    assert not runaway[0]


def test_runaway_is_recognised_at_its_edge() -> None:
    edge = 1.0 / thermal.COPPER_ALPHA_PER_KELVIN
    _, runaway = thermal.settling_celsius(one(20.0), one(edge * 1.001), one(1.0))
    assert runaway[0]
    _, calm = thermal.settling_celsius(one(20.0), one(edge * 0.999), one(1.0))
    assert not calm[0]


@given(
    own=st.floats(0.0, 90.0),
    soak=st.floats(0.0, 90.0),
    tau_fast=st.floats(40.0, 600.0),
    tau_slow=st.floats(700.0, 7000.0),
    fast=st.floats(0.0, 40.0),
    offset=st.floats(-2.0, 2.0),
)
def test_running_forward_agrees_with_solve_ivp(
    own: float, soak: float, tau_fast: float, tau_slow: float, fast: float, offset: float
) -> None:
    seconds = np.array([0.0, 30.0, 300.0, 3000.0, 12000.0])
    going = thermal.ahead_of(
        one(fast), one(18.0), one(offset), (one(own), one(12.0)), (one(soak), one(14.0)),
        one(tau_fast), one(tau_slow),
    )  # fmt: skip
    ours = going.celsius(seconds)[0]

    def slope(_: float, y: NDArray[np.float64]) -> list[float]:
        heating = 1.0 + thermal.COPPER_ALPHA_PER_KELVIN * (y[0] + y[1] + offset - 20.0)
        return [(own * heating + 12.0 - y[0]) / tau_fast, (soak * heating + 14.0 - y[1]) / tau_slow]

    other = solve_ivp(slope, (0.0, 12000.0), [fast, 18.0], t_eval=seconds, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(ours, other.y.sum(axis=0) + offset, rtol=1e-5, atol=1e-5)
    bound = going.at_most_celsius()[0]
    assert (ours <= bound + 1e-9).all()
    assert np.isinf(bound) == ((own + soak) * thermal.COPPER_ALPHA_PER_KELVIN > 1.0)


# I/(k·I_B), trip time in units of τ from cold: IEC 60255-149, t = τ·ln(I²/(I² − (k·I_B)²)); recomputed.
RELAY = [(1.1, 1.75127), (1.2, 1.18562), (1.5, 0.58779), (2.0, 0.28768), (3.0, 0.11778), (5.0, 0.04082)]


@pytest.mark.parametrize(("overload", "trip_tau"), RELAY)
def test_one_mode_reaches_its_limit_when_an_overload_relay_trips(overload: float, trip_tau: float) -> None:
    tau, surroundings, limit_rise = 600.0, 20.0, 0.01
    # a limit rise so small that copper's own warming does not matter, as in the relay's formula
    ahead = thermal.ahead_of(
        one(surroundings), one(0.0), one(0.0),
        (one(limit_rise * overload**2), one(surroundings)), (one(0.0), one(0.0)),
        one(tau), one(tau * 3.0),
    ).celsius()  # fmt: skip
    got = thermal.seconds_to_limit(ahead, one(surroundings + limit_rise))[0]
    assert got == pytest.approx(trip_tau * tau, rel=0.02)


def test_a_limit_that_is_never_reached_is_never() -> None:
    ahead = thermal.ahead_of(
        one(20.0), one(0.0), one(0.0), (one(10.0), one(20.0)), (one(0.0), one(0.0)), one(200.0), one(900.0)
    ).celsius()
    assert np.isinf(thermal.seconds_to_limit(ahead, one(60.0))[0])
    assert thermal.seconds_to_limit(ahead, one(19.0))[0] == 0.0
