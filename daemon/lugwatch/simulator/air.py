"""The air in an invented boat: weather outside, a machinery space, a locker, and draughts.

Not here: the joints. Temperatures in °C. May import: the simulator's own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from lugwatch.simulator.plant import Floats


class Space(IntEnum):
    """The two airs; the value is the index in every array of spaces."""

    MACHINERY = 0
    LOCKER = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Outside air: a daily wave and a slow wandering [°C, K, s]."""

    mean_celsius: float = 18.0
    swing_kelvin: float = 4.0
    warmest_seconds: float = 15.0 * 3600.0  # of the day
    wander_kelvin: float = 0.8
    wander_seconds: float = 7200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Spaces:
    """How the two airs behave."""

    engine_rise_kelvin: float = 23.0  # machinery air over the weather, engine on, in the end
    machinery_seconds: float = 2400.0
    locker_rise_kelvin: float = 2.0
    locker_share: float = 0.18  # of the machinery's rise that reaches the locker
    locker_seconds: float = 4800.0
    draught_ratios: tuple[float, float] = (0.12, 0.05)  # one sigma of convection, per space
    draught_seconds: tuple[float, float] = (1500.0, 2000.0)


@dataclass(slots=True, kw_only=True)
class Air:
    """The state of the air, moved on by `advance`; wandering is seeded."""

    weather: Weather
    spaces: Spaces
    random: np.random.Generator
    wander_kelvin: float
    celsius: Floats  # per space
    draught_drift: Floats  # per space, about zero

    def outside_celsius(self, day_seconds: float) -> float:
        """Outside air at this second of the day."""
        phase = 2.0 * math.pi * (day_seconds - self.weather.warmest_seconds) / 86400.0
        wave = self.weather.swing_kelvin * math.cos(phase)
        return self.weather.mean_celsius + wave + self.wander_kelvin

    def draught(self, fans: Sequence[float] = (1.0, 1.0)) -> Floats:
        """What multiplies free convection in each space; a fan multiplies it further."""
        multiplied: Floats = np.maximum(0.4, 1.0 + self.draught_drift) * np.array(fans)
        return multiplied

    def advance(
        self, day_seconds: float, engine_on: bool, hatch_open: Sequence[bool], dt_seconds: float
    ) -> None:
        """One step. An open hatch brings its space to the weather in a few minutes."""
        outside = self.outside_celsius(day_seconds)
        spaces = self.spaces
        machinery = self.celsius[Space.MACHINERY]
        targets = [
            outside + 1.0 + (spaces.engine_rise_kelvin if engine_on else 0.0),
            outside + spaces.locker_rise_kelvin + spaces.locker_share * (machinery - outside),
        ]
        seconds = [spaces.machinery_seconds, spaces.locker_seconds]
        kicks = self.random.standard_normal(3)
        for space in Space:
            target, tau = targets[space], seconds[space]
            if hatch_open[space]:
                target, tau = outside + 0.3 * (target - outside), 300.0
            self.celsius[space] += (1.0 - math.exp(-dt_seconds / tau)) * (target - self.celsius[space])
            self.draught_drift[space] = _wander(
                self.draught_drift[space],
                spaces.draught_ratios[space],
                spaces.draught_seconds[space],
                dt_seconds,
                kicks[space],
            )
        self.wander_kelvin = _wander(
            self.wander_kelvin,
            self.weather.wander_kelvin,
            self.weather.wander_seconds,
            dt_seconds,
            kicks[2],
        )


def air_at_rest(weather: Weather, spaces: Spaces, day_seconds: float, random: np.random.Generator) -> Air:
    """The air of a boat that has lain with everything off for a day."""
    kicks = random.standard_normal(3)
    air = Air(
        weather=weather,
        spaces=spaces,
        random=random,
        wander_kelvin=weather.wander_kelvin * kicks[2],
        celsius=np.zeros(2),
        draught_drift=np.array(spaces.draught_ratios) * kicks[:2],
    )
    outside = air.outside_celsius(day_seconds)
    air.celsius[:] = (outside + 1.0, outside + spaces.locker_rise_kelvin)
    return air


def _wander(value: float, sigma: float, tau_seconds: float, dt_seconds: float, kick: float) -> float:
    """One exact step of a mean-reverting random walk (Ornstein and Uhlenbeck)."""
    keep = math.exp(-dt_seconds / tau_seconds)
    return value * keep + sigma * math.sqrt(1.0 - keep * keep) * float(kick)
