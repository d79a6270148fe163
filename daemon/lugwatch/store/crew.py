"""What the crew does on the page or on the command line, put where `watch` finds it.

A short connection of its own, opened and closed for one row. May import: model, store rooms.
"""

import sqlite3
from pathlib import Path

from lugwatch.model import CrewDeed
from lugwatch.store.errors import store_failed
from lugwatch.store.opening import check_ours, connect_writing

BUSY_SECONDS = 10.0  # longer than the writer's longest transaction


def put_crew_action(path: Path, deed: CrewDeed, alert_id: int, who: str, time: int) -> int:
    """Leave one deed for `watch`; its action id. Durable when this returns.

    `time` [ms since 1970 UTC]. Raises UserError (no such database, not ours) or StoreFailed.
    """
    check_ours(path, new_allowed=False)
    try:
        connection = connect_writing(path, busy_seconds=BUSY_SECONDS)
        try:
            connection.execute("PRAGMA synchronous = FULL")
            cursor = connection.execute(
                "INSERT INTO crew_action (time, deed, alert_id, who) VALUES (?, ?, ?, ?)",
                (time, deed.value, alert_id, who),
            )
            action_id = cursor.lastrowid
            assert action_id is not None
            return action_id
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise store_failed(path, error) from error
