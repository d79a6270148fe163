"""What an alert says: what was measured, against what, where it heads, and what to do, in order.

Plain sentences for a tired skipper. Not here: when to say it. May import: model, units.
"""

import math

from lugwatch.model import Channel, Creep, Joint, Quantity
from lugwatch.units import format_date, format_duration

_SHED = "Shed load: lower the alternator's field or switch off large consumers."
_NEVER_BREAK = "Never break the alternator's output while it charges."
_COOL = "A hot joint stays hot: let it cool before you touch it."
_ISOLATE = (
    "Work on it only with the circuit dead and the battery isolated; "
    "look at hardware order, washers, nut and lug, then have a licensed marine electrician confirm."
)
_NO_PROTECTION = "lugwatch warns and does not protect: fuses and breakers do."


# from here on a factor is said and no per cent
MANY_TIMES = 5.0
# an interval wider than this says no more than its lower end
UNSURE_KELVIN = 60.0


def _celsius(value: float) -> str:
    return f"{value:.0f} °C"


def _heading(joint: Joint, settles_celsius: float | None, sd_kelvin: float | None) -> str:
    if settles_celsius is None or sd_kelvin is None:
        return ""
    low, high = settles_celsius - 2.0 * sd_kelvin, settles_celsius + 2.0 * sd_kelvin
    if high - low > UNSURE_KELVIN:
        return (
            f" At the present current it settles above {_celsius(low)}, where is not known yet; "
            f"its limit is {_celsius(joint.limit_celsius)}."
        )
    return (
        f" At the present current it settles near {_celsius(settles_celsius)} "
        f"({low:.0f} to {high:.0f}); its limit is {_celsius(joint.limit_celsius)}."
    )


def warming(
    joint: Joint,
    against_baseline: tuple[float, float] | None,
    change_ratio: float,
    settles_celsius: float | None,
    settles_sd_kelvin: float | None,
) -> tuple[str, str]:
    """Text and advice of a joint that heats more than it did.

    against_baseline: ratio and deviation where that is certain; else change_ratio is told, the sudden
    change found on this passage.
    """
    if against_baseline is not None:
        ratio, ratio_sd = against_baseline
        # of next to nothing no interval can be told
        factor = math.exp(min(2.0 * ratio_sd / ratio, 3.0))
        if ratio >= MANY_TIMES:
            much = f"{ratio:.0f} times ({ratio / factor:.0f} to {ratio * factor:.0f}) what its baseline does"
        else:
            low, high = 100 * (ratio / factor - 1), 100 * (ratio * factor - 1)
            much = f"{100 * (ratio - 1):+.0f} % ({low:+.0f} to {high:+.0f}) against its baseline"
    else:
        much = f"about {100 * (change_ratio - 1):+.0f} % against what it did earlier on this passage"
    text = f"{joint.name} heats {much} at the same current." + _heading(
        joint, settles_celsius, settles_sd_kelvin
    )
    advice = (
        "A joint that heats more than it did has gained resistance. Watch it while this current flows; "
        f"plan to open it. {_SHED} {_NEVER_BREAK} {_ISOLATE} {_NO_PROTECTION}"
    )
    return text, advice


def intermittent(joint: Joint) -> tuple[str, str]:
    """Text and advice of a contact that comes and goes."""
    text = (
        f"{joint.name} heats by fits and starts under load, as it did not before: its contact comes and goes."
    )
    advice = (
        "A loose nut or a lug that moves with the engine does this, and it arcs. "
        f"{_SHED} {_NEVER_BREAK} {_COOL} {_ISOLATE} {_NO_PROTECTION}"
    )
    return text, advice


def probe_off_joint(joint: Joint, ratio: float) -> tuple[str, str]:
    """Text and advice of a probe that has come off."""
    text = (
        f"{joint.name} answers to current with {100 * max(ratio, 0.0):.0f} % of the rise it used to. "
        "A bad joint runs hotter, never colder: its probe has probably come off."
    )
    advice = (
        "Until the probe is back on its lug nobody watches this joint. Fix it with the circuit dead, "
        "and check its place by a load afterwards."
    )
    return text, advice


