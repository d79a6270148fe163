"""Rows of the tables as the nouns of `model`. No connection here. May import: blocks, model."""

import json
import math
import sqlite3
from dataclasses import dataclass
from typing import Any

from lugwatch.creep import Point
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Channel,
    Condition,
    Creep,
    CreepVerdict,
    CrewDeed,
    CurrentPassage,
    Estimate,
    Fault,
    FaultKind,
    Joint,
    JointState,
    JournalEntry,
    JournalKind,
    Passage,
    Quantity,
    SourceHealth,
)
from lugwatch.passages import joint_passage
from lugwatch.store.blocks import BlockDamaged
from lugwatch.store.rows import (
    ALERT_FIELDS,
    CREEP_FIELDS,
    ESTIMATE_FIELDS,
    FURTHER_CABLES,
    JOINT_PASSAGE_FIELDS,
    JOURNAL_FIELDS,
)

Row = sqlite3.Row | dict[str, Any]

_DAMAGED = "readings of the last hours are damaged; lugwatch salvage gets out the others"


def batch_readings(time: int, text: str) -> list[tuple[int, int, float]]:
    """Channel id, time [ms] and value of each reading of a batch of this `time`, in the order they came.

    Raises BlockDamaged for a text that was not written so: SQLite has no checksum of its own.
    """
    try:
        found = [
            (int(channel), time + since, float(value))
            for since, scan in json.loads(text, parse_constant=_no_number)
            for channel, value in scan.items()
        ]
    except (ValueError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise BlockDamaged(_DAMAGED) from error
    if not math.isfinite(sum(value for _, _, value in found)):
        raise BlockDamaged(_DAMAGED)
    return found


def _no_number(word: str) -> float:
    raise ValueError(word)


def alert_from_row(row: Row) -> Alert:
    """Also of a row, or of the text in a change, that an older version wrote: it holds fewer fields."""
    there = row.keys()
    values = {name: row[name] for name in ALERT_FIELDS if name in there}
    worst = values.get("worst_category")
    return Alert(
        **values
        | {
            "condition": Condition(row["condition"]),
            "category": Category(row["category"]),
            "state": AlertState(row["state"]),
            "worst_category": None if worst is None else Category(worst),
        }
    )


def alert_change_from_row(row: Row) -> AlertChange:
    return AlertChange(
        sequence=row["sequence"],
        time=row["time"],
        change=AlertChangeKind(row["change"]),
        alert=alert_from_row(json.loads(row["alert"])),
        who=row["who"] if "who" in row.keys() else None,  # noqa: SIM118  a Row is no mapping
        speaks=bool(row["speaks"]) if "speaks" in row.keys() else True,  # noqa: SIM118
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewActionRow:
    """One deed of the crew as it was left for `watch`; `time` [ms since 1970 UTC]."""

    action_id: int
    deed: CrewDeed
    alert_id: int | None
    joint: str | None
    for_seconds: float | None
    who: str
    time: int


def crew_action_from_row(row: Row) -> CrewActionRow:
    names = ("action_id", "alert_id", "joint", "for_seconds", "who", "time")
    return CrewActionRow(**{name: row[name] for name in names}, deed=CrewDeed(row["deed"]))


def estimate_from_row(row: Row) -> Estimate:
    values = {name: row[name] for name in ("joint", "time", *ESTIMATE_FIELDS)}
    return Estimate(**values | {"state": JointState(row["state"])})


def channel_from_row(row: Row) -> Channel:
    return Channel(
        channel=row["channel"],
        quantity=Quantity(row["quantity"]),
        name=row["name"],
        source=row["source"],
        rated_amps=row["rated_amps"],
    )


def joint_from_row(row: Row) -> Joint:
    facts = json.loads(row["facts"])
    first = () if row["cable_mm2"] is None else (row["cable_mm2"],)
    further = facts.pop(FURTHER_CABLES, ())
    return Joint(
        joint=row["joint"],
        name=row["name"],
        probe=row["probe"],
        current=row["current"],
        air=row["air"],
        neighbours=tuple(json.loads(row["neighbours"])),
        rated_amps=row["rated_amps"],
        limit_celsius=row["limit_celsius"],
        limit_basis=row["limit_basis"],
        cable_mm2=(*first, *further),
        cable_insulation=row["cable_insulation"],
        facts=facts,
    )


def source_health_from_row(row: Row) -> SourceHealth:
    return SourceHealth(
        source=row["source"],
        time=row["time"],
        state=row["state"],
        readings_count=row["readings_count"],
        faults_count=row["faults_count"],
        last_fault=row["last_fault"],
    )


def fault_from_row(row: Row) -> Fault:
    """`monotonic_seconds` is that of the fault's batch: the moment it was written."""
    return Fault(
        source=row["source"],
        channel=row["channel"],
        kind=FaultKind(row["kind"]),
        detail=row["detail"],
        monotonic_seconds=row["monotonic_seconds"],
        time=row["time"],
    )


def creep_from_row(row: Row) -> Creep:
    values = {name: row[name] for name in CREEP_FIELDS}
    return Creep(**values | {"verdict": CreepVerdict(row["verdict"])})


def rise_point_from_row(row: Row) -> Point:
    return Point(
        passage_id=row["passage_id"],
        time=row["time"],
        rise_coefficient=row["rise_coefficient"],
        rise_coefficient_sd=row["rise_coefficient_sd"],
    )


def journal_entry_from_row(row: Row) -> JournalEntry:
    values = {name: row[name] for name in JOURNAL_FIELDS}
    return JournalEntry(**values | {"kind": JournalKind(row["kind"])})


def passage_from_rows(row: Row, currents: list[sqlite3.Row], joints: list[sqlite3.Row]) -> Passage:
    return Passage(
        passage_id=row["passage_id"],
        start_time=row["start_time"],
        end_time=row["end_time"],
        amp_hours=row["amp_hours"],
        max_amps=row["max_amps"],
        currents={
            c["channel"]: CurrentPassage(amp_hours=c["amp_hours"], max_amps=c["max_amps"]) for c in currents
        },
        joints={
            j["joint"]: joint_passage(
                {name: v for name, v in dict(j).items() if name in JOINT_PASSAGE_FIELDS}
            )
            for j in joints
        },
    )
