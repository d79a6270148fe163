"""Outputs of the core as rows of the tables, and the SQL that puts them there. No connection here.

A NaN or infinity among them is our own defect and raises ValueError before anything is written;
SQLite would keep a NaN as NULL without a word. May import: model.
"""

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, fields
from operator import attrgetter
from typing import Any

from lugwatch.model import (
    Alert,
    AlertChange,
    AlertMemory,
    AlertUpdate,
    Boat,
    Creep,
    Estimate,
    Fault,
    Joint,
    JointBaseline,
    JointPassage,
    JournalEntry,
    LearnedShape,
    LearningWindow,
    Output,
    Passage,
    Reading,
    Scan,
    SourceHealth,
)

Row = tuple[Any, ...]

# of an estimate, and in the table `baseline`: they change a few times in a boat's life
BASELINE_OF_ESTIMATE = ("baseline_rise_coefficient", "baseline_rise_coefficient_sd", "baseline_time")
ESTIMATE_FIELDS = tuple(
    field.name for field in fields(Estimate) if field.name not in ("joint", "time", *BASELINE_OF_ESTIMATE)
)
_estimate_figures = attrgetter(*ESTIMATE_FIELDS)
ALERT_FIELDS = tuple(field.name for field in fields(Alert))


def _insert(verb: str, table: str, columns: Sequence[str]) -> str:
    return f"{verb} INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"


INSERT_BATCH = _insert("INSERT", "batch", ("boot_id", "sequence", "monotonic_seconds", "time", "readings"))
INSERT_FAULT = _insert("INSERT", "fault", ("batch_id", "time", "source", "channel", "kind", "detail"))
INSERT_ESTIMATE = _insert("INSERT", "estimate", ("joint_id", "time", "batch_id", *ESTIMATE_FIELDS))
# an upsert and not OR REPLACE, which would delete the row that alert_change refers to
UPSERT_ALERT = (
    _insert("INSERT", "alert", ALERT_FIELDS)
    + " ON CONFLICT (alert_id) DO UPDATE SET "
    + ", ".join(f"{name} = excluded.{name}" for name in ALERT_FIELDS[1:])
)
INSERT_ALERT_CHANGE = _insert(
    "INSERT",
    "alert_change",
    (
        *("sequence", "batch_id", "time", "change", "who", "speaks"),
        *("alert_id", "category", "state", "text", "alert"),
    ),
)
INSERT_SOURCE_HEALTH = _insert(
    "INSERT",
    "source_health",
    ("batch_id", "source", "time", "state", "readings_count", "faults_count", "last_fault"),
)
LEARNED_FIELDS = tuple(field.name for field in fields(LearnedShape))
INSERT_LEARNED_SHAPE = _insert("INSERT OR REPLACE", "learned_shape", LEARNED_FIELDS)
CREEP_FIELDS = tuple(field.name for field in fields(Creep))
INSERT_CREEP = _insert("INSERT", "creep", CREEP_FIELDS)
BASELINE_FIELDS = tuple(field.name for field in fields(JointBaseline))
UPSERT_BASELINE = (
    _insert("INSERT", "baseline", BASELINE_FIELDS)
    + " ON CONFLICT (joint, taken_time) DO UPDATE SET "
    + ", ".join(f"{name} = excluded.{name}" for name in BASELINE_FIELDS[2:])
)
JOURNAL_FIELDS = tuple(field.name for field in fields(JournalEntry))
# above zero, also where an import (`whole_record`) left numbers below it: those are taken up by no watch
INSERT_JOURNAL_ENTRY = (
    f"INSERT INTO journal ({', '.join(JOURNAL_FIELDS)}) VALUES"
    " ((SELECT max(coalesce(max(entry_id), 0), 0) + 1 FROM journal),"
    f" {', '.join('?' * len(JOURNAL_FIELDS[1:]))})"
)
UPSERT_PASSAGE = (
    _insert("INSERT", "passage", ("passage_id", "start_time", "end_time", "amp_hours", "max_amps"))
    + " ON CONFLICT (passage_id) DO UPDATE SET start_time = excluded.start_time,"
    " end_time = excluded.end_time, amp_hours = excluded.amp_hours, max_amps = excluded.max_amps"
)
INSERT_PASSAGE_CURRENT = _insert(
    "INSERT", "passage_current", ("passage_id", "channel", "amp_hours", "max_amps")
)
JOINT_PASSAGE_FIELDS = tuple(field.name for field in fields(JointPassage))
INSERT_PASSAGE_JOINT = _insert("INSERT", "passage_joint", ("passage_id", "joint", *JOINT_PASSAGE_FIELDS))