def common_mode(channel: Channel, way: int, joints: int) -> tuple[str, str]:
    """Text and advice of a change that all joints of one air or one current show together."""
    more = "more" if way > 0 else "less"
    if channel.quantity is Quantity.AMPS:
        text = f"All {joints} joints on the current {channel.name} heat {more} than before, together."
        advice = (
            "That is hardly their contacts. Compare the shunt with a clamp meter; look at its connections."
        )
    else:
        text = f"All {joints} joints in the air of {channel.name} heat {more} than before, together."
        advice = (
            "That is hardly their contacts. Look for the air probe off its place or in a draught, "
            "a fan that started or stopped, a hatch opened or closed."
        )
    return text, advice


def air_misread(channel: Channel, shift_kelvin: float, joints: int) -> tuple[str, str]:
    """Text and advice of an air probe whose reading jumped although no joint in that air felt it."""
    way = "warmer" if shift_kelvin > 0 else "colder"
    text = (
        f"{channel.name} reads about {abs(shift_kelvin):.0f} K {way} than the {joints} joints in that air "
        "make of it, all at once."
    )
    advice = (
        "Their contacts are not blamed. Look whether the probe has come off its place, lies on warm metal or "
        "hangs in a draught; a hatch that opens can look the same."
    )
    return text, advice


def gain(creep: Creep) -> str:
    """How much it has gained, over what: "+18 % over 9 passages since 3 June (95 %: +11 to +25)"."""
    if creep.gain_ratio is None or creep.first_time is None:
        return "not known"
    band = (
        "the passages lie too close together for an interval"
        if creep.gain_ratio_low is None or creep.gain_ratio_high is None
        else f"95 %: {100 * creep.gain_ratio_low:+.0f} to {100 * creep.gain_ratio_high:+.0f}"
    )
    since = format_date(creep.first_time, creep.time)
    return f"{100 * creep.gain_ratio:+.0f} % over {creep.passages_count} passages since {since} ({band})"


def reaches(creep: Creep) -> str:
    """When it is half up again against its baseline, with its interval; "" where it does not creep."""
    if creep.reaches_earliest_time is None:
        return ""
    what = f"{100 * (creep.reaches_ratio - 1):+.0f} %"
    early = format_date(creep.reaches_earliest_time, creep.time)
    late = (
        "perhaps never"
        if creep.reaches_latest_time is None
        else format_date(creep.reaches_latest_time, creep.time)
    )
    if creep.reaches_time is None:
        return f"{what} against its baseline not before {early}"
    if creep.reaches_time <= creep.time:
        return f"{what} against its baseline is behind it already"
    centre = format_date(creep.reaches_time, creep.time)
    if creep.reaches_earliest_time <= creep.time:
        early = "any day now"
    return f"{what} against its baseline by about {centre} (earliest {early}, latest {late})"


def creeping(joint: Joint, creep: Creep) -> tuple[str, str]:
    """Text and advice of a joint that heats more from passage to passage."""
    when = reaches(creep)
    text = f"{joint.name}: {gain(creep)} at the same current" + (f"; {when}." if when else ".")
    advice = (
        "It gains resistance slowly: there is time to plan, and it will not mend itself. Failing joints go "
        "faster towards the end, so plan by the earliest date: open it, clean it, remake it to torque. "
        f"{_ISOLATE} {_NO_PROTECTION}"
    )
    return text, advice


