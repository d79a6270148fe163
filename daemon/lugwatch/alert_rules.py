"""When a condition is true: the rules, each with a threshold to set, one to clear, and its delays.

A value that is not known never sets a condition and never clears one. Not here: states of alerts
(`alert_states`), words (`advice`). May import: model, advice, alert_states,
alert_grading.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from lugwatch import advice
from lugwatch.alert_grading import Thresholds as Thresholds
from lugwatch.alert_states import Finding, Verdict
from lugwatch.model import (
    Category,
    Condition,
    Creep,
    CreepVerdict,
    Joint,
    JointState,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class JointFacts:
    """What the rules look at, for one joint at one moment; None is "not known"."""

    joint: Joint
    probe_celsius: float | None
    loaded: bool  # enough current to judge
    ratio: float | None  # rise against baseline
    ratio_sd: float | None
    beside_lost: bool = False  # the probe of a neighbour on the same metal seems to have come off
    expected: bool = True  # by its baseline this current would show in its rise, whether it does or not
    baseline_kelvin: float | None = None  # the rise that its baseline makes at its rated current
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
    words: Callable[[], tuple[str, str]] | None,
    keeps: Category | None = None,
) -> Finding:
    """words: None where what they would tell is not known."""
    # between its thresholds an alert that stands says what is so now as well
    text, what_to_do = words() if words is not None and verdict is not Verdict.FALSE else ("", "")
    celsius = facts.probe_celsius
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
        keeps=keeps,
        probe_celsius=celsius,
        baseline_ratio=facts.ratio,
        urgency=0.0 if celsius is None else celsius - facts.joint.limit_celsius,
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
        None if celsius is None else lambda: advice.hot(facts.joint, celsius),
    )


def _hurry(seconds_left: float | None, t: Thresholds) -> tuple[Category, Category]:
    """Category by the time that is left, and what its dead band keeps of an alarm."""
    left = math.inf if seconds_left is None else seconds_left
    return (
        Category.ALARM if left <= t.alarm_seconds else Category.WARNING,
        Category.ALARM if left <= 2.0 * t.alarm_seconds else Category.WARNING,
    )


def rising_fast(facts: JointFacts, t: Thresholds) -> Finding:
    """Faster than load explains; needs no estimate. An alarm where that rate leaves no time."""
    rate, limit = facts.rising_kelvin_per_minute, facts.rising_limit_kelvin_per_minute
    celsius = facts.probe_celsius
    verdict = Verdict.HOLD if rate is None else _verdict(rate >= limit, rate < 0.5 * limit)
    left, words = None, None
    if rate is not None and celsius is not None:
        away = max(0.0, facts.joint.limit_celsius - celsius)
        left = away / rate * 60.0 if rate > 0.0 else None
        words = partial(advice.rising_fast, facts.joint, celsius, rate, left)
    category, keeps = _hurry(left, t)
    return _finding(
        facts,
        Condition.RISING_FAST,
        verdict,
        category,
        (t.hot_delay_seconds, t.delay_seconds),
        words,
        keeps,
    )


def heading_hot(facts: JointFacts, t: Thresholds) -> Finding:
    """Will cross its limit at this current, with a deviation to spare; an alarm where little time is left."""
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
    category, keeps = _hurry(facts.seconds_to_limit, t)
    words = None
    if celsius is not None and (facts.runaway or settles is not None):
        words = partial(advice.heading_hot, facts.joint, celsius, settles, sd, facts.seconds_to_limit)
    return _finding(
        facts,
        Condition.HEADING_HOT,
        verdict,
        category,
        (t.delay_seconds, t.delay_seconds),
        words,
        keeps,
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
    changed = change >= t.changed_ratio
    category, keeps = _how_much(facts, t) if trending else (Category.CAUTION, Category.CAUTION)
    # a fan that stops lets joints climb back to what they were while they were well
    climb = facts.climb_ratio if not known or ratio >= t.warming_clear_ratio else 1.0
    climbs = facts.climbing and climb > 1.0
    told = changed or climbs
    # its rise is measured from its neighbours too, and one of them shows the air
    unknown = not facts.loaded or facts.beside_lost
    if unknown or not (known or told) or (facts.shadowed and not told):
        verdict = Verdict.HOLD
    else:
        most = max(ratio, change, climb)
        verdict = _verdict(trending or told, most < t.warming_clear_ratio)
    return _finding(
        facts,
        Condition.WARMING,
        verdict,
        category,
        (t.change_delay_seconds if changed else t.delay_seconds, 2 * t.delay_seconds),
        (
            lambda: advice.warming(
                facts.joint,
                (ratio, sd) if trending or not told else None,
                max(change, climb),
                facts.settles_celsius,
                facts.settles_sd_kelvin,
            )
        )
        if known or told
        else None,
        keeps,
    )


def _how_much(facts: JointFacts, t: Thresholds) -> tuple[Category, Category]:
    """Category of a joint that certainly warms, and what the dead band keeps of a warning.

    By its factor, and by the kelvin that it makes more at its rated current than it did.
    """
    ratio, sd = facts.ratio or 1.0, facts.ratio_sd or 0.0
    surely = ratio * math.exp(-t.warning_sd * sd / ratio)
    kelvin = facts.baseline_kelvin

    def more(than: float) -> float | None:
        return None if kelvin is None else (than - 1.0) * kelvin

    least, most = more(surely), more(ratio)
    factor = surely > t.warming_warning_ratio and (most is None or most >= t.warming_warning_least_kelvin)
    warns = factor or (least is not None and least > t.warming_warning_kelvin)
    share = t.warning_dead_band_ratio
    stays = ratio - 1.0 > share * (t.warming_warning_ratio - 1.0) or (
        most is not None and most > share * t.warming_warning_kelvin
    )
    return (
        Category.WARNING if warns else Category.CAUTION,
        Category.WARNING if warns or stays else Category.CAUTION,
    )


def intermittent(facts: JointFacts, t: Thresholds) -> Finding:
    """Its heat comes and goes under load as it did not while it was well."""
    unrest = facts.unrest_ratio
    # one that heats so much more than it did is told as that; a filter that runs after it is restless too
    far = max(facts.ratio or 1.0, facts.change_ratio) > t.warming_warning_ratio
    # and one that hardly answers any more, as that: its probe left by a step
    off = facts.ratio is not None and facts.ratio < t.off_joint_clear_ratio
    if unrest is None or far or off or not facts.loaded:
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
    if ratio is None or not sd or not facts.expected:
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
        None if ratio is None else lambda: advice.probe_off_joint(facts.joint, ratio),
    )


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


def out_of_service(joint: Joint, who: str) -> Finding:
    """A reminder of what nobody watches, while somebody works on it."""
    text, what_to_do = advice.out_of_service(joint, who)
    return Finding(
        condition=Condition.OUT_OF_SERVICE,
        joint=joint.joint,
        channel=None,
        verdict=Verdict.TRUE,
        category=Category.CAUTION,
        on_delay_seconds=0.0,
        off_delay_seconds=0.0,
        text=text,
        advice=what_to_do,
    )
