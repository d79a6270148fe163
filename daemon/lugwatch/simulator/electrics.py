"""The currents of an invented boat: charge curve, loads, and the sum at the bus bar.

Not here: heat, and what a shunt makes of it. Amperes; a battery current is positive when it charges.
May import: the simulator's own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# (second from which it holds, value): data for everything that is switched
Steps = Sequence[tuple[float, float]]

CURRENTS = ("alternator", "battery", "house", "inverter")
ALTERNATOR_START_SECONDS = 20.0  # time constant with which an alternator takes up its load
FULL_BATTERY_AMPS = 4.0


def value_at(steps: Steps, seconds: float) -> float:
    """The value that holds at this second; 0 before the first."""
    found = 0.0
    for start, value in steps:
        if start > seconds:
            break
        found = value
    return found


@dataclass(slots=True, kw_only=True)
class Electrics:
    """State of the charge: how long in bulk, how the regulator hunts; moved on by `advance`.

    Bulk: the alternator gives all it can, and hunts. After bulk_seconds of charging the battery
    takes exponentially less (taper_seconds), and the alternator gives only what is asked.
    """

    bulk_seconds: float
    taper_seconds: float
    random: np.random.Generator
    charged_seconds: float = 0.0
    hunting_amps: float = 0.0
    load_wander: float = 0.0
    alternator_amps: float = 0.0

    def advance(
        self, *, limit_amps: float, house_amps: float, inverter_amps: float, dt_seconds: float
    ) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """One step; limit_amps is what the alternator can give now (0: engine off). In CURRENTS' order."""
        kicks = self.random.standard_normal(2)
        self.hunting_amps = _wander(self.hunting_amps, 1.6, 25.0, dt_seconds, float(kicks[0]))
        self.load_wander = _wander(self.load_wander, 0.06, 300.0, dt_seconds, float(kicks[1]))
        house = max(0.0, house_amps * (1.0 + self.load_wander))
        inverter = max(0.0, inverter_amps * (1.0 + 0.5 * self.load_wander))
        target = 0.0
        if limit_amps > 0.0:
            self.charged_seconds += dt_seconds
            tapering = max(0.0, self.charged_seconds - self.bulk_seconds)
            accepted = FULL_BATTERY_AMPS + limit_amps * math.exp(-tapering / self.taper_seconds)
            target = min(limit_amps, accepted + house + inverter) + self.hunting_amps
        share = 1.0 - math.exp(-dt_seconds / ALTERNATOR_START_SECONDS)
        self.alternator_amps += share * (max(0.0, target) - self.alternator_amps)
        if limit_amps <= 0.0 and self.alternator_amps < 0.5:
            self.alternator_amps = 0.0
        battery = self.alternator_amps - house - inverter
        return np.array([self.alternator_amps, battery, house, inverter])


def _wander(value: float, sigma: float, tau_seconds: float, dt_seconds: float, kick: float) -> float:
    keep = math.exp(-dt_seconds / tau_seconds)
    return value * keep + sigma * math.sqrt(1.0 - keep * keep) * kick
