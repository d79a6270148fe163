"""A load that comes on while somebody watches: readings of three invented joints, written minute by minute.

Rises are two plain exponentials (τ 200 s and 1500 s); figures are made up. One joint ends above what its
limit allows, which shows after four minutes; one below, certain after twice as long; one has no shunt.
"""

import math
from dataclasses import replace
from pathlib import Path
from typing import Self

from invented_boat import invented_boat
from lugwatch import __version__
from lugwatch.clock import Clock
from lugwatch.model import Boat, Output, Reading
from lugwatch.store.writer import Store

BAD, SOUND, UNMEASURED = "bar_alternator", "alternator_plus", "fuse_bar"
AMPS = 100.0
KELVIN = {BAD: 60.0, SOUND: 22.0, UNMEASURED: 5.0}  # where each ends at AMPS
AIR_CELSIUS = 22.0
ROW_SECONDS = 5
TAU_SECONDS, SHARES = (200.0, 1500.0), (0.7, 0.3)


def proving_boat() -> Boat:
    """Three joints of the invented boat, on 50 mm² cables."""
    boat = invented_boat()
    kept = {BAD, SOUND, UNMEASURED}
    joints = tuple(
        replace(j, cable_mm2=(50.0,), current=None if j.joint == UNMEASURED else "alternator")
        for j in boat.joints
        if j.joint in kept
    )
    channels = tuple(c for c in boat.channels if c.channel in kept | {"air_locker", "alternator"})
    return replace(boat, joints=joints, channels=channels)


class Fed:
    """`feed` writes so many more minutes of readings; a load is on where it is told to be.

    Labels run from `clock.time()` at the beginning on, however fast they are written.
    """

    def __init__(self, database: Path, clock: Clock) -> None:
        self.store = Store.open(database, clock=clock, boat=proving_boat(), version=__version__)
        self.time = clock.time()
        self._monotonic = clock.monotonic_seconds()
        self._modes = [0.0, 0.0]  # how far each is, as a share of where it ends at AMPS

    def feed(self, minutes: float, amps: float = 0.0) -> None:
        outputs: list[Output] = []
        for _ in range(round(minutes * 60 / ROW_SECONDS)):
            self.time += 1000 * ROW_SECONDS
            self._monotonic += ROW_SECONDS
            for i, tau in enumerate(TAU_SECONDS):
                self._modes[i] += ((amps / AMPS) ** 2 - self._modes[i]) * -math.expm1(-ROW_SECONDS / tau)
            outputs += self._row(amps)
        self.store.write(outputs, monotonic_seconds=self._monotonic, time=self.time)

    def _row(self, amps: float) -> list[Reading]:
        share = sum(part * mode for part, mode in zip(SHARES, self._modes, strict=True))
        values = {joint: AIR_CELSIUS + kelvin * share for joint, kelvin in KELVIN.items()}
        values |= {"air_locker": AIR_CELSIUS, "alternator": amps}
        return [
            Reading(channel=c, value=v, monotonic_seconds=self._monotonic, time=self.time)
            for c, v in values.items()
        ]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.store.close()
