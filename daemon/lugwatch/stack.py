"""What a bolted joint should measure and how warm it should run, from what it is made of, bar to nut.

Bulk of a part is resistivity · length / area and small; where two faces meet a few spots carry all, and
that is where the resistance is. Every contact has a median and a spread, since nobody sees its spots.
Heat leaves by the cables and the bar (`fin`). Not here: drawings, words. May import: materials, fin,
thermal, numpy.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np

from lugwatch import fin, materials, thermal
from lugwatch.materials import METALS

# ---- contacts: F = T/(K·d), spots that yield, films ------------------------------------------------
# Nut factor of dry or lightly oiled threads: 0.15 to 0.3 (fasteners' handbooks, from memory).
NUT_FACTOR, NUT_FACTOR_LOG_SD = 0.2, 0.25
# Bolted faces touch in a few places around the hole: 1 to 10. With clean copper and 12 kN this gives 1.5 to
# 4 µΩ, as measured on bus bars (1.7 to 3.3 µΩ: a practitioners' report, good for the order only).
SPOTS, SPOTS_LOG_SD = 3.0, 0.6
# Of the softer face yields. Copper and brass parts; tin yields at a tenth, its spots grow (from memory).
HARDNESS_PASCALS = 0.9e9
COPPER_METALS = ("copper", "brass, 63 % copper", "brass, 58 % copper")


class Surface(StrEnum):
    """How the faces are: what a film on them multiplies contacts by."""

    BRIGHT = "bright"  # cleaned just now, or tinned
    USED = "used"  # some years in a dry place
    DULL = "dull"  # dark, salty or never cleaned


# Median and log deviation of what films make of a contact; judgement, common practice, no source.
FILMS: Mapping[Surface, tuple[float, float]] = MappingProxyType(
    {Surface.BRIGHT: (1.0, 0.2), Surface.USED: (2.0, 0.4), Surface.DULL: (6.0, 0.7)}
)
# Steel that does not rust is covered by the oxide that keeps it so.
STAINLESS_FILM, STAINLESS_FILM_LOG_SD = 1.5, 0.5

# ---- hardware --------------------------------------------------------------------------------------
# Outer and hole diameter and thickness of flat washers [mm]: ISO 7089, from memory.
FLAT_WASHERS_MM: Mapping[str, tuple[float, float, float]] = MappingProxyType(
    {
        "M5": (10.0, 5.3, 1.0),
        "M6": (12.0, 6.4, 1.6),
        "M8": (16.0, 8.4, 1.6),
        "M10": (20.0, 10.5, 2.0),
        "M12": (24.0, 13.0, 2.5),
    }
)
DIAMETER_MM: Mapping[str, float] = MappingProxyType(
    {"M5": 5.0, "M6": 6.0, "M8": 8.0, "M10": 10.0, "M12": 12.0}
)
CORE_AREA_MM2: Mapping[str, float] = MappingProxyType(  # stress area, ISO 898-1, from memory
    {"M5": 14.2, "M6": 20.1, "M8": 36.6, "M10": 58.0, "M12": 84.3}
)
# What a stud of brass or stainless usually takes [N m]; the maker's figure comes first. Common practice,
# no source.
USUAL_TORQUE_NEWTON_METRES: Mapping[str, float] = MappingProxyType(
    {"M5": 3.0, "M6": 5.0, "M8": 11.0, "M10": 22.0, "M12": 38.0}
)
# A good crimp with its lug is worth as much as this much of its cable: common practice, no source. Its heat
# is the cable's own and counted as such; it is told for whoever measures from the cable's copper.
CRIMP_METRES = 0.04
MOST_LUGS = 4  # on one stud: ABYC E-11, read in three reports of it


class Part(StrEnum):
    """Hardware that may have got into the current's way."""

    WASHER = "washer"
    LOCK_WASHER = "lock_washer"
    NUT = "nut"
    STUD = "stud"


HARDWARE_METALS = ("stainless 304", "stainless 316", "mild steel", "brass, 63 % copper", "copper")
STUD_PATH_MM = 20.0  # from the bar up to a lug that stands on a nut of its own


