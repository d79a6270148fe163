"""From a joint's warming to its resistance in ohms, at 20 °C: three ways, each with its deviation.

In order of trust: a measured millivolt drop, followed from then on; the balance of the heat that cable,
lug and bar take away; the heat that the joint's metal takes up when a load begins. What a joint's
surroundings allow is worked out once (`law`), since a watch has microseconds for it.

A cable heats itself, so the rise of a joint is not R/G but (R + c)/G, with c the cable's own heating
near the joint [Ω]. On a thick cable c is as large as a sound contact. It is taken off in the
balance, and a followed millivolt drop goes by it too: R = G·B − c.

Not here: the rise coefficient (`estimator`), the journal. May import: model, materials, thermal, fin, numpy.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lugwatch import fin, materials, thermal
from lugwatch.model import Joint

Array = NDArray[np.float64]

# A figure less certain than this share of itself is not shown: a factor of two, 19 times out of 20.
SHOWN_RATIO = 0.5

# ---- the heat balance: what is taken for granted, and how surely. Measured on bench boats where said.
AIR_CELSIUS = 30.0  # a locker in use
FILM_RATIO_SD = 0.15  # of the film of air: two laws lie 20 % apart; draughts, looms, a cable on wood
LUG_SQUARE_METRES = 0.0035  # of a lug, nut and stud end…
LUG_RATIO_SD = 0.4
BAR_SQUARE_METRES = 0.007  # …and of the part of a bar that is one joint's
BAR_RATIO_SD = 0.6
METAL_FILM = 6.0  # W/(m² K) at 20 K difference on short metal parts (Incropera, chapter 9), and…
METAL_EMISSIVITY = 0.35  # …dull tinned metal; both from memory
BALANCE_RATIO_SD = 0.20  # of R + c: a rise out of two modes, another load than LOAD_RATIO; on bench boats
LOAD_RATIO = 0.5  # of the rating: films are worked out at this current…
LOAD_AMPS_PER_MM2 = 1.5  # …and at no more than this in the thinnest cable
CABLE_RATIO_SD = 0.10  # of c: r' to the standard's maximum, healing length by half the film's error
NO_CABLE_OHMS = 60e-6  # c ± c of a joint whose cables are not told: 35 to 95 mm²
MACHINE_OHMS_SD = 400e-6  # of c where a machine at the other end may bring heat with its current

# a followed joint's way from R₀: films that change with the rise; on a bar, its neighbours' share too
MOVED_RATIO_SD = 0.05
MOVED_ON_BAR_RATIO_SD = 0.20

# ---- the heat capacity
COPPER_JOULES_PER_GRAM_KELVIN = 0.385
STEEL_JOULES_PER_GRAM_KELVIN = 0.47
MIXED_JOULES_PER_GRAM_KELVIN = 0.40  # copper, brass and some steel
# grams of a tube lug against its mm², and of a stud with nut and washers; catalogues, from memory
LUG_MM2 = np.array([1.5, 6.0, 16.0, 25.0, 35.0, 50.0, 70.0, 95.0, 120.0, 150.0, 240.0])
LUG_GRAMS = np.array([1.0, 3.0, 9.0, 15.0, 22.0, 36.0, 52.0, 75.0, 105.0, 130.0, 220.0])
STUD_GRAMS = {"M5": 8.0, "M6": 15.0, "M8": 32.0, "M10": 60.0, "M12": 95.0}
# A conductor takes up √(k·ρc·t) per m² within t: 0.3 J/K per mm² in a minute (semi-infinite body,
# Incropera, section 5.7)
NEARBY_JOULES_PER_KELVIN_MM2 = 0.3
BAR_MM2 = 100.0  # of a bus bar of a boat, 20 mm by 5; from memory
TYPICAL_RATIO_SD = 0.38  # of parts that nobody weighed
WEIGHED_RATIO_SD = 0.20  # the metal is known, how much of what is near it warms too is not
EARLY_RATIO_SD = 0.22  # of an initial slope out of two modes and a lagging probe; measured on bench boats

# ---- the millivolt drop
METER_RATIO_SD = 0.003  # of the reading: a multimeter of 0.5 %, uniform…
METER_VOLTS_SD = 0.0001  # …and a digit or two of 0.1 mV
SHUNT_RATIO_SD = 0.01
# a copper contact that drops more has melted (Holm)
MOST_VOLTS = materials.CONTACT_VOLTAGES["copper"].melting_volts
LEAST_AMPS = 1.0


class Basis(StrEnum):
    """Which way a resistance was found; the word that stands in the JSON."""

    MILLIVOLT_DROP = "millivolt_drop"
    HEAT_BALANCE = "heat_balance"
    HEAT_CAPACITY = "heat_capacity"


@dataclass(frozen=True, slots=True, kw_only=True)
class Apparent:
    """A joint's resistance at 20 °C [Ω], its deviation, and how it was found."""

    ohms: float
    sd_ohms: float
    basis: Basis


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """What a joint's cables and metal say of it, worked out once."""

    rise_coefficient: Array  # (n,) K/A², of a joint whose neighbours are as warm as it is, rising
    ohms: Array  # (n,) by the heat balance; below zero where the cable alone would be warmer
    sd_ohms: Array  # (n,) of film, surfaces and model; without that of the rise
    cable_ohms: float  # c [Ω]
    cable_sd_ohms: float
    moved_ratio_sd: float  # of what a followed joint has moved by
    joules_per_kelvin: float  # of the metal that warms with the joint
    joules_ratio_sd: float
    known_ways: bool  # every way that the heat can take is known; if not, millivolts alone tell


