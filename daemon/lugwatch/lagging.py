"""What follows something else late, and a sum of parts none of which is negative: for checks of a fitting.

`lagged` is one first-order lag, exact for straight lines between rows. `nonnegative` is least squares with
parts ≥ 0. Not here: what is weighed with them (`cold_check`, `mounting`). May import numpy only.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
# of the largest, added to the diagonal: columns that are nearly alike must not blow each other up
_RIDGE = 1e-9


def lagged(values: Array, tau_seconds: float, row_seconds: float) -> Array:
    """(n,) or (n, m) values a row, followed with one time constant, at rest at the first row."""
    keep = float(np.exp(-row_seconds / tau_seconds))
    # of a ramp: y = x − sτ + (y₀ − x₀ + sτ)·e^(−t/τ), with s its slope
    ramp = tau_seconds / row_seconds
    followed = np.array(values, dtype=np.float64)
    for row in range(1, len(followed)):
        behind = ramp * (values[row] - values[row - 1])
        followed[row] = values[row] - behind + (followed[row - 1] - values[row - 1] + behind) * keep
    return followed


def nonnegative(gram: Array, right: Array) -> Array:
    """(k,) x ≥ 0 of the least ½ xᵀGx − rᵀx, with gram (k, k) = XᵀX and right (k,) = Xᵀy.

    Active sets (Lawson and Hanson, Solving Least Squares Problems, chapter 23, on normal equations).
    """
    count = len(right)
    if count == 0:
        return np.zeros(0)
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    g = gram / np.outer(scale, scale) + _RIDGE * np.eye(count)
    r = right / scale
    x = np.zeros(count)
    free = np.zeros(count, dtype=bool)
    least = 1e-10 * max(float(np.abs(r).max()), 1e-300)
    for _ in range(5 * count):
        slope = r - g @ x
        slope[free] = -np.inf
        if float(slope.max()) <= least:
            break
        free[int(slope.argmax())] = True
        while True:
            trial = np.zeros(count)
            trial[free] = np.linalg.solve(g[np.ix_(free, free)], r[free])
            below = free & (trial <= 0.0)
            if not below.any():
                break
            step = float(np.min(x[below] / np.maximum(x[below] - trial[below], 1e-300)))
            x = x + step * (trial - x)
            free &= x > 1e-12 * max(float(x.max()), 1e-300)
            x[~free] = 0.0
            if not free.any():
                break
        x = trial
    solved: Array = x / scale
    return solved
