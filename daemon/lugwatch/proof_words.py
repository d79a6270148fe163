"""A proof test in words: what was done, what it says, what to do. May import: proof, proving, units."""

from collections.abc import Mapping, Sequence

from lugwatch.proof import FULL_MINUTES, LEAST_AMPS_RATIO, SHORTEST_MINUTES, Poor, Verdict
from lugwatch.proving import AgainstCable, Difference, ProofTest
from lugwatch.units import format_time

POOR = {
    Poor.TOO_SHORT: f"too short: keep the load on for at least {SHORTEST_MINUTES:g} minutes",
    Poor.TOO_LITTLE_CURRENT: (
        f"too little current to judge by: at least {LEAST_AMPS_RATIO:.0%} of what it will carry"
    ),
    Poor.CURRENT_UNSTEADY: "the current was not steady: choose one load and leave it on",
    Poor.SURROUNDINGS_MOVING: (
        "the air around it changed too much (engine heat, wind, a hatch): test with the space as it stays"
    ),
    Poor.NOT_RESTED: "it was still warming or cooling when the load came on: let it rest first",
}
CAUTION = (
    "Keep hands, sleeves and tools away while it carries current; stop the load if anything smells. "
    "A joint that was loaded stays hot. Work on it only with the circuit dead and the battery isolated."
)


def no_test(joints: Sequence[str], *, latest: bool) -> str:
    """Nothing was found that could be judged."""
    where = "in the last 24 hours of the record" if latest else "in the 24 hours from there"
    return (
        f"no test of {', '.join(joints)} {where}: that is five minutes of rest, then a load of at least "
        f"30 % of the current it will carry"
    )


def conditions(test: ProofTest) -> str:
    """What was done: "10.0 min at 92 A from 2026-05-03T14:30:00Z, surroundings 31.2 °C"."""
    amps = "no load yet" if test.tested_amps is None else f"{test.tested_amps:.0f} A"
    around = "" if test.surroundings_celsius is None else f", surroundings {test.surroundings_celsius:.1f} °C"
    return f"{test.minutes:.1f} min at {amps} from {format_time(test.time // 1000 * 1000)}{around}"


def rise(kelvin: float | None, low: float | None, high: float | None, amps: float | None) -> str:
    """ "29 K (23 to 46) at 120 A"; "or without end" where runaway is not excluded."""
    if kelvin is None or low is None or amps is None:
        return "not known"
    upper = "no end in sight" if high is None else f"{high:.0f}"
    return f"{kelvin:.0f} K ({low:.0f} to {upper}) at {amps:.0f} A"


def forecast(test: ProofTest) -> str:
    """Where it settles, as far as is known now."""
    tested = rise(test.tested_kelvin, test.tested_low_kelvin, test.tested_high_kelvin, test.tested_amps)
    asked = rise(test.asked_kelvin, test.asked_low_kelvin, test.asked_high_kelvin, test.asked_amps)
    return f"settles {tested}, {asked} above its surroundings"


def verdict(test: ProofTest) -> str:
    """The verdict, one sentence."""
    allowed = f"{test.allowed_kelvin:.0f} K allowed at {test.asked_amps:.0f} A"
    match test.verdict:
        case Verdict.SOUND:
            return f"sound: surely below the {allowed}"
        case Verdict.BAD:
            return f"bad: surely above the {allowed}; take it apart before you load it like that"
        case Verdict.NOT_YET:
            return f"not certain yet ({allowed}): keep the load on, up to {FULL_MINUTES:g} minutes"
        case Verdict.DOUBTFUL:
            return f"doubtful: near the {allowed}; test at a higher current, or look at it"
        case Verdict.POOR_TEST:
            assert test.poor is not None
            return f"no verdict, {POOR[test.poor]}"


def beside_cable(test: ProofTest) -> str | None:
    """The joint against its own cable; None where nothing can be said."""
    if test.cable_kelvin is None or test.against_cable is AgainstCable.NOT_KNOWN:
        return None
    cable = f"its cable alone rises about {test.cable_kelvin:.0f} K at {test.asked_amps:.0f} A"
    match test.against_cable:
        case AgainstCable.NO_WARMER:
            return f"{cable}: the joint is no warmer, as a sound one is"
        case AgainstCable.WARMER:
            return f"{cable}: the joint is warmer, so it makes heat of its own, or what it sits on does"
        case _:
            return f"{cable}: whether the joint is warmer is not certain yet"


def compared(name: str, other_name: str, found: Difference | None) -> str:
    """One test against another."""
    if found is None:
        return f"{name} and {other_name}: not to be compared, one of the tests says too little"
    span = f"{abs(found.kelvin):.0f} K ({_span(found)}) at {found.amps:.0f} A"
    if not found.certain:
        return f"{name} and {other_name} are alike as far as this tells: {span} apart"
    side = "warmer" if found.kelvin > 0 else "cooler"
    return f"{name} ends {side} than {other_name} by {span}"


def _span(found: Difference) -> str:
    low, high = sorted((found.low_kelvin, found.high_kelvin))
    if found.kelvin < 0:
        low, high = -high, -low
    return f"{low:.0f} to {high:.0f}"


def told(name: str, test: ProofTest, names: Mapping[str, str]) -> Sequence[str]:
    """All of it, a line each. names: of the joints, by their ids."""
    lines = [f"{name}: {conditions(test)}"]
    if test.tested_kelvin is not None:
        lines.append(f"  {forecast(test)}")
    lines.append(f"  {verdict(test)}")
    if test.warmer_neighbour is not None:
        other = names.get(test.warmer_neighbour, test.warmer_neighbour)
        lines.append(
            f"  {other}, on the same metal, is warmer: part of this heat may be its; see to that one first"
        )
    cable = beside_cable(test)
    if cable is not None:
        lines.append(f"  {cable}")
    return lines
