"""Numbers that are never given twice, and what each way out still has to tell.

One history, one `history_id`: a database that was set aside or restored begins another, so a receiver
that has seen number 12 of an old one does not drop number 12 of the new. Within a history numbers only
go up. What a full card kept out of the file was told all the same, so after an end that was not clean
numbers go on beyond any that may have been given: `SEQUENCES_AHEAD` and `ALERTS_AHEAD` are skipped.

A way out (MQTT is one) has a row for each alert change that it has not delivered, written and deleted in
the transaction of a batch: a power cut parts no alert change from its row. Not here: the changes
themselves (`writer`), what is sent (publishers). May import: model, store rooms.
"""

import secrets
import sqlite3
import threading
from collections.abc import Callable, Iterable, Sequence

from lugwatch.model import AlertChange
from lugwatch.store.decode import alert_change_from_row

CHANGES_KEPT = 1000  # of each way out; about 1 MB of JSON, and a boat has a few alert changes a day
# How many alert changes and alerts a store that cannot write may let pass without a number being reused
SEQUENCES_AHEAD = 1000
ALERTS_AHEAD = 100

Fetch = Callable[..., list[sqlite3.Row]]


class Ledger:
    """Of one store, and used on its thread; only `settle` may be called from any."""

    def __init__(self, fetch: Fetch) -> None:
        self._fetch = fetch
        self.history_id = ""
        self.first = {"sequence": 1, "alert_id": 1}  # the least numbers that may be given
        self.whole = True  # all that was to be written is written
        self._ways: set[str] = set()
        self._lock = threading.Lock()
        self._settled: dict[str, set[int]] = {}
        self._deleting: dict[str, set[int]] = {}

    # ---- what a way out asks for ---------------------------------------------------------------

    def open_way(self, way: str) -> list[AlertChange]:
        """From now on each change waits for `way` until it is settled; what waits already, oldest first."""
        self._ways.add(way)
        found = self._fetch(
            "SELECT alert_change.* FROM outbox JOIN alert_change USING (sequence)"
            " WHERE way = ? ORDER BY sequence",
            way,
        )
        return [alert_change_from_row(row) for row in found]

    def settle(self, way: str, sequences: Iterable[int]) -> None:
        """These changes need not be told any more; deleted with the next batch. Never blocks for long."""
        with self._lock:
            self._settled.setdefault(way, set()).update(sequences)

    def recent_changes(self, most: int) -> list[AlertChange]:
        """The last changes of all, oldest first."""
        found = self._fetch("SELECT * FROM alert_change ORDER BY sequence DESC LIMIT ?", most)
        return [alert_change_from_row(row) for row in reversed(found)]

    def last_sequences(self) -> dict[int, int]:
        """The last sequence number of each alert that is not over."""
        found = self._fetch(
            "SELECT alert_id, max(sequence) FROM alert_change JOIN alert USING (alert_id)"
            " WHERE alert.state != 'normal' GROUP BY alert_id"
        )
        return {row[0]: row[1] for row in found}

    def follow(self, before: "Ledger") -> None:
        """Go on in another file for whom `before` told; who settles there settles here."""
        self._ways, self._lock, self._settled = before._ways, before._lock, before._settled

    # ---- inside the store's transactions -------------------------------------------------------

    def begin(self, connection: sqlite3.Connection) -> None:
        """A boot begins: numbers go on behind all that were, or may have been, given."""
        row = connection.execute("SELECT * FROM history").fetchone()
        self.history_id = row["history_id"] or secrets.token_hex(8)  # a backup has none of its own
        connection.execute("UPDATE history SET history_id = ?", (self.history_id,))
        for column, table in (("sequence", "alert_change"), ("alert_id", "alert")):
            last = connection.execute(f"SELECT coalesce(max({column}), 0) FROM {table}").fetchone()[0]
            self.first[column] = max(last, row[f"reserved_{column}"]) + 1
        _reserve(connection, self.first["sequence"] - 1, self.first["alert_id"] - 1)

    def put(self, connection: sqlite3.Connection, changes: Sequence[AlertChange]) -> None:
        """Rows of a batch: what is to be told, without what was told before it could be written."""
        with self._lock:
            self._deleting = {way: set(settled) for way, settled in self._settled.items()}
        if changes:
            _reserve(connection, changes[-1].sequence, max(c.alert.alert_id for c in changes))
        for way in self._ways:
            settled = self._deleting.get(way, set())
            new = [(way, c.sequence) for c in changes if c.sequence not in settled]
            connection.executemany("INSERT OR IGNORE INTO outbox (way, sequence) VALUES (?, ?)", new)
            connection.executemany(
                "DELETE FROM outbox WHERE way = ? AND sequence = ?", [(way, number) for number in settled]
            )
            if new:
                connection.execute(
                    "DELETE FROM outbox WHERE way = ?1 AND sequence <="
                    " (SELECT sequence FROM outbox WHERE way = ?1 ORDER BY sequence DESC LIMIT 1 OFFSET ?2)",
                    (way, CHANGES_KEPT),
                )

    def written(self) -> None:
        """The batch of the last `put` is in the file."""
        self.whole = True
        with self._lock:
            for way, numbers in self._deleting.items():
                self._settled[way] -= numbers
        self._deleting = {}

    def end(self, connection: sqlite3.Connection) -> None:
        """A clean end: what was told at last is deleted; no number was given that is not in the file."""
        with self._lock:
            settled = [(way, number) for way, numbers in self._settled.items() for number in numbers]
        connection.executemany("DELETE FROM outbox WHERE way = ? AND sequence = ?", settled)
        if self.whole:
            connection.execute(
                "UPDATE history SET reserved_sequence = reserved_sequence - ?,"
                " reserved_alert_id = reserved_alert_id - ?",
                (SEQUENCES_AHEAD, ALERTS_AHEAD),
            )


def _reserve(connection: sqlite3.Connection, sequence: int, alert_id: int) -> None:
    connection.execute(
        "UPDATE history SET reserved_sequence = max(reserved_sequence, ?),"
        " reserved_alert_id = max(reserved_alert_id, ?)",
        (sequence + SEQUENCES_AHEAD, alert_id + ALERTS_AHEAD),
    )
