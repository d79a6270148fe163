"""The housekeeping of the history, a bounded piece at a time, between two commits of the watch.

Each piece is a transaction of its own, so that an alert waits for one piece at most. Not here: the connection
and its transactions (`writer`). May import: closing, retention, runs.
"""

import sqlite3
from dataclasses import dataclass

from lugwatch.keeping import Keeping
from lugwatch.store.closing import DAY_MS, close_one, roll_up_one
from lugwatch.store.retention import (
    BATCHES_A_PIECE,
    drop_old_batches,
    let_go_by_order,
    let_go_by_time,
)
from lugwatch.store.runs import FIRST_TIME, Look

RETENTION_SECONDS = 60.0  # between two looks at what is too old or too much


@dataclass(slots=True)
class Tending:
    """What is kept for how long, and when that was last looked at."""

    keeping: Keeping
    next_retention_seconds: float = 0.0
    dropped_until: int = 0  # batches

    def piece(
        self,
        connection: sqlite3.Connection,
        *,
        boot_id: int,
        time: int,
        monotonic_seconds: float,
        trusted: bool,
    ) -> bool:
        """One piece within a transaction; True if there may be more at once.

        boot_id, time [ms], monotonic_seconds: of the batch written last. trusted: whether `time` is believed.
        """
        minutes_from = time - int(self.keeping.minutes_days * DAY_MS) if trusted else FIRST_TIME
        if roll_up_one(connection, Look(connection), time, minutes_from):
            return True
        if close_one(connection, boot_id, time):
            return True
        if monotonic_seconds < self.next_retention_seconds:
            return False
        done_until, self.dropped_until = self.dropped_until, drop_old_batches(connection, self.dropped_until)
        more = let_go_by_order(connection) or self.dropped_until - done_until >= BATCHES_A_PIECE
        if trusted:
            more = let_go_by_time(connection, self.keeping, time) or more
        if not more:
            self.next_retention_seconds = monotonic_seconds + RETENTION_SECONDS
        return more
