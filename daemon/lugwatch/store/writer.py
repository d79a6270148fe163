"""The one connection that writes what the core says. One transaction a batch, all of it or nothing.

Durability: WAL keeps the file whole through any cut; what a cut may take is decided by when the
WAL is synced to the card. A commit with an alert change is synced before `write` returns, and so is
one whose last synced commit is `SYNC_SECONDS` old: each sync wears the card, so not every one.
Not here: queues, threads, what to do when the disk is full. May import: clock, model, store rooms.
"""

import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from lugwatch.clock import Clock
from lugwatch.creep import PASSAGES_KEPT, Point
from lugwatch.errors import UserError
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertMemory,
    AlertState,
    Boat,
    Creep,
    Estimate,
    Fault,
    JointBaseline,
    JournalEntry,
    LearnedShape,
    LearningWindow,
    Output,
    Passage,
    Reading,
    Scan,
    SourceHealth,
)
from lugwatch.store import learning_window, rows
from lugwatch.store.decode import (
    CrewActionRow,
    alert_from_row,
    crew_action_from_row,
    journal_entry_from_row,
    rise_point_from_row,
)
from lugwatch.store.errors import (
    BUSY_CODES,
    StoreDamaged,
    StoreFull,
    StoreReadOnly,
    primary_code,
    store_failed,
)
from lugwatch.store.ledger import Ledger
from lugwatch.store.migrations import migrate
from lugwatch.store.opening import connect_writing

# With a commit at least every 5 s this keeps "at most 10 s of readings lost".
SYNC_SECONDS = 4.0
# How long a lock held by another program is waited for in all (case C12: 8 s must cost nothing).
LOCK_SECONDS = 12.0
_BUSY_SECONDS = 0.1  # SQLite's own wait, in real seconds; the rest is waited on the clock
_FIRST_DELAY_SECONDS = 0.05
_LONGEST_DELAY_SECONDS = 1.0
# Pages of 4 KiB before SQLite copies the WAL into the file, and what the WAL is cut back to.
_CHECKPOINT_PAGES = 2000
_WAL_BYTES = 16 * 1024 * 1024
_CACHE_KIBIBYTES = 16 * 1024
_SNAPSHOT_KEY = "pipeline"


