"""The current at which a joint settles at its limit: closed forms, published figures, the watch's own law."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch import thermal
from lugwatch.tolerable_current import coefficient_of, settling_amps, tolerable

B = 30.0 / 95.0**2  # K/A²: 30 K at 95 A


@pytest.mark.parametrize(("limit", "air", "b"), [(90.0, 30.0, B), (75.0, 45.0, 1e-3), (105.0, -5.0, 2e-2)])
def test_without_a_change_of_resistance_it_is_the_plain_square_root(
    limit: float, air: float, b: float
) -> None:
    """The closed form I = sqrt((limit − air)/β)."""
    assert settling_amps(limit, air, b, alpha_per_kelvin=0.0) == pytest.approx(math.sqrt((limit - air) / b))


def test_a_lugs_test_current_scales_as_published() -> None:
    """UL 486A-B as worked on a public forum of electricians: 50 K at 125 A is at most 23 K at 85 A, 29 K at
    95 A, 62 K at 140 A (read there; by hand 23.1, 28.9, 62.7), heat with the current squared alone."""
    b = 50.0 / 125.0**2
    for amps, kelvin in ((85.0, 23.1), (95.0, 28.9), (140.0, 62.7)):
        assert settling_amps(40.0 + kelvin, 40.0, b, alpha_per_kelvin=0.0) == pytest.approx(amps, rel=2e-3)


def test_hot_copper_carries_less_by_the_root_of_its_resistance() -> None:
    """Copper at 90 °C has 1.2751 of its resistance at 20 °C (IEC 60028, α = 0.00393/K); the rounded factors
    of IEC 60228's annex, 250/(230 + t), say 1/0.781 = 1.280."""
    plain = settling_amps(90.0, 30.0, B, alpha_per_kelvin=0.0)
    ratio = (plain / settling_amps(90.0, 30.0, B)) ** 2
    assert ratio == pytest.approx(1.2751, abs=1e-4)
    assert ratio == pytest.approx(1.0 / 0.781, rel=5e-3)


@given(
    limit=st.floats(60.0, 105.0), air=st.floats(-20.0, 55.0), kelvin=st.floats(1.0, 200.0),
    rated=st.floats(20.0, 400.0),
)  # fmt: skip
def test_at_that_current_the_watch_says_that_it_settles_at_its_limit(
    limit: float, air: float, kelvin: float, rated: float
) -> None:
    b = kelvin / rated**2
    amps = settling_amps(limit, air, b)
    settled, runaway = thermal.settling_celsius(np.array(air), np.array(b), np.array(amps**2))
    assert not runaway and float(settled) == pytest.approx(limit, abs=1e-6)


def test_surroundings_at_the_limit_leave_nothing() -> None:
    assert settling_amps(90.0, 90.0, B) == settling_amps(90.0, 95.0, B) == 0.0


def test_the_interval_is_that_of_the_coefficient() -> None:
    found = tolerable(
        limit_celsius=90.0, surroundings_celsius=30.0, rise_coefficient=B, rise_coefficient_sd=0.1 * B
    )
    assert found is not None and found.high_amps is not None
    assert found.low_amps == pytest.approx(found.amps / math.sqrt(1.2))
    assert found.high_amps == pytest.approx(found.amps / math.sqrt(0.8))


def test_what_cannot_be_told_is_not_told() -> None:
    known = {"limit_celsius": 90.0, "surroundings_celsius": 30.0}
    unsure = tolerable(**known, rise_coefficient=B, rise_coefficient_sd=0.5 * B)
    assert unsure is not None and unsure.high_amps is None and unsure.low_amps > 0.0
    assert tolerable(**known, rise_coefficient=0.0, rise_coefficient_sd=B) is None
    assert tolerable(**known, rise_coefficient=-B, rise_coefficient_sd=B) is None
    with pytest.raises(ValueError, match="above zero"):
        settling_amps(90.0, 30.0, 0.0)


def test_what_comes_back_from_its_neighbours_lowers_the_lower_end() -> None:
    """A joint that may settle at 95 °C under 100 A, its neighbours warmed by it, by the closed form."""
    known = {"limit_celsius": 90.0, "surroundings_celsius": 38.0, "rise_coefficient": B}
    alone = tolerable(**known, rise_coefficient_sd=0.0)
    together = tolerable(**known, rise_coefficient_sd=0.0, hottest_at=(100.0, 95.0))
    assert alone is not None and together is not None
    assert together.amps == alone.amps == together.high_amps
    most = (95.0 - 38.0) / (100.0**2 * (1.0 + 0.00393 * 75.0))
    assert together.low_amps == pytest.approx(math.sqrt(52.0 / (most * (1.0 + 0.00393 * 70.0))))
    assert together.low_amps < alone.low_amps
    # one that a model puts below its own deviations changes nothing
    assert tolerable(**known, rise_coefficient_sd=0.0, hottest_at=(100.0, 60.0)) == alone


@given(b=st.floats(1e-4, 5e-3), air=st.floats(-10.0, 50.0), amps=st.floats(5.0, 180.0))
def test_a_coefficient_is_found_again_from_where_it_settles(b: float, air: float, amps: float) -> None:
    settled, runaway = thermal.settling_celsius(np.array(air), np.array(b), np.array(amps**2))
    assert not runaway
    assert coefficient_of(float(settled), air, amps) == pytest.approx(b, rel=1e-6)
