"""What a check of the fitting found, in sentences for the owner, with what to do.

Not here: what is found (`cold_check`, `current_check`, `mounting`). May import: these, fitting, model.
"""

from collections.abc import Mapping

from lugwatch.cold_check import Agreement, ProbeOffset
from lugwatch.current_check import CONTINUOUS_RATIO, RangeVerdict, Step, StepVerdict, Zero, ZeroVerdict
from lugwatch.fitting import CheckKind, StepLeft
from lugwatch.mounting import Mounted, Mounting

CAUTION = (
    "Caution: joints are live and may be hot. Press, move or change probes only with the circuit dead and "
    "the battery isolated; sense leads are live until their fuses are out. A licensed marine electrician and "
    "local codes have the last word."
)
LOAD_CAUTION = (
    "Switch loads at their own switch. Never break the alternator's output while it charges; keep hands, "
    "sleeves and tools away from live metal."
)
_WHY = {
    "slow": "it still follows something slow, such as engine or battery; let the boat lie longer",
    "few": "too few probes in that air to say which of them is wrong; hold both in one place and compare",
    "scattered": "the probes of that air do not agree among themselves; is it one space, and was it closed?",
    "unsure": "near the edge of what is allowed; a longer quiet night tells",
}
_NEEDS = {
    "readings": "at least an hour with load in which all were read",
    "load": "a load of a third of its rated current or more, five minutes on and five off, three times",
    "calm": (
        "load with less other heat: engine off or warm for an hour, a third of its rated current or more, "
        "five minutes on and five off, three times"
    ),
}
# a certainty is told to so many percent at most: what was assumed before is a judgement
_MOST_PERCENT = 99


def probe_told(found: ProbeOffset) -> str:
    """ "+2.03 K (1.76 to 2.30) against its space": how a probe stands, and what it may mean."""
    interval = f"{found.low_kelvin:+.2f} to {found.high_kelvin:+.2f}"
    figures = f"{found.offset_kelvin:+.2f} K ({interval}) against its space"
    if found.verdict is Agreement.AGREES:
        return f"agrees: {figures}"
    if found.verdict is Agreement.CANNOT_TELL:
        return f"cannot tell: {figures}; {_WHY[found.why or 'unsure']}"
    way = "warm" if found.offset_kelvin > 0.0 else "cold"
    return (
        f"reads too {way}: {figures}; {found.allowed_kelvin:.1f} K would be allowed. A probe that is no "
        "good, or it is not in that air: warm it with a finger first"
    )


def zero_told(found: Zero | None, rated_amps: float) -> str:
    if found is None:
        return "cannot tell: fewer than two dozen readings"
    figures = (
        f"{found.mean_amps:+.2f} A ({found.low_amps:+.2f} to {found.high_amps:+.2f}), "
        f"single readings scatter by {found.scatter_amps:.2f} A, of {rated_amps:g} A"
    )
    match found.verdict:
        case ZeroVerdict.GOOD:
            return f"good: {figures}"
        case ZeroVerdict.OFF:
            return (
                f"off: {figures}; more than half a percent of the shunt. If everything was truly off "
                "(main switch open), take it off with zero_amps; if not, switch it off and ask again"
            )
        case ZeroVerdict.FLOWING:
            return f"cannot tell: {figures}; that is a current: switch everything off and ask again"
        case ZeroVerdict.CANNOT_TELL:
            return f"cannot tell: {figures}; too restless: switch everything off, or ask for more minutes"


def step_told(found: Step | None, expected_amps: float) -> str:
    if found is None:
        return "cannot tell: less than a minute of readings"
    if found.change_amps is None or found.low_amps is None or found.high_amps is None:
        return (
            f"no step: it says {found.before_amps:.2f} A and never moved by {expected_amps:+g} A or a third "
            "of it. Does that load flow through this shunt? Is it read at all (lugwatch check --hardware)?"
        )
    figures = (
        f"moved by {found.change_amps:+.1f} A ({found.low_amps:+.1f} to {found.high_amps:+.1f}) "
        f"where about {expected_amps:+g} A was expected"
    )
    match found.verdict:
        case StepVerdict.RIGHT:
            return f"right: {figures}"
        case StepVerdict.REVERSED:
            return (
                f"reversed: {figures}. The sense leads are swapped, or the shunt is read the other way "
                "round: scale = -1 in its table turns the sign (times the scale that stands there)"
            )
        case _:
            times = found.change_amps / expected_amps
            return (
                f"wrong size: {figures}, {times:.2f} times. Is the load what you think (clamp meter)? Then "
                "compare the shunt's plate with shunt_amps, amps_per_volt or scale"
            )


def range_told(verdict: RangeVerdict, longest_amps: float, most_amps: float, rated_amps: float) -> str:
    figures = (
        f"at most {most_amps:.0f} A, for half an hour {longest_amps:.0f} A, of {rated_amps:g} A rated "
        f"({100 * longest_amps / rated_amps:.0f} %)"
    )
    if verdict is RangeVerdict.GOOD:
        return f"good: {figures}"
    if verdict is RangeVerdict.OVER_CONTINUOUS:
        return (
            f"too small for hours: {figures}; makers rate shunts for two thirds "
            f"({CONTINUOUS_RATIO * rated_amps:.0f} A) without end"
        )
    return (
        f"too small: {figures}; a larger shunt, or rated_amps in the configuration is not what its plate says"
    )


