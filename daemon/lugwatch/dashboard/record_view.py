"""What a sheet to keep or hand over holds of a joint, a passage or the whole boat, as JSON-ready objects.

A sheet is read months later, away from the boat: figures stand as they were when last told, each with its
time, source and deviation, and what is not known says why. Not here: markup and words (`web/templates`,
`web/texts`). Pure but for `History` and `Look`, which are handed in. May import: the rooms of the dashboard,
proof_words, tolerable_current, store, model, clock, units.
"""

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from lugwatch import proof_words
from lugwatch.clock import ManualClock
from lugwatch.dashboard import joint_view, record_chart, views
from lugwatch.dashboard.circuit import Bar, Line, circuit
from lugwatch.dashboard.look import Look
from lugwatch.dashboard.record_fitting import fitting_rows
from lugwatch.dashboard.stack_view import stack_object
from lugwatch.json_shapes import JsonObject, estimate_object, journal_object
from lugwatch.model import Alert, AlertState, Boat, Creep, Estimate, Joint, JointBaseline, Part, Quantity
from lugwatch.proving import ProofTest
from lugwatch.stack import Stack
from lugwatch.store.queries import History
from lugwatch.tolerable_current import DEVIATIONS, tolerable
from lugwatch.units import format_micro_ohms, format_time

