"""Thermistors: the voltage ratio of a divider -> ohms -> °C. Pure.

Not here: converters. May import: base, model.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused

ZERO_CELSIUS_KELVIN = 273.15
STANDARD_CELSIUS = 25.0
# Of the supply, across the thermistor. A 10 kohm part in a 10 kohm divider is at 0.971 at −40 °C and
# at 0.033 at 125 °C (NTCLE100E3 table), so beyond these is wire and not temperature.
OPEN_RATIO, SHORT_RATIO = 0.988, 0.008
# Makers' tables begin at −40 °C. Colder is a broken wire that leaks, as a wet plug's does.
COLDEST_CELSIUS = -40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """1/T = a + b·x + c·x² + d·x³ with x = ln(R / reference_ohms), T in kelvin."""

    reference_ohms: float
    coefficients: tuple[float, float, float, float]

    def celsius(self, ohms: float) -> float:
        """Temperature of a resistance above 0; NaN where the polynomial has no temperature."""
        x = math.log(ohms / self.reference_ohms)
        a, b, c, d = self.coefficients
        inverse = a + x * (b + x * (c + x * d))
        return 1.0 / inverse - ZERO_CELSIUS_KELVIN if inverse > 0 else math.nan

    def ohms(self, celsius: float) -> float:
        """Resistance at a temperature; by halving, since curves are given the other way round."""
        warm, cold = math.log(1.0), math.log(1e9)
        for _ in range(60):
            middle = 0.5 * (warm + cold)
            warmer = self.celsius(math.exp(middle)) > celsius
            warm, cold = (middle, cold) if warmer else (warm, middle)
        return math.exp(0.5 * (warm + cold))


def beta_curve(ohms_at_25: float, beta_kelvin: float) -> Curve:
    """The two-point equation: for a common part with B25/85 0.3 K low at 50 °C, 1.4 K high at 125 °C.

    Those errors: NTCLE100E3, 3977 K. Three points or the maker's coefficients do better.
    """
    at_25 = 1.0 / (STANDARD_CELSIUS + ZERO_CELSIUS_KELVIN)
    return Curve(reference_ohms=ohms_at_25, coefficients=(at_25, 1.0 / beta_kelvin, 0.0, 0.0))


def three_point_curve(points: Sequence[tuple[float, float]]) -> Curve:
    """Through three (°C, ohm) points of a datasheet: 1/T = a + b·ln R + c·(ln R)³ (Steinhart and Hart 1968).

    Raises ValueError for points that are not those of a thermistor.
    """
    ordered = sorted(points)
    celsius = [c for c, _ in ordered]
    ohms = [r for _, r in ordered]
    if len(ordered) != 3 or min(np.diff(celsius)) < 1 or max(np.diff(ohms)) >= 0 or min(ohms) <= 0:
        raise ValueError("three points, each warmer one with less ohms, at least 1 K apart")
    logs = np.log(ohms)
    matrix = np.stack([np.ones(3), logs, logs**3], axis=1)
    a, b, c = np.linalg.solve(matrix, 1.0 / (np.asarray(celsius) + ZERO_CELSIUS_KELVIN))
    return Curve(reference_ohms=1.0, coefficients=(float(a), float(b), 0.0, float(c)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Divider:
    """A thermistor and a fixed resistor between supply and ground.

    to_ground: the thermistor is the lower one (the resistor pulls up).
    """

    series_ohms: float
    curve: Curve
    to_ground: bool = True

    def celsius(self, input_volts: float, supply_volts: float) -> float | Refused:
        """Temperature, or why there is none. Broken and shorted wires are decided before any logarithm."""
        if supply_volts < 1.0:
            return Refused(kind=FaultKind.STARVED, detail=f"the divider's supply is {supply_volts:.2f} V")
        ratio = input_volts / supply_volts
        across = ratio if self.to_ground else 1.0 - ratio
        if across > OPEN_RATIO:
            return Refused(kind=FaultKind.OPEN, detail="the thermistor's wire is broken, or its plug is out")
        if across < SHORT_RATIO:
            return Refused(kind=FaultKind.SHORTED, detail="the thermistor's wires touch")
        celsius = self.curve.celsius(self.series_ohms * across / (1.0 - across))
        if celsius < COLDEST_CELSIUS:
            detail = f"{celsius:.0f} °C is colder than thermistors are made for: a broken wire that leaks"
            return Refused(kind=FaultKind.OPEN, detail=detail)
        if math.isfinite(celsius):
            return celsius
        return Refused(kind=FaultKind.OUT_OF_RANGE, detail="no temperature of this thermistor's curve")

    def input_volts(self, celsius: float, supply_volts: float) -> float:
        """What the converter sees at a temperature."""
        ohms = self.curve.ohms(celsius)
        across = ohms / (ohms + self.series_ohms)
        return supply_volts * (across if self.to_ground else 1.0 - across)

    def volts_per_kelvin(self, celsius: float, supply_volts: float) -> float:
        """How much the input moves for a kelvin, without its sign."""
        below, above = (self.input_volts(celsius + k, supply_volts) for k in (-0.5, 0.5))
        return abs(above - below)

    def self_heating_kelvin(self, ohms: float, supply_volts: float, milliwatts_per_kelvin: float) -> float:
        """What its own current warms a thermistor by, P / dissipation factor."""
        amps = supply_volts / (self.series_ohms + ohms)
        return amps * amps * ohms * 1e3 / milliwatts_per_kelvin