@dataclass(frozen=True, slots=True, kw_only=True)
class Warming:
    """What a filter knows of one joint, per ampere squared (copper at 20 °C)."""

    rise_coefficient: float  # K/A²
    rise_coefficient_sd: float
    lone_coefficient: float  # K/A², were its neighbours as warm as it is: no heat through the bar
    lone_coefficient_sd: float
    early_slope: float  # K/(A² s), when a load begins
    early_slope_sd: float


# ---- what a joint's parts say ----------------------------------------------------------------


def law(joint: Joint) -> Law:
    """The law of a joint; cheap when asked again. ValueError outside the conductor table."""
    grams = joint.facts.get("metal_grams")
    return _law(
        joint.cable_mm2,
        str(joint.facts.get("stud", "")).upper().replace(" ", ""),
        float(grams) if isinstance(grams, int | float) else None,
        bool(joint.neighbours),
        LOAD_RATIO * (joint.rated_amps or 100.0),
    )


@lru_cache(maxsize=256)
def _law(cable_mm2: tuple[float, ...], stud: str, grams: float | None, on_bar: bool, load_amps: float) -> Law:
    joules, joules_sd = metal_joules_per_kelvin(cable_mm2, stud, grams, on_bar=on_bar)
    # current that comes must go: a single cable and no neighbour leave half of the joint untold
    known = (len(cable_mm2) > 1 or on_bar) and bool(cable_mm2)
    moved = MOVED_ON_BAR_RATIO_SD if on_bar else MOVED_RATIO_SD
    if not cable_mm2:
        nothing = np.array([0.0, 1.0])
        return Law(
            rise_coefficient=nothing, ohms=nothing * np.nan, sd_ohms=nothing * np.nan,
            cable_ohms=NO_CABLE_OHMS, cable_sd_ohms=NO_CABLE_OHMS, moved_ratio_sd=moved,
            joules_per_kelvin=joules, joules_ratio_sd=joules_sd, known_ways=False,
        )  # fmt: skip
    amps = min(load_amps, LOAD_AMPS_PER_MM2 * min(cable_mm2))
    rise = np.concatenate([[0.0], np.geomspace(0.1, 300.0, 28)])
    celsius = AIR_CELSIUS + rise
    drive = amps * amps * thermal.resistance_factor(celsius)

    def into_cables(film_ratio: float) -> Array:
        cables = [fin.copper_cable(mm2) for mm2 in cable_mm2]
        watts = [fin.root_watts(c, amps, celsius, AIR_CELSIUS, film_ratio) for c in cables]
        total: Array = np.sum(watts, axis=0) / drive
        return total

    metal = METAL_FILM * (rise / 20.0) ** 0.25
    metal = metal + fin.radiation_coefficient(METAL_EMISSIVITY, celsius, AIR_CELSIUS)
    lug = LUG_SQUARE_METRES * metal * rise / drive
    bar = BAR_SQUARE_METRES * metal * rise / drive if on_bar else np.zeros_like(lug)
    cables = into_cables(1.0)
    film = 0.5 * (into_cables(1.0 + FILM_RATIO_SD) - into_cables(1.0 - FILM_RATIO_SD))
    own = -float(cables[0])
    parts = [film, LUG_RATIO_SD * lug, BAR_RATIO_SD * bar, BALANCE_RATIO_SD * (cables + lug + bar + own)]
    return Law(
        rise_coefficient=rise / drive,
        ohms=cables + lug + bar,
        sd_ohms=np.sqrt(np.sum(np.square(parts), axis=0)),
        cable_ohms=own,
        cable_sd_ohms=CABLE_RATIO_SD * own if known else MACHINE_OHMS_SD,
        moved_ratio_sd=moved,
        joules_per_kelvin=joules,
        joules_ratio_sd=joules_sd,
        known_ways=known,
    )


