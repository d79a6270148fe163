"""The beginning of a boot: its row, and the boat as configured now. May import: boat_clock, model, rows."""

import sqlite3
from dataclasses import dataclass

from lugwatch.boat_clock import kernel_boot
from lugwatch.model import Boat
from lugwatch.store import rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """A boot and the numbers by which the tables name channels and joints."""

    boot_id: int
    channel_ids: dict[str, int]
    joint_ids: dict[str, int]


def begin(connection: sqlite3.Connection, boat: Boat, version: str, time: int) -> Begun:
    """Within the caller's transaction. What is no longer configured keeps its row, without a position."""
    cursor = connection.execute(
        "INSERT INTO boot (started_time, version, machine) VALUES (?, ?, ?)", (time, version, kernel_boot())
    )
    assert cursor.lastrowid is not None
    connection.execute("DELETE FROM boat")
    connection.execute("INSERT INTO boat (name, slug) VALUES (?, ?)", (boat.name, boat.slug))
    for table, columns, values in (
        ("channel", rows.CHANNEL_COLUMNS, rows.channel_rows(boat)),
        ("joint", rows.JOINT_COLUMNS, rows.joint_rows(boat)),
    ):
        connection.execute(f"UPDATE {table} SET position = NULL")
        connection.executemany(rows.upsert_watched(table, columns), values)
    return Begun(
        boot_id=cursor.lastrowid,
        channel_ids=dict(connection.execute("SELECT channel, channel_id FROM channel").fetchall()),
        joint_ids=dict(connection.execute("SELECT joint, joint_id FROM joint").fetchall()),
    )
