"""The plan for the winter in words: why a joint stands where it does, what to do, what to have at hand.

Whole sentences for command, page and sheet alike. Not here: the rule (`winter`). May import: winter,
advice, creep, model, units.
"""

from lugwatch import advice
from lugwatch.creep import PASSAGES_NEEDED
from lugwatch.model import CreepVerdict
from lugwatch.units import format_time
from lugwatch.winter import DEVIATIONS, Grade, Kind, Margin, Material, Standing, Trend, Work

GRADES = {Grade.WELL: "well", Grade.UNKNOWN: "not known", Grade.LOOK: "look", Grade.ACT: "act"}

_DAYS_OF_A_YEAR = 365.25

WORKS = {
    Work.MEASURE: (
        "Before it is opened, measure the millivolts across it while a steady, known current flows, with "
        "insulated and fused leads, and write them into the journal."
    ),
    Work.CHECK_RATING: (
        "Check cable, lug, stud and fuse against the current that flows: it is hot without being known to "
        "have changed, so it may be too small, or its rated current too high."
    ),
    Work.INSPECT: (
        "Inspect it: hardware order, nothing but lug and bar in the current's path, colour of copper and "
        "insulation, green or white deposits, strands at the crimp."
    ),
    Work.RETORQUE: (
        "Check the nut with a torque wrench at the maker's figure, and no tighter. If it turns at once, open "
        "the joint and look why."
    ),
    Work.REPLACE_HARDWARE: (
        "Take what stands in the current's path out of it: lug on bar, bare metal on bare metal, the flat "
        "washer only under the lock washer on top; replace steel that carried current."
    ),
    Work.REMAKE: (
        "Open it, clean all faces to bare metal, crimp a new lug where copper is dark or strands are broken, "
        "put it together in the right order, tighten it to its torque, write it into the journal."
    ),
    Work.PROVE: "After the work, prove it: a proof test at the current that the circuit can draw.",
    Work.LEAVE: "Leave it closed: what is known of it is well, and opening a good joint improves nothing.",
}

SHORT = {
    Work.MEASURE: "measure millivolts",
    Work.CHECK_RATING: "check its size against its current",
    Work.INSPECT: "inspect",
    Work.RETORQUE: "check the torque",
    Work.REPLACE_HARDWARE: "take hardware out of the current's path",
    Work.REMAKE: "clean and remake",
    Work.PROVE: "proof test",
    Work.LEAVE: "leave closed",
}

CAUTIONS = (
    "Isolate the battery and make the circuit dead before a cover is opened or a spanner is near it: "
    "a battery bank can weld a spanner. Chargers, panels and shore power feed the same bars.",
    "Stop the engine first. Never break the alternator's output while it charges.",
    "A hot joint stays hot: let it cool before you touch it.",
    "Local codes come first, and a licensed marine electrician has the last word.",
)

KINDS = {
    Kind.LUG: "tinned copper lug",
    Kind.CABLE: "cable, for a new end",
    Kind.HEAT_SHRINK: "heat-shrink with adhesive",
    Kind.FLAT_WASHER: "flat washer",
    Kind.LOCK_WASHER: "lock washer",
    Kind.NUT: "nut",
}


def why(standing: Standing) -> str:
    """One sentence: the three matters, the most urgent first."""
    grades = standing.grades
    told = [_trend(standing.trend), _margin(standing.margin), _age(standing.worked_days)]
    order = sorted(range(3), key=lambda k: (-grades[k], k))
    sentence = "; ".join(told[k] for k in order)
    return f"{sentence[0].upper()}{sentence[1:]}."


def _trend(trend: Trend) -> str:
    told: list[str] = []
    creep = trend.creep
    if creep is None:
        told.append(trend.reason or "its passages were never judged together")
    elif creep.verdict is CreepVerdict.TOO_FEW_PASSAGES:
        told.append(
            f"no trend can be told yet, {creep.passages_count} of the {PASSAGES_NEEDED} passages that it "
            "needs could tell its rise"
        )
    elif creep.verdict is CreepVerdict.STEADY:
        told.append(f"its rise is steady over {creep.passages_count} passages")
    elif creep.verdict is CreepVerdict.UNSURE:
        told.append(f"its rise may be growing, {advice.gain(creep)}")
    else:
        told.append(f"its rise is creeping, {advice.gain(creep)}")
    if trend.ratio is not None and trend.ratio_sd is not None:
        spread, digits = DEVIATIONS * trend.ratio_sd, 0 if trend.ratio >= advice.MANY_TIMES else 2
        middle, low, high = (
            f"{max(x, 0.0):.{digits}f}" for x in (trend.ratio, trend.ratio - spread, trend.ratio + spread)
        )
        told.append(f"it heats {middle} times ({low} to {high}) what its baseline does")
    return ", ".join(told)


def _margin(margin: Margin | None) -> str:
    if margin is None:
        return "where it would settle at its rated current is not known"
    spread = DEVIATIONS * margin.settles_sd_kelvin
    side = "below" if margin.kelvin > 0.0 else "above"
    low, high = margin.settles_celsius - spread, margin.settles_celsius + spread
    return (
        f"at its rated {margin.rated_amps:g} A it would settle at {margin.settles_celsius:.0f} °C "
        f"({low:.0f} to {high:.0f}), {abs(margin.kelvin):.0f} K {side} its limit of "
        f"{margin.limit_celsius:g} °C, in surroundings of {margin.surroundings_celsius:.0f} °C as on "
        f"{_day(margin.surroundings_time)}"
    )


def _age(days: float | None) -> str:
    if days is None:
        return "no work on it is written in the journal"
    if days < _DAYS_OF_A_YEAR:
        return f"work on it was last written down {days:.0f} days ago"
    return f"work on it was last written down {days / _DAYS_OF_A_YEAR:.1f} years ago"


def _day(time: int) -> str:
    return format_time(time)[:10]


def material(m: Material) -> str:
    """ "2 × tinned copper lug, 50 mm², hole for M8"; what is not known is said to be."""
    if m.size is None:
        return f"{KINDS[m.kind]}: size unknown"
    count = "" if m.count is None else f"{m.count} × "
    tail = ": length unknown, measure it" if m.kind is Kind.CABLE else ""
    return f"{count}{KINDS[m.kind]}, {m.size}{tail}"
