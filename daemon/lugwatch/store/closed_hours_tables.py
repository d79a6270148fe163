"""The tables of the migration `closed_hours`. Not here: filling them (`closing`). Imports nothing of ours."""

import sqlite3
from collections.abc import Callable

Execute = Callable[[str], sqlite3.Cursor]


def make(execute: Execute) -> None:
    """Readings stand in their batch until their hour is closed, and packed by channel from then on.

    A commit then writes one page, where rows with an index wrote one a channel. The view `reading` shows the
    readings of batches as rows. What stands in the tables of old is not touched here: a season would take
    minutes. It moves hour by hour while the watch runs (`closing`); `reading_before` goes when it is empty.
    """
    execute("ALTER TABLE reading RENAME TO reading_before")
    # JSON: [[ms after the batch's time, {"channel_id": value, …}], …], in the order in which they came
    execute("ALTER TABLE batch ADD COLUMN readings TEXT")
    # batches up to this one hold no readings any more; an index would write a page a commit
    execute("CREATE TABLE closed_until (batch_id INTEGER NOT NULL) STRICT")
    execute("INSERT INTO closed_until SELECT coalesce(max(batch_id), 0) FROM batch")
    execute(
        """CREATE VIEW reading AS
        SELECT CAST(said.key AS INTEGER) AS channel_id,
            batch.time + json_extract(scan.value, '$[0]') AS time,
            batch.batch_id AS batch_id,
            said.value AS value
        FROM batch, json_each(batch.readings) AS scan, json_each(scan.value, '$[1]') AS said
        WHERE batch.batch_id > (SELECT batch_id FROM closed_until)"""
    )
    if not execute("SELECT 1 FROM reading_before LIMIT 1").fetchall():
        execute("DROP TABLE reading_before")
    # the times of several channels, where one scan read them all
    execute("CREATE TABLE block_times (times_id INTEGER PRIMARY KEY, body BLOB NOT NULL) STRICT")
    execute(
        """CREATE TABLE reading_block (
            block_id INTEGER PRIMARY KEY,
            channel_id INTEGER NOT NULL,
            boot_id INTEGER NOT NULL,
            first_batch INTEGER NOT NULL,
            last_batch INTEGER NOT NULL,
            start_time INTEGER NOT NULL,
            end_time INTEGER NOT NULL,
            readings_count INTEGER NOT NULL,
            times_id INTEGER NOT NULL REFERENCES block_times,
            body BLOB NOT NULL
        ) STRICT"""
    )
    # with all that finding and counting needs, so that neither reads a block
    execute(
        "CREATE INDEX reading_block_channel"
        " ON reading_block (channel_id, start_time, end_time, readings_count)"
    )
    by_channel = "channel_id, time"
    for name, key in (("minute", "time, channel_id"), ("hour", by_channel), ("day", by_channel)):
        execute(
            f"""CREATE TABLE {name} (
                channel_id INTEGER NOT NULL,
                time INTEGER NOT NULL,
                minimum REAL,
                mean REAL,
                maximum REAL,
                count INTEGER NOT NULL,
                faults_count INTEGER NOT NULL,
                PRIMARY KEY ({key})
            ) STRICT, WITHOUT ROWID"""
        )
    # hours and days to be worked out (again): closed, or moved by a clock that was set right
    execute(
        """CREATE TABLE rollup_due (
            span TEXT NOT NULL,
            time INTEGER NOT NULL,
            PRIMARY KEY (span, time)
        ) STRICT, WITHOUT ROWID"""
    )
    _estimates_in_order(execute)
    # whether its labels were right in the end, as far as anybody could tell
    execute("ALTER TABLE boot ADD COLUMN trusted INTEGER NOT NULL DEFAULT 0")
    # the kernel's name of its own boot: within it monotonic seconds compare
    execute("ALTER TABLE boot ADD COLUMN machine TEXT NOT NULL DEFAULT ''")
    # zlib; `body` is empty where it is used
    execute("ALTER TABLE snapshot ADD COLUMN packed BLOB")


def _estimates_in_order(execute: Execute) -> None:
    """`estimate` as it came; what of it is kept for ever stays in the table of old, by joint and time."""
    columns = execute("PRAGMA table_info(estimate)").fetchall()
    execute("ALTER TABLE estimate RENAME TO estimate_kept")
    texts = [f"{name} {kind}{' NOT NULL' if required else ''}" for _, name, kind, required, _, _ in columns]
    execute(f"CREATE TABLE estimate (estimate_id INTEGER PRIMARY KEY, {', '.join(texts)}) STRICT")
