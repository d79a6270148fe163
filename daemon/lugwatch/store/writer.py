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
from lugwatch.keeping import Keeping
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
    SourceHealth,
)
from lugwatch.store import boot, learning_window, passage_tables, rows, snapshot_table
from lugwatch.store.closing import note_due
from lugwatch.store.decode import (
    CrewActionRow,
    alert_from_row,
    crew_action_from_row,
    journal_entry_from_row,
    rise_point_from_row,
)
from lugwatch.store.errors import (
    BUSY_CODES,
    DAMAGED_CODES,
    StoreFailed,
    opening_failed,
    primary_code,
    store_failed,
)
from lugwatch.store.held_back import HeldBack
from lugwatch.store.ledger import Ledger
from lugwatch.store.migrations import migrate
from lugwatch.store.opening import connect_writing
from lugwatch.store.restamping import restamp
from lugwatch.store.tending import Tending

# With a commit at least every 9 s this keeps "at most 10 s of readings lost".
SYNC_SECONDS = 4.0
LOCK_SECONDS = 12.0  # for which another program's lock is waited for (C12: 8 s must cost nothing)
_BUSY_SECONDS = 0.1  # SQLite's own wait, in real seconds; the rest is waited on the clock
_FIRST_DELAY_SECONDS = 0.05
_LONGEST_DELAY_SECONDS = 1.0
# Pages of 1 KiB before SQLite copies the WAL into the file: the oftener, the more is written twice.
_CHECKPOINT_PAGES = 8000
_WAL_BYTES = 16 * 1024 * 1024
_CACHE_KIBIBYTES = 16 * 1024
_SNAPSHOT_KEY = "pipeline"
TENDING_SECONDS = 0.3  # of housekeeping after a commit; a backlog waits for the next one
TENDING_PIECES = 40


