"""What the crew does on the page, as rows that `watch` picks up. The page itself changes nothing else.

May import: store, clock, model, entry_rules, errors.
"""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from lugwatch.clock import Clock
from lugwatch.entry_rules import Told, entry_of, know
from lugwatch.errors import UserError
from lugwatch.json_shapes import JsonObject, journal_entry_object
from lugwatch.model import CrewDeed, JournalKind
from lugwatch.store.beside import where_now
from lugwatch.store.crew import put_crew_action, put_journal_entry
from lugwatch.store.queries import History
from lugwatch.units import format_time, parse_time

WHO = "page"

# fields of the form as its reader knows them
_LABELS = {
    "work": "Work", "good": "Good", "note": "A note", "millivolts": "Voltage", "amps": "Current",
    "celsius": "Temperature", "by": "By",
}  # fmt: skip


def do_deed(
    database: Path, clock: Clock, deed: CrewDeed, alert_id: int, for_seconds: float | None = None
) -> JsonObject | None:
    """Leave a deed about this alert; None if there is no such alert.

    Twice is no mistake: two phones may press at once. for_seconds: SHELVE alone. Raises UserError,
    OperationFailed.
    """
    database = where_now(database)
    with History.open(database) as history:
        if all(alert.alert_id != alert_id for alert in history.alerts(active_only=False)):
            return None
    time = clock.time()
    put_crew_action(database, deed, alert_id, WHO, time, for_seconds=for_seconds)
    return {"alert_id": alert_id, "deed": deed.value, "time": format_time(time)}


def do_joint_deed(database: Path, clock: Clock, deed: CrewDeed, joint: str) -> JsonObject | None:
    """Take a joint out of service or put it back; None if there is no such joint. Raises as `do_deed`."""
    with History.open(database) as history:
        if all(j.joint != joint for j in history.boat().joints):
            return None
    time = clock.time()
    put_crew_action(database, deed, None, WHO, time, joint=joint)
    return {"joint": joint, "deed": deed.value, "time": format_time(time)}


def write_entry(database: Path, clock: Clock, form: Mapping[str, str | None]) -> JsonObject:
    """Write an entry of the journal by the same rules as the command. Raises UserError with one line."""
    kind, words = form["kind"], form.get("words")
    if kind not in set(JournalKind):
        raise UserError(f"What: {kind!r} is none of {', '.join(JournalKind)}")
    told = Told(
        joint=form.get("joint") or None,
        work=(words or "") if kind == JournalKind.WORK else None,
        good=kind == JournalKind.GOOD,
        millivolts=(form.get("millivolts") or "") if kind == JournalKind.MILLIVOLTS else None,
        amps=form.get("amps"),
        celsius=form.get("celsius") or None,
        note=words if kind != JournalKind.WORK else None,
        who=form.get("by") or WHO,
    )
    at = form.get("at")
    time = parse_time(at) if at else clock.time()
    if time is None:
        raise UserError(f"When: {at!r} is no time; give one with its zone, as in 2026-05-03T14:30:00Z")
    with History.open(database) as history:
        know(told.joint, history.joint_ids(), "About")
    entry = entry_of(told, time, lambda name: _LABELS[name])
    number = put_journal_entry(database, entry)
    return journal_entry_object(replace(entry, entry_id=number))
