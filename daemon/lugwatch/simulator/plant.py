"""The heat in an invented boat's cables, joints and bus bars, as a network of many nodes.

Not here: what is believed about a joint. Every node has a heat capacity, heat made by its current,
loss to the air around it that is not linear (free convection and radiation), and heat passed to the
nodes that touch it. Joints and bars are one node each, a cable is a row of them. Bodies (alternator,
engine, battery, inverter) are so heavy that the network does not change their temperature.
May import: units and the simulator's own; never the core's physics.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lugwatch.units import ZERO_CELSIUS_KELVIN

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m² K⁴), CODATA 2018
COPPER_CONDUCTIVITY = 390.0  # W/(m K), annealed, near 50 °C
COPPER_PER_KELVIN = 0.00393  # of resistance, at 20 °C (IEC 60028)
COPPER_JOULES_PER_M3_KELVIN = 3.45e6  # 8960 kg/m³ × 385 J/(kg K)
INSULATION_CAPACITY_RATIO = 0.35  # of the copper's: about 1.5 mm of plastic around 50 mm²
REFERENCE_DIFFERENCE_KELVIN = 20.0  # a node's convection is stated at this difference

# Maximum resistance of flexible copper at 20 °C [Ω/m] (IEC 60228 table 3, class 5)
CABLE_OHMS_PER_METRE = {
    16.0: 1.21e-3,
    25.0: 0.780e-3,
    35.0: 0.554e-3,
    50.0: 0.386e-3,
    70.0: 0.272e-3,
    95.0: 0.206e-3,
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Network:
    """All nodes as arrays of one length; the last `body_count` nodes are bodies."""

    names: tuple[str, ...]
    capacity: Floats  # J/K
    conduction: Floats  # W/K, nodes × nodes; row i times temperatures = heat into node i
    resistance_ohms: Floats  # at 20 °C
    resistance_per_kelvin: Floats
    current_index: Indices  # which current flows through the node
    surface: Floats  # m²
    convection: Floats  # W/(m² K) at 20 K difference
    emissivity: Floats
    space_index: Indices  # which air it stands in
    body_count: int

    def index(self, name: str) -> int:
        """Where the node of this name stands in the arrays; ValueError when there is none."""
        return self.names.index(name)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flows:
    """Heat of every node at one moment [W]: made in it, lost to the air, passed in by neighbours."""

    made: Floats
    lost: Floats
    passed: Floats


def heat_flows(
    network: Network,
    celsius: Floats,
    amps: Floats,
    air_celsius: Floats,
    draught: Floats,
    resistance_ratio: Floats,
) -> Flows:
    """The three kinds of heat flow.

    celsius, resistance_ratio [nodes]: temperatures; resistance against its sound value.
    amps [currents]; air_celsius, draught [spaces]: air, and what multiplies free convection.
    Made: I²·R·(1 + α·(T − 20)). Lost: A·h·d·(|T − Ta|/20)^¼·(T − Ta) + ε·σ·A·(T⁴ − Ta⁴), the
    laminar free convection of any textbook (Incropera, ch. 9) and grey radiation to the air's walls.
    """
    air = air_celsius[network.space_index]
    difference = celsius - air
    current = amps[network.current_index]
    hot_ohms = network.resistance_ohms * (1.0 + network.resistance_per_kelvin * (celsius - 20.0))
    made = current * current * hot_ohms * resistance_ratio
    quarter = np.sqrt(np.sqrt(np.abs(difference) / REFERENCE_DIFFERENCE_KELVIN))
    convection = network.convection * draught[network.space_index] * quarter * difference
    hot_square = (celsius + ZERO_CELSIUS_KELVIN) ** 2
    air_square = (air + ZERO_CELSIUS_KELVIN) ** 2
    radiation = network.emissivity * STEFAN_BOLTZMANN * (hot_square * hot_square - air_square * air_square)
    lost = network.surface * (convection + radiation)
    return Flows(made=made, lost=lost, passed=network.conduction @ celsius)


def step(
    network: Network,
    celsius: Floats,
    flows: Flows,
    body_targets: Floats,
    body_seconds: Floats,
    dt_seconds: float,
) -> Floats:
    """Temperatures one explicit step later.

    Stable and true to about a per cent of a change while dt is far below the quickest node's time
    constant (`quickest_seconds`). Bodies follow body_targets [°C] with time constants body_seconds.
    """
    later: Floats = celsius + dt_seconds * (flows.made - flows.lost + flows.passed) / network.capacity
    first = len(celsius) - network.body_count
    if network.body_count:
        share = 1.0 - np.exp(-dt_seconds / body_seconds)
        later[first:] = celsius[first:] + share * (body_targets - celsius[first:])
    return later


def quickest_seconds(network: Network) -> float:
    """The smallest C/G of any node by conduction alone: steps must stay well below it."""
    lumps = len(network.names) - network.body_count
    leaving = -np.diagonal(network.conduction)[:lumps]
    capacity = network.capacity[:lumps]
    return float(np.min(capacity[leaving > 0] / leaving[leaving > 0]))


@dataclass(slots=True, kw_only=True)
class Drawing:
    """Nodes and links being collected, before they become a `Network`."""

    names: list[str] = field(default_factory=list)
    rows: list[tuple[float, float, float, int, float, float, float, int]] = field(default_factory=list)
    links: list[tuple[int, int, float]] = field(default_factory=list)
    body_names: list[str] = field(default_factory=list)

    def lump(
        self,
        name: str,
        *,
        capacity: float,
        resistance_ohms: float = 0.0,
        resistance_per_kelvin: float = 0.0,
        current_index: int = 0,
        surface: float = 0.0,
        convection: float = 0.0,
        emissivity: float = 0.0,
        space_index: int = 0,
    ) -> None:
        """One node: a joint, a bar or a piece of cable. Units as in `Network`."""
        self.names.append(name)
        self.rows.append(
            (
                capacity,
                resistance_ohms,
                resistance_per_kelvin,
                current_index,
                surface,
                convection,
                emissivity,
                space_index,
            )
        )

    def body(self, name: str) -> None:
        """Something so heavy that the network does not change it. All bodies come after all lumps."""
        self.lump(name, capacity=1.0)
        self.body_names.append(name)

    def link(self, one: str, other: str, conductance: float) -> None:
        """Two nodes touch: conductance [W/K]."""
        self.links.append((self.names.index(one), self.names.index(other), conductance))

    def cable(
        self,
        name: str,
        *,
        mm2: float,
        metres: float,
        nodes: int,
        current_index: int,
        space_indices: Sequence[int],
        convection: float = 8.0,
        emissivity: float = 0.9,
    ) -> tuple[str, str, float]:
        """A row of nodes; gives the names of both end nodes and the conductance half a node away [W/K].

        space_indices: the air along the cable, in equal shares.
        """
        dx = metres / nodes
        area = mm2 * 1e-6
        outside_metres = 1.28 * np.sqrt(mm2) * 1e-3 + 4e-3  # copper strands, then 2 mm of insulation
        for i in range(nodes):
            self.lump(
                f"{name}/{i}",
                capacity=COPPER_JOULES_PER_M3_KELVIN * area * dx * (1.0 + INSULATION_CAPACITY_RATIO),
                resistance_ohms=CABLE_OHMS_PER_METRE[mm2] * dx,
                resistance_per_kelvin=COPPER_PER_KELVIN,
                current_index=current_index,
                surface=float(np.pi * outside_metres * dx),
                convection=convection,
                emissivity=emissivity,
                space_index=space_indices[i * len(space_indices) // nodes],
            )
        conductance = COPPER_CONDUCTIVITY * area / dx
        for i in range(nodes - 1):
            self.link(f"{name}/{i}", f"{name}/{i + 1}", conductance)
        return f"{name}/0", f"{name}/{nodes - 1}", 2.0 * conductance

    def finished(self) -> Network:
        """The network of all that was drawn."""
        columns = list(zip(*self.rows, strict=True))
        numbers = [np.array(column, dtype=np.float64) for column in columns]
        conduction = np.zeros((len(self.names), len(self.names)))
        for one, other, conductance in self.links:
            conduction[one, other] += conductance
            conduction[other, one] += conductance
            conduction[one, one] -= conductance
            conduction[other, other] -= conductance
        return Network(
            names=tuple(self.names),
            capacity=numbers[0],
            conduction=conduction,
            resistance_ohms=numbers[1],
            resistance_per_kelvin=numbers[2],
            current_index=numbers[3].astype(np.int64),
            surface=numbers[4],
            convection=numbers[5],
            emissivity=numbers[6],
            space_index=numbers[7].astype(np.int64),
            body_count=len(self.body_names),
        )
