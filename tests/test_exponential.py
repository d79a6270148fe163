"""One exponential against certified fits and the overload-relay table."""

from pathlib import Path

import numpy as np
import pytest

from lugwatch.exponential import fit_exponential, seconds_to_rise

DATA = Path(__file__).parent / "data" / "nist-strd"

# NIST StRD, certified: b1, its deviation, b2, its deviation, residual sum of squares (in the files too)
CERTIFIED = {
    "BoxBOD": (2.1380940889e2, 1.2354515176e1, 5.4723748542e-1, 1.0455993237e-1, 1.1680088766e3),
    "Misra1a": (2.3894212918e2, 2.7070075241, 5.5015643181e-4, 7.2668688436e-6, 1.2455138894e-1),
}


@pytest.mark.parametrize("name", sorted(CERTIFIED))
def test_certified_values_of_nist(name: str) -> None:
    rows = np.loadtxt(DATA / f"{name}.dat", skiprows=60)
    fit = fit_exponential(rows[:, 1], rows[:, 0])
    assert fit is not None
    got = (fit.size, fit.size_sd, fit.rate, fit.rate_sd, fit.squares)
    assert got == tuple(pytest.approx(value, rel=1e-8) for value in CERTIFIED[name])


def test_three_readings_have_one_exponential_through_them() -> None:
    """Common practice, no source: 33.0 °C after 1 min, 40.0 after 5, 42.2 after 10."""
    fit = fit_exponential([1.0, 5.0, 10.0], [33.0, 40.0, 42.2], with_start=True)
    assert fit is not None
    assert fit.start == pytest.approx(29.4, abs=0.05)
    assert 1.0 / fit.rate == pytest.approx(3.2, abs=0.05)
    assert fit.start + fit.size == pytest.approx(42.8, abs=0.05)
    assert fit.squares < 1e-12
    assert fit.size_sd is None


def test_what_has_no_exponential_in_it_has_no_fit() -> None:
    assert fit_exponential([1.0], [2.0]) is None
    assert fit_exponential([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0]) is None  # straight
    assert fit_exponential([1.0, 2.0, 3.0], [5.0, 5.0, 5.0]) is None  # there before the first reading


# I/(k·I_B): trip time in τ from cold, and after 90 % load. IEC 60255-149; recomputed.
RELAY = [
    (1.1, 1.75127, 0.64436), (1.2, 1.18562, 0.35895), (1.5, 0.58779, 0.14150),
    (2.0, 0.28768, 0.06141), (3.0, 0.11778, 0.02347), (5.0, 0.04082, 0.00789),
]  # fmt: skip


@pytest.mark.parametrize(("overload", "cold", "hot"), RELAY)
def test_time_to_a_limit_is_that_of_an_overload_relay(overload: float, cold: float, hot: float) -> None:
    assert seconds_to_rise(0.0, overload**2, 1.0, 1.0) == pytest.approx(cold, abs=5e-6)
    assert seconds_to_rise(0.9**2, overload**2, 1.0, 1.0) == pytest.approx(hot, abs=5e-6)


def test_the_worked_relay_of_ten_minutes() -> None:
    """τ 10 min, k 1.05, 1.2 times the basic current: 14.508 min cold, 6.2415 after 90 % of it."""
    settled = (1.2 / 1.05) ** 2
    assert seconds_to_rise(0.0, settled, 1.0, 10.0) == pytest.approx(14.508, abs=5e-4)
    assert seconds_to_rise((0.9 / 1.05) ** 2, settled, 1.0, 10.0) == pytest.approx(6.2415, abs=5e-5)


def test_a_limit_is_reached_already_or_never() -> None:
    assert seconds_to_rise(5.0, 9.0, 4.0, 60.0) == 0.0
    assert seconds_to_rise(1.0, 4.0, 4.0, 60.0) is None