def heading_hot(
    joint: Joint,
    probe_celsius: float,
    settles_celsius: float | None,
    settles_sd_kelvin: float | None,
    seconds_to_limit: float | None,
) -> tuple[str, str]:
    """Text and advice of a joint that will cross its limit at this current."""
    runaway = settles_celsius is None
    if probe_celsius >= joint.limit_celsius:
        text = f"{joint.name} is at {_celsius(probe_celsius)}; its limit is {_celsius(joint.limit_celsius)}."
    else:
        when = "" if seconds_to_limit is None else f" in about {format_duration(seconds_to_limit)}"
        will = "may" if settles_celsius is not None and settles_celsius < joint.limit_celsius else "will"
        text = (
            f"{joint.name} is at {_celsius(probe_celsius)} and {will} pass its limit of "
            f"{_celsius(joint.limit_celsius)}{when} if this current goes on."
        )
    text += (
        " It has no settling temperature at this current: thermal runaway."
        if runaway
        else _heading(joint, settles_celsius, settles_sd_kelvin)
    )
    return text, f"{_SHED} {_NEVER_BREAK} {_COOL} {_ISOLATE} {_NO_PROTECTION}"


def hot(joint: Joint, probe_celsius: float) -> tuple[str, str]:
    """Text and advice of a joint over its limit."""
    limit = f"its limit of {_celsius(joint.limit_celsius)} ({joint.limit_basis})"
    text = (
        f"{joint.name} is at {_celsius(probe_celsius)}, over {limit}."
        if probe_celsius >= joint.limit_celsius
        else f"{joint.name} is at {_celsius(probe_celsius)} now and was over {limit}."
    )
    return text, (
        f"Now: {_SHED[0].lower()}{_SHED[1:]} {_NEVER_BREAK} Look and smell for melting insulation, "
        f"keep an extinguisher at hand. {_COOL} {_ISOLATE} {_NO_PROTECTION}"
    )


def rising_fast(
    joint: Joint, probe_celsius: float, kelvin_per_minute: float, seconds_left: float | None
) -> tuple[str, str]:
    """Text and advice of a joint that warms faster than load explains; seconds_left at this rate."""
    at_this_rate = "" if seconds_left is None else f", {format_duration(seconds_left)} away at this rate"
    text = (
        f"{joint.name} rises {kelvin_per_minute:.1f} K per minute and is at {_celsius(probe_celsius)}; "
        f"its limit is {_celsius(joint.limit_celsius)}{at_this_rate if seconds_left else ''}."
    )
    return text, f"{_SHED} {_NEVER_BREAK} Look at it without touching. {_COOL} {_NO_PROTECTION}"


def out_of_service(joint: Joint, who: str) -> tuple[str, str]:
    """Text and advice of a joint that somebody works on."""
    return f"{joint.name} was taken out of service by {who}: nothing is said of it meanwhile.", (
        "Put it back as soon as you are done; it comes back by itself when its time is up. Work on it only "
        "with the circuit dead and the battery isolated, and write into the journal what was done."
    )


def no_data(what: str, silent_seconds: float | None) -> tuple[str, str]:
    """Text and advice of a probe, current or whole source that is silent."""
    since = (
        "has never been read"
        if silent_seconds is None
        else f"has given no reading for {format_duration(silent_seconds)}"
    )
    return f"{what} {since}.", (
        "What hangs on it is not watched meanwhile. Check plug, cable and supply of the probe line; "
        "do not take the last value for the present one."
    )


def _since(silent_seconds: float | None) -> str:
    if silent_seconds is None:
        return "nothing was ever read"
    return f"the last reading is {format_duration(silent_seconds)} old"


def source_silent(source: str, channels: int, silent_seconds: float | None, detail: str) -> tuple[str, str]:
    """Text and advice of a whole bus; detail: what it answers, "" where it does not."""
    answers = f"; it answers: {detail}" if detail else ""
    return f"Everything on {source} ({channels} channels) is silent: {_since(silent_seconds)}{answers}.", (
        "Nothing that hangs on it is watched meanwhile. All of it at once is one cause: its plug, supply, "
        "ground or a short in its line; unplug half of it to find which half. Do not take the last values "
        "for the present ones."
    )


