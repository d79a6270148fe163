"""When a probe, a current or a whole bus is in trouble, and when an air or a shunt is accused and no joint.

One situation is one alert: what fails together is told together. Not here: joints (`alert_rules`), doubtful
currents (`current_rules`), words (`advice`). May import: model, advice, alert_states, alert_grading.
"""

from dataclasses import dataclass

from lugwatch import advice
from lugwatch.alert_grading import Thresholds
from lugwatch.alert_states import Finding, Verdict
from lugwatch.model import Category, Channel, Condition, Fault, FaultKind, Joint, Quantity


def _true(true: bool) -> Verdict:
    return Verdict.TRUE if true else Verdict.FALSE


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


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFacts:
    """What the rules look at, for one channel at one moment."""

    channel: Channel
    joint: Joint | None  # whose probe it is
    silent: bool
    silent_seconds: float | None  # None: never read
    faults_in_a_row: int
    last_fault: Fault | None
    together: bool  # everything on its bus is in trouble, or everything there is: told of that


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
    silent = facts.silent and not failing and not clipped
    fault = words(what, facts.faults_in_a_row, detail)
    none = advice.no_data(what, facts.silent_seconds)
    return [
        _channel_finding(facts, condition, failing, category, fault, t),
        _channel_finding(facts, Condition.NO_DATA, silent, category, none, t),
    ]


def _channel_finding(
    facts: ChannelFacts,
    condition: Condition,
    true: bool,
    category: Category,
    words: tuple[str, str],
    t: Thresholds,
) -> Finding:
    return Finding(
        condition=condition,
        joint=facts.joint.joint if facts.joint is not None else None,
        channel=facts.channel.channel,
        # what stood of it before goes on; nothing of it begins
        verdict=Verdict.HOLD if facts.together else _true(true),
        category=category,
        on_delay_seconds=t.fault_delay_seconds,
        off_delay_seconds=0.0,
        text="" if facts.together else words[0],
        advice="" if facts.together else words[1],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFacts:
    """A whole bus, or all there are (`source` None), at one moment."""

    source: str | None
    channels: int
    troubled: bool  # every channel of it is silent or answers with faults
    together: bool = False  # so is everything: told of that
    silent_seconds: float | None = None  # since the last good reading; None: never read
    last_fault: Fault | None = None  # where it answers, and with faults


def source_finding(facts: SourceFacts, t: Thresholds) -> Finding:
    """A whole bus is in trouble: one alert, not one for each probe on it. A supply that dips is one event."""
    detail = ""
    if facts.last_fault is not None:
        detail = facts.last_fault.detail or facts.last_fault.kind.value.replace("_", " ")
    text, what_to_do = (
        advice.nothing_read(facts.channels, facts.silent_seconds, detail)
        if facts.source is None
        else advice.source_silent(facts.source, facts.channels, facts.silent_seconds, detail)
    )
    return Finding(
        condition=Condition.NO_DATA,
        joint=None,
        channel=facts.source,
        verdict=Verdict.HOLD if facts.together else _true(facts.troubled),
        category=Category.WARNING,
        on_delay_seconds=t.fault_delay_seconds,
        off_delay_seconds=0.0,
        text="" if facts.together else text,
        advice="" if facts.together else what_to_do,
    )
