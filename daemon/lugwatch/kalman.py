"""A Kalman filter for many small independent states at once. Plain linear algebra on stacked arrays.

Not here: what the states mean. n filters of d states each: means (n, d), covariances (n, d, d).
The recursion is the textbook one (Kalman 1960; Durbin and Koopman, Time Series Analysis by State
Space Methods, section 4.3), written stacked because a loop over joints costs ten times as much.
May import numpy only.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_LOG_2_PI = float(np.log(2.0 * np.pi))


def predict(mean: Array, covariance: Array, transition: Array, noise: Array) -> tuple[Array, Array]:
    """One step of time: mean (n, d), covariance (n, d, d), transition (n, d, d), noise (n, d, d)."""
    ahead = (transition @ mean[:, :, None])[:, :, 0]
    spread = transition @ covariance @ transition.swapaxes(1, 2)
    spread += noise
    return ahead, spread


def update(
    mean: Array,
    covariance: Array,
    observed: Array,
    value: Array,
    variance: Array,
    gain_factor: Array,
) -> tuple[Array, Array, Array, Array, Array]:
    """One scalar measurement per filter: value = observed·state + noise.

    observed: (d,); value, variance: (n,) in the unit of the measurement and its square;
    gain_factor: (n, d) 1 to learn a state from this measurement, 0 to hold it. A row whose factors
    are all 0 is left as it is: that is how a missing measurement is stepped over.
    Returns mean, covariance, innovation (n,), innovation variance (n,), gain (n, d).
    The covariance is updated in the form that is right for any gain (Joseph's), because a held
    state makes the gain suboptimal.
    """
    shared = covariance @ observed
    expected = mean @ observed
    innovation = value - expected
    innovation_variance = shared @ observed + variance
    gain = gain_factor * shared / innovation_variance[:, None]
    new_mean = mean + gain * innovation[:, None]
    cross = gain[:, :, None] * shared[:, None, :]
    new_covariance = covariance - cross - cross.swapaxes(1, 2)
    new_covariance += (gain * innovation_variance[:, None])[:, :, None] * gain[:, None, :]
    return new_mean, new_covariance, innovation, innovation_variance, gain


def log_likelihood(innovation: Array, innovation_variance: Array) -> Array:
    """Log density of each innovation under its own variance, (n,)."""
    result: Array = -0.5 * (
        _LOG_2_PI + np.log(innovation_variance) + innovation * innovation / innovation_variance
    )
    return result
