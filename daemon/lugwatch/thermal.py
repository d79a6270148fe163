"""Physics of a joint as free functions: heating, settling temperature, running the modes forward.

Not here: statistics, learning, state. Arrays broadcast; every parameter has its shape and unit in
brackets. The model is two first-order modes (fast: the joint itself; slow: what soaks through cable
and bar) driven by u = I²·(1 + α·(T − 20 °C)). May import numpy only.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Copper at 20 °C, IEC 60028; the same figure as 1/(234.45 + 20).
COPPER_ALPHA_PER_KELVIN = 0.00393
REFERENCE_CELSIUS = 20.0

# Times at which a projection looks for the limit [s]: dense early, to a day.
_GRID_SECONDS: Array = np.concatenate([[0.0], np.geomspace(5.0, 86_400.0, 48)])


def resistance_factor(celsius: Array) -> Array:
    """R(T)/R(20 °C) of copper [-] at a temperature [°C]: 1 + α·(T − 20). IEC 60028."""
    return 1.0 + COPPER_ALPHA_PER_KELVIN * (celsius - REFERENCE_CELSIUS)


def settling_celsius(
    reference_celsius: Array, rise_coefficient: Array, amps_squared: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """Where a joint settles [°C], and whether it never does (thermal runaway).

    reference_celsius: (...) [°C] what it would be without current, offset included
    rise_coefficient: (...) [K/A²]; amps_squared: (...) [A²]
    Solves T = T_ref + B·I²·(1 + α·(T − 20)). With B·I²·α ≥ 1 the extra heat of each kelvin is
    more than what that kelvin sheds, and there is no settling temperature (textbook algebra, as for
    the cold-resistance rise of a winding). Runaway elements hold +inf for the caller to replace.
    """
    loading = rise_coefficient * amps_squared
    feedback = loading * COPPER_ALPHA_PER_KELVIN
    runaway = feedback >= 1.0
    safe = np.where(runaway, 0.0, feedback)
    cold = reference_celsius + loading * (1.0 - COPPER_ALPHA_PER_KELVIN * REFERENCE_CELSIUS)
    return np.where(runaway, np.inf, cold / (1.0 - safe)), runaway


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """How joints (n,) go on at a held current: T(t) = level + Σ share·exp(rate·t), two of each."""

    level_celsius: Array
    shares_kelvin: tuple[Array, Array]
    rates: tuple[Array, Array]  # [1/s]; above zero: thermal runaway

    def celsius(self, seconds: Array = _GRID_SECONDS) -> Array:
        """Temperature [°C] at `seconds` from now, shape (n, len(seconds))."""
        result = self.level_celsius[..., None]
        for share, rate in zip(self.shares_kelvin, self.rates, strict=True):
            # a runaway grows past any number in a day: far beyond a melting point is far enough
            grow = np.exp(np.minimum(np.multiply.outer(rate, seconds), 20.0))
            result = result + share[..., None] * grow
        return result

    def at_most_celsius(self) -> Array:
        """A bound (n,) [°C] that is never passed; +inf in thermal runaway."""
        first, second = self.shares_kelvin
        bound = self.level_celsius + np.maximum(first, 0.0) + np.maximum(second, 0.0)
        return np.where((self.rates[0] > 0.0) | (self.rates[1] > 0.0), np.inf, bound)

    def of(self, rows: NDArray[np.bool_]) -> "Ahead":
        """The same of some joints."""
        first, second = self.shares_kelvin
        return Ahead(
            level_celsius=self.level_celsius[rows],
            shares_kelvin=(first[rows], second[rows]),
            rates=(self.rates[0][rows], self.rates[1][rows]),
        )


def ahead_of(
    fast_celsius: Array,
    slow_celsius: Array,
    offset_kelvin: Array,
    fast_target: tuple[Array, Array],
    slow_target: tuple[Array, Array],
    tau_fast_seconds: Array,
    tau_slow_seconds: Array,
) -> Ahead:
    """How joints go on from now, current held.

    fast_celsius, slow_celsius: (n,) the two modes now, surroundings included; T is their sum
    plus offset_kelvin (n,). *_target: (n,) pairs (loading [K], surroundings [°C]): each mode heads for
    loading·(1 + α·(T − 20)) + surroundings with its own time constant. With one mode this is the
    closed form of IEC 60255-149 for a thermal overload relay: t = τ·ln((θ∞ − θ0)/(θ∞ − θ)).
    """
    alpha = COPPER_ALPHA_PER_KELVIN
    (load_f, around_f), (load_s, around_s) = fast_target, slow_target
    k_f, k_s = load_f * alpha, load_s * alpha
    # within 1e-9 of the edge of runaway the settling point is at infinity: step aside
    total = np.where(np.abs(1.0 - k_f - k_s) < 1e-9, 1.0 - 1e-9, k_f + k_s)
    bias = 1.0 + alpha * (offset_kelvin - REFERENCE_CELSIUS)
    drive = (load_f + load_s) * bias + around_f + around_s
    settled = drive / (1.0 - total)
    settled_f = load_f * bias + around_f + k_f * settled
    settled_s = load_s * bias + around_s + k_s * settled
    d_f, d_s = fast_celsius - settled_f, slow_celsius - settled_s
    # d/dt of the two deviations: rows (k_f − 1, k_f)/τ_f and (k_s, k_s − 1)/τ_s
    a, b = (k_f - 1.0) / tau_fast_seconds, k_f / tau_fast_seconds
    c, d = k_s / tau_slow_seconds, (k_s - 1.0) / tau_slow_seconds
    half, root = (a + d) / 2.0, np.sqrt(np.maximum(((a - d) / 2.0) ** 2 + b * c, 1e-24))
    rate_1, rate_2 = half + root, half - root
    sum_0 = d_f + d_s
    slope_0 = (a + c) * d_f + (b + d) * d_s
    share_1 = (slope_0 - rate_2 * sum_0) / (rate_1 - rate_2)
    return Ahead(
        level_celsius=settled + offset_kelvin,
        shares_kelvin=(share_1, sum_0 - share_1),
        rates=(rate_1, rate_2),
    )


def seconds_to_limit(ahead_celsius: Array, limit_celsius: Array, seconds: Array = _GRID_SECONDS) -> Array:
    """First time [s] at which each row of `ahead_celsius` (n, m) reaches limit_celsius (n,).

    0 where it is there already, +inf where it never is within `seconds`. Between two grid times the
    crossing is interpolated on the logarithm of the remaining distance, which is exact for one
    exponential that heads for a temperature far above the limit and good to a few per cent otherwise.
    """
    over = ahead_celsius >= limit_celsius[:, None]
    first = np.argmax(over, axis=1)
    rows = np.arange(len(first))
    before = np.maximum(first - 1, 0)
    low, high = ahead_celsius[rows, before], ahead_celsius[rows, first]
    span = np.where(high > low, high - low, 1.0)
    share = np.clip((limit_celsius - low) / span, 0.0, 1.0)
    crossing = seconds[before] + share * (seconds[first] - seconds[before])
    result: Array = np.where(over.any(axis=1), np.where(first == 0, 0.0, crossing), np.inf)
    return result
