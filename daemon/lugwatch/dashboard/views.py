"""Store objects as JSON-ready dicts for the page: names, ages and the shared axis added.

Keys keep the field's name and unit; what is not known is null; old figures are taken out, not greyed.
Pure: no database, no web framework. May import: model, units, advice, creep, json_shapes, sentence, circuit
and Moment from reading.
"""

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median

from lugwatch import advice
from lugwatch.creep import PASSAGES_NEEDED
from lugwatch.dashboard.circuit import circuit, circuit_object
from lugwatch.dashboard.reading import Moment
from lugwatch.dashboard.sentence import UNREADABLE, WAITING, sentence
from lugwatch.json_shapes import (
    JsonObject,
    alert_object,
    creep_object,
    dump,
    estimate_object,
    passage_object,
    source_health_object,
)
from lugwatch.model import (
    ACTIVE_STATES,
    Alert,
    AlertState,
    Boat,
    Category,
    Creep,
    CreepVerdict,
    CrewDeed,
    Estimate,
    JointState,
    Part,
    Passage,
    Quantity,
)
from lugwatch.store.queries import Bucket
from lugwatch.units import format_time

_STATES = list(JointState)
_TRIANGLE = (
    JointState.HOT,
    JointState.HEADING_HOT,
    JointState.WARMING,
    JointState.RISING_FAST,
    JointState.INTERMITTENT,
    JointState.CREEPING,
)
# A settling temperature may be absurd while little is known: the axis does not follow it further.
AXIS_BEYOND_LIMIT_KELVIN = 30.0
AXIS_STEP_CELSIUS = 10.0
GAP_PERIODS = 3.0


def waiting_view(time: int, temperature_unit: str, problem: str | None = None) -> JsonObject:
    """What the page shows before the watch has written anything, or when that cannot be read."""
    return {
        "waiting": True,
        "time": format_time(time),
        "age_seconds": None,
        "stale": True,
        "sentence": WAITING if problem is None else UNREADABLE,
        "problem": problem,
        "boat": None,
        "temperature_unit": temperature_unit,
        "joints": [],
        "currents": [],
        "alerts": [],
        "health": [],
        "axis": None,
        "circuit_stamp": None,
        "deeds": [deed.value for deed in CrewDeed],
        "sequence": 0,
    }


def now_view(moment: Moment, temperature_unit: str, parts: Sequence[Part] = ()) -> JsonObject:
    """Everything the first page shows."""
    estimates = [silenced(e, everything=True) if moment.stale else e for e in moment.estimates]
    estimates.sort(key=_worst_first)
    other = [a.category for a in moment.alerts if a.joint is None and _is_active(a)]
    return {
        "waiting": False,
        "time": format_time(moment.time),
        "age_seconds": moment.age_seconds,
        "stale": moment.stale,
        "sentence": sentence(
            [e.state for e in estimates],
            age_seconds=moment.age_seconds,
            stale=moment.stale,
            other_alerts=other,
        ),
        "problem": None,
        "boat": moment.boat.name,
        "temperature_unit": temperature_unit,
        "joints": [_joint(e, moment) for e in estimates],
        "currents": _currents(moment),
        "alerts": [alert_view(a, moment.boat) for a in sorted(moment.alerts, key=_alert_order)],
        "health": [source_health_object(h) for h in moment.health],
        "axis": axis(estimates),
        "circuit_stamp": circuit_stamp(moment.boat, parts),
        "deeds": [deed.value for deed in CrewDeed],
        "sequence": moment.sequence,
    }


def circuit_stamp(boat: Boat, parts: Sequence[Part]) -> str:
    """Changes when the drawing of the circuit does, so that the page asks for it once."""
    return hashlib.sha256(dump(circuit_object(circuit(boat, parts))).encode()).hexdigest()[:12]


