"""Stores and outputs for the tests of the store: small, invented, each with every field that can be."""

import os
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path

import boats
from lugwatch.clock import Clock, ManualClock
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Boat,
    Category,
    Condition,
    CurrentPassage,
    Estimate,
    Fault,
    FaultKind,
    JointPassage,
    JointState,
    Output,
    Passage,
    Reading,
    SourceHealth,
)
from lugwatch.store.writer import Store

START_TIME = boats.START_TIME


def open_store(path: Path, *, clock: Clock | None = None, boat: Boat | None = None) -> Store:
    return Store.open(path, clock=clock or ManualClock(), boat=boat or boats.boat(), version="0.1.0")


def reading(value: float, time: int = START_TIME, channel: str = "bar") -> Reading:
    return Reading(channel=channel, value=value, monotonic_seconds=1000.0, time=time)


def fault(detail: str, channel: str | None = "bar") -> Fault:
    return Fault(
        source="onewire",
        channel=channel,
        kind=FaultKind.NO_CONVERSION,
        detail=detail,
        monotonic_seconds=1000.0,
        time=START_TIME,
    )


def estimate(time: int = START_TIME, joint: str = "bar", **changes: object) -> Estimate:
    values: dict[str, object] = {
        "joint": joint,
        "time": time,
        "state": JointState.WARMING,
        "reason": None,
        "probe_time": time - 500,
        "probe_celsius": 61.25,
        "reference_celsius": 31.5,
        "rise_kelvin": 29.75,
        "current_amps": 88.5,
        "rise_coefficient": 0.0038,
        "rise_coefficient_sd": 0.0002,
        "resistance_ohms": 8.5e-05,
        "resistance_sd_ohms": 4e-06,
        "resistance_basis": "heat_balance",
        "baseline_ratio": 1.31,
        "baseline_ratio_sd": 0.06,
        "settles_at_celsius": 64.0,
        "settles_at_sd_kelvin": 1.5,
        "ends_at_celsius": 71.0,
        "ends_at_sd_kelvin": 2.25,
        "settles_at_rated_celsius": 86.0,
        "settles_at_rated_sd_kelvin": 3.25,
        "seconds_to_limit": None,
        "limit_celsius": 90.0,
    }
    return Estimate(**{**values, **changes})  # type: ignore[arg-type]


def alert(
    alert_id: int = 1, state: AlertState = AlertState.ACTIVE_UNACKNOWLEDGED, **changes: object
) -> Alert:
    values: dict[str, object] = {
        "alert_id": alert_id,
        "joint": "bar",
        "channel": None,
        "condition": Condition.HOT,
        "category": Category.ALARM,
        "state": state,
        "raised_time": START_TIME,
        "rectified_time": None,
        "acknowledged_time": None,
        "acknowledged_by": None,
        "text": "Bar is at 91.0 °C, over its limit of 90 °C.",
        "advice": "Take the load off and look at it.",
    }
    return Alert(**{**values, **changes})  # type: ignore[arg-type]


def change(sequence: int, of: Alert, kind: AlertChangeKind = AlertChangeKind.RAISED) -> AlertChange:
    return AlertChange(sequence=sequence, time=START_TIME + sequence, change=kind, alert=of)


def health(source: str, state: str = "reading", count: int = 12) -> SourceHealth:
    return SourceHealth(
        source=source,
        time=START_TIME + count,
        state=state,
        readings_count=count,
        faults_count=1,
        last_fault="no_conversion: power-on pattern",
    )


def passage(passage_id: int = 1, end_time: int | None = None, amp_hours: float = 41.5) -> Passage:
    return Passage(
        passage_id=passage_id,
        start_time=START_TIME,
        end_time=end_time,
        amp_hours=amp_hours,
        max_amps=96.0,
        currents={"alternator": CurrentPassage(amp_hours=amp_hours, max_amps=96.0)},
        joints={"bar": JointPassage(max_celsius=71.5, rise_coefficient=None, rise_coefficient_sd=None)},
    )


def put(
    store: Store, outputs: Iterable[Output], *, time: int = START_TIME, snapshot: str | None = None
) -> None:
    everything: Sequence[Output] = tuple(outputs)
    store.write(everything, monotonic_seconds=time / 1000.0, time=time, snapshot=snapshot)


def folder_state(folder: Path) -> dict[str, bytes | None]:
    """Every name in a folder with its bytes: what must be the same after a refusal."""
    return {
        entry.name: Path(entry.path).read_bytes() if entry.is_file() else None for entry in os.scandir(folder)
    }


def counts(path: Path) -> dict[str, int]:
    with closing(sqlite3.connect(path)) as connection:
        return {
            table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("batch", "reading", "fault", "estimate", "alert", "alert_change", "snapshot")
        }
