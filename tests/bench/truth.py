"""What the invented boat's plant itself does when things are held: the truth that figures are held against.

Settled: every node where made, lost and passed heat balance, found by Newton's method on the plant's
own heat flows. Bodies (engine, alternator, …) stand where they are heading.
"""

import copy

import numpy as np

from lugwatch.simulator.electrics import CURRENTS
from lugwatch.simulator.plant import COPPER_PER_KELVIN, Floats, Network, heat_flows, step
from lugwatch.simulator.simulation import BODY_SECONDS, Simulation

BATTERY = 2  # among the bodies: too heavy to follow within hours
HELD_STEP_SECONDS = 4.0


def settled_celsius(
    network: Network, amps: Floats, air_celsius: Floats, draught: Floats, ratios: Floats, bodies: Floats
) -> Floats:
    """Temperatures (nodes,) at which nothing changes any more; ValueError where it does not end.

    Heat made and lost depend on the node alone, so their slope is a diagonal, taken by differences.
    """
    free = len(network.names) - network.body_count
    celsius = np.concatenate([np.full(free, float(np.mean(air_celsius)) + 10.0), bodies])
    for _ in range(40):
        flows = heat_flows(network, celsius, amps, air_celsius, draught, ratios)
        above = heat_flows(network, celsius + 1e-3, amps, air_celsius, draught, ratios)
        slope = ((above.made - above.lost) - (flows.made - flows.lost)) / 1e-3
        residual = flows.made - flows.lost + flows.passed
        jacobian = network.conduction[:free, :free] + np.diag(slope[:free])
        move = np.linalg.solve(jacobian, -residual[:free])
        celsius[:free] += np.clip(move, -30.0, 30.0)
        if float(np.max(np.abs(move))) < 1e-6:
            return celsius
    raise ValueError("the plant does not settle at these currents")


def bodies_at(simulation: Simulation, amps: Floats, air_celsius: Floats, engine_on: bool) -> Floats:
    """Where the bodies are heading at these currents; the battery where it is."""
    asked = copy.copy(simulation)
    asked.amps, asked.air = amps, copy.copy(simulation.air)
    asked.air.celsius = air_celsius
    targets: Floats = asked._body_targets(engine_on)
    targets[BATTERY] = simulation.celsius[-len(BODY_SECONDS) :][BATTERY]
    return targets


def settles_in_still_air(simulation: Simulation, amps: Floats) -> Floats:
    """Each joint's end if current, air and draught stay as they are now (joints,) [°C]."""
    air = simulation.air.celsius.copy()
    settled = settled_celsius(
        simulation.boat.network,
        amps,
        air,
        simulation.air.draught(),
        simulation.resistance_ratio,
        bodies_at(simulation, amps, air, True),
    )
    return settled[: len(simulation.boat.joints)]


def held_for(simulation: Simulation, amps: Floats, seconds: float, mean_seconds: float) -> Floats:
    """Each joint after the currents were held for so long while weather and draughts live on [°C].

    The mean of the last mean_seconds. The simulation that was given is left as it was.
    """
    living = copy.deepcopy(simulation)
    living.amps = amps
    network = living.boat.network
    count = round(seconds / HELD_STEP_SECONDS)
    last = round(mean_seconds / HELD_STEP_SECONDS)
    total = np.zeros(len(living.boat.joints))
    for number in range(count):
        now = living.scenario.start_day_seconds + living.seconds
        living.air.advance(now, True, (False, False), HELD_STEP_SECONDS)
        flows = heat_flows(
            network, living.celsius, amps, living.air.celsius, living.air.draught(), living.resistance_ratio
        )
        living.celsius = step(
            network, living.celsius, flows, living._body_targets(True), BODY_SECONDS, HELD_STEP_SECONDS
        )
        living.seconds += HELD_STEP_SECONDS
        if number >= count - last:
            total += living.joint_celsius()
    return total / last


def rise_coefficients(
    simulation: Simulation, rms_amps: Floats, air_celsius: Floats, draught: Floats, neighbour_weight: Floats
) -> Floats:
    """The plant's own rise coefficient of each joint at a passage's mean conditions (2, joints) [K/A²].

    Row 0, over the reference: the settled temperature less the reference that the product drives its
    model with, (1 − g)·air + g·mean of the neighbours with the weight g as it was learned; this is what
    a rise coefficient is said to be. Row 1, by its own current alone: settled with it less settled
    without it and everything else as it was, again less g times the same of the neighbours; what is
    in row 0 and not here is heat of bodies, of other circuits and of the cable's other end. Both over
    I² at the copper's resistance of 20 °C. rms_amps, air_celsius, draught: means over the passage.
    """
    boat, network = simulation.boat, simulation.boat.network
    joints = [j.joint for j in boat.joints]
    found = np.full((2, len(joints)), np.nan)

    def settled(amps: Floats) -> Floats:
        return settled_celsius(
            network, amps, air_celsius, draught, simulation.resistance_ratio,
            bodies_at(simulation, amps, air_celsius, True),
        )[: len(joints)]  # fmt: skip

    with_all = settled(rms_amps)
    for index, current in enumerate(CURRENTS):
        if rms_amps[index] < 1.0:
            continue
        without = rms_amps.copy()
        without[index] = 0.0
        added = with_all - settled(without)
        for row, joint in enumerate(boat.joints):
            if joint.current != current:
                continue
            near = [joints.index(n) for n in boat.neighbours(joint.joint)]
            weight = neighbour_weight[row] if near else 0.0
            air = air_celsius[joint.space]
            around = (1.0 - weight) * air + weight * (np.mean(with_all[near]) if near else air)
            shared = weight * (np.mean(added[near]) if near else 0.0)
            square = rms_amps[index] ** 2 * (1.0 + COPPER_PER_KELVIN * (with_all[row] - 20.0))
            found[:, row] = (with_all[row] - around) / square, (added[row] - shared) / square
    return found
