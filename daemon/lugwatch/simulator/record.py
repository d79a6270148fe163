"""Passages of an invented boat as a recording, with the truth beside it for tests of honesty.

Writes the CSV recording format that `replay` reads. Not here: reading one. May import: units,
errors and the simulator's own.
"""

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lugwatch.simulator.boat import SimulatedBoat
from lugwatch.simulator.plant import Floats
from lugwatch.simulator.scenarios import Scenario, anchored_night, healthy_passage
from lugwatch.simulator.simulation import PlantState, Simulation
from lugwatch.units import format_time

NIGHT_STEP_SECONDS = 4.0  # nothing is quick at anchor


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a recording: time [ms since 1970 UTC], one value per channel, None: no reading."""

    time: int
    values: Mapping[str, float | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What really was, at the times of the rows; arrays are rows × joints (amps: rows × currents)."""

    joints: tuple[str, ...]
    times: np.ndarray[tuple[int], np.dtype[np.int64]]
    celsius: Floats
    resistance_ohms: Floats  # at 20 °C
    amps: Floats
    air_celsius: Floats  # rows × spaces


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """A scenario lived through: what was seen, what was, and how the boat was left."""

    rows: list[Row]
    truth: Truth
    state: PlantState
    end_time: int


def record(
    boat: SimulatedBoat,
    scenario: Scenario,
    *,
    seed: int,
    start_time: int,
    step_seconds: float = 5.0,
    previous: PlantState | None = None,
    plant_step_seconds: float = 1.0,
    resistance_ratios: Mapping[str, float] | None = None,
) -> Recorded:
    """Live through the scenario and read every channel each `step_seconds`, a multiple of the plant's step.

    start_time: of the first row [ms since 1970 UTC]. previous: how an earlier passage left the boat.
    """
    simulation = Simulation(boat, scenario, seed=seed, previous=previous, resistance_ratios=resistance_ratios)
    every = max(1, round(step_seconds / plant_step_seconds))
    rows: list[Row] = []
    truths: list[tuple[Floats, Floats, Floats, Floats]] = []
    for number in range(round(scenario.duration_seconds / plant_step_seconds)):
        if number % every == 0:
            time = start_time + round(simulation.seconds * 1000.0)
            rows.append(Row(time=time, values=simulation.readings()))
            truths.append(
                (
                    simulation.joint_celsius(),
                    simulation.joint_ohms(),
                    simulation.amps.copy(),
                    simulation.air.celsius.copy(),
                )
            )
        simulation.advance(plant_step_seconds)
    return Recorded(
        rows=rows,
        truth=_truth(boat, rows, truths),
        state=simulation.state(),
        end_time=start_time + round(scenario.duration_seconds * 1000.0),
    )


def record_season(
    boat: SimulatedBoat,
    *,
    passages: int,
    seed: int,
    start_time: int,
    hours: float = 5.0,
    night_hours: float = 19.0,
    night_rows: bool = False,
    after_hours: float = 0.0,
    step_seconds: float = 5.0,
) -> list[Recorded]:
    """Healthy passages with a night at anchor between them, the boat's warmth carried over.

    night_rows False: the recorder was off, so there is a gap; True: each night is an item of its own.
    after_hours: the recorder stays on for so long at anchor, as an item of its own, before the night.
    """
    found: list[Recorded] = []
    state: PlantState | None = None
    time = start_time
    for number in range(passages):
        passage = healthy_passage(seed + number, hours)
        part = record(
            boat, passage, seed=seed + number, start_time=time, step_seconds=step_seconds, previous=state
        )
        evening, last = passage, part
        found.append(part)
        if after_hours:
            evening = anchored_night(passage, after_hours)
            last = record(
                boat,
                evening,
                seed=seed + number + 2_000_000,
                start_time=part.end_time,
                step_seconds=step_seconds,
                previous=part.state,
            )
            found.append(last)
        night = record(
            boat,
            anchored_night(evening, night_hours),
            seed=seed + number + 1_000_000,
            start_time=last.end_time,
            step_seconds=max(step_seconds, NIGHT_STEP_SECONDS),
            previous=last.state,
            plant_step_seconds=NIGHT_STEP_SECONDS if not night_rows else 1.0,
        )
        if night_rows:
            found.append(night)
        state, time = night.state, night.end_time
    return found


def write_recording_csv(path: Path, rows: Iterable[Row], channels: Sequence[str]) -> int:
    """Write rows in the recording format; gives their number. A missing reading is an empty cell."""
    count = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["time", *channels])
        for row in rows:
            writer.writerow([format_time(row.time), *(_cell(row.values.get(c)) for c in channels)])
            count += 1
    return count


def write_truth(path: Path, truth: Truth) -> None:
    """The truth as a compressed numpy file: joints, times, celsius, resistance_ohms, amps, air_celsius."""
    np.savez_compressed(
        path,
        joints=np.array(truth.joints),
        times=truth.times,
        celsius=truth.celsius,
        resistance_ohms=truth.resistance_ohms,
        amps=truth.amps,
        air_celsius=truth.air_celsius,
    )


def _truth(
    boat: SimulatedBoat, rows: list[Row], truths: list[tuple[Floats, Floats, Floats, Floats]]
) -> Truth:
    celsius, ohms, amps, air = (np.array(part) for part in zip(*truths, strict=True))
    return Truth(
        joints=tuple(j.joint for j in boat.joints),
        times=np.array([row.time for row in rows], dtype=np.int64),
        celsius=celsius,
        resistance_ohms=ohms,
        amps=amps,
        air_celsius=air,
    )


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.4f}".rstrip("0").rstrip(".")
