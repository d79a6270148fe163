"""Published figures of metals, conductors, contacts and terminals, and the formulas that go with them.

Not here: what is believed about a joint. Every row says where it is from and how sure that is: READ
in a text, or from MEMORY (a default worth having, never a proof). May import numpy and units only.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from lugwatch.units import ZERO_CELSIUS_KELVIN

LORENZ_VOLTS2_PER_KELVIN2 = 2.443e-8  # (π²/3)·(k/e)², Wiedemann and Franz


class Sureness(StrEnum):
    """How a figure got here."""

    READ = "read in a text"
    MEMORY = "from memory, not seen in a text"


# ---- metals ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Metal:
    """Resistivity at 20 °C [Ω m] and its temperature coefficient [1/K]; None: not known."""

    name: str
    resistivity_ohm_metres: float
    per_kelvin: float | None
    source: str
    sureness: Sureness


def _metal(
    name: str, e8: float, per_kelvin: float | None, source: str, sureness: Sureness = Sureness.READ
) -> tuple[str, Metal]:
    return name, Metal(
        name=name,
        resistivity_ohm_metres=e8 * 1e-8,
        per_kelvin=per_kelvin,
        source=source,
        sureness=sureness,
    )


_TABLE = "resistivity tables of encyclopaedias and engineeringtoolbox.com"
METALS: Mapping[str, Metal] = MappingProxyType(
    dict(
        (
            _metal("silver", 1.59, 0.0038, _TABLE),
            # 1/58 Ω mm²/m, 100 % IACS; the coefficient of IEC 60028 is from memory
            _metal("copper", 1.7241, 0.00393, "IEC 60028; NBS Handbook 100"),
            _metal("aluminium", 2.65, 0.0039, _TABLE),
            _metal("aluminium, conductor grade", 2.82, 0.0039, _TABLE),
            _metal("brass, 58 % copper", 5.9, 0.0015, "engineeringtoolbox.com"),
            _metal("brass, 63 % copper", 7.1, 0.0015, "engineeringtoolbox.com"),
            _metal("zinc", 5.90, 0.0037, _TABLE),
            _metal("nickel", 6.99, 0.006, _TABLE),
            _metal("iron", 9.7, 0.005, _TABLE),  # to 10 and to 0.0064 by purity
            _metal("tin", 10.9, 0.0045, _TABLE),
            _metal("carbon steel", 14.3, None, _TABLE),
            _metal("mild steel", 15.0, None, _TABLE),
            _metal("lead", 20.6, 0.0039, _TABLE),  # to 22
            _metal("manganin", 48.2, 0.000002, _TABLE),
            _metal("stainless 18-8", 69.0, 0.00094, _TABLE + "; coefficient from memory"),
            _metal("stainless 304", 72.0, None, "steel makers' tables", Sureness.MEMORY),
            _metal("stainless 316", 74.0, None, "steel makers' tables", Sureness.MEMORY),
        )
    )
)

COPPER_OHM_METRES = METALS["copper"].resistivity_ohm_metres


class CopperRule(StrEnum):
    """Two usual ways to refer a copper resistance to 20 °C; 0.1 to 0.4 % apart up to 90 °C."""

    CABLE = "IEC 60228: R20 = Rt · 250/(230 + t)"
    MATERIAL = "IEC 60028: R20 = Rt · 254.45/(234.45 + t), which is α = 0.00393 /K"


def factor_to_20_celsius(celsius: float, rule: CopperRule = CopperRule.MATERIAL) -> float:
    """What a copper resistance measured at `celsius` [°C] is multiplied by to refer it to 20 °C [-].

    CABLE is the rounded rule of the cable standard's annex (IEC 60228, read; for its tables only).
    MATERIAL is what the core uses throughout (`thermal.resistance_factor` is its inverse). ValueError
    below −200 °C, where neither holds.
    """
    if celsius < -200.0:
        raise ValueError(f"no copper rule holds at {celsius} °C")
    zero = 230.0 if rule is CopperRule.CABLE else 1.0 / 0.00393 - 20.0
    return (zero + 20.0) / (zero + celsius)


# ---- conductors ------------------------------------------------------------------------------


class Conductor(StrEnum):
    """How a copper conductor is made: columns of IEC 60228 tables 2 and 3."""

    STRANDED = "class 2"
    FLEXIBLE = "class 5"
    FLEXIBLE_TINNED = "class 5, tinned"


# mm²: greatest resistance at 20 °C [Ω/km]: class 2, class 5, class 5 tinned.
# IEC 60228 tables 2 and 3; read in three cable makers' reprints, which agree.
IEC_60228_OHMS_PER_KM: Mapping[float, tuple[float, float, float]] = MappingProxyType(
    {
        1.5: (12.1, 13.3, 13.7),
        2.5: (7.41, 7.98, 8.21),
        4.0: (4.61, 4.95, 5.09),
        6.0: (3.08, 3.30, 3.39),
        10.0: (1.83, 1.91, 1.95),
        16.0: (1.15, 1.21, 1.24),
        25.0: (0.727, 0.780, 0.795),
        35.0: (0.524, 0.554, 0.565),
        50.0: (0.387, 0.386, 0.393),
        70.0: (0.268, 0.272, 0.277),
        95.0: (0.193, 0.206, 0.210),
        120.0: (0.153, 0.161, 0.164),
        150.0: (0.124, 0.129, 0.132),
        240.0: (0.0754, 0.0801, 0.0817),
    }
)


def ohms_per_metre(mm2: float, conductor: Conductor = Conductor.FLEXIBLE) -> float:
    """Greatest resistance of a copper cable at 20 °C [Ω/m] of this cross-section [mm²].

    Between two sizes of the table R·S is interpolated on ln S, which differs by a few per cent from
    size to size where R differs by half. ValueError outside 1.5 to 240 mm²: no guessing.
    """
    sizes = list(IEC_60228_OHMS_PER_KM)
    if not sizes[0] <= mm2 <= sizes[-1]:
        raise ValueError(f"{mm2} mm² is outside the table, which goes from {sizes[0]} to {sizes[-1]} mm²")
    column = list(Conductor).index(conductor)
    above = next(i for i, size in enumerate(sizes) if size >= mm2)
    high = sizes[above]
    if high == mm2:
        return IEC_60228_OHMS_PER_KM[high][column] / 1000.0
    low = sizes[above - 1]
    share = math.log(mm2 / low) / math.log(high / low)
    products = [IEC_60228_OHMS_PER_KM[size][column] * size for size in (low, high)]
    return (products[0] + share * (products[1] - products[0])) / mm2 / 1000.0


# Insulation's rating [°C]: factor in an engine space, taken as 50 °C. 33 CFR 183.425 table 5, note;
# 0.85 at 105 °C is read, the others are from memory.
ENGINE_SPACE_FACTOR: Mapping[int, float] = MappingProxyType(
    {60: 0.58, 75: 0.75, 80: 0.78, 90: 0.82, 105: 0.85, 125: 0.89, 200: 1.00}
)
# AWG size: allowable amperes at 30 °C for insulation of 60, 75, 80, 90, 105, 125, 200 °C.
# 33 CFR 183.425 table 5, read.
CFR_183_425_AMPS: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "10": (40, 40, 50, 55, 60, 70, 70),
        "8": (55, 65, 70, 70, 80, 90, 100),
        "6": (80, 95, 100, 100, 120, 125, 135),
        "4": (105, 125, 130, 135, 160, 170, 180),
        "2": (140, 170, 175, 180, 210, 225, 240),
        "1": (165, 195, 210, 210, 245, 265, 280),
        "1/0": (195, 230, 245, 245, 285, 305, 325),
        "2/0": (225, 265, 285, 285, 330, 355, 370),
        "3/0": (260, 310, 330, 330, 385, 410, 430),
        "4/0": (300, 360, 385, 385, 445, 475, 510),
    }
)


def allowable_amps(awg: str, insulation_celsius: int, *, engine_space: bool) -> float:
    """Allowable current [A] of a cable by US law (33 CFR 183.425 table 5), not rounded.

    ValueError, with what there is, for a size or a rating that the table does not have.
    """
    if awg not in CFR_183_425_AMPS:
        raise ValueError(f"no size {awg!r} in the table, which has {', '.join(CFR_183_425_AMPS)}")
    ratings = list(ENGINE_SPACE_FACTOR)
    if insulation_celsius not in ENGINE_SPACE_FACTOR:
        raise ValueError(f"no insulation of {insulation_celsius} °C in the table, which has {ratings}")
    amps = float(CFR_183_425_AMPS[awg][ratings.index(insulation_celsius)])
    return amps * ENGINE_SPACE_FACTOR[insulation_celsius] if engine_space else amps


# ---- bus bars and other loads ----------------------------------------------------------------


def bar_amps(area_mm2: float, perimeter_mm: float) -> float:
    """Current [A] that warms a copper bar on edge by 50 K in still air of 40 °C, DC.

    I = 7.73·A^0.5·p^0.39 (Copper Development Association Publication 22, section 10; read).
    """
    return float(7.73 * area_mm2**0.5 * perimeter_mm**0.39)


def rod_amps(area_mm2: float, perimeter_mm: float) -> float:
    """The same for a round rod: I = 8.63·A^0.5·p^0.36 (same publication and section; read)."""
    return float(8.63 * area_mm2**0.5 * perimeter_mm**0.36)


def rerated_amps(amps: float, rise_kelvin: float, other_rise_kelvin: float) -> float:
    """Current [A] for another rise: I₁/I₂ = (ΔT₁/ΔT₂)^0.61, laminar free convection.

    Same publication, section 3, from memory. It makes the rise go with I^1.64.
    """
    return float(amps * (other_rise_kelvin / rise_kelvin) ** 0.61)


@dataclass(frozen=True, slots=True, kw_only=True)
class RiseAtLoad:
    """A rise at another load [K] as nobody knows it better: never one figure."""

    least_kelvin: float  # exponent 1.6
    bar_kelvin: float  # exponent 1.64, that of the bus-bar rule
    usual_kelvin: float  # exponent 1.8
    most_kelvin: float  # exponent 2.0: pure I²


def rise_at_load(rise_kelvin: float, amps: float, other_amps: float) -> RiseAtLoad:
    """A rise measured at `amps`, at `other_amps`: (I₂/I₁)^n, n from 1.6 to 2.0.

    Thermographers' load correction (irinfo.org tip of 16 October 2023; read). Below 40 % of the load
    it shows gross faults only (NFPA 70B, from memory). For joints without a model; a tracked one is
    projected by `thermal.settling_celsius`. ValueError unless both currents flow.
    """
    if amps <= 0.0 or other_amps < 0.0:
        raise ValueError("a rise can be taken to another load only from a current that flows")
    ratio = other_amps / amps
    low, bar, usual, high = (rise_kelvin * ratio**n for n in (1.6, 1.64, 1.8, 2.0))
    return RiseAtLoad(
        least_kelvin=min(low, high), bar_kelvin=bar, usual_kelvin=usual, most_kelvin=max(low, high)
    )


# ---- contacts --------------------------------------------------------------------------------


def constriction_ohms(
    radius_metres: float,
    resistivity_ohm_metres: float = COPPER_OHM_METRES,
    other_ohm_metres: float | None = None,
) -> float:
    """Resistance [Ω] of one round spot of this radius [m], both sides: (ρ₁ + ρ₂)/(4a).

    For one metal ρ/(2a). Holm, Electric Contacts, 4th edition 1967; from memory.
    """
    other = resistivity_ohm_metres if other_ohm_metres is None else other_ohm_metres
    return (resistivity_ohm_metres + other) / (4.0 * radius_metres)


def spot_radius_metres(newtons: float, hardness_pascals: float) -> float:
    """Radius [m] of a spot that yields under this force: F = H·π·a². Holm; from memory."""
    return math.sqrt(newtons / (math.pi * hardness_pascals))


def plastic_contact_ohms(
    newtons: float, hardness_pascals: float, resistivity_ohm_metres: float = COPPER_OHM_METRES
) -> float:
    """Resistance [Ω] of one yielding spot of one metal: (ρ/2)·√(π·H/F), so it goes with F^−½.

    Holm; from memory. A clean bolted joint has many spots and lies below; a dirty one far above.
    """
    return constriction_ohms(spot_radius_metres(newtons, hardness_pascals), resistivity_ohm_metres)


def spot_celsius(volts: float, surroundings_celsius: float) -> float:
    """Temperature [°C] inside the hottest spot of a contact that drops this voltage.

    Tm² − T0² = U²/(4·L) in kelvin: Kohlrausch's relation; Holm; from memory. The lug's outside
    temperature does not show it.
    """
    outside = surroundings_celsius + ZERO_CELSIUS_KELVIN
    return math.sqrt(outside**2 + volts**2 / (4.0 * LORENZ_VOLTS2_PER_KELVIN2)) - ZERO_CELSIUS_KELVIN


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactMetal:
    """Voltage across a contact [V] at which its spots soften, and at which they melt."""

    softening_volts: float
    melting_volts: float


# Holm; Slade, Electrical Contacts. From memory; gold and the order of tin read in public notes.
CONTACT_VOLTAGES: Mapping[str, ContactMetal] = MappingProxyType(
    {
        "copper": ContactMetal(softening_volts=0.12, melting_volts=0.43),
        "silver": ContactMetal(softening_volts=0.09, melting_volts=0.37),
        "gold": ContactMetal(softening_volts=0.08, melting_volts=0.43),
        "tin": ContactMetal(softening_volts=0.07, melting_volts=0.13),
        "aluminium": ContactMetal(softening_volts=0.10, melting_volts=0.30),
        "nickel": ContactMetal(softening_volts=0.22, melting_volts=0.65),
        "zinc": ContactMetal(softening_volts=0.10, melting_volts=0.17),
    }
)


# ---- what is too warm ------------------------------------------------------------------------


class Grade(StrEnum):
    """What thermographers do about a rise; ANSI/NETA MTS table 100.18 (read)."""

    NONE = "nothing found"
    INVESTIGATE = "possible deficiency: investigate"
    REPAIR = "probable deficiency: repair as time permits"
    MONITOR = "monitor until corrected"
    AT_ONCE = "major discrepancy: repair at once"


def grade_over_similar(difference_kelvin: float) -> Grade:
    """Grade of a difference [K] between similar parts under the same load.

    1 to 3 K, 4 to 15 K, more than 15 K; the table counts whole kelvins, and so does this.
    """
    whole = round(difference_kelvin)
    if whole < 1:
        return Grade.NONE
    if whole <= 3:
        return Grade.INVESTIGATE
    return Grade.REPAIR if difference_kelvin <= 15.0 else Grade.AT_ONCE


def grade_over_ambient(rise_kelvin: float) -> Grade:
    """Grade of a rise over the surroundings [K]: 1 to 10, 11 to 20, 21 to 40, more than 40 K."""
    whole = round(rise_kelvin)
    if whole < 1:
        return Grade.NONE
    if whole <= 10:
        return Grade.INVESTIGATE
    if whole <= 20:
        return Grade.REPAIR
    return Grade.MONITOR if rise_kelvin <= 40.0 else Grade.AT_ONCE


@dataclass(frozen=True, slots=True, kw_only=True)
class RiseLimit:
    """A rise that a standard allows [K]."""

    what: str
    rise_kelvin: float
    source: str
    sureness: Sureness


def _limit(what: str, kelvin: float, source: str, sureness: Sureness = Sureness.MEMORY) -> RiseLimit:
    return RiseLimit(what=what, rise_kelvin=kelvin, source=source, sureness=sureness)


RISE_LIMITS = (
    _limit("terminal of bare copper", 60.0, "IEC 60947-1 table 2"),
    _limit("terminal of bare brass", 65.0, "IEC 60947-1 table 2"),
    _limit("terminal of tinned copper or brass", 65.0, "IEC 60947-1 table 2", Sureness.READ),
    _limit("terminal plated with silver or nickel", 70.0, "IEC 60947-1 table 2"),
    _limit("terminal after overload and short circuit", 80.0, "IEC 60947-2 table 7", Sureness.READ),
    _limit("terminal for outside conductors of an assembly", 70.0, "IEC 61439-1 table 6"),
    _limit("terminal at its test current", 45.0, "EN 60998-1", Sureness.READ),
    _limit("lug, static heating at its test current", 50.0, "UL 486A-B", Sureness.READ),
    _limit("lug, current cycling", 125.0, "UL 486A-B", Sureness.READ),
    _limit("handle of metal", 15.0, "IEC 61439-1 table 6"),
    _limit("handle of plastic", 25.0, "IEC 61439-1 table 6"),
    _limit("cover of metal that can be touched", 30.0, "IEC 61439-1 table 6"),
    _limit("cover of plastic that can be touched", 40.0, "IEC 61439-1 table 6"),
)
