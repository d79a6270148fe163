"""Lags and sums of parts that are not negative, against scipy."""

import numpy as np
import pytest
from scipy.optimize import nnls
from scipy.signal import lsim

from lugwatch.lagging import lagged, nonnegative


@pytest.mark.parametrize("seed", range(5))
def test_a_lag_of_straight_lines_is_exact(seed: int) -> None:
    values = np.cumsum(np.random.default_rng(seed).normal(0.0, 1.0, 80)) + 5.0
    seconds = np.arange(80) * 20.0
    _, truth, _ = lsim(([1.0], [90.0, 1.0]), values - values[0], seconds, interp=True)
    assert np.allclose(lagged(values, 90.0, 20.0), truth + values[0], atol=1e-9)


def test_columns_are_followed_each_for_itself() -> None:
    values = np.random.default_rng(1).normal(0.0, 1.0, (40, 3))
    together = lagged(values, 50.0, 10.0)
    assert np.allclose(together[:, 1], lagged(values[:, 1], 50.0, 10.0))


@pytest.mark.parametrize("seed", range(20))
def test_nonnegative_is_that_of_lawson_and_hanson(seed: int) -> None:
    random = np.random.default_rng(seed)
    columns = random.normal(0.0, 1.0, (60, 8)) * 10.0 ** random.uniform(-3.0, 3.0, 8)
    values = columns @ np.maximum(random.normal(0.0, 1.0, 8), 0.0) / 1.0 + random.normal(0.0, 0.5, 60)
    truth, _ = nnls(columns, values)
    found = nonnegative(columns.T @ columns, columns.T @ values)
    assert np.all(found >= 0.0)
    assert np.allclose(columns @ found, columns @ truth, atol=1e-4 * float(np.abs(values).max()))


def test_nothing_and_what_helps_nothing() -> None:
    assert len(nonnegative(np.zeros((0, 0)), np.zeros(0))) == 0
    assert list(nonnegative(np.eye(2), np.array([-1.0, 0.0]))) == [0.0, 0.0]