def nothing_read(channels: int, silent_seconds: float | None, detail: str) -> tuple[str, str]:
    """Text and advice where no source gives anything."""
    answers = f"; answers are: {detail}" if detail else ""
    return f"Nothing at all is read of {channels} channels: {_since(silent_seconds)}{answers}.", (
        "No joint is watched meanwhile. Different buses at one moment are their common supply, not their "
        "probes: look at the supply and fuse of the sensors, their ground, the hub. Look at the joints with "
        "your own eyes and nose until it is back, and shed load if you cannot."
    )


def probe_fault(what: str, times: int, detail: str) -> tuple[str, str]:
    """Text and advice of a probe that answers with faults."""
    return f"{what}: {times} failed readings in a row ({detail}).", (
        "The joint is not watched meanwhile. Check the probe's plug, cable, pull-up and supply."
    )


def current_fault(what: str, times: int, detail: str) -> tuple[str, str]:
    """Text and advice of a current that cannot be right."""
    return f"{what}: {times} failed readings in a row ({detail}).", (
        "Without this current only limits and rates of rise are watched on its joints. "
        "Check the shunt amplifier, its sense leads and their fuses."
    )


_LIMITS_ALONE = (
    "Nothing is estimated from it meanwhile: only limits and rates of rise are watched on its joints."
)
_CLAMP = "Take the true current with a clamp meter."
_SENSE = (
    "Sense leads are live: take their fuses out, or isolate the battery, before you touch them; "
    "if you are not sure how, leave it to a licensed marine electrician."
)


def current_clipped(channel: Channel, amps: float | None) -> tuple[str, str]:
    """Text and advice of a current at the end of its range; amps None: the source said so itself."""
    stands = (
        "says itself that it is at the end of its range"
        if amps is None
        else f"stands at {amps:.1f} A, the end of what it can show"
    )
    return f"The current {channel.name} {stands}: the true one is that or more.", (
        f"{_LIMITS_ALONE} {_CLAMP} If it is more than the shunt is rated for: {_SHED[0].lower()}{_SHED[1:]} "
        f"{_NEVER_BREAK} If not, the range of its amplifier or the scale in the configuration is wrong. "
        f"{_SENSE}"
    )


def current_stuck(channel: Channel, amps: float, seconds: float, witness: str) -> tuple[str, str]:
    """Text and advice of a current that stands still; witness: what says that it moves."""
    text = (
        f"The current {channel.name} has said exactly {amps:.2f} A for {format_duration(seconds)}, "
        f"but {witness}: the reading is stuck, or at the end of its range."
    )
    return text, (
        f"{_LIMITS_ALONE} {_CLAMP} Then start the node or amplifier that reads the shunt anew, "
        f"and check its supply and cable. {_SENSE}"
    )


def current_reversed(channel: Channel, amps: float) -> tuple[str, str]:
    """Text and advice of a current that flows the way it cannot."""
    text = (
        f"The current {channel.name} says {amps:.1f} A, and is configured to flow one way and read positive."
    )
    return text, (
        "Joints are judged as before, since heat does not ask for the direction; but whatever counts charge "
        "by this sign takes charging for discharging. If a clamp meter that shows direction disagrees, the "
        "sense leads are swapped: scale = -1 in the configuration turns the sign round. If it agrees, the "
        "current does flow back, as through a failed diode: have it looked at at once. "
        f"{_NEVER_BREAK} {_SENSE}"
    )


def current_implausible(channel: Channel, amps: float, leaps: str) -> tuple[str, str]:
    """Text and advice of a current beyond what its shunt can carry; leaps: in words, where it jumps about."""
    rated = "" if channel.rated_amps is None else f"; its shunt is rated for {channel.rated_amps:g} A"
    says = f"{leaps}, now {amps:.1f} A" if leaps else f"says {amps:.1f} A{rated}"
    return f"The current {channel.name} {says}.", (
        f"{_LIMITS_ALONE} {_CLAMP} If it is true: {_SHED[0].lower()}{_SHED[1:]} {_NEVER_BREAK} "
        "If not, compare rated_amps and scale in the configuration with the label of the shunt, and look at "
        f"its sense leads and their fuses. {_SENSE}"
    )