def by_kind(outputs: Iterable[Output]) -> dict[type, list[Any]]:
    """Outputs sorted by their class, each in the order it came; scans stand among the readings.

    Under `Alert` stands every alert as a change or an update tells it.
    """
    kinds: dict[type, list[Any]] = {
        kind: []
        for kind in (
            *(Reading, Fault, Estimate, AlertChange, SourceHealth, Passage, LearnedShape),
            *(Creep, JointBaseline, LearningWindow, Alert, AlertUpdate, AlertMemory),
        )
    }
    kinds[Scan] = kinds[Reading]
    for output in outputs:
        kinds[type(output)].append(output)
        if isinstance(output, AlertChange | AlertUpdate):
            kinds[Alert].append(output.alert)
    return kinds


def readings_text(readings: Sequence[Reading | Scan], ids: Mapping[str, int], time: int) -> str | None:
    """The column `readings` of a batch of this `time` [ms], for `decode.batch_readings`. None: no reading.

    Raises ValueError for a number that is none and for a channel that the boat does not have.
    """
    scans: list[tuple[int, dict[int, float]]] = []
    for r in readings:
        for channel, value in r.values if isinstance(r, Scan) else ((r.channel, r.value),):
            if channel not in ids:
                raise ValueError(f"reading of {channel}, a channel that the boat does not have")
            if not math.isfinite(value):
                raise ValueError(f"reading of {channel} is {value}: the source should have refused it")
            # a channel twice in one ms makes a scan of its own
            if not scans or scans[-1][0] != r.time - time or ids[channel] in scans[-1][1]:
                scans.append((r.time - time, {}))
            scans[-1][1][ids[channel]] = value
    return json.dumps(scans, separators=(",", ":"), allow_nan=False) if scans else None


def estimate_rows(estimates: Sequence[Estimate], ids: Mapping[str, int], batch_id: int) -> list[Row]:
    """Rows of `estimate`. Raises ValueError for a number that is none."""
    rows = []
    for e in estimates:
        row = (ids[e.joint], e.time, batch_id, *_estimate_figures(e))
        _refuse_not_finite("estimate", e.joint, row)
        rows.append(row)
    return rows


def fault_rows(faults: Sequence[Fault], batch_id: int) -> list[Row]:
    return [(batch_id, f.time, f.source, f.channel, f.kind.value, f.detail) for f in faults]


def alert_rows(alerts: Iterable[Alert]) -> list[Row]:
    """The latest word on each alert. Raises ValueError for a number that is none."""
    latest = {alert.alert_id: alert for alert in alerts}
    rows = [tuple(getattr(alert, name) for name in ALERT_FIELDS) for alert in latest.values()]
    for row in rows:
        _refuse_not_finite("alert", str(row[0]), row)
    return rows


def alert_change_rows(changes: Sequence[AlertChange], batch_id: int) -> list[Row]:
    return [
        (
            c.sequence,
            batch_id,
            c.time,
            c.change.value,
            c.who,
            int(c.speaks),
            c.alert.alert_id,
            c.alert.category.value,
            c.alert.state.value,
            c.alert.text,
            json.dumps(asdict(c.alert), ensure_ascii=False, allow_nan=False),
        )
        for c in changes
    ]


def source_health_rows(healths: Sequence[SourceHealth], batch_id: int) -> list[Row]:
    return [
        (batch_id, h.source, h.time, h.state, h.readings_count, h.faults_count, h.last_fault) for h in healths
    ]


def learned_shape_rows(shapes: Sequence[LearnedShape]) -> list[Row]:
    return [tuple(getattr(shape, name) for name in LEARNED_FIELDS) for shape in shapes]


