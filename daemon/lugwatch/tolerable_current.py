"""The current at which a joint settles just at its limit: how much it can be asked to carry.

Steady state, from the heat balance T = T_s + B·I²·(1 + α·(T − 20 °C)) that the watch uses everywhere
(`thermal`), solved for I at T = limit. Such a joint is always stable: what a kelvin adds there,
α·B·I², is below one for any surroundings above −234 °C. Not here: cables, fuses, ratings; whoever shows
the figure says that they may allow less. May import: thermal.
"""

import math
from dataclasses import dataclass

from lugwatch.thermal import COPPER_ALPHA_PER_KELVIN, REFERENCE_CELSIUS

# two to each side, as everywhere on the page
DEVIATIONS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerable:
    """A current [A] and its interval; `high_amps` None: no upper end can be told."""

    amps: float
    low_amps: float
    high_amps: float | None


def settling_amps(
    limit_celsius: float,
    surroundings_celsius: float,
    rise_coefficient: float,
    alpha_per_kelvin: float = COPPER_ALPHA_PER_KELVIN,
) -> float:
    """The current [A] at which a joint settles at `limit_celsius`; 0 where its surroundings are there.

    surroundings_celsius [°C]: what it would be without current. rise_coefficient [K/A²], above zero, of
    copper at 20 °C. I = sqrt((T_limit − T_s) / (B·(1 + α·(T_limit − 20)))): Joule heat in balance with
    cooling in proportion to the difference, as in IEC 60255-149; α of copper from IEC 60028, 0.00393/K.
    With α = 0 it is the plain sqrt((T_limit − T_s)/B). Raises ValueError for a coefficient that is not
    above zero.
    """
    if not rise_coefficient > 0.0:
        raise ValueError("rise_coefficient must be above zero")
    warm = 1.0 + alpha_per_kelvin * (limit_celsius - REFERENCE_CELSIUS)
    return math.sqrt(max(0.0, limit_celsius - surroundings_celsius) / (rise_coefficient * warm))


def coefficient_of(
    settles_celsius: float,
    surroundings_celsius: float,
    amps: float,
    alpha_per_kelvin: float = COPPER_ALPHA_PER_KELVIN,
) -> float:
    """The rise coefficient [K/A²] of a joint that settles at `settles_celsius` under `amps`."""
    warm = 1.0 + alpha_per_kelvin * (settles_celsius - REFERENCE_CELSIUS)
    return (settles_celsius - surroundings_celsius) / (amps**2 * warm)


def tolerable(
    *,
    limit_celsius: float,
    surroundings_celsius: float,
    rise_coefficient: float,
    rise_coefficient_sd: float,
    hottest_at: tuple[float, float] | None = None,
) -> Tolerable | None:
    """The current [A] that a joint settles at its limit from, with two deviations of its coefficient.

    surroundings_celsius [°C]: air, and what neighbours and bodies bring, held as they are now. hottest_at:
    for a joint on a metal with others, a current [A] and the most [°C] that it may settle at under it, by
    a model in which it warms its neighbours and they warm it back; the lower end allows for that.
    None where the coefficient is not above zero.
    """
    if not rise_coefficient > 0.0:
        return None
    spread = DEVIATIONS * rise_coefficient_sd
    least, most = rise_coefficient - spread, rise_coefficient + spread
    if hottest_at is not None:
        amps, celsius = hottest_at
        most = max(most, coefficient_of(celsius, surroundings_celsius, amps))
    return Tolerable(
        amps=settling_amps(limit_celsius, surroundings_celsius, rise_coefficient),
        low_amps=settling_amps(limit_celsius, surroundings_celsius, most),
        high_amps=settling_amps(limit_celsius, surroundings_celsius, least) if least > 0.0 else None,
    )
