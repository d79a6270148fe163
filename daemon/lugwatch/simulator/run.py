"""One loop that lives an invented boat through a scenario and serves her devices meanwhile.

Not here: who watches her. May import: clock and the simulator's own.
"""

import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

from lugwatch.clock import Clock
from lugwatch.simulator.boat import SimulatedBoat
from lugwatch.simulator.boat_text import NODE_LINK, TREE_FOLDER, addresses, topic, transducer
from lugwatch.simulator.devices import MqttFeed, SerialNode, transducers
from lugwatch.simulator.onewire_tree import OneWireTree
from lugwatch.simulator.scenarios import Scenario
from lugwatch.simulator.simulation import Simulation

PLANT_STEP_SECONDS = 1.0
LOOK_SECONDS = 0.2  # of the boat's clock: how often the devices are looked after


def simulate(
    boat: SimulatedBoat,
    scenario: Scenario,
    directory: Path,
    clock: Clock,
    broker_address: tuple[str, int] | None,
    stop: threading.Event,
    *,
    seed: int = 1,
    ready: threading.Event | None = None,
) -> Simulation:
    """Serve the boat's devices in `directory` until `stop` is set; then take them away again.

    After the scenario's end its last currents go on. broker_address None: no feed. ready is set when
    all devices are there. Gives the simulation as it was left, for its truth.
    """
    simulation = Simulation(boat, scenario, seed=seed)
    begin_seconds = clock.monotonic_seconds()
    begin_time = clock.time()
    tree = OneWireTree(directory / TREE_FOLDER, addresses(boat), lambda: _probes(simulation, "onewire"))
    node: SerialNode | None = None
    feed: MqttFeed | None = None
    try:
        node = SerialNode(directory / NODE_LINK, lambda: _lines(simulation))
        if broker_address is not None:
            feed = MqttFeed(
                broker_address,
                lambda: {topic(channel): amps for channel, amps in _amps(simulation, "mqtt").items()},
                lambda: begin_time + round(simulation.seconds * 1000.0),
            )
        if ready is not None:
            ready.set()
        while not stop.is_set():
            now_seconds = clock.monotonic_seconds() - begin_seconds
            while simulation.seconds + PLANT_STEP_SECONDS <= now_seconds and not stop.is_set():
                simulation.advance(PLANT_STEP_SECONDS)
            tree.serve(now_seconds)
            node.serve(now_seconds)
            if feed is not None:
                feed.serve(now_seconds)
            clock.wait(stop, LOOK_SECONDS)
    finally:
        if feed is not None:
            feed.close()
        if node is not None:
            node.close()
        tree.close()
    return simulation


def _probes(simulation: Simulation, bus: str) -> dict[str, float | None]:
    return {p.channel: simulation.read_probe(p) for p in simulation.boat.probes if p.bus == bus}


def _amps(simulation: Simulation, bus: str) -> Mapping[str, float]:
    return {s.channel: simulation.read_shunt(s) for s in simulation.boat.shunts if s.bus == bus}


def _lines(simulation: Simulation) -> Sequence[bytes]:
    """What the node says once a second: its currents, then its probes that answer."""
    amps = {transducer(channel): value for channel, value in _amps(simulation, "serial").items()}
    celsius = {
        transducer(channel): value
        for channel, value in _probes(simulation, "serial").items()
        if value is not None
    }
    return [line for line in (transducers("I", "A", amps), transducers("C", "C", celsius)) if line]
