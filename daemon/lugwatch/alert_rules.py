"""When a condition is true: the rules, each with a threshold to set, one to clear, and its delays.

A value that is not known never sets a condition and never clears one. Not here: states of alerts
(`alert_states`), words (`advice`). May import: model, advice, alert_states.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from lugwatch import advice
from lugwatch.alert_states import Finding, Verdict
from lugwatch.model import (
    Category,
    Channel,
    Condition,
    Creep,
    CreepVerdict,
    Fault,
    FaultKind,
    Joint,
    JointState,
    Quantity,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """One set for all joints; per-joint overrides come from `Joint` (limit_celsius)."""

    # Dead band 3 K about 100 K of span and 60 s delays: start values of alarm-management practice
    # (ISA-18.2, EEMUA 191: temperature 1 %, 60 s; from memory).
    dead_band_kelvin: float = 3.0
    delay_seconds: float = 60.0
    hot_delay_seconds: float = 10.0
    warming_ratio: float = 1.12  # caution
    changed_ratio: float = 1.08  # a sudden change, which is beyond doubt when it is believed…
    changed_above_ratio: float = 1.1  # …and not merely back to what it used to be: a fan has stopped
    warming_clear_ratio: float = 1.06
    warming_warning_ratio: float = 1.6
    certainty_sd: float = 3.5  # how many standard deviations "certain" is
    warning_sd: float = 2.0  # beyond warming_warning_ratio by so many
    heading_sd: float = 1.28  # nine in ten, since settling deviations are against the truth
    change_delay_seconds: float = 0.0  # a sudden change is already certain when it is believed
    unrest_ratio: float = 3.0  # of the most while it was well
    off_joint_ratio: float = 0.4  # a bad joint never answers less to current than it did
    off_joint_clear_ratio: float = 0.7
    faults_in_a_row: int = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class JointFacts:
    """What the rules look at, for one joint at one moment; None is "not known"."""

    joint: Joint
    probe_celsius: float | None
    loaded: bool  # enough current to judge
    ratio: float | None  # rise against baseline
    ratio_sd: float | None
    change_ratio: float  # sudden changes believed on this passage; 1: none
    climb_ratio: float = 1.0  # rise against its lowest since the load is as it is
    climbing: bool = False  # beyond what this joint ever did while it was well
    company_ratio: float = 1.0  # what the others in its air show of the same; 1: nothing
    shadowed: bool = False  # a joint on the same metal shows so much more that this may be its heat
    unrest_ratio: float | None
    settles_celsius: float | None  # None: not known, or thermal runaway
    settles_sd_kelvin: float | None
    runaway: bool
    seconds_to_limit: float | None  # None: never
    rising_kelvin_per_minute: float | None
    rising_limit_kelvin_per_minute: float


def _finding(
    facts: JointFacts,
    condition: Condition,
    verdict: Verdict,
    category: Category,
    delays_seconds: tuple[float, float],
    words: Callable[[], tuple[str, str]],
) -> Finding:
    text, what_to_do = words() if verdict is Verdict.TRUE else ("", "")
    return Finding(
        condition=condition,
        joint=facts.joint.joint,
        channel=None,
        verdict=verdict,
        category=category,
        on_delay_seconds=delays_seconds[0],
        off_delay_seconds=delays_seconds[1],
        text=text,
        advice=what_to_do,
    )


def _true(true: bool) -> Verdict:
    return Verdict.TRUE if true else Verdict.FALSE


def _verdict(set_: bool, clear: bool) -> Verdict:
    if set_:
        return Verdict.TRUE
    return Verdict.FALSE if clear else Verdict.HOLD


def hot(facts: JointFacts, t: Thresholds) -> Finding:
    """Over its limit: an alarm, whatever the estimator thinks."""
    celsius, limit = facts.probe_celsius, facts.joint.limit_celsius
    verdict = (
        Verdict.HOLD if celsius is None else _verdict(celsius >= limit, celsius < limit - t.dead_band_kelvin)
    )
    return _finding(
        facts,
        Condition.HOT,
        verdict,
        Category.ALARM,
        (t.hot_delay_seconds, t.delay_seconds),
        lambda: advice.hot(facts.joint, celsius or 0.0),
    )


def rising_fast(facts: JointFacts, t: Thresholds) -> Finding:
    """Faster than load explains; needs no estimate."""
    rate, limit = facts.rising_kelvin_per_minute, facts.rising_limit_kelvin_per_minute
    verdict = Verdict.HOLD if rate is None else _verdict(rate >= limit, rate < 0.5 * limit)
    return _finding(
        facts,
        Condition.RISING_FAST,
        verdict,
        Category.WARNING,
        (t.hot_delay_seconds, t.delay_seconds),
        lambda: advice.rising_fast(facts.joint, facts.probe_celsius or 0.0, rate or 0.0),
    )


def heading_hot(facts: JointFacts, t: Thresholds) -> Finding:
    """Will cross its limit at this current, with a deviation to spare."""
    celsius, limit = facts.probe_celsius, facts.joint.limit_celsius
    settles, sd = facts.settles_celsius, facts.settles_sd_kelvin
    if celsius is None or not (facts.runaway or (settles is not None and sd is not None)):
        verdict = Verdict.HOLD
    elif not facts.loaded:
        verdict = Verdict.FALSE
    elif facts.runaway or settles is None or sd is None:
        verdict = Verdict.TRUE
    else:
        verdict = _verdict(settles - t.heading_sd * sd > limit, settles + t.heading_sd * sd < limit)
    return _finding(
        facts,
        Condition.HEADING_HOT,
        verdict,
        Category.WARNING,
        (t.delay_seconds, t.delay_seconds),
        lambda: advice.heading_hot(facts.joint, celsius or 0.0, settles, sd, facts.seconds_to_limit),
    )


def warming(facts: JointFacts, t: Thresholds) -> Finding:
    """Heats more than it did, certainly and for a while; holds while there is no load to judge by.

    Either the rise is above its baseline beyond doubt, and above what others in its air show of the same,
    or a sudden change was found in this passage, or it climbs while its load does not.
    """
    ratio, sd, change = facts.ratio or 0.0, facts.ratio_sd or 0.0, facts.change_ratio
    known = ratio > 0.0 and sd > 0.0

    def above(than: float) -> float:
        """How many deviations above; a ratio errs by a factor, so its certainty is its logarithm's."""
        return math.log(ratio / than) / (sd / ratio) if known else 0.0

    others = facts.company_ratio
    trending = ratio >= others * t.warming_ratio and above(others) > t.certainty_sd
    changed = change >= t.changed_ratio and (not known or ratio + sd >= t.changed_above_ratio)
    worse = trending and above(t.warming_warning_ratio) > t.warning_sd
    category = Category.WARNING if worse else Category.CAUTION
    told = changed or facts.climbing
    if not facts.loaded or not (known or told) or (facts.shadowed and not told):
        verdict = Verdict.HOLD
    else:
        most = max(ratio, change, facts.climb_ratio)
        verdict = _verdict(trending or told, most < t.warming_clear_ratio)
    return _finding(
        facts,
        Condition.WARMING,
        verdict,
        category,
        (t.change_delay_seconds if changed else t.delay_seconds, 2 * t.delay_seconds),
        lambda: advice.warming(
            facts.joint,
            (ratio, sd) if trending else None,
            max(change, facts.climb_ratio),
            facts.settles_celsius,
            facts.settles_sd_kelvin,
        ),
    )