# behind the newest reading by so much, a channel has none
SILENT_MS = 600_000
# of half a megabyte and less: some MB, which goes through a mail
PHOTOS_ON_SHEET = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What is read once for a sheet."""

    boat: Boat
    estimates: Mapping[str, Estimate]
    baselines: Mapping[str, JointBaseline]
    latest: Mapping[str, tuple[int, float]]
    creeps: Mapping[str, Creep]


def _known(history: History) -> _Known:
    return _Known(
        boat=history.boat(),
        estimates={e.joint: e for e in history.estimates(None)},
        baselines={b.joint: b for b in history.baselines(None)},
        latest=history.latest_readings(),
        creeps={c.joint: c for c in history.creeps()},
    )


def joint_record(history: History, joint_id: str, stack: Stack | None = None) -> JsonObject | None:
    """Everything that is known of one joint; None if there is no such joint. stack: as configured."""
    known = _known(history)
    joint = joint_view.find_joint(known.boat, joint_id)
    if joint is None:
        return None
    passages, creep, photos = history.passages(), known.creeps.get(joint_id), history.photos()
    baseline = known.baselines.get(joint_id)
    names = {j.joint: j.name for j in known.boat.joints}
    alerts = [a for a in history.alerts(active_only=False) if a.joint == joint_id]
    return {
        "boat": known.boat.name,
        "joint": joint_id,
        "name": joint.name,
        "sheet": joint_view.sheet(joint, known.boat),
        "stack": None if stack is None else stack_object(stack),
        "figures": _figures(known, joint),
        "baseline": None if baseline is None else _baseline(baseline),
        "passages": joint_view.over_passages(joint_id, passages, creep),
        "chart": record_chart.chart(record_chart.dots(joint_id, passages), creep, baseline),
        "alerts": [views.alert_view(a, known.boat) for a in alerts],
        "journal": with_pictures(
            history, [journal_object(e, photos) for e in reversed(history.journal(joint_id))]
        ),
        "proofs": [_proof(test, joint, names) for test in reversed(history.proofs(joint_id))],
        "span": _span(history),
    }


def _figures(known: _Known, joint: Joint) -> JsonObject:
    """The last word on a joint, where each figure came from, and how much it can carry."""
    estimate = known.estimates.get(joint.joint)
    channels = {c.channel: c for c in known.boat.channels}
    used = {"probe": joint.probe, "current": joint.current, "air": joint.air}
    return {
        "now": None if estimate is None else estimate_object(estimate),
        "resistance": None
        if estimate is None or estimate.resistance_ohms is None
        else format_micro_ohms(estimate.resistance_ohms, estimate.resistance_sd_ohms),
        "tolerable": tolerable_object(estimate, joint),
        "channels": {
            role: {"name": channels[c].name, "source": channels[c].source}
            for role, c in used.items()
            if c is not None and c in channels
        },
    }


def tolerable_object(estimate: Estimate | None, joint: Joint) -> JsonObject:
    """The current that a joint settles at its limit from, what it rests on, or why it is not known.

    `why` is "never_judged", "no_surroundings" or "no_rise"; the estimate's own reason stands beside it.
    """
    found: JsonObject = {"amps": None, "low_amps": None, "high_amps": None, "beyond_rated": False}
    found |= {"limit_celsius": joint.limit_celsius, "surroundings_celsius": None, "rise_at_100": None}
    found |= {"rise_sd_at_100": None, "neighbours": bool(joint.neighbours)}
    if estimate is None:
        return {**found, "why": "never_judged", "reason": None}
    if estimate.reference_celsius is None:
        return {**found, "why": "no_surroundings", "reason": estimate.reason}
    told = None
    if estimate.rise_coefficient is not None and estimate.rise_coefficient_sd is not None:
        told = tolerable(
            limit_celsius=joint.limit_celsius,
            surroundings_celsius=estimate.reference_celsius,
            rise_coefficient=estimate.rise_coefficient,
            rise_coefficient_sd=estimate.rise_coefficient_sd,
            hottest_at=_hottest_at_rated(estimate, joint),
        )
    if told is None or estimate.rise_coefficient is None or estimate.rise_coefficient_sd is None:
        return {**found, "why": "no_rise", "reason": estimate.reason}
    return {
        **found,
        "amps": told.amps,
        "low_amps": told.low_amps,
        "high_amps": told.high_amps,
        "beyond_rated": joint.rated_amps is not None and told.amps > joint.rated_amps,
        "surroundings_celsius": estimate.reference_celsius,
        "rise_at_100": estimate.rise_coefficient * record_chart.AT_100_AMPS,
        "rise_sd_at_100": estimate.rise_coefficient_sd * record_chart.AT_100_AMPS,
        "why": None,
        "reason": None,
    }


def _hottest_at_rated(estimate: Estimate, joint: Joint) -> tuple[float, float] | None:
    """Its rated current, and the most that it may settle at there with its neighbours; None without any."""
    settles, sd = estimate.settles_at_rated_celsius, estimate.settles_at_rated_sd_kelvin
    if not joint.neighbours or joint.rated_amps is None or settles is None or sd is None:
        return None
    return joint.rated_amps, settles + DEVIATIONS * sd


def _baseline(baseline: JointBaseline) -> JsonObject:
    middle, sd = baseline.rise_coefficient, baseline.rise_coefficient_sd
    return {
        "rise_at_100": middle * record_chart.AT_100_AMPS,
        "rise_sd_at_100": sd * record_chart.AT_100_AMPS,
        "baseline_time": format_time(baseline.baseline_time),
        "taken_time": format_time(baseline.taken_time),
        "evidence_hours": baseline.evidence_seconds / 3600.0,
    }


def _proof(test: ProofTest, joint: Joint, names: Mapping[str, str]) -> JsonObject:
    # the first line repeats the joint's name before the conditions: the sheet has it above
    _, *said = proof_words.told(joint.name, test, names)
    return {
        "proof_id": test.proof_id,
        "time": format_time(test.time),
        "verdict": test.verdict.value,
        "conditions": proof_words.conditions(test),
        "said": [line.strip() for line in said],
        "note": test.note,
        "who": test.who,
    }


def _span(history: History) -> list[str] | None:
    span = history.data_span()
    return None if span is None else [format_time(time) for time in span]


def boat_record(history: History, parts: Sequence[Part]) -> JsonObject:
    """The whole boat on one sheet."""
    known = _known(history)
    span = history.data_span()
    alerts = [a for a in history.alerts(active_only=True) if a.state is not AlertState.NORMAL]
    proved = {test.joint for test in history.proofs()}
    newest = None if span is None else span[1]
    return {
        "boat": known.boat.name,
        "circuit": [
            {"name": bar.name, "lines": [_line(line, bar, known.boat) for line in bar.lines]}
            for bar in circuit(known.boat, parts)
        ],
        "rows": [
            {"joint": j.joint, "name": j.name, "limit_celsius": j.limit_celsius, "rated_amps": j.rated_amps}
            | _figures(known, j)
            for j in known.boat.joints
        ],
        "alerts": [views.alert_view(a, known.boat) for a in sorted(alerts, key=_worst_first)],
        "fitting": fitting_rows(known.boat, history.fitting_checks()),
        "unknown": _gathered(known.boat, _unknown_joints(known, proved)),
        "silent": _silent_channels(known, newest),
        "health": [
            {"source": h.source, "state": h.state, "last_fault": h.last_fault, "time": format_time(h.time)}
            for h in history.source_health()
            if h.state != "reading"
        ],
        "span": None if span is None else [format_time(time) for time in span],
    }


def _line(line: Line, bar: Bar, boat: Boat) -> JsonObject:
    """What one current flows through, in the order in which a positive current meets it."""
    names = {j.joint: j.name for j in boat.joints}
    stops = [
        {"kind": "joint", "name": names[s]} if isinstance(s, str) else {"kind": "part", "name": s.name}
        for s in line.steps
    ]
    end = [] if line.end is None else [{"kind": "part", "name": line.end.name}]
    stud = [] if line.stud is None else [{"kind": "joint", "name": names[line.stud]}]
    on_bar = [] if bar.name is None else [{"kind": "part", "name": bar.name}]
    current = next((c.name for c in boat.channels if c.channel == line.current), None)
    order = [*end, *stops, *stud, *on_bar] if line.into else [*on_bar, *stud, *stops, *end]
    return {"stops": order, "current": current}


def _worst_first(alert: Alert) -> tuple[int, int]:
    return ["alarm", "warning", "caution"].index(alert.category.value), -alert.raised_time


def _unknown_joints(known: _Known, proved: set[str]) -> list[tuple[str, str, str]]:
    """(what, why, joint): what a sheet leaves empty, and why: keys of words, or words of the watch."""
    found: list[tuple[str, str, str]] = []
    for joint in known.boat.joints:
        estimate = known.estimates.get(joint.joint)
        if estimate is None:
            found.append(("everything", "never_judged", joint.joint))
            continue
        carries = tolerable_object(estimate, joint)
        figures = (
            ("temperature", estimate.probe_celsius, estimate.reason or "no_reason"),
            ("tolerable", carries["amps"], str(carries["reason"] or carries["why"])),
            ("baseline", known.baselines.get(joint.joint), "no_baseline"),
            ("resistance", estimate.resistance_ohms, "no_ohms"),
            ("rated", joint.rated_amps, "not_told"),
            ("cable", joint.cable_mm2 or None, "not_told"),
            ("torque", joint.facts.get("torque_newton_metres"), "not_told"),
            ("proof", joint.joint if joint.joint in proved else None, "never_proved"),
        )
        found += [(what, why, joint.joint) for what, value, why in figures if value is None]
    return found


def _gathered(boat: Boat, found: Sequence[tuple[str, str, str]]) -> list[JsonObject]:
    """One line for all joints that lack the same for the same reason."""
    lines: dict[tuple[str, str], list[str]] = {}
    for what, why, joint in found:
        lines.setdefault((what, why), []).append(joint)
    names = {j.joint: j.name for j in boat.joints}
    return [
        {"what": what, "why": why, "names": [names[j] for j in joints], "all": len(joints) == len(names) > 1}
        for (what, why), joints in lines.items()
    ]


def _silent_channels(known: _Known, newest: int | None) -> list[JsonObject]:
    """Probes and currents without a reading of the last minutes of the record."""
    silent: list[JsonObject] = []
    for channel in known.boat.channels:
        time = known.latest.get(channel.channel, (None, 0.0))[0]
        if time is None or (newest is not None and newest - time > SILENT_MS):
            kind = "current" if channel.quantity is Quantity.AMPS else "probe"
            last = None if time is None else format_time(time)
            silent.append({"name": channel.name, "kind": kind, "source": channel.source, "last_time": last})
    return silent


def passage_record(look: Look, passage_id: int) -> JsonObject | None:
    """One passage as the page shows it; None if there is none. One under way ends at its last reading."""
    newest = ManualClock(time=look.newest())  # stands still: an old history's passage is not months long
    found = replace(look, clock=newest).passage(passage_id)
    if found is not None and isinstance(found["notes"], list):
        with History.open(look.database) as history:
            found["notes"] = with_pictures(history, found["notes"])
    return found


def with_pictures(history: History, entries: Sequence[JsonObject]) -> list[JsonObject]:
    """Entries in their order with the files of their photos as data URIs (RFC 2397).

    Only of the first so many photos, so that a sheet can be mailed; the others have None.
    """
    left, made = PHOTOS_ON_SHEET, []
    for entry in entries:
        shown: list[JsonObject] = []
        photos = entry["photos"]
        for photo in photos if isinstance(photos, list) else []:
            jpeg = history.photo_jpeg(photo["photo_id"]) if left > 0 else None
            left -= 1
            data = None if jpeg is None else f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}"
            shown.append({**photo, "data": data})
        made.append({**entry, "photos": shown})
    return made
