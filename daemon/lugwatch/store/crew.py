"""What the crew does on the page or on the command line, put where `watch` finds it.

A short connection of its own, opened and closed for one row. May import: model, store rooms.
"""

import sqlite3
from pathlib import Path

from lugwatch.model import CrewDeed, JournalEntry
from lugwatch.store import rows
from lugwatch.store.errors import store_failed
from lugwatch.store.migrations import migrate
from lugwatch.store.opening import check_ours, connect_writing

BUSY_SECONDS = 10.0  # longer than the writer's longest transaction


def put_crew_action(
    path: Path,
    deed: CrewDeed,
    alert_id: int | None,
    who: str,
    time: int,
    *,
    joint: str | None = None,
    for_seconds: float | None = None,
) -> int:
    """Leave one deed for `watch`; its action id. Durable when this returns.

    `time` [ms since 1970 UTC]; what each deed needs is said at `model.CrewAction`.
    Raises UserError (no such database, not ours) or StoreFailed.
    """
    return put_row(
        path,
        "INSERT INTO crew_action (time, deed, alert_id, joint, for_seconds, who) VALUES (?, ?, ?, ?, ?, ?)",
        (time, deed.value, alert_id, joint, for_seconds, who),
    )


def put_journal_entry(path: Path, entry: JournalEntry) -> int:
    """Write one entry into the journal, for `watch` to take in; its number. Durable when this returns.

    The number in `entry` is not used. Raises UserError (no such database, not ours) or StoreFailed.
    """
    return put_row(path, rows.INSERT_JOURNAL_ENTRY, rows.journal_row(entry))


def put_row(path: Path, insert: str, row: rows.Row) -> int:
    """Write one row and close again; its number. Raises UserError (no such database) or StoreFailed."""
    check_ours(path, new_allowed=False)
    try:
        connection = connect_writing(path, busy_seconds=BUSY_SECONDS)
        try:
            migrate(connection)
            connection.execute("PRAGMA synchronous = FULL")
            number = connection.execute(insert, row).lastrowid
            assert number is not None
            return number
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise store_failed(path, error) from error
