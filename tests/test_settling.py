"""Joints that settle together, against solutions of another make; and what their deviations hold."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import fsolve

from lugwatch import belief, estimator, settling, shape_fit, thermal
from lugwatch.estimator import FAST, OFFSET, OWN, SHAPES_PER_JOINT, SLOW, SOAK

Array = NDArray[np.float64]
ALPHA = 0.00393  # copper at 20 °C, IEC 60028
RATED = np.array([100.0, 200.0, 100.0])
AIR = np.array([20.0, 20.0, 26.0])
AMPS = np.array([80.0, 90.0, 0.0])
SHARE = np.array([0.3, 0.6, 0.5])
OWN_KELVIN, SOAK_KELVIN = np.array([9.0, 20.0, 6.0]), np.array([5.0, 10.0, 2.0])
OFFSETS = np.array([0.4, -0.2, 0.1])
# joints 0 and 1 touch each other, 2 touches both
METAL = np.array([[0, 1, 1], [1, 0, 1], [1, 1, 0]], dtype=bool)
STILL = (np.zeros(3), np.zeros(3))  # an air that is expected to stay as it is
SHAPE = (150.0, 1200.0, 0.4, 0.5, 0.1, 0.001, 0.04)


def bank(share: Array = SHARE, *, walk: float = 0.1, mode_walk: float = 0.001) -> estimator.Bank:
    shapes = np.tile(SHAPE, (len(share) * SHAPES_PER_JOINT, 1))
    shapes[:, 3] = np.repeat(share, SHAPES_PER_JOINT)
    shapes[:, 4], shapes[:, 5] = walk, mode_walk
    return estimator.bank_of(shapes, RATED[: len(share)], share > 0.0, estimator.SHAPE_KNOWN)


def tracked(of: estimator.Bank, *, sd_kelvin: float = 0.5) -> estimator.Tracked:
    """Joints in the midst of warming, with a filter that is unsure of β and offset."""
    joints = of.joints
    mean = np.zeros((of.rows, estimator.STATES))
    for state, values in ((OWN, OWN_KELVIN), (SOAK, SOAK_KELVIN), (OFFSET, OFFSETS)):
        mean[:, state] = np.repeat(values[:joints], SHAPES_PER_JOINT)
    mean[:, FAST] = mean[:, SLOW] = 1.0
    covariance = np.zeros((of.rows, estimator.STATES, estimator.STATES))
    for state in (OWN, SOAK, OFFSET):
        covariance[:, state, state] = sd_kelvin**2
    air = np.repeat(AIR[:joints], SHAPES_PER_JOINT)
    return replace(
        estimator.initial(of),
        mean=mean,
        covariance=covariance,
        air_fast_celsius=air,
        air_slow_celsius=air,
        started=np.ones(joints, dtype=bool),
    )


def inputs(joints: int = 3, *, probe: Array | None = None) -> estimator.Inputs:
    return estimator.Inputs(
        monotonic_seconds=0.0,
        probe_celsius=np.full(joints, 30.0) if probe is None else probe,
        probe_count=np.ones(joints),
        air_celsius=AIR[:joints],
        neighbour_celsius=np.full(joints, 30.0),
        amps_squared=AMPS[:joints] ** 2,
        loaded=AMPS[:joints] > 0.0,
    )


def asked(joints: int = 3, *, amps: Array = AMPS, soaked: float = 1.0, hour: Array = AMPS) -> settling.Asked:
    return settling.Asked(
        present_amps_squared=amps[:joints] ** 2,
        hour_amps_squared=hour[:joints] ** 2,
        loaded_amps_squared=np.where(AMPS > 0.0, AMPS**2, np.nan)[:joints],
        floor_amps=np.full(joints, 8.0),
        metal=METAL[:joints, :joints],
        learned=np.ones(joints, dtype=bool),
        soaked=np.full(joints, soaked),
    )


def believed(of: estimator.Bank, to_come: tuple[Array, Array], limit: Array) -> belief.Believed:
    question = belief.Question(settling=asked(), air_to_come=lambda: to_come, limit_celsius=limit)
    return belief.believe(of, tracked(of), inputs(), question)


def network(amps: Array, share: Array = SHARE, held: dict[int, float] | None = None) -> Array:
    """The same physics written out joint by joint and given to a general solver of equations."""

    def imbalance(celsius: Array) -> list[float]:
        left = []
        for i in range(len(celsius)):
            near = [celsius[j] for j in range(len(celsius)) if METAL[i, j]]
            around = (1.0 - share[i]) * AIR[i] + share[i] * sum(near) / len(near)
            heating = (amps[i] / RATED[i]) ** 2 * (1.0 + ALPHA * (celsius[i] - 20.0))
            settled = around + OFFSETS[i] + (OWN_KELVIN[i] + SOAK_KELVIN[i]) * heating
            left.append(celsius[i] - (held or {}).get(i, settled))
        return left

    return np.asarray(fsolve(imbalance, np.full(len(amps), 30.0), xtol=1e-12))


def test_three_joints_that_warm_each_other_settle_where_another_solver_finds_them() -> None:
    of = bank()
    settled = settling.settle(of, tracked(of), inputs(), asked())
    np.testing.assert_allclose(settled.celsius, network(AMPS), atol=1e-8)


def test_at_its_rated_current_a_joint_is_warmed_by_neighbours_that_it_warms() -> None:
    of = bank()
    settled = settling.settle_rated(of, tracked(of), inputs(), asked())
    assert (settled.sd_kelvin > settling.settle(of, tracked(of), inputs(), asked()).sd_kelvin).all()
    for joint in range(3):
        amps = np.where(np.arange(3) == joint, RATED, AMPS)
        assert settled.celsius[joint] == pytest.approx(network(amps)[joint], abs=1e-8)


def test_a_joint_without_a_current_stays_at_its_present_temperature_and_warms_the_others() -> None:
    of = bank()
    unknown = AMPS.copy()
    unknown[2] = np.nan
    probe = np.array([30.0, 30.0, 47.0])
    settled = settling.settle(of, tracked(of), inputs(probe=probe), asked(amps=unknown))
    expected = network(AMPS, held={2: 47.0})
    np.testing.assert_allclose(settled.celsius[:2], expected[:2], atol=1e-8)


def test_alone_it_is_the_closed_form() -> None:
    lonely = bank(np.zeros(1))
    settled = settling.settle(lonely, tracked(lonely), inputs(1), asked(1))
    expected, _ = thermal.settling_celsius(
        AIR[:1] + OFFSETS[:1], (OWN_KELVIN + SOAK_KELVIN)[:1] / RATED[:1] ** 2, AMPS[:1] ** 2
    )
    np.testing.assert_allclose(settled.celsius, expected)


def test_the_time_to_a_limit_does_not_contradict_where_it_settles() -> None:
    of = bank()
    ends = settling.settle(of, tracked(of), inputs(), asked()).celsius
    assert np.isfinite(believed(of, STILL, ends - 0.2).further().seconds_to_limit).all()
    assert np.isinf(believed(of, STILL, ends + 0.2).further().seconds_to_limit).all()


# ---- thermal runaway ----------------------------------------------------------------------------


def coupled(feedback: list[float], coupling: list[list[float]]) -> settling.Coupled:
    alone, held, now = (np.full(len(feedback), value) for value in (20.0, 0.0, 50.0))
    return settling.coupled_celsius(alone, np.array(coupling), np.array(feedback), held > 0.0, now)


def test_two_joints_run_away_together_that_each_would_settle_alone() -> None:
    alone = coupled([0.6, 0.6], [[0.0, 0.0], [0.0, 0.0]])
    assert not alone.runaway.any()
    np.testing.assert_allclose(alone.celsius, 50.0)
    assert coupled([0.6, 0.6], [[0.0, 0.5], [0.5, 0.0]]).runaway.all()


def test_the_sound_neighbour_of_a_joint_that_runs_away_is_not_accused() -> None:
    found = coupled([0.95, 0.02], [[0.0, 0.3], [0.6, 0.0]])
    assert found.runaway.tolist() == [True, False]
    # its fellow stands where it is now, 50 °C
    assert found.celsius[1] == pytest.approx((20.0 + 0.6 * 50.0) / 0.98)


@given(
    feedback=st.lists(st.floats(0.0, 1.1), min_size=3, max_size=3),
    coupling=st.lists(st.floats(0.0, 0.7), min_size=6, max_size=6),
)
def test_it_runs_away_exactly_when_the_largest_eigenvalue_reaches_one(
    feedback: list[float], coupling: list[float]
) -> None:
    """Perron and Frobenius: the fixed point of a matrix without negative entries exists and is positive
    while its spectral radius is below one."""
    a, b, c, d, e, f = coupling
    matrix = np.array([[0.0, a, b], [c, 0.0, d], [e, f, 0.0]])
    radius = float(np.abs(np.linalg.eigvals(matrix + np.diag(feedback))).max())
    if abs(radius - 1.0) < 1e-3:
        return
    found = coupled(feedback, matrix.tolist())
    assert found.runaway.any() == (radius > 1.0)
    if radius < 1.0:
        np.testing.assert_allclose((matrix + np.diag(feedback)) @ found.celsius + 20.0, found.celsius)


# ---- deviations ---------------------------------------------------------------------------------


def settles_sd(of: estimator.Bank, filtered: float = 0.5, soaked: float = 1.0) -> Array:
    return settling.settle(of, tracked(of, sd_kelvin=filtered), inputs(), asked(soaked=soaked)).sd_kelvin


def rise_sd(of: estimator.Bank, filtered: float = 0.5, soaked: float = 1.0) -> Array:
    return settling.rise_sd_kelvin(of, tracked(of, sd_kelvin=filtered), inputs(), asked(soaked=soaked))


@pytest.mark.parametrize("sd", [settles_sd, rise_sd])
def test_more_that_is_not_known_makes_a_wider_interval(sd: Callable[..., Array]) -> None:
    least = sd(bank())
    assert (least > 0.0).all()
    for wider in (
        sd(bank(), filtered=1.0),
        sd(bank(walk=1.0)),
        sd(bank(mode_walk=0.02)),
        sd(bank(), soaked=0.2),
    ):
        assert (wider >= least).all()
        assert (wider[:2] > least[:2]).all()  # the third carries no current


def test_neighbours_bring_their_own_deviations() -> None:
    """Joint 1 alone is unsure; whoever touches it is less sure of where it settles itself."""
    of = bank()
    sure, unsure = tracked(of, sd_kelvin=0.1), tracked(of, sd_kelvin=0.1)
    unsure.covariance[SHAPES_PER_JOINT : 2 * SHAPES_PER_JOINT, OFFSET, OFFSET] = 4.0
    before = settling.settle(of, sure, inputs(), asked()).sd_kelvin
    after = settling.settle(of, unsure, inputs(), asked()).sd_kelvin
    assert (after > before).all()


def test_what_rise_and_offset_share_cancels_in_where_it_settles() -> None:
    of = bank(np.zeros(3))
    split = tracked(of, sd_kelvin=2.0)
    heating = (AMPS / RATED) ** 2 * thermal.resistance_factor(network(AMPS, np.zeros(3)))
    shared = split.covariance.copy()
    # what the offset is more, the rise is less: known is their sum at this heating
    for joint in range(2):
        rows = slice(joint * SHAPES_PER_JOINT, (joint + 1) * SHAPES_PER_JOINT)
        shared[rows, SOAK, SOAK] = 0.0
        shared[rows, OFFSET, OFFSET] = (2.0 * heating[joint]) ** 2
        shared[rows, OWN, OFFSET] = shared[rows, OFFSET, OWN] = -4.0 * heating[joint]
    together = settling.settle(of, replace(split, covariance=shared), inputs(), asked()).sd_kelvin
    apart = settling.settle(of, split, inputs(), asked()).sd_kelvin
    assert (together[:2] < 0.7 * apart[:2]).all()


def test_what_stands_in_the_offset_is_more_of_a_doubt_where_offsets_were_learned_to_walk() -> None:
    def with_offset(kelvin: float, walk: float) -> Array:
        of = bank(walk=walk)
        begun = tracked(of)
        begun.mean[:, OFFSET] = kelvin
        return settling.rise_sd_kelvin(of, begun, inputs(), asked())

    calm = with_offset(2.0, 0.02) / with_offset(0.0, 0.02)
    walking = with_offset(2.0, 0.6) / with_offset(0.0, 0.6)
    assert (calm < 1.05).all()
    assert (walking > 1.5).all()


def test_a_rise_over_a_small_load_is_less_sure() -> None:
    of = bank()
    much = settling.rise_sd_kelvin(of, tracked(of), inputs(), asked())
    little = settling.rise_sd_kelvin(of, tracked(of), inputs(), asked(hour=0.5 * AMPS))
    none = settling.rise_sd_kelvin(of, tracked(of), inputs(), asked(hour=np.full(3, np.nan)))
    assert (little[:2] > much[:2]).all()
    assert np.isfinite(none).all()


def test_only_bursts_never_let_a_slow_joint_settle() -> None:
    assert settling.soaked_ratio(np.array([0.9, 0.2, 0.0]), np.array([1.0, 1.0, 0.0])).tolist() == [
        0.9,
        0.2,
        0.0,
    ]


def test_the_last_hour_is_one_of_being_under_way_and_of_load_one_of_load() -> None:
    idle = replace(inputs(), loaded=np.zeros(3, dtype=bool), amps_squared=np.zeros(3))
    unknown = replace(inputs(), amps_squared=np.array([np.nan, 8100.0, 0.0]))
    none = np.full(3, np.nan)
    hour, loaded = settling.follow_hours(none, none, inputs(), 10.0)
    assert hour.tolist() == [6400.0, 8100.0, 0.0]
    assert loaded[:2].tolist() == [6400.0, 8100.0]
    assert np.isnan(loaded[2])
    at_anchor = settling.follow_hours(hour, loaded, idle, 36_000.0)
    np.testing.assert_array_equal(at_anchor, (hour, loaded))
    assert settling.follow_hours(hour, loaded, unknown, 10.0)[0][0] == 6400.0
    one_is_off = replace(
        inputs(), amps_squared=np.array([0.0, 8100.0, 0.0]), loaded=np.array([False, True, False])
    )
    later, still = settling.follow_hours(hour, loaded, one_is_off, 3600.0)
    assert later[0] == pytest.approx(6400.0 * np.exp(-1.0))
    assert still[0] == 6400.0


def test_a_load_in_bursts_tells_less_of_the_hours_mean() -> None:
    of = bank(np.zeros(3))
    steady, bursts = asked(), replace(asked(), loaded_amps_squared=4.0 * AMPS**2)
    much = settling.rise_sd_kelvin(of, tracked(of), inputs(), bursts)
    little = settling.rise_sd_kelvin(of, tracked(of), inputs(), steady)
    rise = (OWN_KELVIN + SOAK_KELVIN)[:2]
    added = np.sqrt(much**2 - little**2)[:2]
    np.testing.assert_allclose(added, settling.OTHER_LOAD_RATIO * np.log(4.0) * rise)


def test_rows_of_learned_shapes_are_counted_as_their_likelihood_was_tempered() -> None:
    """The figure stands in two layers, of which the lower cannot ask the upper."""
    assert settling.SHAPES_ALONE == shape_fit.TEMPER


def test_an_air_that_is_heading_elsewhere_moves_the_end_and_widens_it() -> None:
    of = bank()
    warming = (np.array([4.0, 4.0, 4.0]), np.array([2.0, 2.0, 2.0]))
    unknown = (np.full(3, np.nan), np.full(3, np.nan))
    answers = believed(of, warming, np.full(3, 90.0))
    ends, now = answers.further(), answers.settles_celsius
    # a network of which all airs are 4 K warmer is 4 K warmer, but for copper that is warmer too
    assert (ends.ends_celsius - now >= 4.0).all()
    assert (ends.ends_celsius - now < 4.6).all()
    grown = np.sqrt(ends.ends_sd_kelvin**2 - answers.settles_sd_kelvin**2)
    assert (grown > 1.9).all()
    assert (grown < 2.5).all()
    nobody_knows = believed(of, unknown, np.full(3, 90.0))
    assert np.isnan(nobody_knows.further().ends_celsius).all()
    np.testing.assert_array_equal(nobody_knows.settles_celsius, now)
