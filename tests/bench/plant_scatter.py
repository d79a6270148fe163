"""How much a sound joint's rise coefficient really differs from passage to passage.

The plant settled at the means of each passage, weighed by the heat that the joint's own current made:
draughts, air and the size of the load differ, and with them what a kelvin of rise costs.
"""

import numpy as np
from recordings import LEARNING_PASSAGES, PLANT_STEP_SECONDS, ROW_SECONDS, Recording, season
from setting import Setting, kept
from truth import rise_coefficients

from lugwatch.simulator.boat import JOINTS, SimulatedBoat, make_boat
from lugwatch.simulator.electrics import CURRENTS, value_at
from lugwatch.simulator.plant import Floats
from lugwatch.simulator.scenarios import Scenario, healthy_passage
from lugwatch.simulator.simulation import PlantState, Simulation


def draughts(boat_seed: int, number: int, hours: float, before: PlantState) -> Floats:
    """Of each row of the season's passage (rows, spaces)."""
    seed = 1000 * boat_seed + number
    return draughts_of(make_boat(boat_seed), healthy_passage(seed, hours), seed, before, ROW_SECONDS)


def draughts_of(
    boat: SimulatedBoat, scenario: Scenario, seed: int, before: PlantState | None, row_seconds: float
) -> Floats:
    """Of each row of a passage (rows, spaces): the air is lived through once more, alone."""
    simulation = Simulation(boat, scenario, seed=seed, previous=before)
    every = round(row_seconds / PLANT_STEP_SECONDS)
    found = []
    for count in range(round(scenario.duration_seconds / PLANT_STEP_SECONDS)):
        if count % every == 0:
            found.append(simulation.air.draught())
        engine_on = value_at(scenario.engine, simulation.seconds) > 0.0
        now = scenario.start_day_seconds + simulation.seconds
        simulation.air.advance(now, engine_on, (False, False), PLANT_STEP_SECONDS)
        simulation.seconds += PLANT_STEP_SECONDS
    return np.array(found)


def coefficients(
    setting: Setting, boat_seed: int, passages: int, hours: float, neighbour_weight: Floats, floors: Floats
) -> Floats:
    """(passages, joints) [K/A²] by each joint's own current alone, on the passages after the learning ones.

    neighbour_weight, floors: (joints,) as learned; current below which nothing is estimated [A].
    """
    key = ("plant scatter", boat_seed, passages, hours, neighbour_weight.tobytes())
    return kept(
        setting.run, key, lambda: _coefficients(setting, boat_seed, passages, hours, neighbour_weight, floors)
    )


def _coefficients(
    setting: Setting, boat_seed: int, passages: int, hours: float, neighbour_weight: Floats, floors: Floats
) -> Floats:
    parts = season(setting, boat_seed, LEARNING_PASSAGES + passages, hours)
    found = np.full((passages, len(JOINTS)), np.nan)
    for number in range(LEARNING_PASSAGES, LEARNING_PASSAGES + passages):
        recording, before = parts[2 * number], parts[2 * number - 1].state
        draught = draughts(boat_seed, number, hours, before)
        simulation = Simulation(
            make_boat(boat_seed), healthy_passage(1000 * boat_seed + number, hours), seed=1, previous=before
        )
        for row, joint in enumerate(JOINTS):
            current = CURRENTS.index(joint.current)
            weight = np.where(
                np.abs(recording.amps[:, current]) >= floors[row], recording.amps[:, current] ** 2, 0
            )
            if weight.any():
                found[number - LEARNING_PASSAGES, row] = _at_means(
                    simulation, recording, draught, weight / weight.sum(), current, neighbour_weight
                )[row]
    return found


def _at_means(
    simulation: Simulation, recording: Recording, draught: Floats, weight: Floats, current: int, share: Floats
) -> Floats:
    rms = np.sqrt(weight @ recording.amps**2)
    loaded = weight > 0.0
    rms[current] = np.sqrt(np.mean(recording.amps[loaded, current] ** 2))
    return rise_coefficients(simulation, rms, weight @ recording.air_celsius, weight @ draught, share)[1]
