"""What would have to happen to one joint for a caution, a warning or an alarm, at a current, in words.

For `check`, from the same thresholds that the watch goes by. Settled temperatures are of a joint whose own
heating is all that warms it beyond its surroundings, copper's warming with it. Not here: the thresholds
(`alert_grading`). May import: model, units, alert_grading, thermal.
"""

import math
from dataclasses import dataclass

import numpy as np

from lugwatch.alert_grading import Thresholds
from lugwatch.model import Joint
from lugwatch.thermal import resistance_factor, settling_celsius
from lugwatch.units import format_duration


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What the figures of one joint rest on; None: not known."""

    amps: float  # at which they are told
    air_celsius: float  # around the joint
    rise_coefficient: float | None = None  # K/A²: its baseline
    rise_coefficient_sd: float | None = None
    floor_amps: float = 0.0  # nothing is judged below


def settles_celsius(rise_coefficient: float, amps: float, air_celsius: float) -> float:
    """Where a joint of this rise coefficient [K/A²] ends; inf in thermal runaway."""
    settled, _ = settling_celsius(*(np.asarray(v) for v in (air_celsius, rise_coefficient, amps**2)))
    return float(settled)


def amps_to(celsius: float, rise_coefficient: float, air_celsius: float) -> float | None:
    """The current [A] at which it settles there; None: its surroundings alone are warmer."""
    kelvin = celsius - air_celsius
    if kelvin <= 0.0 or rise_coefficient <= 0.0:
        return None
    return math.sqrt(kelvin / (_factor(celsius) * rise_coefficient))


def _factor(celsius: float) -> float:
    return float(resistance_factor(np.asarray(celsius)))


def explained(joint: Joint, t: Thresholds, basis: Basis) -> list[str]:
    """One sentence a grade, from the least to the worst."""
    if joint.current is None or joint.air is None:
        missing = "current" if joint.current is None else "air"
        lines = [f"no {missing} is configured: it is watched by limit and rate of rise alone"]
    elif basis.rise_coefficient is None:
        lines = [
            "no baseline yet: it is compared with itself after its first hour of load. From then on",
            f"caution: {t.warming_ratio:g} × its baseline rise, beyond doubt "
            f"({t.certainty_sd:g} deviations), for {format_duration(t.delay_seconds)}",
            f"warning: surely beyond {t.warming_warning_ratio:g} × and "
            f"{t.warming_warning_least_kelvin:g} K more, or {t.warming_warning_kelvin:g} K more, "
            "at its rated current",
        ]
    else:
        lines = _against_baseline(joint, t, basis, basis.rise_coefficient)
    limit = joint.limit_celsius
    return [
        *lines,
        f"warning: it heads beyond {limit:g} °C at the current that flows, nine times in ten; "
        f"an alarm with {format_duration(t.alarm_seconds)} or less to go",
        f"warning: it rises by {t.rising_kelvin_per_minute:g} K a minute and twice what load explains",
        f"alarm: at {limit:g} °C ({joint.limit_basis}) for {format_duration(t.hot_delay_seconds)}; "
        f"over {t.dead_band_kelvin:g} K below",
    ]


def _against_baseline(joint: Joint, t: Thresholds, basis: Basis, coefficient: float) -> list[str]:
    amps, air, limit = basis.amps, basis.air_celsius, joint.limit_celsius

    def at(ratio: float) -> float:
        return settles_celsius(ratio * coefficient, amps, air)

    sound = at(1.0) - air
    sd = basis.rise_coefficient_sd
    sure = "" if sd is None else f" ± {2.0 * sd / coefficient * sound:.1f}"
    lines = [
        f"at {amps:g} A its baseline rise is {sound:.1f}{sure} K: {at(1.0):.0f} °C in air of {air:.0f} °C"
    ]
    caution = t.warming_ratio
    # a ratio errs by a factor; certain is so many deviations of its logarithm
    if sd is not None:
        caution = max(caution, math.exp(t.certainty_sd * sd / coefficient))
    wide = "" if caution == t.warming_ratio else f" (not {t.warming_ratio:g}: its baseline is that unsure)"
    lines.append(
        f"caution: beyond {caution:.2f} × that{wide}, {_kelvin(at(caution) - air)} → "
        f"{_celsius(at(caution))}, beyond doubt for {format_duration(t.delay_seconds)}"
    )
    rated = joint.rated_amps or amps
    at_rated = settles_celsius(coefficient, rated, air) - air
    by_kelvin = 1.0 + t.warming_warning_kelvin / at_rated
    by_factor = max(t.warming_warning_ratio, 1.0 + t.warming_warning_least_kelvin / at_rated)
    warning = max(caution, min(by_kelvin, by_factor))
    why = (
        f"{t.warming_warning_kelvin:g} K more at {rated:g} A"
        if by_kelvin < by_factor
        else f"{t.warming_warning_least_kelvin:g} K more at {rated:g} A"
        if by_factor > t.warming_warning_ratio
        else "by its factor"
    )
    lines.append(
        f"warning: surely beyond {warning:.2f} × ({why}), "
        f"{_kelvin(at(warning) - air)} → {_celsius(at(warning))}"
    )
    loading = (limit - air) / _factor(limit)
    if loading <= 0.0:
        lines.append(f"its air of {air:.0f} °C is at its limit of {limit:g} °C without any current")
        return lines
    most = amps_to(limit, coefficient, air)
    lines.append(
        f"its limit of {limit:g} °C: {loading / (coefficient * amps**2):.1f} × its baseline rise at "
        f"{amps:g} A, or {most:.0f} A as it is"
    )
    if amps < basis.floor_amps:
        lines.append(f"below {basis.floor_amps:g} A nothing is judged but limit and rate of rise")
    return lines


def _kelvin(value: float) -> str:
    return f"{value:.1f} K" if math.isfinite(value) else "no settling temperature at all"


def _celsius(value: float) -> str:
    return f"{value:.0f} °C" if math.isfinite(value) else "thermal runaway"
