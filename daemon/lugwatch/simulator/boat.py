"""The invented boat "Wheatear": twelve joints, two bus bars, fourteen probes, four currents.

No such boat exists; she, her people and her numbers are made up. `make_boat(seed)` makes sisters:
same circuit, other cables, lengths, contacts and probes. Her configuration's text is in
`boat_text`. May import: the simulator's own.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from lugwatch.simulator.air import Space, Spaces, Weather
from lugwatch.simulator.electrics import CURRENTS
from lugwatch.simulator.plant import CABLE_OHMS_PER_METRE, Drawing, Network

DEMO_SEED = 7
AIR_PROBES = {"air_machinery": Space.MACHINERY, "air_locker": Space.LOCKER}


class JointDrawing(NamedTuple):
    """A joint of the circuit; all sisters have it."""

    joint: str
    name: str
    current: str
    space: Space
    metal: str | None  # what it shares with its neighbours
    rated_amps: float
    limit_celsius: float
    stud: str
    bus: str  # the probe's: onewire or serial


class CableDrawing(NamedTuple):
    """A cable between two joints, or a joint and a body; `end` None: it goes on to small consumers."""

    start: str
    end: str | None
    current: str
    mm2: float
    metres: float


# in the order in which current flows from the alternator to the consumers and back
JOINTS = (
    JointDrawing(
        "alternator_output", "Alternator, output stud", "alternator",
        Space.MACHINERY, None, 120, 105, "M8", "serial",
    ),
    JointDrawing(
        "fuse_alternator_in", "Alternator fuse, engine side", "alternator",
        Space.MACHINERY, "fuse", 120, 105, "M8", "onewire",
    ),
    JointDrawing(
        "fuse_alternator_out", "Alternator fuse, bar side", "alternator",
        Space.MACHINERY, "fuse", 120, 105, "M8", "onewire",
    ),
    JointDrawing(
        "bar_alternator", "Bus bar, alternator stud", "alternator",
        Space.LOCKER, "bar_positive", 120, 90, "M10", "onewire",
    ),
    JointDrawing(
        "bar_battery", "Bus bar, battery stud", "battery",
        Space.LOCKER, "bar_positive", 200, 90, "M10", "onewire",
    ),
    JointDrawing(
        "bar_inverter", "Bus bar, inverter stud", "inverter",
        Space.LOCKER, "bar_positive", 200, 90, "M10", "onewire",
    ),
    JointDrawing(
        "bar_house", "Bus bar, house stud", "house",
        Space.LOCKER, "bar_positive", 80, 90, "M8", "onewire",
    ),
    JointDrawing(
        "switch_battery", "Battery switch, bar side", "battery",
        Space.LOCKER, None, 200, 90, "M10", "onewire",
    ),
    JointDrawing(
        "battery_positive", "Battery, positive post", "battery",
        Space.LOCKER, None, 200, 75, "M8", "onewire",
    ),
    JointDrawing(
        "negative_battery", "Negative bar, shunt stud", "battery",
        Space.LOCKER, "bar_negative", 200, 90, "M10", "onewire",
    ),
    JointDrawing(
        "negative_engine", "Negative bar, engine cable", "alternator",
        Space.LOCKER, "bar_negative", 120, 90, "M10", "onewire",
    ),
    JointDrawing(
        "inverter_positive", "Inverter, positive terminal", "inverter",
        Space.MACHINERY, None, 200, 105, "M8", "serial",
    ),
)  # fmt: skip

CABLES = (
    CableDrawing("alternator_output", "fuse_alternator_in", "alternator", 50, 1.2),
    CableDrawing("fuse_alternator_out", "bar_alternator", "alternator", 50, 1.8),
    CableDrawing("bar_battery", "switch_battery", "battery", 70, 1.0),
    CableDrawing("switch_battery", "battery_positive", "battery", 70, 1.1),
    CableDrawing("bar_inverter", "inverter_positive", "inverter", 70, 1.6),
    CableDrawing("bar_house", None, "house", 25, 1.8),
    CableDrawing("negative_battery", "battery", "battery", 70, 1.2),
    CableDrawing("negative_engine", "engine", "alternator", 50, 2.0),
)

BODIES = ("alternator", "engine", "battery", "inverter")
BODY_LINKS = {
    "alternator_output": "alternator",
    "battery_positive": "battery",
    "inverter_positive": "inverter",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbePart:
    """One temperature probe: where it sits, how it errs."""

    channel: str
    node: str | None  # None: it hangs in the air of `space`
    space: Space
    bus: str
    lag_seconds: float
    offset_kelvin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShuntPart:
    """One current measurement and its errors."""

    channel: str
    rated_amps: float
    bus: str
    gain: float
    offset_amps: float
    noise_amps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedBoat:
    """Everything about one invented boat that does not change on a passage."""

    name: str
    seed: int
    network: Network
    joints: tuple[JointDrawing, ...]
    cables: tuple[CableDrawing, ...]
    probes: tuple[ProbePart, ...]
    shunts: tuple[ShuntPart, ...]
    spaces: Spaces
    weather: Weather

    @property
    def channels(self) -> tuple[str, ...]:
        """Ids of all channels, probes first."""
        return (*(p.channel for p in self.probes), *(s.channel for s in self.shunts))

    def neighbours(self, joint: str) -> tuple[str, ...]:
        """Joints on the same metal."""
        metal = next(j.metal for j in self.joints if j.joint == joint)
        return tuple(j.joint for j in self.joints if metal and j.metal == metal and j.joint != joint)


def make_boat(seed: int = DEMO_SEED) -> SimulatedBoat:
    """A boat of this seed: contacts 25 to 75 µΩ, cables up to a fifth longer or shorter, some thicker."""
    random = np.random.default_rng([seed, 20])
    cables = tuple(
        c._replace(metres=c.metres * random.uniform(0.8, 1.2), mm2=_perhaps_thicker(c.mm2, random))
        for c in CABLES
    )
    return SimulatedBoat(
        name="Wheatear" if seed == DEMO_SEED else f"Wheatear {seed}",
        seed=seed,
        network=_network(cables, random),
        joints=JOINTS,
        cables=cables,
        probes=_probes(random),
        shunts=_shunts(random),
        spaces=Spaces(
            engine_rise_kelvin=random.uniform(20.0, 26.0),
            machinery_seconds=random.uniform(1800.0, 3000.0),
            locker_share=random.uniform(0.12, 0.22),
        ),
        weather=Weather(),
    )


def _perhaps_thicker(mm2: float, random: np.random.Generator) -> float:
    sizes = sorted(CABLE_OHMS_PER_METRE)
    next_size = sizes[min(sizes.index(mm2) + 1, len(sizes) - 1)]
    return next_size if random.random() < 0.2 else mm2


def _network(cables: tuple[CableDrawing, ...], random: np.random.Generator) -> Network:
    drawing = Drawing()
    for joint in JOINTS:
        drawing.lump(
            joint.joint,
            capacity=random.uniform(60.0, 140.0),
            resistance_ohms=random.uniform(25e-6, 75e-6),
            resistance_per_kelvin=random.uniform(0.002, 0.004),
            current_index=CURRENTS.index(joint.current),
            surface=random.uniform(0.0025, 0.0045),
            convection=random.uniform(5.0, 7.0),
            emissivity=0.35,  # dull tinned copper
            space_index=joint.space,
        )
    for bar in ("bar_positive", "bar_negative"):
        drawing.lump(
            bar,
            capacity=random.uniform(200.0, 320.0),
            surface=random.uniform(0.012, 0.020),
            convection=6.0,
            emissivity=0.3,
            space_index=Space.LOCKER,
        )
    ends: list[tuple[CableDrawing, str, str, float]] = []
    for number, cable in enumerate(cables):
        first, last, conductance = drawing.cable(
            f"cable{number}",
            mm2=cable.mm2,
            metres=cable.metres,
            nodes=max(5, min(12, round(cable.metres * 6))),
            current_index=CURRENTS.index(cable.current),
            space_indices=(_space(cable.start), _space(cable.end or cable.start)),
        )
        ends.append((cable, first, last, conductance))
    for body in BODIES:
        drawing.body(body)
    for cable, first, last, conductance in ends:
        drawing.link(cable.start, first, conductance)
        if cable.end is not None:
            drawing.link(last, cable.end, conductance)
    for joint in JOINTS:
        if joint.metal is not None and joint.metal.startswith("bar"):
            drawing.link(joint.joint, joint.metal, random.uniform(0.30, 0.45))
    drawing.link("fuse_alternator_in", "fuse_alternator_out", random.uniform(0.10, 0.2))
    for name, body in BODY_LINKS.items():
        drawing.link(name, body, random.uniform(0.06, 0.12))
    return drawing.finished()


def _space(name: str) -> int:
    for joint in JOINTS:
        if joint.joint == name:
            return joint.space
    return Space.MACHINERY if name in ("engine", "alternator", "inverter") else Space.LOCKER


def _probes(random: np.random.Generator) -> tuple[ProbePart, ...]:
    places: list[tuple[str, str | None, Space, str]] = [(j.joint, j.joint, j.space, j.bus) for j in JOINTS]
    places += [(channel, None, space, "onewire") for channel, space in AIR_PROBES.items()]
    return tuple(
        ProbePart(
            channel=channel,
            node=node,
            space=space,
            bus=bus,
            lag_seconds=random.uniform(10.0, 25.0),
            offset_kelvin=random.uniform(-0.3, 0.3),
        )
        for channel, node, space, bus in places
    )


def _shunts(random: np.random.Generator) -> tuple[ShuntPart, ...]:
    rated = {"alternator": 150.0, "battery": 300.0, "house": 100.0, "inverter": 200.0}
    return tuple(
        ShuntPart(
            channel=channel,
            rated_amps=rated[channel],
            bus="mqtt" if channel in ("house", "inverter") else "serial",
            gain=1.0 + random.uniform(-0.005, 0.005),
            offset_amps=random.uniform(-0.1, 0.1),
            noise_amps=0.001 * rated[channel],
        )
        for channel in CURRENTS
    )