def creep_rows(creeps: Sequence[Creep]) -> list[Row]:
    """Rows of `creep`. Raises ValueError for a number that is none."""
    rows = [tuple(getattr(creep, name) for name in CREEP_FIELDS) for creep in creeps]
    for row in rows:
        _refuse_not_finite("creep", str(row[0]), row)
    return rows


def baseline_rows(baselines: Sequence[JointBaseline]) -> list[Row]:
    """Rows of `baseline`. Raises ValueError for a number that is none."""
    rows = [tuple(getattr(baseline, name) for name in BASELINE_FIELDS) for baseline in baselines]
    for row in rows:
        _refuse_not_finite("baseline", row[0], row)
    return rows


def journal_row(entry: JournalEntry) -> Row:
    """The row of `journal`, its number left to the database."""
    row = tuple(getattr(entry, name) for name in JOURNAL_FIELDS[1:])
    _refuse_not_finite("journal entry", entry.joint or "of the boat", row)
    return row


def latest_passages(passages: Sequence[Passage]) -> list[Passage]:
    """The last word on each passage: one that goes on is told of again and again."""
    return list({passage.passage_id: passage for passage in passages}.values())


def passage_row(passage: Passage) -> Row:
    row = (passage.passage_id, passage.start_time, passage.end_time, passage.amp_hours, passage.max_amps)
    _refuse_not_finite("passage", str(passage.passage_id), row)
    return row


def passage_current_rows(passage: Passage) -> list[Row]:
    rows = [(passage.passage_id, name, c.amp_hours, c.max_amps) for name, c in passage.currents.items()]
    for row in rows:
        _refuse_not_finite("passage", str(passage.passage_id), row)
    return rows


def passage_joint_rows(passage: Passage) -> list[Row]:
    rows = [
        (passage.passage_id, name, *(getattr(j, field) for field in JOINT_PASSAGE_FIELDS))
        for name, j in passage.joints.items()
    ]
    for row in rows:
        _refuse_not_finite("passage", str(passage.passage_id), row)
    return rows


def channel_rows(boat: Boat) -> list[Row]:
    return [
        (c.channel, c.quantity.value, c.name, c.source, c.rated_amps, position)
        for position, c in enumerate(boat.channels)
    ]


FURTHER_CABLES = "further_cable_mm2"


def joint_rows(boat: Boat) -> list[Row]:
    return [
        (
            j.joint,
            j.name,
            j.probe,
            j.current,
            j.air,
            json.dumps(j.neighbours, ensure_ascii=False),
            j.rated_amps,
            j.limit_celsius,
            j.limit_basis,
            j.cable_mm2[0] if j.cable_mm2 else None,
            j.cable_insulation,
            json.dumps(_facts(j), ensure_ascii=False, allow_nan=False),
            position,
        )
        for position, j in enumerate(boat.joints)
    ]


def _facts(joint: Joint) -> dict[str, object]:
    """What has no column of its own; the first cable has one, the others stand here."""
    others = {FURTHER_CABLES: joint.cable_mm2[1:]} if len(joint.cable_mm2) > 1 else {}
    return {**joint.facts, **others}


CHANNEL_COLUMNS = ("channel", "quantity", "name", "source", "rated_amps", "position")
JOINT_COLUMNS = (
    "joint",
    "name",
    "probe",
    "current",
    "air",
    "neighbours",
    "rated_amps",
    "limit_celsius",
    "limit_basis",
    "cable_mm2",
    "cable_insulation",
    "facts",
    "position",
)


def upsert_watched(table: str, columns: Sequence[str]) -> str:
    """The SQL that keeps a channel's or joint's id and renews all else."""
    changed = ", ".join(f"{name} = excluded.{name}" for name in columns[1:])
    return _insert("INSERT", table, columns) + f" ON CONFLICT ({columns[0]}) DO UPDATE SET {changed}"


def _refuse_not_finite(noun: str, name: str, row: Row) -> None:
    for value in row:
        if value.__class__ is float and not math.isfinite(value):
            raise ValueError(f"{noun} {name} holds {value}: unknown is None")
