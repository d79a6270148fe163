"""An invented boat as she was fitted: two passages and the night between, written through the real store.

Faults of the fitting are made on the readings' way into the store, as they would come from the bus; the boat
herself is sound.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np

from histories import open_store
from lugwatch import config
from lugwatch.clock import ManualClock
from lugwatch.fitting import CheckKind, FittingCheck, Outcome
from lugwatch.model import Scan
from lugwatch.simulator.boat import SimulatedBoat, make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.record import Row, record
from lugwatch.simulator.scenarios import Scenario, anchored_night, healthy_passage
from lugwatch.store.writer import Store

START_TIME = 1_780_000_000_000
ROW_SECONDS = 10.0
NIGHT_HOURS = 13.0
PASSAGE_HOURS = 3.0
PROBE_STEP_KELVIN = 0.0625
# a load of known size, switched on in the morning: when it comes on [s after the start of that scenario]
KNOWN_LOAD_AMPS, KNOWN_LOAD_SECONDS = 60.0, 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """What went wrong while fitting."""

    swapped: tuple[tuple[str, str], ...] = ()  # probes, by joint
    fallen_off: tuple[str, ...] = ()
    offset_kelvin: Mapping[str, float] = field(default_factory=dict)
    reversed_currents: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()


SOUND = Faults()


@lru_cache(maxsize=4)
def lived(seed: int) -> tuple[SimulatedBoat, tuple[Row, ...]]:
    """Passage, night at anchor, passage, and half an hour with a known load on the inverter."""
    boat = make_boat(seed)
    rows: list[Row] = []
    first, last = healthy_passage(1000 * seed, PASSAGE_HOURS), healthy_passage(1000 * seed + 1, PASSAGE_HOURS)
    morning = Scenario(
        name="known load",
        duration_seconds=1500.0,
        house_amps=((0.0, 3.0),),
        inverter_amps=((0.0, 0.0), (KNOWN_LOAD_SECONDS, KNOWN_LOAD_AMPS), (900.0, 0.0)),
    )
    state, time = None, START_TIME
    for number, scenario in enumerate((first, anchored_night(first, NIGHT_HOURS), last, morning)):
        part = record(
            boat,
            scenario,
            seed=10 * seed + number,
            start_time=time,
            step_seconds=ROW_SECONDS,
            previous=state,
            plant_step_seconds=2.5,
        )
        rows += part.rows
        state, time = part.state, part.end_time
    return boat, tuple(rows)


def known_load_time(rows: Sequence[Row]) -> int:
    """When the half hour with the known load began [ms]."""
    return rows[-1].time - 1_490_000


def fitted(folder: Path, seed: int, faults: Faults = SOUND) -> tuple[Path, Path]:
    """Configuration and database of the boat of this seed, fitted with these faults."""
    boat, rows = lived(seed)
    path = folder / "lugwatch.toml"
    path.write_text(configuration_text(boat, folder, ("127.0.0.1", 1883)), encoding="utf-8")
    configuration = config.load(path)
    times, channels = np.array([row.time for row in rows]), list(boat.channels)
    values = np.array(
        [[np.nan if row.values[c] is None else row.values[c] for c in channels] for row in rows]
    )
    seen = _with_faults(boat, channels, values, faults, np.random.default_rng([seed, 77]))
    clock = ManualClock(0.0, START_TIME)
    store = open_store(configuration.database, clock=clock, boat=configuration.boat)
    kept = [c for c in channels if c not in faults.silent]
    columns = [channels.index(c) for c in kept]
    for start in range(0, len(times), 360):
        scans = [
            Scan(
                values=tuple(zip(kept, seen[n, columns].tolist(), strict=True)),
                monotonic_seconds=float(times[n]) / 1e3,
                time=int(times[n]),
            )
            for n in range(start, min(start + 360, len(times)))
        ]
        store.write(scans, monotonic_seconds=scans[-1].monotonic_seconds, time=scans[-1].time)
    store.close()
    return path, configuration.database


def _with_faults(
    boat: SimulatedBoat, channels: list[str], values: np.ndarray, faults: Faults, random: np.random.Generator
) -> np.ndarray:
    column = {name: number for number, name in enumerate(channels)}
    seen = values.copy()
    airs = {int(p.space): p.channel for p in boat.probes if p.node is None}
    spaces = {p.channel: int(p.space) for p in boat.probes}
    for one, other in faults.swapped:
        seen[:, [column[one], column[other]]] = seen[:, [column[other], column[one]]]
    for probe in faults.fallen_off:
        air = values[:, column[airs[spaces[probe]]]]
        noisy = air + 0.3 + random.normal(0.0, 0.02, len(air))
        seen[:, column[probe]] = np.round(noisy / PROBE_STEP_KELVIN) * PROBE_STEP_KELVIN
    for probe, kelvin in faults.offset_kelvin.items():
        seen[:, column[probe]] += kelvin
    for current in faults.reversed_currents:
        seen[:, column[current]] *= -1.0
    return seen


def recorded(path: Path, rows: list[dict[str, float]], step_seconds: float = 5.0) -> Store:
    """Rows of the small boat, the last one at the clock's time."""
    store = open_store(path, clock=ManualClock(0.0, START_TIME))
    for number, row in enumerate(rows):
        seconds = number * step_seconds
        scan = Scan(
            values=tuple(row.items()), monotonic_seconds=seconds, time=START_TIME + round(1e3 * seconds)
        )
        store.write([scan], monotonic_seconds=seconds, time=scan.time)
    return store


def a_check(kind: CheckKind, subject: str, outcome: Outcome, check_id: int) -> FittingCheck:
    return FittingCheck(
        check_id=check_id, time=START_TIME, kind=kind, subject=subject, outcome=outcome, finding="x", text="x"
    )