def intermittent(facts: JointFacts, t: Thresholds) -> Finding:
    """Its heat comes and goes under load as it did not while it was well."""
    unrest = facts.unrest_ratio
    # one that heats so much more than it did is told as that; a filter that runs after it is restless too
    far = max(facts.ratio or 1.0, facts.change_ratio) > t.warming_warning_ratio
    if unrest is None or far or not facts.loaded:
        verdict = Verdict.HOLD
    else:
        verdict = _verdict(unrest > t.unrest_ratio, unrest < 0.5 * t.unrest_ratio)
    return _finding(
        facts,
        Condition.INTERMITTENT,
        verdict,
        Category.WARNING,
        (2 * t.delay_seconds, 5 * t.delay_seconds),
        lambda: advice.intermittent(facts.joint),
    )


def probe_off_joint(facts: JointFacts, t: Thresholds) -> Finding:
    """Hardly answers to current any more: the probe has come off, since a bad joint never runs colder."""
    ratio, sd = facts.ratio, facts.ratio_sd
    if ratio is None or not sd or not facts.loaded:
        verdict = Verdict.HOLD
    else:
        certain = ratio + 2.0 * sd < t.off_joint_clear_ratio
        verdict = _verdict(certain and ratio < t.off_joint_ratio, ratio > t.off_joint_clear_ratio)
    return _finding(
        facts,
        Condition.PROBE_OFF_JOINT,
        verdict,
        Category.WARNING,
        (2 * t.delay_seconds, 2 * t.delay_seconds),
        lambda: advice.probe_off_joint(facts.joint, ratio or 0.0),
    )


def common_finding(channel: Channel, way: int, shift_kelvin: float, joints: int) -> Finding:
    """All joints of one air or one current changed together: air or shunt, not contacts.

    way: they heat more (1) or less (-1) than before, or neither; shift_kelvin: by which their air is
    believed to be read too warm, which is said at once.
    """
    shifted = abs(shift_kelvin) > SHIFT_KELVIN
    text, what_to_do = (
        advice.air_misread(channel, shift_kelvin, joints)
        if shifted
        else advice.common_mode(channel, way, joints)
    )
    return Finding(
        condition=Condition.COMMON_MODE,
        joint=None,
        channel=channel.channel,
        verdict=_true(way != 0 or shifted),
        category=Category.CAUTION,
        on_delay_seconds=0.0 if shifted else 120.0,
        off_delay_seconds=900.0,
        text=text,
        advice=what_to_do,
    )