def backwards_told(backwards_amps: float) -> str:
    """Of a current that the configuration lets flow one way only."""
    return (
        f"reversed: it flows one way only and read {-backwards_amps:.1f} A for ten minutes. The sense leads "
        "are swapped, or the shunt is read the other way round: scale = -1 in its table turns the sign "
        "(times the scale that stands there). If a clamp meter agrees with it, current does flow back: look "
        "at the diodes"
    )


def mounting_told(found: Mounting, names: Mapping[str, str], currents: Mapping[str, str]) -> str:
    sure = "" if found.certainty is None else f" ({min(_MOST_PERCENT, round(100 * found.certainty))} % sure)"
    swing = _swing(found)
    partner = None if found.perhaps_with is None else names.get(found.perhaps_with, found.perhaps_with)
    match found.verdict:
        case Mounted.SOUND:
            return f"answers to its current{sure}: {swing}"
        case Mounted.FALLEN_OFF:
            return (
                f"fallen off{sure}: it follows its air through load while the joints beside it warm; "
                f"{swing}. Press it on again, insulated, with the circuit dead"
            )
        case Mounted.BADLY_PRESSED:
            also = "" if partner is None else f", or it sits on {partner}: warm it with a finger"
            return (
                f"badly pressed{sure}: answers by less than a quarter of what its twins do; {swing}. "
                f"Press it on again, insulated, with the circuit dead{also}"
            )
        case Mounted.SWAPPED:
            other = currents.get(found.answers_to or "", found.answers_to or "")
            where = "" if partner is None else f"; perhaps swapped with that of {partner}"
            return (
                f"on the wrong joint{sure}: it answers to the current {other} and not to its own{where}. "
                "Warm it with a finger (lugwatch probes) and correct the configuration"
            )
        case Mounted.CANNOT_TELL:
            also = "" if partner is None else f" It may be the probe of {partner}: warm it with a finger."
            return f"cannot tell yet: {swing}. Needs {_NEEDS[found.needs or 'calm']}.{also}"


def _swing(found: Mounting) -> str:
    if found.swing_kelvin is None:
        return "how far its current moves it within five minutes is not known"
    own = f"its current moves it by {found.swing_kelvin:.1f} K within five minutes"
    if found.twins_kelvin is None:
        return f"{own} (no twin on that current to compare with)"
    return f"{own}, its twins by {found.twins_kelvin:.1f} K"


_TITLES = {
    CheckKind.NAMED: ("names", "each probe was warmed with a finger"),
    CheckKind.COLD: ("cold check", "all probes of a space agree after hours without current"),
    CheckKind.ZERO: ("zero", "each shunt says nothing when nothing flows"),
    CheckKind.SIGN: ("sign", "each shunt goes the right way with a known load"),
    CheckKind.RANGE: ("range", "no shunt is too small for what flows"),
    CheckKind.MOUNTING: ("mounting", "each probe answers to load as its twins do"),
}
_NEXT = {
    CheckKind.NAMED: (
        "`lugwatch probes`, warm one after the other with a finger, then `lugwatch fitting named PROBE...` "
        "(or `--all`)"
    ),
    CheckKind.COLD: (
        "let the boat lie for ten hours or so without engine, charger and large loads, hatches closed, with "
        "the watch running, then `lugwatch fitting cold`"
    ),
    CheckKind.ZERO: (
        "switch everything off beside the running watch, then `lugwatch fitting zero --live` (after a night "
        "at anchor `lugwatch fitting zero` finds what it can)"
    ),
    CheckKind.SIGN: (
        "beside the running watch `lugwatch fitting sign CURRENT --amps N --live`, then switch on a load of "
        "about N A"
    ),
    CheckKind.RANGE: "a passage with heavy load, then `lugwatch fitting range`",
    CheckKind.MOUNTING: (
        "a passage of two hours or more with load switched on and off, then `lugwatch fitting mounting`"
    ),
}


def title(kind: CheckKind) -> str:
    return _TITLES[kind][0]


def purpose(kind: CheckKind) -> str:
    return _TITLES[kind][1]


def step_line(step: StepLeft) -> str:
    """ "cold check   9 good, 1 wrong (bar_house), 4 to do"."""
    parts = []
    for words, ids in (("good", step.good), ("wrong", step.wrong), ("cannot be told yet", step.untold)):
        if ids:
            named = "" if words == "good" else f" ({', '.join(ids)})"
            parts.append(f"{len(ids)} {words}{named}")
    if step.missing:
        again = f", {len(step.outdated)} of them again" if step.outdated else ""
        parts.append(f"{len(step.missing)} to do{again}")
    return ", ".join(parts) or "nothing to check"


def what_next(step: StepLeft) -> str:
    return _NEXT[step.kind]