def metal_joules_per_kelvin(
    cable_mm2: tuple[float, ...], stud: str = "", grams: float | None = None, *, on_bar: bool = False
) -> tuple[float, float]:
    """Heat capacity of the metal that warms with a joint [J/K], and its deviation as a share of it.

    grams: of lugs, nuts, stud and what they are bolted to, weighed. Without: a lug for each cable, as
    much again opposite a single one, the stud (M8, or M10 above 50 mm²), and conductors nearby: cables,
    or the bar.
    """
    if grams is not None:
        if not 1.0 <= grams <= 20_000.0:
            raise ValueError(f"metal of {grams:g} g is no joint; give 1 to 20 000 g")
        return MIXED_JOULES_PER_GRAM_KELVIN * grams, WEIGHED_RATIO_SD
    sizes = cable_mm2 or (50.0,)
    sizes = sizes * 2 if len(sizes) == 1 else sizes
    lugs = float(np.interp(sizes, LUG_MM2, LUG_GRAMS).sum())
    steel = STUD_GRAMS.get(stud, STUD_GRAMS["M10" if max(sizes) > 50.0 else "M8"])
    joules = COPPER_JOULES_PER_GRAM_KELVIN * lugs + STEEL_JOULES_PER_GRAM_KELVIN * steel
    nearby = sum(cable_mm2) + BAR_MM2 if on_bar else sum(sizes)
    return joules + NEARBY_JOULES_PER_KELVIN_MM2 * nearby, TYPICAL_RATIO_SD


# ---- way 1: millivolts -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class MillivoltDrop:
    """A voltage measured across a joint, with what the joint's warming was then."""

    ohms: float  # at 20 °C
    sd_ohms: float
    rise_coefficient: float  # K/A², at that time
    rise_coefficient_sd: float
    conductance: float  # G [W/K]: the heat that the joint sheds for each kelvin, (R + c)/B
    conductance_sd: float


def ohms_at_20_celsius(volts: float, amps: float, celsius: float) -> tuple[float, float]:
    """Resistance at 20 °C [Ω] of what drops `volts` at `amps`, and its deviation by meter and shunt.

    celsius: of the joint. The direction of both does not matter. ValueError for what no joint can be.
    """
    if not all(math.isfinite(x) for x in (volts, amps, celsius)):
        raise ValueError("volts, amps and celsius must be numbers")
    volts, amps = abs(volts), abs(amps)
    if amps < LEAST_AMPS:
        raise ValueError(f"{amps:g} A is too little to measure a joint with; load it")
    if not -40.0 <= celsius <= 300.0:
        raise ValueError(f"a joint at {celsius:g} °C was not measured; give its temperature in °C")
    if volts == 0.0:
        raise ValueError("0 V across a joint that carries current: the meter is in too coarse a range")
    if volts > MOST_VOLTS:
        raise ValueError(f"a joint that drops {volts:g} V would melt; give volts, so 4.8 mV is 0.0048")
    ohms = volts / amps * materials.factor_to_20_celsius(celsius)
    ratio = math.hypot(METER_RATIO_SD, METER_VOLTS_SD / volts, SHUNT_RATIO_SD)
    return ohms, ratio * ohms


def millivolt_drop(
    of: Law, *, volts: float, amps: float, celsius: float, rise_coefficient: float, rise_coefficient_sd: float
) -> MillivoltDrop:
    """Way 1: the drop as measured, and G = (R + c)/B from then on.

    rise_coefficient: B at the time of the measurement [K/A²]. ValueError in one line.
    """
    if not (math.isfinite(rise_coefficient) and rise_coefficient > 0.0):
        raise ValueError("the joint's rise coefficient is not known yet; measure after a passage with load")
    ohms, sd = ohms_at_20_celsius(volts, amps, celsius)
    conductance = (ohms + of.cable_ohms) / rise_coefficient
    ratio = math.hypot(sd, of.cable_sd_ohms) / (ohms + of.cable_ohms)
    return MillivoltDrop(
        ohms=ohms,
        sd_ohms=sd,
        rise_coefficient=rise_coefficient,
        rise_coefficient_sd=rise_coefficient_sd,
        conductance=conductance,
        conductance_sd=conductance * math.hypot(ratio, rise_coefficient_sd / rise_coefficient),
    )


def followed(of: Law, drop: MillivoltDrop, rise_coefficient: float, sd: float) -> Apparent | None:
    """The resistance now [Ω]: R = G·B − c, anchored where it was measured; None at or below zero.

    With x = B/B₀ this is R₀·x + c·(x − 1): what is not known of c counts only as far as the joint has moved.
    """
    moved = rise_coefficient / drop.rise_coefficient
    whole = drop.ohms + of.cable_ohms
    ohms = whole * moved - of.cable_ohms
    if ohms <= 0.0:
        return None
    rises = math.hypot(sd / rise_coefficient, drop.rise_coefficient_sd / drop.rise_coefficient)
    way = math.hypot(of.cable_sd_ohms, whole * of.moved_ratio_sd) * (moved - 1.0)
    deviation = math.hypot(drop.sd_ohms * moved, way, whole * moved * rises)
    return Apparent(ohms=ohms, sd_ohms=deviation, basis=Basis.MILLIVOLT_DROP)


