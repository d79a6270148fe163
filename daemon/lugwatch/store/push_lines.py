"""What messages still have to tell, in the database: it outlives kill −9 and power cuts.

Each change of an alert that was committed and that messages have not taken in is found again by its
number, so a cut between commit and message loses none. A short connection of its own for each use, in
the process whose store has opened the file, and brought its tables up to date, already.
Not here: what a line means (`publishers.push_outbox`). May import: model, store rooms.
"""

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, TypeVar

from lugwatch.model import AlertChange
from lugwatch.store.decode import alert_change_from_row
from lugwatch.store.errors import store_failed
from lugwatch.store.opening import connect_again

BUSY_SECONDS = 10.0  # longer than the writer's longest transaction
COLUMNS = (
    *("destination", "alert_id", "sequence", "category", "raised_time", "title", "body"),
    *("is_over", "is_waiting", "is_told", "tries", "last_error", "queued_time", "sent_time"),
)
_T = TypeVar("_T")


def load(path: Path) -> tuple[int | None, list[dict[str, Any]], list[AlertChange]]:
    """How far messages have heard (None: never), their lines, and the changes since.

    Raises StoreFailed.
    """

    def work(connection: sqlite3.Connection) -> tuple[int | None, list[dict[str, Any]], list[AlertChange]]:
        lines = [dict(row) for row in connection.execute("SELECT * FROM push_line ORDER BY alert_id")]
        found = connection.execute("SELECT sequence FROM push_heard").fetchone()
        if found is None:
            return None, lines, []
        # a history that was set back or never written counts its changes again from there
        last = connection.execute("SELECT coalesce(max(sequence), 0) FROM alert_change").fetchone()[0]
        heard = min(found[0], last)
        rows = connection.execute("SELECT * FROM alert_change WHERE sequence > ? ORDER BY sequence", (heard,))
        return heard, lines, [alert_change_from_row(row) for row in rows]

    return _with(path, work)


def save(path: Path, heard: int, lines: Sequence[dict[str, Any]], gone: Sequence[tuple[int, int]]) -> None:
    """These lines are as they are now, those (destination, alert_id) are gone; all of it or nothing.

    Durable when this returns. Raises StoreFailed.
    """
    insert = (
        f"INSERT OR REPLACE INTO push_line ({', '.join(COLUMNS)}) "
        f"VALUES ({', '.join(f':{name}' for name in COLUMNS)})"
    )

    def work(connection: sqlite3.Connection) -> None:
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(insert, lines)
        connection.executemany("DELETE FROM push_line WHERE destination = ? AND alert_id = ?", gone)
        connection.execute(
            "INSERT OR REPLACE INTO push_heard (push_heard_id, sequence) VALUES (1, ?)", (heard,)
        )
        connection.execute("COMMIT")

    _with(path, work)


def last_sequence(path: Path) -> int:
    """The number of the last change of an alert that was committed. Raises StoreFailed."""
    return _with(
        path,
        lambda connection: int(
            connection.execute("SELECT coalesce(max(sequence), 0) FROM alert_change").fetchone()[0]
        ),
    )


def _with(path: Path, work: Callable[[sqlite3.Connection], _T]) -> _T:
    try:
        with closing(connect_again(path, busy_seconds=BUSY_SECONDS)) as connection:
            connection.row_factory = sqlite3.Row
            return work(connection)
    except sqlite3.Error as error:
        raise store_failed(path, error) from error
