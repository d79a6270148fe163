"""What can go wrong on an invented boat, as data: which kind, where, from when, how much.

Not here: `model.Fault`, which is a failed measurement; this is the trouble itself, of which the
watcher only sees the consequences. May import: nothing of ours.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np


class Trouble(StrEnum):
    """Kinds of trouble; what `where` and `size` mean stands beside each."""

    RESISTANCE_STEP = "resistance_step"  # joint; size: times its sound resistance
    RESISTANCE_GROWTH = "resistance_growth"  # joint; size: seconds in which it doubles
    INTERMITTENT = "intermittent"  # joint; size: times its sound resistance, in random bursts
    PROBE_OFF = "probe_off"  # joint's probe hangs in the air; size: unused
    PROBE_DEAD = "probe_dead"  # probe channel gives nothing
    AIR_PROBE_DRAUGHT = "air_probe_draught"  # probe channel; size: K that it reads too cold
    FAN = "fan"  # space; size: times free convection
    HATCH = "hatch"  # space, open to the weather
    SHUNT_GAIN = "shunt_gain"  # current channel; size: drift of the gain per hour, e.g. 0.02
    SHUNT_CLIPPED = "shunt_clipped"  # current channel; size: A beyond which it does not count
    SHUNT_STUCK = "shunt_stuck"  # current channel says again and again what it said first; size: unused
    SHUNT_REVERSED = "shunt_reversed"  # current channel, its sense leads swapped; size: unused


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantFault:
    """One trouble from `start_seconds` to `end_seconds` of the scenario."""

    kind: Trouble
    where: str
    start_seconds: float
    end_seconds: float = float("inf")
    size: float = 1.0

    def acts(self, seconds: float) -> bool:
        """Whether it is there at this second."""
        return self.start_seconds <= seconds < self.end_seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """One spell of bad contact of an intermittent joint."""

    start_seconds: float
    end_seconds: float
    ratio: float


def bursts(fault: PlantFault, duration_seconds: float, random: np.random.Generator) -> tuple[Burst, ...]:
    """Spells of 5 to 40 s of bad contact, about one in two minutes, each of its own size."""
    found: list[Burst] = []
    end = min(fault.end_seconds, duration_seconds)
    seconds = fault.start_seconds + random.exponential(60.0)
    while seconds < end:
        length = random.uniform(5.0, 40.0)
        ratio = 1.0 + (fault.size - 1.0) * random.uniform(0.5, 1.5)
        found.append(Burst(start_seconds=seconds, end_seconds=min(seconds + length, end), ratio=ratio))
        seconds += length + random.exponential(90.0)
    return tuple(found)


def resistance_ratio(fault: PlantFault, seconds: float, spells: Iterable[Burst] = ()) -> float:
    """What this fault multiplies its joint's resistance by at this second; 1 where it does not.

    Growth that has ended stays: metal does not heal. A step that has ended has been mended.
    """
    match fault.kind:
        case Trouble.RESISTANCE_STEP:
            return fault.size if fault.acts(seconds) else 1.0
        case Trouble.RESISTANCE_GROWTH:
            grown = min(seconds, fault.end_seconds) - fault.start_seconds
            return float(2.0 ** (max(0.0, grown) / fault.size))
        case Trouble.INTERMITTENT:
            for spell in spells:
                if spell.start_seconds <= seconds < spell.end_seconds:
                    return spell.ratio
            return 1.0
        case _:
            return 1.0