class Store:
    """The writer. May be handed from thread to thread, never used by two at once."""

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        clock: Clock,
        giving_up: threading.Event,
        keeping: Keeping,
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
        self._tending = Tending(keeping)
        self._held = HeldBack()
        self.clock_trusted = True  # nothing is thrown away for its age while this is False

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        clock: Clock,
        boat: Boat,
        version: str,
        giving_up: threading.Event | None = None,
        keeping: Keeping | None = None,
    ) -> "Store":
        """Open or make the database and begin a boot.

        `giving_up` set ends any wait for a lock at once, so that a daemon can stop in time.
        Raises UserError (not ours, not there, no rights) or StoreFailed.
        """
        try:
            connection = _connect(path)
            store = cls(path, connection, clock, giving_up or threading.Event(), keeping or Keeping())
            try:
                store._retry(lambda: migrate(connection))
                store._retry(lambda: store._begin_boot(boat, version))
            except BaseException:
                connection.close()
                raise
        except StoreFailed as error:
            raise opening_failed(error) from error
        except sqlite3.Error as error:
            raise opening_failed(store_failed(path, error)) from error
        return store

    @property
    def keeping(self) -> Keeping:
        return self._tending.keeping

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
        patience_seconds: float = LOCK_SECONDS,
    ) -> None:
        """One batch in one transaction: all of it is in the file, or nothing.

        Waits up to `patience_seconds` for another program's lock. Raises StoreFailed, after which the same
        batch may be given again; ValueError for a NaN, an infinity or an unknown channel, our own defects.
        """
        kinds = rows.by_kind(outputs)
        sync = bool(kinds[AlertChange]) or bool(self._taken) or self._sync_is_due()
        self.ledger.whole = False
        held = self._held.with_more(
            *(kinds[kind] for kind in (Passage, LearningWindow, SourceHealth, Estimate)),
            at_once=snapshot is not None,
        )
        self._retry(
            lambda: self._write_batch(kinds, held, monotonic_seconds, time, snapshot, sync), patience_seconds
        )
        self.ledger.written()
        self._held = held.after_writing()
        self._sequence += 1
        self._taken.clear()
        if sync:
            self._synced_seconds = self._clock.monotonic_seconds()
        self._tend(monotonic_seconds, time)

    def set_right(self, first: int, last: int, by_ms: int) -> None:
        """The clock is trusted now. Labels from `first` to `last` [ms] of this boot move by `by_ms`."""

        def work() -> None:
            with self._transaction(sync=True) as connection:
                if by_ms:
                    restamp(connection, self._boot_id, first, last, by_ms)
                connection.execute("UPDATE boot SET trusted = 1 WHERE boot_id = ?", (self._boot_id,))

        self._retry(work)
        self.clock_trusted = True

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
        found = self._fetch(passage_tables.SELECT_RISES, 2 * PASSAGES_KEPT)  # a joint may have missed some
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
        found = self._fetch(snapshot_table.SELECT, _SNAPSHOT_KEY)
        return snapshot_table.from_row(found[0]) if found else None

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

    def _tend(self, monotonic_seconds: float, time: int) -> None:
        """Housekeeping for a moment. What fails is done another time: the batch itself is written."""
        end = self._clock.monotonic_seconds() + TENDING_SECONDS
        try:
            for _ in range(TENDING_PIECES):
                with self._transaction(sync=False) as connection:
                    more = self._tending.piece(
                        connection,
                        boot_id=self._boot_id,
                        time=time,
                        monotonic_seconds=monotonic_seconds,
                        trusted=self.clock_trusted,
                    )
                if not more or self._clock.monotonic_seconds() >= end:
                    return
        except sqlite3.Error as error:
            self._drop_connection(error)
            if primary_code(error) in DAMAGED_CODES:
                raise store_failed(self.path, error) from error

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

    def _retry(self, work: Callable[[], object], patience_seconds: float = LOCK_SECONDS) -> None:
        """Do `work`; on another's lock again with growing delays, for so long by the clock."""
        deadline = self._clock.monotonic_seconds() + patience_seconds
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
            begun = boot.begin(connection, boat, version, self._clock.time())
            self._boot_id, self._sequence = begun.boot_id, 0
            self._channel_ids, self._joint_ids = begun.channel_ids, begun.joint_ids
            self.ledger.begin(connection)

    def _write_batch(
        self,
        kinds: dict[type, list[Any]],
        held: HeldBack,
        monotonic_seconds: float,
        time: int,
        snapshot: str | None,
        sync: bool,
    ) -> None:
        readings = rows.readings_text(kinds[Reading], self._channel_ids, time)
        with self._transaction(sync=sync) as connection:
            cursor = connection.execute(
                rows.INSERT_BATCH, (self._boot_id, self._sequence, monotonic_seconds, time, readings)
            )
            batch_id = cursor.lastrowid
            assert batch_id is not None
            many = connection.executemany
            many(rows.INSERT_FAULT, rows.fault_rows(kinds[Fault], batch_id))
            # an hour without one good reading is an hour too
            note_due(connection, [fault.time for fault in kinds[Fault] if fault.channel is not None])
            many(rows.INSERT_ESTIMATE, rows.estimate_rows(held.estimates, self._joint_ids, batch_id))
            many(rows.UPSERT_ALERT, rows.alert_rows(kinds[Alert]))
            many(rows.INSERT_ALERT_CHANGE, rows.alert_change_rows(kinds[AlertChange], batch_id))
            self.ledger.put(connection, kinds[AlertChange])
            many(rows.INSERT_SOURCE_HEALTH, rows.source_health_rows(held.healths, batch_id))
            many(rows.INSERT_LEARNED_SHAPE, rows.learned_shape_rows(kinds[LearnedShape]))
            many(rows.INSERT_CREEP, rows.creep_rows(kinds[Creep]))
            many(rows.UPSERT_BASELINE, rows.baseline_rows(kinds[JointBaseline]))
            learning_window.put(connection, held.windows)
            passage_tables.put(connection, held.passages)
            many(
                "UPDATE crew_action SET taken_time = ? WHERE action_id = ?",
                [(time, action_id) for action_id in self._taken],
            )
            many(
                "INSERT OR REPLACE INTO alert_memory (one, time, body) VALUES (1, ?, ?)",
                [(memory.time, memory.body) for memory in kinds[AlertMemory][-1:]],
            )
            if snapshot is not None:
                snapshot_table.put(connection, _SNAPSHOT_KEY, batch_id, time, snapshot)


def _connect(path: Path) -> sqlite3.Connection:
    connection = connect_writing(path, busy_seconds=_BUSY_SECONDS)
    connection.row_factory = sqlite3.Row
    connection.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
    connection.execute(f"PRAGMA journal_size_limit = {_WAL_BYTES}")
    connection.execute(f"PRAGMA cache_size = -{_CACHE_KIBIBYTES}")
    return connection
