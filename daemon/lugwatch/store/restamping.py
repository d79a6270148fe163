"""Labels of this boot moved by as much as its clock was wrong. Order is the batch's and stays.

Every wall label stands in an INTEGER column named `time` or `…_time`, so the tables themselves say where.
Readings in batches stand to the batch's time, those in blocks to the block's, so nothing is unpacked. Within
the caller's transaction. May import: closing.
"""

import sqlite3

from lugwatch.store.closing import note_due

# By boot and not by label; and what is worked out of them anew.
_NOT_BY_LABEL = frozenset(
    {"batch", "reading_block", "reading_before", "minute", "hour", "day", "rollup_due", "journal", "boot"}
)


def restamp(connection: sqlite3.Connection, boot_id: int, first: int, last: int, by_ms: int) -> None:
    """Labels from `first` to `last` [ms] of this boot are `by_ms` too small."""
    connection.execute("UPDATE batch SET time = time + ? WHERE boot_id = ?", (by_ms, boot_id))
    connection.execute("UPDATE boot SET started_time = started_time + ? WHERE boot_id = ?", (by_ms, boot_id))
    hours = [
        time
        for start, end in connection.execute(
            "SELECT start_time, end_time FROM reading_block WHERE boot_id = ?", (boot_id,)
        )
        for time in (start, end, start + by_ms, end + by_ms, (start + end) // 2, (start + end) // 2 + by_ms)
    ]
    hours += [row[0] + by_ms for row in connection.execute("SELECT time FROM rollup_due WHERE span = 'hour'")]
    faults = connection.execute("SELECT time FROM fault WHERE time BETWEEN ? AND ?", (first, last)).fetchall()
    hours += [time for (fault,) in faults for time in (fault, fault + by_ms)]
    connection.execute(
        "UPDATE reading_block SET start_time = start_time + ?, end_time = end_time + ? WHERE boot_id = ?",
        (by_ms, by_ms, boot_id),
    )
    note_due(connection, hours)
    for table in _tables(connection):
        for column in _labels(connection, table):
            connection.execute(
                f"UPDATE {table} SET {column} = {column} + ? WHERE {column} BETWEEN ? AND ?",
                (by_ms, first, last),
            )


def _tables(connection: sqlite3.Connection) -> list[str]:
    found = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND sql LIKE '%STRICT%'")
    return [row[0] for row in found.fetchall() if row[0] not in _NOT_BY_LABEL]


def _labels(connection: sqlite3.Connection, table: str) -> list[str]:
    return [
        row[1]
        for row in connection.execute(f"PRAGMA table_info({table})")
        if row[2] == "INTEGER" and (row[1] == "time" or row[1].endswith("_time"))
    ]
