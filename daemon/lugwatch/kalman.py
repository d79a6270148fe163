"""A Kalman filter for many joints at once: the five states of two driven modes and an offset.

The states are [F, S, β_own, β_soak, b], of which the measurement is F + S + b. A step of time moves the
first two towards what β drives, F ← keep·F + pull·β_own and S ← keep·S + pull·β_soak, and leaves the
others where they are. The recursion is the textbook one (Kalman 1960; Durbin and Koopman, Time Series
Analysis by State Space Methods, section 4.3); that the transition is all but an identity and the
measurement is three ones is used, so a step costs additions of whole rows and no matrix products.
Filters stand along the last axis: means (5, n), covariances (5, 5, n), both in one array (`pack`).
Covariances stay symmetric to the last bit. Not here: what keep, pull and noise are (`estimator`).
May import numpy only.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STATES = 5
_MODES, _DRIVERS = slice(0, 2), slice(2, 4)
_FAST, _SLOW, _OFFSET = 0, 1, 4
_LOG_2_PI = float(np.log(2.0 * np.pi))


def pack(mean: Array, covariance: Array) -> Array:
    """Means (5, n) and covariances (5, 5, n) as filters (5, 6, n), for `predict` and `update` to move.

    The mean stands as a sixth column beside the covariance, since the rows of both move alike.
    """
    filters = np.empty((STATES, STATES + 1, mean.shape[1]))
    filters[:, :STATES] = covariance
    filters[:, STATES] = mean
    return filters


def mean_of(filters: Array) -> Array:
    """Means (5, n) of filters."""
    return filters[:, STATES]


def covariance_of(filters: Array) -> Array:
    """Covariances (5, 5, n) of filters."""
    return filters[:, :STATES]


def predict(filters: Array, keep: Array, pull: Array, noise: Array) -> None:
    """One step of time, in place.

    keep, pull: (2, n) of both modes; noise: (5, n) variances added to the states.
    """
    moved = filters[_MODES]
    moved *= keep[:, None]
    moved += pull[:, None] * filters[_DRIVERS]
    # of the columns only the corner of both modes; the rest of them is the rows again
    corner = moved[:, _MODES]
    corner *= keep
    corner += pull * moved[:, _DRIVERS]
    corner[_SLOW, _FAST] = corner[_FAST, _SLOW]
    filters[2:, _MODES] = moved[:, 2:STATES].swapaxes(0, 1)
    filters.reshape(STATES * (STATES + 1), -1)[:: STATES + 2] += noise


def update(
    filters: Array, value: Array, variance: Array, held: Array | None = None
) -> tuple[Array, Array, Array]:
    """One measurement of F + S + b per filter, in place.

    value, variance: (n,) in the unit of the measurement and its square; held: (5, n) 1 where a state
    does not learn from this measurement, else 0; None: all learn. A filter of which all states are
    held is left as it is: that is how a missing measurement is stepped over.
    Returns innovation (n,), its standard deviation (n,), gain (5, n).
    """
    # of both: what each state shares with the measurement, and at the end what is expected of it
    shared = filters[_FAST] + filters[_SLOW]
    shared += filters[_OFFSET]
    innovation = value - shared[STATES]
    deviation = shared[_FAST] + shared[_SLOW]
    deviation += shared[_OFFSET]
    deviation += variance
    np.sqrt(deviation, out=deviation)
    np.negative(innovation, out=shared[STATES])
    shared /= deviation
    states = shared[:STATES]
    if held is None:
        gain = states / deviation
        filters -= states[:, None] * shared
    else:
        # Joseph's form, right for any gain: with K the gain that is used and S the innovation's variance,
        # P − s·sᵀ/S + (s − S·K)(s − S·K)ᵀ/S
        left = states * held
        known = states[:, None] * states
        known -= left[:, None] * left
        learned = states - left
        gain = learned / deviation
        filters[:, :STATES] -= known
        filters[:, STATES] -= learned * shared[STATES]
    return innovation, deviation, gain


def log_likelihood(innovation: Array, innovation_variance: Array) -> Array:
    """Log density of each innovation under its own variance, (n,)."""
    result: Array = -0.5 * (
        _LOG_2_PI + np.log(innovation_variance) + innovation * innovation / innovation_variance
    )
    return result