def silenced(estimate: Estimate, *, everything: bool) -> Estimate:
    """The same joint with its figures of now taken out: an old one must not look like a present one (C04).

    everything: surroundings and current are as old as the rest.
    """
    return replace(
        estimate,
        state=JointState.SILENT,
        probe_celsius=None,
        reference_celsius=None if everything else estimate.reference_celsius,
        rise_kelvin=None,
        current_amps=None if everything else estimate.current_amps,
        settles_at_celsius=None,
        settles_at_sd_kelvin=None,
        seconds_to_limit=None,
    )


def _worst_first(estimate: Estimate) -> tuple[int, float]:
    hottest = (
        estimate.settles_at_celsius if estimate.settles_at_celsius is not None else estimate.probe_celsius
    )
    margin = math.inf if hottest is None else estimate.limit_celsius - hottest
    return _STATES.index(estimate.state), margin


def _joint(estimate: Estimate, moment: Moment) -> JsonObject:
    joint = next((j for j in moment.boat.joints if j.joint == estimate.joint), None)
    age = None
    if estimate.probe_time is not None and moment.age_seconds is not None:
        age = max(0.0, (moment.batch_time - estimate.probe_time) / 1000.0) + moment.age_seconds
    silent = estimate.state is JointState.SILENT
    shown = silenced(estimate, everything=moment.stale) if silent else estimate
    return {
        **estimate_object(shown),
        "name": joint.name if joint else estimate.joint,
        "limit_basis": joint.limit_basis if joint else None,
        "age_seconds": age,
        "mark": mark(estimate.state),
    }


def mark(state: JointState) -> str:
    """The shape that says how a joint is, without colour."""
    if state in _TRIANGLE:
        return "triangle"
    return "dashed" if state is JointState.SILENT else "dot"


def axis(estimates: Sequence[Estimate]) -> JsonObject | None:
    """One temperature axis for all joints, in whole tens, from the coolest to the hottest thing shown."""
    if not estimates:
        return None
    ceiling = max(e.limit_celsius for e in estimates) + AXIS_BEYOND_LIMIT_KELVIN
    values = [e.limit_celsius for e in estimates]
    for e in estimates:
        values += [v for v in (e.reference_celsius, e.probe_celsius) if v is not None]
        if e.settles_at_celsius is not None:
            values.append(min(ceiling, e.settles_at_celsius + 2.0 * (e.settles_at_sd_kelvin or 0.0)))
    low = math.floor((min(values) - 1.0) / AXIS_STEP_CELSIUS) * AXIS_STEP_CELSIUS
    high = math.ceil((max(values) + 1.0) / AXIS_STEP_CELSIUS) * AXIS_STEP_CELSIUS
    return {"low_celsius": low, "high_celsius": high}


def _currents(moment: Moment) -> list[JsonObject]:
    currents: list[JsonObject] = []
    for channel in moment.boat.channels:
        if channel.quantity is not Quantity.AMPS:
            continue
        time, amps = moment.latest.get(channel.channel, (None, None))
        behind = None if time is None else max(0.0, (moment.batch_time - time) / 1000.0)
        old = moment.stale or behind is None or behind > moment.old_seconds
        known = behind is not None and moment.age_seconds is not None
        currents.append(
            {
                "channel": channel.channel,
                "name": channel.name,
                "rated_amps": channel.rated_amps,
                "current_amps": None if old or amps is None or not math.isfinite(amps) else amps,
                "age_seconds": (behind or 0.0) + (moment.age_seconds or 0.0) if known else None,
            }
        )
    return currents


def _is_active(alert: Alert) -> bool:
    return alert.state in ACTIVE_STATES


def _alert_order(alert: Alert) -> tuple[bool, int, bool, int]:
    aside = not _is_active(alert) or alert.state is AlertState.SHELVED
    seen = alert.state is AlertState.ACTIVE_ACKNOWLEDGED
    return aside, list(Category).index(alert.category), seen, -alert.raised_time


