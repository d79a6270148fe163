"""What goes, and when: readings by age and size, the rest by how much came since. Never a vacuum.

Alerts, journal, shapes, baselines, creeps, passages, and rows of `hour` and `day` are kept for ever. Pages
that become free are used again, so the file grows no further; it does not shrink. Each call does a bounded
piece, within the caller's transaction. Nothing that is chosen by its time goes while the clock is not
trusted: a clock in 2045 would empty the card. Not here: packing (`closing`). May import: keeping,
closing, runs.
"""

import sqlite3

from lugwatch.keeping import Keeping
from lugwatch.store.closing import DAY_MS, drop_batches
from lugwatch.store.runs import HOUR_MS

HOURS_A_PIECE = 24
MINUTES_A_PIECE = 5_000
# By order and not by time, so that a clock that is never right fills no card: about two days of a boat with
# sixteen joints; of faults a day of four dead probes and more.
ESTIMATES_IN_FULL = 100_000
ESTIMATES_A_PIECE = 8_000
FAULTS_KEPT = 100_000
HEALTH_KEPT = 5_000
BATCHES_A_PIECE = 5_000


def let_go_by_time(connection: sqlite3.Connection, keeping: Keeping, now: int) -> bool:
    """Readings and rows of `minute` that are too old, or too many. Only with a trusted `now` [ms].

    True if there may be more to do.
    """
    minutes_before = now - int(keeping.minutes_days * DAY_MS)
    gone = connection.execute(
        "DELETE FROM minute WHERE (time, channel_id) IN"
        " (SELECT time, channel_id FROM minute WHERE time < ? ORDER BY time, channel_id LIMIT ?)",
        (minutes_before, MINUTES_A_PIECE),
    ).rowcount
    more = gone == MINUTES_A_PIECE
    for _ in range(HOURS_A_PIECE):
        hour = _oldest_hour(connection)
        if hour is None:
            return more
        old = keeping.readings_days is not None and hour + HOUR_MS < now - keeping.readings_days * DAY_MS
        # the hours of today stay, whatever the size: they are what an alert is understood by
        large = hour < now - DAY_MS and used_megabytes(connection) > keeping.largest_megabytes
        if not (old or large):
            return more
        _forget_hour(connection, hour)
    return True


def used_megabytes(connection: sqlite3.Connection) -> float:
    """Of the file's pages those that hold something [MB]."""
    pages, free, size = (
        connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_count", "freelist_count", "page_size")
    )
    return float((pages - free) * size / 1e6)


def _oldest_hour(connection: sqlite3.Connection) -> int | None:
    oldest = [
        row[0]
        for (channel,) in connection.execute("SELECT channel_id FROM channel").fetchall()
        for row in connection.execute(
            "SELECT min(start_time) FROM reading_block WHERE channel_id = ?", (channel,)
        )
        if row[0] is not None
    ]
    return min(oldest) // HOUR_MS * HOUR_MS if oldest else None


def _forget_hour(connection: sqlite3.Connection, hour: int) -> None:
    blocks = [
        row
        for (channel,) in connection.execute("SELECT channel_id FROM channel").fetchall()
        for row in connection.execute(
            "SELECT block_id, times_id FROM reading_block"
            " WHERE channel_id = ? AND start_time >= ? AND start_time < ?",
            (channel, hour, hour + HOUR_MS),
        )
    ]
    connection.executemany("DELETE FROM reading_block WHERE block_id = ?", [(row[0],) for row in blocks])
    # the times that they share were written with them, by one closing of one hour, and go with them
    connection.executemany(
        "DELETE FROM block_times WHERE times_id = ?", [(i,) for i in {row[1] for row in blocks}]
    )


def let_go_by_order(connection: sqlite3.Connection) -> bool:
    """Thin out old estimates; drop old faults and words on sources. True if there may be more."""
    more = _thin_estimates(connection)
    connection.execute(
        "DELETE FROM fault WHERE fault_id <= (SELECT max(fault_id) FROM fault) - ?", (FAULTS_KEPT,)
    )
    connection.execute(
        "DELETE FROM source_health"
        " WHERE source_health_id <= (SELECT max(source_health_id) FROM source_health) - ?"
        " AND source_health_id NOT IN (SELECT max(source_health_id) FROM source_health GROUP BY source)",
        (HEALTH_KEPT,),
    )
    return more


def drop_old_batches(connection: sqlite3.Connection, done_until: int) -> int:
    """Those that an older version left and nothing refers to any more; how far that is done, as a batch."""
    if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'reading_before'").fetchall():
        return done_until  # its readings know their boot by their batch
    last = connection.execute(
        "SELECT max(batch_id) FROM (SELECT batch_id FROM batch WHERE batch_id > ? ORDER BY batch_id LIMIT ?)",
        (done_until, BATCHES_A_PIECE),
    ).fetchone()[0]
    if last is None:
        return done_until
    drop_batches(connection, done_until, last)
    return int(last)


def _thin_estimates(connection: sqlite3.Connection) -> bool:
    """The oldest become one a joint and hour, and each where a joint's state changed."""
    newest, oldest = connection.execute("SELECT max(estimate_id), min(estimate_id) FROM estimate").fetchone()
    if newest is None or newest - oldest < ESTIMATES_IN_FULL + ESTIMATES_A_PIECE:
        return False
    until = oldest + ESTIMATES_A_PIECE
    connection.execute(
        f"INSERT OR REPLACE INTO estimate_kept ({_columns(connection)}) SELECT {_columns(connection)} FROM"
        " (SELECT *, lag(state) OVER each AS state_before, lead(time) OVER each AS time_after"
        "  FROM estimate WHERE estimate_id < ? WINDOW each AS (PARTITION BY joint_id ORDER BY estimate_id))"
        " WHERE state IS NOT state_before OR time_after IS NULL"
        f" OR time_after / {HOUR_MS} != time / {HOUR_MS}",
        (until,),
    )
    connection.execute("DELETE FROM estimate WHERE estimate_id < ?", (until,))
    return True


def _columns(connection: sqlite3.Connection) -> str:
    return ", ".join(row[1] for row in connection.execute("PRAGMA table_info(estimate_kept)"))
