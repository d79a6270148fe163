"""The plan for the winter of one history, as a JSON-ready object: for command, page and sheet alike.

Gathers what the rule (`winter`) looks at. A boat that is laid up tells nothing of now, so each joint's
rise is the last that was told, at the end of its passages if need be, and never from before work on it.
May import: the rooms of the dashboard, winter, winter_words, store, model, units.
"""

from collections.abc import Mapping, Sequence

from lugwatch import winter, winter_words
from lugwatch.json_shapes import JsonObject, creep_object
from lugwatch.model import Creep, Estimate, Joint, JournalEntry, JournalKind
from lugwatch.stack import Stack
from lugwatch.store.queries import History
from lugwatch.units import format_time
from lugwatch.winter import DAY_MS, Margin, Standing, Trend

# The last so many passages are asked where joints ended: a season of a busy boat.
PASSAGES_ASKED = 40
# Hands or eyes were on the joint: both begin its baseline anew.
WORK_KINDS = (JournalKind.WORK, JournalKind.GOOD)


def winter_record(history: History, stacks: Mapping[str, Stack], now: int) -> JsonObject:
    """Every configured joint, the most urgent first; `now` [ms] is what ages are counted to."""
    boat = history.boat()
    judged = _judged(history)
    creeps = {creep.joint: creep for creep in history.creeps()}
    work: dict[str, JournalEntry] = {}
    for entry in history.journal():  # in the order of time: the last one stays
        if entry.joint is not None and entry.kind in WORK_KINDS and entry.time <= now:
            work[entry.joint] = entry
    joints = {joint.joint: joint for joint in boat.joints}
    standings = {
        j.joint: _standing(j, creeps.get(j.joint), judged.get(j.joint, ()), work.get(j.joint), now)
        for j in boat.joints
    }
    rows, plans = [], []
    for rank, standing in enumerate(winter.ranked(standings.values()), 1):
        joint, stack = joints[standing.joint], stacks.get(standing.joint)
        works = winter.works(standing, stack)
        needed = winter.materials(joint, stack)
        plans.append((works, needed))
        rows.append(_row(rank, joint, standing, stack, works, needed, work.get(joint.joint)))
    span = history.data_span()
    return {
        "boat": boat.name,
        "time": format_time(now // 1000 * 1000),
        "span": None if span is None else [format_time(time) for time in span],
        "joints": rows,
        "to_buy": [_material(m) for m in winter.to_buy(plans)],
        "cautions": list(winter_words.CAUTIONS),
    }


def _judged(history: History) -> dict[str, list[Estimate]]:
    """Per joint what was said of it now and at the end of its last passages, newest first."""
    ends = [p.end_time for p in history.passages() if p.end_time is not None][-PASSAGES_ASKED:]
    found: dict[str, list[Estimate]] = {}
    for at in (None, *reversed(ends)):
        for estimate in history.estimates(at):
            found.setdefault(estimate.joint, []).append(estimate)
    return found


def _standing(
    joint: Joint, creep: Creep | None, judged: Sequence[Estimate], work: JournalEntry | None, now: int
) -> Standing:
    since = 0 if work is None else work.time
    reason = None
    if creep is not None and (creep.last_time or creep.time) < since:
        creep, reason = None, "work was done on it since its passages were judged together"
    of_now = [e for e in judged if e.time >= since]
    ratio = next(
        (e for e in of_now if e.baseline_ratio is not None and e.baseline_ratio_sd is not None), None
    )
    return Standing(
        joint=joint.joint,
        trend=Trend(
            creep=creep,
            ratio=None if ratio is None else ratio.baseline_ratio,
            ratio_sd=None if ratio is None else ratio.baseline_ratio_sd,
            reason=reason,
        ),
        margin=_margin(joint, of_now, judged),
        worked_days=None if work is None else (now - work.time) / DAY_MS,
    )


def _margin(joint: Joint, of_now: Sequence[Estimate], judged: Sequence[Estimate]) -> Margin | None:
    """From the last figure of the joint as it is, and the warmest surroundings that it had."""
    around = [(e.reference_celsius, e.time) for e in judged if e.reference_celsius is not None]
    for e in of_now:
        settles, sd, there = e.settles_at_rated_celsius, e.settles_at_rated_sd_kelvin, e.reference_celsius
        if joint.rated_amps is None or settles is None or sd is None or there is None:
            continue
        warmest, when = max(around)
        return Margin(
            rated_amps=joint.rated_amps,
            limit_celsius=joint.limit_celsius,
            settles_celsius=winter.settles_elsewhere(settles, there, warmest),
            settles_sd_kelvin=sd,
            surroundings_celsius=warmest,
            surroundings_time=when,
            judged_time=e.time,
        )
    return None


def _row(
    rank: int,
    joint: Joint,
    standing: Standing,
    stack: Stack | None,
    works: Sequence[winter.Work],
    needed: Sequence[winter.Material],
    work: JournalEntry | None,
) -> JsonObject:
    trend, margin = standing.trend, standing.margin
    trend_grade, margin_grade, age_grade = standing.grades
    torque, torque_source = winter.torque_newton_metres(joint, stack)
    return {
        "rank": rank,
        "joint": joint.joint,
        "name": joint.name,
        "grade": winter_words.GRADES[max(standing.grades)],
        "why": winter_words.why(standing),
        "trend": {
            "grade": winter_words.GRADES[trend_grade],
            "baseline_ratio": trend.ratio,
            "baseline_ratio_sd": trend.ratio_sd,
            "creep": None if trend.creep is None else creep_object(trend.creep),
        },
        "margin": {
            "grade": winter_words.GRADES[margin_grade],
            "margin_kelvin": None if margin is None else margin.kelvin,
            "margin_sd_kelvin": None if margin is None else margin.settles_sd_kelvin,
            "settles_at_rated_celsius": None if margin is None else margin.settles_celsius,
            "surroundings_celsius": None if margin is None else margin.surroundings_celsius,
            "surroundings_time": None if margin is None else format_time(margin.surroundings_time),
            "judged_time": None if margin is None else format_time(margin.judged_time),
            "rated_amps": joint.rated_amps,
            "limit_celsius": joint.limit_celsius,
            "limit_basis": joint.limit_basis,
        },
        "last_work": {
            "grade": winter_words.GRADES[age_grade],
            "age_days": standing.worked_days,
            "time": None if work is None else format_time(work.time),
            "kind": None if work is None else work.kind.value,
            "note": None if work is None else work.note,
            "who": None if work is None else work.who,
        },
        "works": [
            {"work": w.value, "short": winter_words.SHORT[w], "text": winter_words.WORKS[w]} for w in works
        ],
        "torque_newton_metres": torque,
        "torque_source": torque_source,
        "materials": [_material(m) for m in needed],
    }


def _material(m: winter.Material) -> JsonObject:
    return {
        "kind": m.kind.value,
        "size": m.size,
        "count": m.count,
        "source": m.source,
        "text": winter_words.material(m),
    }
