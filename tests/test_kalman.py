"""The filter of two modes against other people's filters and a worked example."""

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter
from numpy.typing import NDArray

from lugwatch import kalman

Array = NDArray[np.float64]

# Annual flow of the Nile at Aswan 1871-1970 [10^8 m³]: R's data set `Nile`, public domain, as used in
# Durbin and Koopman, Time Series Analysis by State Space Methods, chapter 2.
NILE = np.array(
    [
        1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180,
        799, 958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833,
        701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845,
        864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676,
        649, 846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923,
        975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
    ],
    dtype=float,
)  # fmt: skip


def _predict(mean: Array, covariance: Array, keep: Array, pull: Array, noise: Array) -> tuple[Array, Array]:
    filters = kalman.pack(mean, covariance)
    kalman.predict(filters, keep, pull, noise)
    return kalman.mean_of(filters), kalman.covariance_of(filters)


def _update(
    mean: Array, covariance: Array, value: Array, variance: Array, held: Array | None = None
) -> tuple[Array, Array, Array, Array, Array]:
    filters = kalman.pack(mean, covariance)
    innovation, deviation, gain = kalman.update(filters, value, variance, held)
    return kalman.mean_of(filters), kalman.covariance_of(filters), innovation, deviation, gain


def test_the_nile_reaches_the_steady_state_of_the_book() -> None:
    """Variances 15099 and 1469.1; steady predicted 5501.26, filtered 4032.16 (recomputed to 6 digits);
    filterpy with these ends at 798.370. A level that walks is the offset, with nothing beside it.
    """
    mean, covariance, noise = np.zeros((5, 1)), np.zeros((5, 5, 1)), np.zeros((5, 1))
    covariance[4, 4], noise[4] = 1e7, 1469.1
    still = np.ones((2, 1))
    for flow in NILE:
        mean, covariance, _, _, _ = _update(mean, covariance, np.array([flow]), np.array([15099.0]))
        filtered = covariance[4, 4, 0]
        mean, covariance = _predict(mean, covariance, still, 0.0 * still, noise)
    assert filtered == pytest.approx(4032.158, abs=0.01)
    assert covariance[4, 4, 0] == pytest.approx(5501.258, abs=0.01)
    assert mean[4, 0] == pytest.approx(798.370, abs=0.01)
    assert not mean[:4].any()


N = 6
OBSERVED = np.array([[1.0, 1.0, 0.0, 0.0, 1.0]])


def _believed() -> tuple[Array, Array]:
    """Means (5, n) and covariances (5, 5, n) of no particular form."""
    random = np.random.default_rng(20)
    root = random.normal(size=(N, 5, 5))
    return random.normal(size=(5, N)), (root @ root.swapaxes(1, 2) + np.eye(5)).transpose(1, 2, 0).copy()


def _transition(keep: Array, pull: Array) -> Array:
    """The matrix that a step stands for."""
    f = np.eye(5)
    f[0, 0], f[1, 1] = keep
    f[0, 2], f[1, 3] = pull
    return f


def test_forty_unlike_steps_agree_with_filterpy() -> None:
    random = np.random.default_rng(7)
    mean, covariance = _believed()
    others = []
    for i in range(N):
        other = KalmanFilter(dim_x=5, dim_z=1)
        other.x, other.P, other.H = mean[:, i : i + 1].copy(), covariance[:, :, i].copy(), OBSERVED
        others.append(other)
    for number in range(40):
        keep, pull = random.uniform(0.1, 1.0, (2, N)), random.uniform(0.0, 0.5, (2, N))
        noise, variance = random.uniform(0.0, 0.1, (5, N)), random.uniform(0.1, 2.0, N)
        values = random.normal(size=N)
        mean, covariance = _predict(mean, covariance, keep, pull, noise)
        for i, other in enumerate(others):
            other.predict(F=_transition(keep[:, i], pull[:, i]), Q=np.diag(noise[:, i]))
        if number % 5 == 4:  # nothing was measured
            continue
        mean, covariance, innovation, deviation, gain = _update(mean, covariance, values, variance)
        likelihood = kalman.log_likelihood(innovation, deviation**2)
        for i, other in enumerate(others):
            other.update(values[i], R=variance[i])
            assert likelihood[i] == pytest.approx(float(other.log_likelihood), rel=1e-9)
            np.testing.assert_allclose(gain[:, i], other.K[:, 0], rtol=1e-9, atol=1e-12)
        np.testing.assert_array_equal(covariance, covariance.swapaxes(0, 1))
    for i, other in enumerate(others):
        np.testing.assert_allclose(mean[:, i], other.x[:, 0], rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(covariance[:, :, i], other.P, rtol=1e-9, atol=1e-12)


def test_a_missing_measurement_changes_nothing() -> None:
    mean, covariance = _believed()
    held = np.zeros((5, N))
    held[:, 1] = 1.0
    after, spread, _, _, gain = _update(
        mean, covariance, np.array([1.0, 99.0, 1.0, 1.0, 1.0, 1.0]), np.full(N, 0.5), held
    )
    np.testing.assert_array_equal(after[:, 1], mean[:, 1])
    np.testing.assert_array_equal(spread[:, :, 1], covariance[:, :, 1])
    assert not gain[:, 1].any()
    assert not np.allclose(after[:, 0], mean[:, 0])


def test_a_held_state_keeps_its_mean_and_all_others_are_as_joseph_has_them() -> None:
    """P ← (I − K·H)·P·(I − K·H)ᵀ + K·R·Kᵀ, right for any gain (Bucy and Joseph 1968, from memory)."""
    mean, covariance = _believed()
    held = np.zeros((5, N))
    held[[2, 3]] = 1.0
    after, spread, innovation, deviation, gain = _update(mean, covariance, np.zeros(N), np.full(N, 0.5), held)
    np.testing.assert_array_equal(after[[2, 3]], mean[[2, 3]])
    np.testing.assert_array_equal(spread[2:4, 2:4], covariance[2:4, 2:4])
    for i in range(N):
        p = covariance[:, :, i]
        innovation_variance = float((OBSERVED @ p @ OBSERVED.T)[0, 0]) + 0.5
        k = (p @ OBSERVED.T) / innovation_variance * (1.0 - held[:, i : i + 1])
        rest = np.eye(5) - k @ OBSERVED
        np.testing.assert_allclose(spread[:, :, i], rest @ p @ rest.T + 0.5 * k @ k.T, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(gain[:, i], k[:, 0], rtol=1e-12)
        np.testing.assert_allclose(after[:, i], mean[:, i] + k[:, 0] * innovation[i], rtol=1e-12)
        assert deviation[i] ** 2 == pytest.approx(innovation_variance)
    assert (np.linalg.eigvalsh(spread.transpose(2, 0, 1)) > 0.0).all()


def test_what_was_given_is_left_as_it_was() -> None:
    mean, covariance = _believed()
    before = mean.copy(), covariance.copy()
    half = np.full((2, N), 0.5)
    _predict(mean, covariance, half, half, np.ones((5, N)))
    for held in (None, np.ones((5, N))):
        _update(mean, covariance, np.ones(N), np.ones(N), held)
    np.testing.assert_array_equal(mean, before[0])
    np.testing.assert_array_equal(covariance, before[1])