@dataclass(frozen=True, slots=True, kw_only=True)
class Lug:
    """One lug, with what flows through its cable."""

    cable_mm2: float
    amps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """A joint from bar to nut. lugs: nearest the bar first. in_path: what lies between lug 1 and bar."""

    lugs: tuple[Lug, ...]
    stud: str = "M8"
    torque_newton_metres: float | None = None  # None: the usual one
    surface: Surface = Surface.BRIGHT
    bar_metal: str = "copper"
    bar_width_mm: float = 25.0
    bar_thickness_mm: float = 5.0
    in_path: tuple[Part, ...] = ()
    hardware_metal: str = "stainless 304"

    @property
    def torque(self) -> float:
        usual = USUAL_TORQUE_NEWTON_METRES[self.stud]
        return usual if self.torque_newton_metres is None else self.torque_newton_metres

    @property
    def amps(self) -> float:
        return sum(lug.amps for lug in self.lugs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """One piece of the way from the top lug to the bar: a bulk or a contact, with what flows through it.

    ohms: median at 20 °C; log_sd: of it.
    """

    what: str
    contact: bool
    ohms: float
    log_sd: float
    amps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the joint should measure and how warm it should run above the air, with 95 % intervals.

    resistance: that heats as all of it does at the whole current, Σ I²R / I². A rise of None: no end, or
    more than 400 K.
    """

    layers: tuple[Layer, ...]
    clamp_newtons: float
    resistance_ohms: float
    low_ohms: float
    high_ohms: float
    contact_share: float
    watts: float
    rise_kelvin: float | None
    low_kelvin: float | None
    high_kelvin: float | None
    cable_kelvin: float | None  # the warmest cable by itself
    crimp_ohms: float  # what lug 1 and its crimp add between the cable's copper and the lug's face


def layers_of(stack: Stack) -> list[Layer]:
    """The current's way, from the top lug down to the bar. Raises ValueError for what is in no table."""
    clamp = clamp_newtons(stack)
    layers: list[Layer] = []
    for i in range(len(stack.lugs) - 1, 0, -1):
        above = sum(lug.amps for lug in stack.lugs[i:])
        layers.append(_contact(f"lug {i + 1} on lug {i}", "copper", "copper", clamp, stack.surface, above))
    total = stack.amps
    before = "copper"
    under = "lug 1"
    for part in stack.in_path:
        name = f"{part.value.replace('_', ' ')}, {stack.hardware_metal}"
        # a split washer touches with its two ends and an edge; threads of a stud carry as a nut's faces do
        fewer = 3.0 if part is Part.LOCK_WASHER else 1.0
        layers.append(
            _contact(f"{under} on {name}", before, stack.hardware_metal, clamp / fewer, stack.surface, total)
        )
        layers.append(_bulk(part, name, stack, total))
        before, under = stack.hardware_metal, name
    layers.append(_contact(f"{under} on the bar", before, stack.bar_metal, clamp, stack.surface, total))
    return layers


def clamp_newtons(stack: Stack) -> float:
    """What the nut presses with: F = T/(K·d)."""
    return stack.torque / (NUT_FACTOR * DIAMETER_MM[stack.stud] * 1e-3)


def _contact(what: str, one: str, other: str, newtons: float, surface: Surface, amps: float) -> Layer:
    radius = materials.spot_radius_metres(newtons / SPOTS, HARDNESS_PASCALS)
    resistivities = (METALS[one].resistivity_ohm_metres, METALS[other].resistivity_ohm_metres)
    film, film_log_sd = FILMS[surface]
    if "stainless" in one or "stainless" in other:
        film, film_log_sd = film * STAINLESS_FILM, math.hypot(film_log_sd, STAINLESS_FILM_LOG_SD)
    ohms = film * materials.constriction_ohms(radius, *resistivities) / SPOTS
    # R goes with F^-1/2 and with spots^-1/2
    log_sd = math.hypot(film_log_sd, 0.5 * SPOTS_LOG_SD, 0.5 * NUT_FACTOR_LOG_SD)
    return Layer(what=what, contact=True, ohms=ohms, log_sd=log_sd, amps=amps)


def _bulk(part: Part, name: str, stack: Stack, amps: float) -> Layer:
    outer, hole, thick = FLAT_WASHERS_MM[stack.stud]
    area = math.pi / 4.0 * (outer**2 - hole**2)
    length = thick
    if part is Part.NUT:
        # height 0.8 d, across flats a little less than a washer (ISO 4032, from memory)
        length, area = 0.8 * DIAMETER_MM[stack.stud], 0.85 * area
    elif part is Part.STUD:
        length, area = STUD_PATH_MM, CORE_AREA_MM2[stack.stud]
    elif part is Part.LOCK_WASHER:
        area *= 0.5
    ohms = METALS[stack.hardware_metal].resistivity_ohm_metres * length * 1e-3 / (area * 1e-6)
    return Layer(what=name, contact=False, ohms=ohms, log_sd=0.05, amps=amps)


# ---- heat ------------------------------------------------------------------------------------------

DRAWS, SEED = 4000, 20
FILM_RATIO_SD = 0.2  # of the film of air: two laws lie 20 % apart; a loom, a box


def expect(stack: Stack, air_celsius: float = 30.0) -> Expected:
    """Resistance and rise of a stack at its currents. Raises ValueError for what is in no table.

    Contacts err by one common factor (torque, cleanliness) and each for itself; taken as half and half.
    """
    layers = layers_of(stack)
    random = np.random.default_rng(SEED)
    common = random.standard_normal(DRAWS)
    heat = np.zeros(DRAWS)  # W at 20 °C
    for layer in layers:
        error = math.sqrt(0.5) * common + math.sqrt(0.5) * random.standard_normal(DRAWS)
        heat += layer.amps**2 * layer.ohms * np.exp(layer.log_sd * error)
    low, middle, high = (float(q) for q in np.quantile(heat, (0.025, 0.5, 0.975)))
    ways = _ways(stack)
    rises = [
        _rise_kelvin(watts, ways, air_celsius, film)
        for watts, film in ((low, 1 + FILM_RATIO_SD), (middle, 1.0), (high, 1 - FILM_RATIO_SD))
    ]
    contact = sum(x.amps**2 * x.ohms for x in layers if x.contact)
    squared = max(stack.amps**2, 1e-12)
    return Expected(
        layers=tuple(layers),
        clamp_newtons=clamp_newtons(stack),
        resistance_ohms=middle / squared,
        low_ohms=low / squared,
        high_ohms=high / squared,
        contact_share=contact / sum(x.amps**2 * x.ohms for x in layers) if stack.amps else 1.0,
        watts=middle,
        low_kelvin=rises[0],
        rise_kelvin=rises[1],
        high_kelvin=rises[2],
        cable_kelvin=_warmest_cable(stack, air_celsius),
        crimp_ohms=CRIMP_METRES * materials.ohms_per_metre(stack.lugs[0].cable_mm2),
    )


def bar_as_cable(stack: Stack) -> fin.Cable:
    """One side of the bar as heat sees it: bare, as wide around as it is."""
    area = stack.bar_width_mm * stack.bar_thickness_mm * 1e-6
    ohms = METALS[stack.bar_metal].resistivity_ohm_metres / area
    return fin.Cable(
        ohms_per_metre=ohms,
        watt_metres_per_kelvin=fin.COPPER_CONDUCTIVITY * materials.COPPER_OHM_METRES / ohms,
        outside_metres=2.0 * (stack.bar_width_mm + stack.bar_thickness_mm) * 1e-3 / math.pi,
        insulation_kelvin_metres_per_watt=0.0,
        emissivity=0.3,  # tinned or dull metal, from memory
    )


def _ways(stack: Stack) -> list[tuple[fin.Cable, float]]:
    """Where heat can go: each cable with its own current, the bar with all of it."""
    cables = [(fin.copper_cable(lug.cable_mm2), lug.amps) for lug in stack.lugs]
    return [*cables, (bar_as_cable(stack), stack.amps)]


def _rise_kelvin(
    watts_at_20: float, ways: Sequence[tuple[fin.Cable, float]], air_celsius: float, film_ratio: float
) -> float | None:
    """Where heat made and heat lost meet, by halving; None beyond 400 K."""

    def net(celsius: float) -> float:
        made = watts_at_20 * float(thermal.resistance_factor(np.array(celsius)))
        root = np.array([celsius])
        return made - sum(float(fin.root_watts(c, a, root, air_celsius, film_ratio)[0]) for c, a in ways)

    try:
        low, high = air_celsius, air_celsius + 400.0
        if net(high) > 0.0:
            return None
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if net(middle) > 0.0 else (low, middle)
    except ValueError:  # a cable that cannot carry its current at all
        return None
    return 0.5 * (low + high) - air_celsius


def _warmest_cable(stack: Stack, air_celsius: float) -> float | None:
    try:
        return max(
            fin.far_celsius(fin.copper_cable(lug.cable_mm2), lug.amps, air_celsius) - air_celsius
            for lug in stack.lugs
        )
    except ValueError:
        return None