def alert_view(alert: Alert, boat: Boat) -> JsonObject:
    """One alert with the name of what it is about."""
    names = {j.joint: j.name for j in boat.joints}
    channels = {c.channel: c.name for c in boat.channels}
    about = names.get(alert.joint or "") or channels.get(alert.channel or "") or alert.channel
    return {**alert_object(alert), "name": about}


def passages_view(passages: Iterable[Passage], boat: Boat) -> list[JsonObject]:
    """Passages, newest first, with the joints' and currents' names; joints as the boat lists them."""
    names = {j.joint: j.name for j in boat.joints}
    names |= {c.channel: c.name for c in boat.channels if c.channel not in names}
    place = {joint.joint: n for n, joint in enumerate(boat.joints)}
    views: list[JsonObject] = []
    for passage in sorted(passages, key=lambda p: p.start_time, reverse=True):
        joints = sorted(passage.joints, key=lambda j: (place.get(j, len(place)), j))
        ordered = replace(passage, joints={joint: passage.joints[joint] for joint in joints})
        shown = {key: names.get(key, key) for key in (*joints, *passage.currents)}
        views.append({**passage_object(ordered), "names": shown})
    return views


def creeps_view(creeps: Iterable[Creep], boat: Boat) -> list[JsonObject]:
    """How each joint has moved over passages, with its name and the same `told` in words."""
    names = {j.joint: j.name for j in boat.joints}
    return [{**creep_object(c), "name": names.get(c.joint, c.joint), "told": creep_told(c)} for c in creeps]


def creep_told(creep: Creep) -> str:
    """The verdict on a joint's passages in words."""
    if creep.verdict is CreepVerdict.TOO_FEW_PASSAGES:
        return f"{creep.passages_count} of the {PASSAGES_NEEDED} passages needed to tell"
    when = advice.reaches(creep)
    return f"{creep.verdict}: {advice.gain(creep)}" + (f"; {when}" if when else "")


def columns(buckets: Sequence[Bucket], interval_seconds: float, digits: int = 2) -> JsonObject:
    """One series of a chart as columns; a gap is a row of nulls, so that nobody draws across it (C19)."""
    times: list[int] = []
    rows: list[tuple[float | None, float | None, float | None]] = []
    spacing = [b.time - a.time for a, b in pairwise(buckets)]
    period = max(interval_seconds * 1000.0, median(spacing) if spacing else 0.0)
    for bucket in buckets:
        if times and bucket.time - times[-1] > GAP_PERIODS * period:
            times.append(times[-1] + round(period))
            rows.append((None, None, None))
        times.append(bucket.time)
        told = (bucket.minimum, bucket.mean, bucket.maximum)
        rows.append((_finite(told[0], digits), _finite(told[1], digits), _finite(told[2], digits)))
    return {
        "time_seconds": [time / 1000.0 for time in times],
        "minimum": [row[0] for row in rows],
        "mean": [row[1] for row in rows],
        "maximum": [row[2] for row in rows],
    }


def _finite(value: float, digits: int) -> float | None:
    # two decimals are finer than any probe and a third of the bytes
    return round(value, digits) if math.isfinite(value) else None


def chart_view(
    boat: Boat, series: Mapping[str, Sequence[Bucket]], start: int, end: int, interval_seconds: float
) -> JsonObject:
    """Temperatures of all joints [°C] and all currents [A] between two times."""
    return {
        "from": format_time(start),
        "to": format_time(end),
        "joints": [
            {"joint": j.joint, "name": j.name, "limit_celsius": j.limit_celsius}
            | {"celsius": columns(series.get(j.probe, ()), interval_seconds)}
            for j in boat.joints
        ],
        "currents": [
            {
                "channel": c.channel,
                "name": c.name,
                "amps": columns(series.get(c.channel, ()), interval_seconds),
            }
            for c in boat.channels
            if c.quantity is Quantity.AMPS
        ],
    }