class Store:
    """The writer. May be handed from thread to thread, never used by two at once."""

    def __init__(
        self, path: Path, connection: sqlite3.Connection, clock: Clock, giving_up: threading.Event
    ) -> None:
        self.path = path
        self._connection: sqlite3.Connection | None = connection
        self._clock = clock
        self._giving_up = giving_up
        self._boot_id = 0
        self._sequence = 0
        self._synced_seconds: float | None = None  # monotonic, of the last commit that was synced
        self._channel_ids: dict[str, int] = {}
        self._joint_ids: dict[str, int] = {}
        self.ledger = Ledger(self._fetch)
        self._taken: list[int] = []  # crew actions handed out and not yet marked in the file

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        clock: Clock,
        boat: Boat,
        version: str,
        giving_up: threading.Event | None = None,
    ) -> "Store":
        """Open or make the database and begin a boot.

        `giving_up` set ends any wait for a lock at once, so that a daemon can stop in time.
        Raises UserError (not ours, not there, no rights) or StoreFailed.
        """
        try:
            connection = _connect(path)
            store = cls(path, connection, clock, giving_up or threading.Event())
            try:
                store._retry(lambda: migrate(connection))
                store._retry(lambda: store._begin_boot(boat, version))
            except BaseException:
                connection.close()
                raise
        except (StoreReadOnly, StoreFull, StoreDamaged) as error:
            raise UserError(f"{error}") from error
        except sqlite3.Error as error:
            failed = store_failed(path, error)
            if isinstance(failed, (StoreReadOnly, StoreFull, StoreDamaged)):
                raise UserError(f"{failed}") from error
            raise failed from error
        return store

    @property
    def boot_id(self) -> int:
        return self._boot_id

    def write(
        self,
        outputs: Sequence[Output],
        *,
        monotonic_seconds: float,
        time: int,
        snapshot: str | None = None,
    ) -> None:
        """One batch in one transaction: all of it is in the file, or nothing.

        Waits up to LOCK_SECONDS for another program's lock. Raises StoreBusy, StoreFull,
        StoreReadOnly, StoreDamaged or StoreFailed, after which the same batch may be given again;
        ValueError for a NaN, an infinity or an unknown channel, which are our own defects.
        """
        kinds = rows.by_kind(outputs)
        sync = bool(kinds[AlertChange]) or bool(self._taken) or self._sync_is_due()
        self.ledger.whole = False
        self._retry(lambda: self._write_batch(kinds, monotonic_seconds, time, snapshot, sync))
        self.ledger.written()
        self._sequence += 1
        self._taken.clear()
        if sync:
            self._synced_seconds = self._clock.monotonic_seconds()

    def load_alerts(self) -> list[Alert]:
        """Alerts that are not over, oldest first."""
        found = self._fetch("SELECT * FROM alert WHERE state != ? ORDER BY alert_id", AlertState.NORMAL.value)
        return [alert_from_row(row) for row in found]

    def next_alert_id(self) -> int:
        return self._next("alert", "alert_id")

    def next_alert_sequence(self) -> int:
        return self._next("alert_change", "sequence")

    def next_passage_id(self) -> int:
        return self._next("passage", "passage_id")

    def load_rises(self) -> dict[str, list[Point]]:
        """Each joint's rise coefficient on the passages that have ended since its shape was last learned.

        Oldest first, of the latest passages only: no more than a creep is judged by.
        """
        found = self._fetch(
            "SELECT passage_joint.*, (start_time + end_time) / 2 AS time FROM passage_joint"
            " JOIN passage USING (passage_id) WHERE end_time IS NOT NULL"
            " AND rise_coefficient IS NOT NULL AND rise_coefficient_sd IS NOT NULL AND start_time >"
            " (SELECT coalesce(max(time), start_time - 1) FROM learned_shape"
            "  WHERE learned_shape.joint = passage_joint.joint)"
            " AND passage_id > (SELECT max(passage_id) FROM passage) - ? ORDER BY passage_id",
            2 * PASSAGES_KEPT,  # a joint may have missed some
        )
        points: dict[str, list[Point]] = {}
        for row in found:
            points.setdefault(row["joint"], []).append(rise_point_from_row(row))
        return points

    def load_journal(self, after: int = 0) -> list[JournalEntry]:
        """Entries with a higher number, in the order in which they were written."""
        found = self._fetch("SELECT * FROM journal WHERE entry_id > ? ORDER BY entry_id", after)
        return [journal_entry_from_row(row) for row in found]

    def load_learning_windows(self) -> list[LearningWindow]:
        """What joints are still to be learned from, oldest first."""
        return [learning_window.from_row(row) for row in self._fetch(learning_window.SELECT)]

    def load_snapshot(self) -> tuple[int, int, str] | None:
        """Boot id, time [ms] and text of the last snapshot written, or None."""
        found = self._fetch(
            "SELECT batch.boot_id, snapshot.time, snapshot.body FROM snapshot JOIN batch USING (batch_id)"
            " WHERE snapshot.key = ?",
            _SNAPSHOT_KEY,
        )
        return (found[0][0], found[0][1], found[0][2]) if found else None

    def load_alert_memory(self) -> str | None:
        """The body of the last `AlertMemory` written, or None."""
        found = self._fetch("SELECT body FROM alert_memory")
        return found[0][0] if found else None

    def take_crew_actions(self) -> list[CrewActionRow]:
        """What the crew did since the last call; each is handed out once.

        They are marked in the file with the next `write`, in the same transaction as what the core
        makes of them: a cut in between hands them out again instead of losing them.
        """
        found = self._fetch("SELECT * FROM crew_action WHERE taken_time IS NULL ORDER BY action_id")
        known = set(self._taken)
        actions = [crew_action_from_row(row) for row in found if row["action_id"] not in known]
        self._taken += [action.action_id for action in actions]
        return actions

    def checkpoint(self) -> None:
        """Copy the WAL into the file and cut it back, as far as readers allow."""
        self._retry(lambda: self._fetch("PRAGMA wal_checkpoint(TRUNCATE)"))

    def close(self) -> None:
        """Sync everything into the one file. Never raises for the disk's sake: it is all committed."""
        connection, self._connection = self._connection, None
        if connection is None:
            return
        try:
            self.ledger.end(connection)
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.Error:
            pass  # a reader or a full disk; the WAL keeps what is committed
        finally:
            connection.close()

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ---- inside ------------------------------------------------------------------------------

    def _sync_is_due(self) -> bool:
        last = self._synced_seconds
        return last is None or self._clock.monotonic_seconds() - last >= SYNC_SECONDS

    def _open_connection(self) -> sqlite3.Connection:
        if self._connection is None:
            self._connection = _connect(self.path)
        return self._connection

    def _fetch(self, sql: str, *parameters: object) -> list[sqlite3.Row]:
        try:
            return self._open_connection().execute(sql, parameters).fetchall()
        except sqlite3.Error as error:
            raise store_failed(self.path, error) from error

    def _next(self, table: str, column: str) -> int:
        last = int(self._fetch(f"SELECT coalesce(max({column}), 0) FROM {table}")[0][0])
        return max(last + 1, self.ledger.first.get(column, 1))

    def _retry(self, work: Callable[[], object]) -> None:
        """Do `work`; on another's lock again with growing delays, for LOCK_SECONDS of the clock."""
        deadline = self._clock.monotonic_seconds() + LOCK_SECONDS
        delay_seconds = _FIRST_DELAY_SECONDS
        while True:
            try:
                work()
                return
            except sqlite3.IntegrityError:
                raise  # a row that cannot be: our own defect, not the disk's
            except sqlite3.Error as error:
                given_up = self._clock.monotonic_seconds() >= deadline or self._giving_up.is_set()
                if primary_code(error) not in BUSY_CODES or given_up:
                    self._drop_connection(error)
                    raise store_failed(self.path, error) from error
            self._clock.wait(self._giving_up, delay_seconds)
            delay_seconds = min(_LONGEST_DELAY_SECONDS, delay_seconds * 2)

    def _drop_connection(self, error: sqlite3.Error) -> None:
        """After a read-only or failed disk a new connection may work where the old cannot."""
        if primary_code(error) in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR):
            connection, self._connection = self._connection, None
            if connection is not None:
                connection.close()

    @contextmanager
    def _transaction(self, *, sync: bool) -> Iterator[sqlite3.Connection]:
        connection = self._open_connection()
        # may only change between transactions; FULL syncs the WAL before COMMIT returns
        connection.execute(f"PRAGMA synchronous = {'FULL' if sync else 'NORMAL'}")
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise

    def _begin_boot(self, boat: Boat, version: str) -> None:
        with self._transaction(sync=True) as connection:
            cursor = connection.execute(
                "INSERT INTO boot (started_time, version) VALUES (?, ?)", (self._clock.time(), version)
            )
            assert cursor.lastrowid is not None
            self._boot_id, self._sequence = cursor.lastrowid, 0
            self.ledger.begin(connection)
            connection.execute("DELETE FROM boat")
            connection.execute("INSERT INTO boat (name, slug) VALUES (?, ?)", (boat.name, boat.slug))
            for table, columns, values in (
                ("channel", rows.CHANNEL_COLUMNS, rows.channel_rows(boat)),
                ("joint", rows.JOINT_COLUMNS, rows.joint_rows(boat)),
            ):
                connection.execute(f"UPDATE {table} SET position = NULL")
                connection.executemany(rows.upsert_watched(table, columns), values)
            self._channel_ids = dict(connection.execute("SELECT channel, channel_id FROM channel").fetchall())
            self._joint_ids = dict(connection.execute("SELECT joint, joint_id FROM joint").fetchall())

    def _write_batch(
        self,
        kinds: dict[type, list[Any]],
        monotonic_seconds: float,
        time: int,
        snapshot: str | None,
        sync: bool,
    ) -> None:
        with self._transaction(sync=sync) as connection:
            cursor = connection.execute(
                "INSERT INTO batch (boot_id, sequence, monotonic_seconds, time) VALUES (?, ?, ?, ?)",
                (self._boot_id, self._sequence, monotonic_seconds, time),
            )
            batch_id = cursor.lastrowid
            assert batch_id is not None
            self._put_readings(connection, kinds[Reading], batch_id)
            many = connection.executemany
            many(rows.INSERT_FAULT, rows.fault_rows(kinds[Fault], batch_id))
            many(rows.INSERT_ESTIMATE, rows.estimate_rows(kinds[Estimate], self._joint_ids, batch_id))
            many(rows.UPSERT_ALERT, rows.alert_rows(kinds[Alert]))
            many(rows.INSERT_ALERT_CHANGE, rows.alert_change_rows(kinds[AlertChange], batch_id))
            self.ledger.put(connection, kinds[AlertChange])
            many(rows.INSERT_SOURCE_HEALTH, rows.source_health_rows(kinds[SourceHealth], batch_id))
            many(rows.INSERT_LEARNED_SHAPE, rows.learned_shape_rows(kinds[LearnedShape]))
            many(rows.INSERT_CREEP, rows.creep_rows(kinds[Creep]))
            many(rows.UPSERT_BASELINE, rows.baseline_rows(kinds[JointBaseline]))
            learning_window.put(connection, kinds[LearningWindow])
            _put_passages(connection, kinds[Passage])
            many(
                "UPDATE crew_action SET taken_time = ? WHERE action_id = ?",
                [(time, action_id) for action_id in self._taken],
            )
            many(
                "INSERT OR REPLACE INTO alert_memory (one, time, body) VALUES (1, ?, ?)",
                [(memory.time, memory.body) for memory in kinds[AlertMemory][-1:]],
            )
            if snapshot is not None:
                connection.execute(
                    "INSERT OR REPLACE INTO snapshot (key, batch_id, time, body) VALUES (?, ?, ?, ?)",
                    (_SNAPSHOT_KEY, batch_id, time, snapshot),
                )

    def _put_readings(
        self, connection: sqlite3.Connection, readings: list[Reading | Scan], batch_id: int
    ) -> None:
        found = rows.reading_rows(readings, self._channel_ids, batch_id)
        try:
            connection.executemany(rows.INSERT_READING, found)
        except sqlite3.IntegrityError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY:
                raise
            # a channel twice in one ms: rare, so only then is every row counted
            connection.execute("DELETE FROM reading WHERE batch_id = ?", (batch_id,))
            connection.executemany(rows.INSERT_READING, rows.numbered(found))


def _put_passages(connection: sqlite3.Connection, passages: list[Passage]) -> None:
    for passage in rows.latest_passages(passages):
        connection.execute(rows.UPSERT_PASSAGE, rows.passage_row(passage))
        for table in ("passage_current", "passage_joint"):
            connection.execute(f"DELETE FROM {table} WHERE passage_id = ?", (passage.passage_id,))
        connection.executemany(rows.INSERT_PASSAGE_CURRENT, rows.passage_current_rows(passage))
        connection.executemany(rows.INSERT_PASSAGE_JOINT, rows.passage_joint_rows(passage))


def _connect(path: Path) -> sqlite3.Connection:
    connection = connect_writing(path, busy_seconds=_BUSY_SECONDS)
    connection.row_factory = sqlite3.Row
    connection.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
    connection.execute(f"PRAGMA journal_size_limit = {_WAL_BYTES}")
    connection.execute(f"PRAGMA cache_size = -{_CACHE_KIBIBYTES}")
    return connection