# ---- ways 2 and 3 ----------------------------------------------------------------------------


def heat_balance(of: Law, lone_coefficient: float, sd: float) -> Apparent | None:
    """Way 2: what cables, lug and bar carry away at this rise, less what the cables make themselves.

    lone_coefficient: B [K/A²] were the neighbours as warm as the joint, so that what goes through
    a bar need not be known. None where a way of the heat is untold, or the cable alone explains it.
    """
    if not of.known_ways or not (math.isfinite(lone_coefficient) and lone_coefficient > 0.0):
        return None
    last = float(of.rise_coefficient[-1])
    beyond = max(1.0, lone_coefficient / last)
    at = min(lone_coefficient, last)
    ohms = beyond * float(np.interp(at, of.rise_coefficient, of.ohms))
    model = beyond * float(np.interp(at, of.rise_coefficient, of.sd_ohms))
    if ohms <= 0.0:
        return None
    slope = (ohms + of.cable_ohms) / lone_coefficient
    return Apparent(ohms=ohms, sd_ohms=math.hypot(model, slope * sd), basis=Basis.HEAT_BALANCE)


def heat_capacity(of: Law, early_slope: float, sd: float) -> Apparent | None:
    """Way 3: R = C·(dT/dt)/I² from the first minutes of a load, before the heat has gone anywhere.

    early_slope: dT/dt over I² [K/(A² s)], copper at 20 °C. None where what the joint is bolted to may
    make heat itself, or the slope is not upward.
    """
    if not of.known_ways or not (math.isfinite(early_slope) and early_slope > 0.0):
        return None
    ohms = of.joules_per_kelvin * early_slope
    ratio = math.hypot(of.joules_ratio_sd, EARLY_RATIO_SD, sd / early_slope)
    return Apparent(ohms=ohms, sd_ohms=ratio * ohms, basis=Basis.HEAT_CAPACITY)


def apparent(of: Law, warming: Warming, drop: MillivoltDrop | None) -> Apparent | None:
    """The resistance to show: by millivolts where they were measured, else the surer of the other two.

    None where no way gives a figure better than SHOWN_RATIO of itself.
    """
    if drop is not None:
        found = followed(of, drop, warming.rise_coefficient, warming.rise_coefficient_sd)
        return found if found is not None and found.sd_ohms <= SHOWN_RATIO * found.ohms else None
    ways = (
        heat_balance(of, warming.lone_coefficient, warming.lone_coefficient_sd),
        heat_capacity(of, warming.early_slope, warming.early_slope_sd),
    )
    good = [way for way in ways if way is not None and way.sd_ohms <= SHOWN_RATIO * way.ohms]
    return min(good, key=lambda way: way.sd_ohms / way.ohms, default=None)


# ---- measured drops of all joints ------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Drops:
    """The latest millivolt drop of each joint, in the boat's order; None: not measured."""

    drops: tuple[MillivoltDrop | None, ...]


def no_drops(joints: int) -> Drops:
    """Nothing measured yet."""
    return Drops(drops=(None,) * joints)


def with_drop(drops: Drops, joint: int, drop: MillivoltDrop | None) -> Drops:
    """With that joint's drop replaced; None: it was worked on, and what was measured holds no more."""
    return replace(drops, drops=(*drops.drops[:joint], drop, *drops.drops[joint + 1 :]))


def rebased(drops: Drops, before: Sequence[Warming], after: Sequence[Warming]) -> Drops:
    """The same drops when a rise has changed and the joint has not: its shape was learned anew.

    before, after: of one moment, under the old and the new shapes.
    """
    moved = tuple(
        drop
        if drop is None or old.rise_coefficient <= 0.0 or new.rise_coefficient <= 0.0
        else _scaled(drop, new.rise_coefficient / old.rise_coefficient)
        for drop, old, new in zip(drops.drops, before, after, strict=True)
    )
    return Drops(drops=moved)


def _scaled(drop: MillivoltDrop, ratio: float) -> MillivoltDrop:
    return replace(
        drop,
        rise_coefficient=drop.rise_coefficient * ratio,
        rise_coefficient_sd=drop.rise_coefficient_sd * ratio,
        conductance=drop.conductance / ratio,
        conductance_sd=drop.conductance_sd / ratio,
    )
