"""Which joints to open this winter, and in which order: a rule that can be read, and what it takes.

Three matters are graded for each joint: its trend, its margin at its rated current, the age of the last
work on it. The worst grade comes first, then the sum of the three, then the figures themselves, so a
worse figure never stands lower where all else is equal. Not here: where figures come from
(`dashboard/winter_view`), sentences (`winter_words`). May import: model, stack, fin, thermal, materials,
creep, alert_grading.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from lugwatch import fin
from lugwatch.alert_grading import Thresholds
from lugwatch.model import Creep, CreepVerdict, Joint
from lugwatch.stack import CORE_AREA_MM2, USUAL_TORQUE_NEWTON_METRES, Stack
from lugwatch.thermal import COPPER_ALPHA_PER_KELVIN, REFERENCE_CELSIUS

# "Sure" is two deviations, as on every sheet.
DEVIATIONS = 2.0
# Against its baseline: where the watch begins to warn, and where it stops.
ACT_RATIO = Thresholds().warming_ratio
LOOK_RATIO = Thresholds().warming_clear_ratio
# So near to its limit a joint is looked at though it stays below: a hatch kept shut makes as much
# (judgement, no source).
LOOK_KELVIN = 10.0
# Bolted joints on a boat are gone over about every other year (common practice, no source).
LOOK_DAYS = 730.0
DAY_MS = 86_400_000


class Grade(IntEnum):
    """How urgent one matter is. What is not known is more urgent than what is well."""

    WELL = 0
    UNKNOWN = 1
    LOOK = 2
    ACT = 3


class Work(StrEnum):
    """What is suggested, in the order in which it is done."""

    MEASURE = "measure"  # millivolts across it under load, before anything is opened
    CHECK_RATING = "check_rating"  # cable, lug and fuse against what flows
    INSPECT = "inspect"
    RETORQUE = "retorque"
    REPLACE_HARDWARE = "replace_hardware"  # a part that stands in the current's path
    REMAKE = "remake"  # open, clean and make anew
    PROVE = "prove"  # a proof test after it
    LEAVE = "leave"


class Kind(StrEnum):
    """Material for one joint."""

    LUG = "lug"
    CABLE = "cable"
    HEAT_SHRINK = "heat_shrink"
    FLAT_WASHER = "flat_washer"
    LOCK_WASHER = "lock_washer"
    NUT = "nut"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How a joint moves: over passages, and against its baseline now. None: not known."""

    creep: Creep | None
    ratio: float | None  # 1 is as its baseline
    ratio_sd: float | None
    reason: str | None = None  # in words: why the creep is not known

    @property
    def gain_ratio(self) -> float | None:
        """The larger of both gains, 0 where nothing has changed; None where neither is known."""
        over = None if self.creep is None else self.creep.gain_ratio
        now = None if self.ratio is None else self.ratio - 1.0
        return max((g for g in (over, now) if g is not None), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """Where a joint would settle at its rated current in the warmest surroundings that passages had."""

    rated_amps: float
    limit_celsius: float
    settles_celsius: float
    settles_sd_kelvin: float
    surroundings_celsius: float
    surroundings_time: int
    judged_time: int  # when its rise was told

    @property
    def kelvin(self) -> float:
        """What is left to its limit; below zero: it goes over."""
        return self.limit_celsius - self.settles_celsius


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What the rule looks at for one joint. margin, worked_days None: not known, or never written down."""

    joint: str
    trend: Trend
    margin: Margin | None
    worked_days: float | None

    @property
    def grades(self) -> tuple[Grade, Grade, Grade]:
        """Of trend, margin and age of the last work."""
        return trend_grade(self.trend), margin_grade(self.margin), age_grade(self.worked_days)


def trend_grade(trend: Trend) -> Grade:
    """ACT: it creeps, or heats surely more than its baseline. WELL needs to be known."""
    verdict = None if trend.creep is None else trend.creep.verdict
    low = high = None
    if trend.ratio is not None and trend.ratio_sd is not None:
        low, high = (trend.ratio + sign * DEVIATIONS * trend.ratio_sd for sign in (-1.0, 1.0))
    if verdict is CreepVerdict.CREEPING or (low is not None and low >= ACT_RATIO):
        return Grade.ACT
    if verdict is CreepVerdict.UNSURE or (low is not None and low >= LOOK_RATIO):
        return Grade.LOOK
    if verdict is CreepVerdict.STEADY or (high is not None and high <= ACT_RATIO):
        return Grade.WELL
    return Grade.UNKNOWN


def margin_grade(margin: Margin | None) -> Grade:
    """ACT: it goes over its limit. LOOK: it may, or comes near."""
    if margin is None:
        return Grade.UNKNOWN
    if margin.kelvin <= 0.0:
        return Grade.ACT
    if margin.kelvin < max(LOOK_KELVIN, DEVIATIONS * margin.settles_sd_kelvin):
        return Grade.LOOK
    return Grade.WELL


def age_grade(days: float | None) -> Grade:
    """Age alone never asks for more than a look."""
    if days is None:
        return Grade.UNKNOWN
    return Grade.LOOK if days > LOOK_DAYS else Grade.WELL


def ranked(standings: Iterable[Standing]) -> list[Standing]:
    """The most urgent first; equal ones stay in the order in which they came."""
    return sorted(standings, key=_order)


def _order(s: Standing) -> tuple[float, ...]:
    grades = s.grades
    kelvin = 0.0 if s.margin is None else s.margin.kelvin
    return (
        -max(grades),
        -sum(grades),
        -grades[0],
        -(s.trend.gain_ratio or 0.0),
        -grades[1],
        kelvin,
        -(s.worked_days or 0.0),
    )


def settles_elsewhere(settles_celsius: float, around_celsius: float, warmest_celsius: float) -> float:
    """Where a joint that settles at `settles_celsius` in `around_celsius` settles in other surroundings.

    Solves T = S + k·(1 + α·(T − 20)), k from the known pair (copper, IEC 60028): a kelvin more around it
    is a little more than a kelvin at the joint. What neighbours give is counted as its own heat.
    """
    base = 1.0 - COPPER_ALPHA_PER_KELVIN * REFERENCE_CELSIUS
    k = (settles_celsius - around_celsius) / (base + COPPER_ALPHA_PER_KELVIN * settles_celsius)
    return (warmest_celsius + k * base) / (1.0 - k * COPPER_ALPHA_PER_KELVIN)


def works(standing: Standing, stack: Stack | None) -> tuple[Work, ...]:
    """What is suggested for a joint, in the order of doing it."""
    trend, margin, age = standing.grades
    found: set[Work] = set()
    if stack is not None and stack.in_path:
        found |= {Work.REPLACE_HARDWARE, Work.REMAKE, Work.PROVE}
    if trend is Grade.ACT:
        found |= {Work.MEASURE, Work.REMAKE, Work.PROVE}
    if margin is Grade.ACT and trend is not Grade.ACT:
        # hot since it is known, or not known to have changed: then it may be too small for its current
        found |= {Work.MEASURE, Work.CHECK_RATING, Work.INSPECT, Work.RETORQUE}
    if Grade.LOOK in (trend, margin):
        found |= {Work.MEASURE, Work.INSPECT, Work.RETORQUE}
    if Grade.UNKNOWN in (trend, margin):
        found |= {Work.MEASURE, Work.INSPECT}
    if age is not Grade.WELL:
        found |= {Work.INSPECT, Work.RETORQUE}
    if Work.REMAKE in found:
        found -= {Work.INSPECT, Work.RETORQUE}  # both are part of it
    return tuple(w for w in Work if w in found) or (Work.LEAVE,)


# ---- material ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """One thing to have at hand. size, count, source None: not known."""

    kind: Kind
    size: str | None
    count: int | None
    source: str | None


_FROM_STACK, _FROM_JOINT = "configuration, from bar to nut", "configuration"


def materials(joint: Joint, stack: Stack | None) -> tuple[Material, ...]:
    """What remaking the joint takes: from its stack, else from what else is configured of it."""
    sizes, stud, source = list(joint.cable_mm2), stud_of(joint), _FROM_JOINT
    if stack is not None:
        sizes, stud, source = [lug.cable_mm2 for lug in stack.lugs], stack.stud, _FROM_STACK
    found: list[Material] = []
    for mm2 in sorted(set(sizes), reverse=True):
        count = sizes.count(mm2)
        hole = "hole not known" if stud is None else f"hole for {stud}"
        found += [
            Material(kind=Kind.LUG, size=f"{mm2:g} mm², {hole}", count=count, source=source),
            Material(kind=Kind.CABLE, size=f"{mm2:g} mm²", count=None, source=source),
            Material(kind=Kind.HEAT_SHRINK, size=_sleeve(mm2), count=count, source=source),
        ]
    if not sizes:
        found += [
            Material(kind=k, size=None, count=None, source=None)
            for k in (Kind.LUG, Kind.CABLE, Kind.HEAT_SHRINK)
        ]
    for kind in (Kind.FLAT_WASHER, Kind.LOCK_WASHER, Kind.NUT):
        known = stud is not None
        found.append(
            Material(kind=kind, size=stud, count=1 if known else None, source=source if known else None)
        )
    return tuple(found)


def stud_of(joint: Joint) -> str | None:
    """The thread that its `stud` begins with: "M8, brass" is an M8; None where it is not told so."""
    word = str(joint.facts.get("stud") or "").replace(",", " ").split()[:1]
    return word[0] if word and word[0] in CORE_AREA_MM2 else None


def torque_newton_metres(joint: Joint, stack: Stack | None) -> tuple[float | None, str | None]:
    """What its nut takes, and from where; (None, None) where neither torque nor stud is known."""
    told = joint.facts.get("torque_newton_metres")
    if stack is not None and stack.torque_newton_metres is not None:
        return stack.torque_newton_metres, _FROM_STACK
    if isinstance(told, int | float):
        return float(told), _FROM_JOINT
    stud = stack.stud if stack is not None else stud_of(joint)
    if stud is None:
        return None, None
    return USUAL_TORQUE_NEWTON_METRES[stud], f"usual for {stud}; common practice, no source"


def _sleeve(mm2: float) -> str:
    """Heat-shrink by what it must hold: the usual outside of such a cable, ± a third of its insulation."""
    try:
        outside = 1e3 * fin.copper_cable(mm2).outside_metres
    except ValueError:
        return f"for {mm2:g} mm² cable, its diameter not known"
    return f"for {mm2:g} mm² cable, about {outside:.0f} mm over its insulation"


def to_buy(plans: Sequence[tuple[Sequence[Work], Sequence[Material]]]) -> list[Material]:
    """Material of all joints that are to be opened and made anew, counted together by kind and size.

    A count of None: not known for one of them at least. Sources are joined.
    """
    counts: dict[tuple[Kind, str | None], int | None] = {}
    sources: dict[tuple[Kind, str | None], set[str]] = {}
    for work, needed in plans:
        if Work.REMAKE not in work:
            continue
        for m in needed:
            key = (m.kind, m.size)
            before = counts.get(key, 0)
            counts[key] = None if before is None or m.count is None else before + m.count
            sources.setdefault(key, set()).update({m.source} if m.source else ())
    order: Mapping[Kind, int] = {kind: n for n, kind in enumerate(Kind)}
    return [
        Material(kind=kind, size=size, count=counts[kind, size], source=_joined(sources[kind, size]))
        for kind, size in sorted(counts, key=lambda key: (order[key[0]], key[1] is None, key[1] or ""))
    ]


def _joined(sources: set[str]) -> str | None:
    return " and ".join(sorted(sources)) or None
