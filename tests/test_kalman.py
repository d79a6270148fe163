"""The stacked filter against other people's filters and a worked example."""

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter
from numpy.typing import NDArray

from lugwatch import kalman

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


def test_the_nile_reaches_the_steady_state_of_the_book() -> None:
    """Variances 15099 and 1469.1; steady predicted 5501.26, filtered 4032.16 (recomputed to 6 digits);
    filterpy with these ends at 798.370."""
    mean, covariance = np.array([[0.0]]), np.array([[[1e7]]])
    one = np.ones((1, 1, 1))
    for flow in NILE:
        mean, covariance, _, _, _ = kalman.update(
            mean, covariance, np.ones(1), np.array([flow]), np.array([15099.0]), np.ones((1, 1))
        )
        filtered = covariance[0, 0, 0]
        mean, covariance = kalman.predict(mean, covariance, one, one * 1469.1)
    assert filtered == pytest.approx(4032.158, abs=0.01)
    assert covariance[0, 0, 0] == pytest.approx(5501.258, abs=0.01)
    assert mean[0, 0] == pytest.approx(798.370, abs=0.01)


def _random_filters(n: int, d: int) -> dict[str, NDArray[np.float64]]:
    random = np.random.default_rng(20)
    root = random.normal(size=(n, d, d))
    noise = random.normal(size=(n, d, d)) * 0.3
    return {
        "mean": random.normal(size=(n, d)),
        "covariance": root @ root.swapaxes(1, 2) + np.eye(d),
        "transition": 0.9 * np.eye(d) + 0.05 * random.normal(size=(n, d, d)),
        "noise": noise @ noise.swapaxes(1, 2),
        "observed": random.normal(size=d),
        "values": random.normal(size=(40, n)),
    }


def test_forty_steps_agree_with_filterpy() -> None:
    n, d = 6, 5
    f = _random_filters(n, d)
    others = []
    for i in range(n):
        other = KalmanFilter(dim_x=d, dim_z=1)
        other.x, other.P = f["mean"][i][:, None].copy(), f["covariance"][i].copy()
        other.F, other.Q, other.H = f["transition"][i], f["noise"][i], f["observed"][None, :]
        other.R = np.array([[0.5]])
        others.append(other)
    mean, covariance = f["mean"], f["covariance"]
    for values in f["values"]:
        mean, covariance = kalman.predict(mean, covariance, f["transition"], f["noise"])
        mean, covariance, innovation, variance, _ = kalman.update(
            mean, covariance, f["observed"], values, np.full(n, 0.5), np.ones((n, d))
        )
        likelihood = kalman.log_likelihood(innovation, variance)
        for i, other in enumerate(others):
            other.predict()
            other.update(values[i])
            assert likelihood[i] == pytest.approx(float(other.log_likelihood), rel=1e-6)
    for i, other in enumerate(others):
        np.testing.assert_allclose(mean[i], other.x[:, 0], rtol=1e-6, atol=1e-9)
        np.testing.assert_allclose(covariance[i], other.P, rtol=1e-6, atol=1e-9)


def test_a_missing_measurement_changes_nothing() -> None:
    f = _random_filters(3, 5)
    held = np.ones((3, 5))
    held[1] = 0.0
    mean, covariance, _, _, _ = kalman.update(
        f["mean"], f["covariance"], f["observed"], np.array([1.0, 99.0, 1.0]), np.full(3, 0.5), held
    )
    np.testing.assert_array_equal(mean[1], f["mean"][1])
    np.testing.assert_array_equal(covariance[1], f["covariance"][1])
    assert not np.allclose(mean[0], f["mean"][0])


def test_a_held_state_keeps_its_mean_and_its_variance() -> None:
    f = _random_filters(4, 5)
    factor = np.ones((4, 5))
    factor[:, 2] = 0.0
    mean, covariance, _, _, _ = kalman.update(
        f["mean"], f["covariance"], f["observed"], np.zeros(4), np.full(4, 0.5), factor
    )
    np.testing.assert_array_equal(mean[:, 2], f["mean"][:, 2])
    np.testing.assert_allclose(covariance[:, 2, 2], f["covariance"][:, 2, 2])
    assert (np.linalg.eigvalsh(covariance) > 0.0).all()