# An air that is read so far off was read wrong, not weather; half of what is believed at all.
SHIFT_KELVIN = 0.5

JOINT_RULES: Sequence[Callable[[JointFacts, Thresholds], Finding]] = (
    hot,
    heading_hot,
    rising_fast,
    intermittent,
    probe_off_joint,
    warming,
)

# Which word an active condition puts on its joint.
STATE_OF_CONDITION = {
    Condition.HOT: JointState.HOT,
    Condition.HEADING_HOT: JointState.HEADING_HOT,
    Condition.RISING_FAST: JointState.RISING_FAST,
    Condition.INTERMITTENT: JointState.INTERMITTENT,
    Condition.PROBE_OFF_JOINT: JointState.PROBE_OFF,
    Condition.WARMING: JointState.WARMING,
    Condition.CREEPING: JointState.CREEPING,
}


def creeping(joint: Joint, creep: Creep) -> Finding:
    """Heats more from passage to passage; asked once a passage, so there is nothing to delay.

    Too few passages is what a joint has after its baseline was taken anew: then it does not creep. A trend
    that is neither there nor gone leaves things as they are.
    """
    true = creep.verdict is CreepVerdict.CREEPING
    verdict = Verdict.HOLD if creep.verdict is CreepVerdict.UNSURE else _true(true)
    text, what_to_do = advice.creeping(joint, creep) if true else ("", "")
    return Finding(
        condition=Condition.CREEPING,
        joint=joint.joint,
        channel=None,
        verdict=verdict,
        category=Category.CAUTION,
        on_delay_seconds=0.0,
        off_delay_seconds=0.0,
        text=text,
        advice=what_to_do,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFacts:
    """What the rules look at, for one channel at one moment."""

    channel: Channel
    joint: Joint | None  # whose probe it is
    silent: bool
    silent_seconds: float | None  # None: never read
    faults_in_a_row: int
    last_fault: Fault | None
    source_silent: bool  # everything on its bus is silent: one situation, one alert


def channel_findings(facts: ChannelFacts, t: Thresholds) -> list[Finding]:
    """Failing is said once: as a fault where the channel answers with faults, else as no data.

    One that says itself that it is clipped answers, and is told as a doubtful current (`current_rules`).
    """
    clipped = (
        facts.faults_in_a_row > 0
        and facts.last_fault is not None
        and facts.last_fault.kind is FaultKind.CLIPPED
    )
    failing = facts.faults_in_a_row >= t.faults_in_a_row and facts.last_fault is not None and not clipped
    is_current = facts.channel.quantity is Quantity.AMPS
    condition = Condition.CURRENT_FAULT if is_current else Condition.PROBE_FAULT
    name = facts.joint.name if facts.joint is not None else facts.channel.name
    what = name if is_current else f"Probe of {name}" if facts.joint else f"Probe {name}"
    words = advice.current_fault if is_current else advice.probe_fault
    detail = (facts.last_fault.detail or facts.last_fault.kind) if facts.last_fault else ""
    category = Category.WARNING if is_current or facts.joint else Category.CAUTION
    silent = facts.silent and not failing and not clipped and not facts.source_silent
    return [
        _channel_finding(
            facts, condition, _true(failing), category, words(what, facts.faults_in_a_row, detail)
        ),
        _channel_finding(
            facts, Condition.NO_DATA, _true(silent), category, advice.no_data(what, facts.silent_seconds)
        ),
    ]


def _channel_finding(
    facts: ChannelFacts,
    condition: Condition,
    verdict: Verdict,
    category: Category,
    words: tuple[str, str],
) -> Finding:
    return Finding(
        condition=condition,
        joint=facts.joint.joint if facts.joint is not None else None,
        channel=facts.channel.channel,
        verdict=verdict,
        category=category,
        on_delay_seconds=0.0,
        off_delay_seconds=0.0,
        text=words[0],
        advice=words[1],
    )


def source_finding(source: str, channels: int, silent: bool, silent_seconds: float | None) -> Finding:
    """A whole bus went silent: one alert, not one for each probe on it."""
    what = f"Everything on {source} ({channels} channels)"
    text, what_to_do = advice.no_data(what, silent_seconds)
    return Finding(
        condition=Condition.NO_DATA,
        joint=None,
        channel=source,
        verdict=Verdict.TRUE if silent else Verdict.FALSE,
        category=Category.WARNING,
        on_delay_seconds=0.0,
        off_delay_seconds=0.0,
        text=text,
        advice=what_to_do,
    )
