"""The table `learning_window`: what joints are still to be learned from. May import: model, learning."""

import json
import sqlite3
from collections.abc import Sequence

from lugwatch.learning import WINDOWS_KEPT
from lugwatch.model import LearningWindow

SELECT = "SELECT * FROM learning_window ORDER BY learning_window_id"
_INSERT = "INSERT INTO learning_window (time, record_seconds, joints, body) VALUES (?, ?, ?, ?)"
# a joint that never carries anything is never learned: what nobody would look at again goes
_DELETE_OLD = (
    "DELETE FROM learning_window WHERE learning_window_id <="
    f" (SELECT max(learning_window_id) FROM learning_window) - {WINDOWS_KEPT}"
)


def put(connection: sqlite3.Connection, windows: Sequence[LearningWindow]) -> None:
    """Add windows in their order; one without a body says that all before it may go."""
    if not windows:
        return
    first = max((i + 1 for i, window in enumerate(windows) if window.body is None), default=0)
    if first:
        connection.execute("DELETE FROM learning_window")
    rows = [(w.time, w.record_seconds, json.dumps(w.joints), w.body) for w in windows[first:]]
    connection.executemany(_INSERT, rows)
    connection.execute(_DELETE_OLD)


def from_row(row: sqlite3.Row) -> LearningWindow:
    return LearningWindow(
        time=row["time"],
        record_seconds=row["record_seconds"],
        joints=tuple(json.loads(row["joints"])),
        body=row["body"],
    )
