"""A damaged database: set aside under a dated name, never deleted; a new one begun; what can be read got out.

Damage is met where SQLite finds pages that cannot be as it wrote them, on opening or later; a card that lies
about what it has written makes such pages. The small tables that a boat lives by are carried over at once,
the rest by `lugwatch salvage`. May import: clock, model, store rooms.
"""

import contextlib
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lugwatch import __version__
from lugwatch.clock import Clock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.keeping import Keeping
from lugwatch.model import Boat
from lugwatch.store.blocks import BlockDamaged, is_sound
from lugwatch.store.decode import batch_readings
from lugwatch.store.errors import CannotWrite, HistoryDamaged, text_is_text
from lugwatch.store.late import LateStore
from lugwatch.store.migrations import migrate
from lugwatch.store.opening import connect_writing
from lugwatch.store.writer import Store
from lugwatch.units import format_time

# Kept for ever, small, and what a boat that is watched goes on from.
PRECIOUS = (
    *("boot", "batch", "channel", "joint", "alert", "alert_change", "journal", "baseline", "learned_shape"),
    *("creep", "passage", "passage_current", "passage_joint", "learning_window", "snapshot", "proof_test"),
    *("alert_memory", "outbox", "push_line", "push_heard", "passage_decision", "passage_part"),
    *("fitting_check", "photo"),
)
ADVICE = (
    "Watching goes on, with what was learned as far as it could be read. The old file is kept beside the new;"
    " `lugwatch salvage` gets out of it what can be read. A card that did this once will do it again:"
    " put in another one soon."
)
Rows = list[tuple[Any, ...]]
COMPANIONS = ("", "-wal", "-shm", "-journal")
_ROWS_A_STEP = 256
# Steps over rows that cannot be read double; beyond this many failures in a row the rest is given up.
_FAILURES_IN_A_ROW = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Salvaged:
    """Rows got out of each table, and the tables that gave an error somewhere."""

    rows: dict[str, int]
    damaged: tuple[str, ...]


def open_or_begin_anew(
    path: Path, *, clock: Clock, boat: Boat, keeping: Keeping
) -> tuple[Store, Path | None]:
    """The store of a watch, and where a damaged one was set aside, if it was.

    Raises UserError (not ours, not there, no rights) or StoreFailed.
    """

    def opened() -> Store:
        return Store.open(path, clock=clock, boat=boat, version=__version__, keeping=keeping)

    there = path.is_file() and path.stat().st_size > 0
    try:
        return opened(), None
    except CannotWrite:
        if not there:
            raise
        return LateStore(path, boat, clock, keeping), None
    except HistoryDamaged:
        aside = set_aside(path, clock.time())
    carry_over(aside, path)
    return opened(), aside


def begin_anew(store: Store, *, clock: Clock, boat: Boat) -> tuple[Store, Path]:
    """The same in a running watch, whose store has met damage. Raises UserError or OperationFailed."""
    store.close()
    aside = set_aside(store.path, clock.time())
    carry_over(aside, store.path)
    fresh = Store.open(store.path, clock=clock, boat=boat, version=__version__, keeping=store.keeping)
    if store.clock_trusted:
        fresh.set_right(0, 0, 0)
    fresh.clock_trusted = store.clock_trusted
    fresh.ledger.follow(store.ledger)
    return fresh, aside


def aside_name(path: Path, time: int, word: str) -> Path:
    """A name beside `path` that nothing has yet, with why it is kept and the date."""
    stamp = format_time(time // 1000 * 1000).replace(":", "").replace("-", "")
    aside = path.with_name(f"{path.name}.{word}-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.{word}-{stamp}-{number}")
    return aside


def set_aside(path: Path, time: int) -> Path:
    """Give the database and what belongs to it another name: beside it, with the date. Nothing is deleted."""
    aside = aside_name(path, time, "damaged")
    try:
        # the database last: a cut in between finds it again with what belongs to it
        for end in reversed(COMPANIONS):
            with contextlib.suppress(FileNotFoundError):
                path.with_name(path.name + end).rename(aside.with_name(aside.name + end))
    except OSError as error:
        raise OperationFailed(
            f"{path}: is damaged and cannot be set aside ({error.strerror}); check the card"
        ) from error
    return aside


def carry_over(aside: Path, path: Path) -> None:
    """The precious tables into a new database; what cannot be read stays behind, and raises nothing."""
    with contextlib.suppress(sqlite3.Error, OperationFailed, UserError), text_is_text():
        _copy(aside, path, PRECIOUS, lambda _: None)


def salvage(damaged: Path, out: Path, progress: Callable[[str], None]) -> Salvaged:
    """Everything that can be read of `damaged` into a new database `out`.

    `progress` hears the name of each table. Raises UserError or OperationFailed.
    """
    if not damaged.is_file():
        raise UserError(f"{damaged}: there is no such file; give the one that was set aside")
    if out.exists():
        raise UserError(f"{out}: is there already; name a new file")
    if not out.parent.is_dir():
        raise UserError(f"{out}: the folder {out.parent} is not there; make it first")
    try:
        with text_is_text():
            found = _copy(damaged, out, None, progress)
    except sqlite3.Error as error:
        out.unlink(missing_ok=True)
        raise OperationFailed(f"{damaged}: nothing of it can be read ({error}); try a backup") from error
    if not sum(found.rows.values()):
        out.unlink(missing_ok=True)
        raise OperationFailed(f"{damaged}: nothing of it can be read; try a backup")
    return found


def _copy(
    damaged: Path, out: Path, only: tuple[str, ...] | None, progress: Callable[[str], None]
) -> Salvaged:
    rows: dict[str, int] = {}
    failed: list[str] = []
    target = connect_writing(out, busy_seconds=10.0)
    source = sqlite3.connect(damaged.absolute().as_uri() + "?mode=rw", uri=True, isolation_level=None)
    try:
        migrate(target)
        target.execute("PRAGMA foreign_keys = OFF")
        there = dict(source.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'").fetchall())
        before = "reading_before" if "reading_before" in there else "reading"
        if only is None and before in there:
            # what an older version wrote is packed by the next watch
            target.execute(
                there[before].replace('"', "").replace("TABLE reading (", "TABLE reading_before (")
            )
        target.execute("BEGIN IMMEDIATE")
        for table in _tables(target):
            read_from = before if table == "reading_before" else table
            # the new file is a history of its own, and its numbers go on behind those of the rows
            if table == "history" or read_from not in there or (only is not None and table not in only):
                continue
            progress(table)
            rows[table], whole = _copy_table(source, target, read_from, table)
            failed += [] if whole else [table]
        _name_lost_channels(target)
        if only is not None:
            # readings stay behind; batches are carried for what refers to them
            target.execute("UPDATE batch SET readings = NULL")
            target.execute(
                "UPDATE closed_until SET batch_id = (SELECT coalesce(max(batch_id), 0) FROM batch)"
            )
        target.execute("COMMIT")
        target.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        source.close()
        target.close()
    return Salvaged(rows=rows, damaged=tuple(failed))


def _name_lost_channels(target: sqlite3.Connection) -> None:
    """Readings whose channel cannot be read any more are not hidden by that."""
    target.execute(
        "INSERT INTO channel (channel_id, channel, quantity, name)"
        " SELECT DISTINCT channel_id, 'channel_' || channel_id, 'celsius', 'Channel ' || channel_id"
        " FROM reading_block WHERE channel_id NOT IN (SELECT channel_id FROM channel)"
    )


def _tables(connection: sqlite3.Connection) -> list[str]:
    found = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND sql LIKE '%STRICT%'")
    return [row[0] for row in found.fetchall()]


def _copy_table(
    source: sqlite3.Connection, target: sqlite3.Connection, read_from: str, table: str
) -> tuple[int, bool]:
    """How many rows came over, and whether none gave an error."""
    try:
        theirs = [row[1] for row in source.execute(f"PRAGMA table_info({read_from})")]
    except sqlite3.Error:
        return 0, False
    ours = {row[1] for row in target.execute(f"PRAGMA table_info({table})")}
    columns = ", ".join(name for name in theirs if name in ours)
    marks = ", ".join("?" for name in theirs if name in ours)
    if table in ("closed_until", "boat"):
        target.execute(f"DELETE FROM {table}")
    insert = f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})"
    body = [name for name in theirs if name in ours].index("body") if "body" in ours else 0
    readings = columns.split(", ").index("readings") if table == "batch" and "readings" in ours else None
    count, whole = 0, True
    for found in _readable(source, read_from, columns):
        if found is None:
            whole = False
            continue
        # noise in a packed hour is no error to SQLite
        packed = table in ("reading_block", "block_times")
        sound = [row for row in found if is_sound(row[body])] if packed else list(found)
        if readings is not None:
            # faults and alerts belong to the batch, so that stays
            lost = [i for i, row in enumerate(sound) if not _is_read(row[readings])]
            for i in lost:
                sound[i] = (*sound[i][:readings], None, *sound[i][readings + 1 :])
            whole = whole and not lost
        whole = whole and len(sound) == len(found)
        target.executemany(insert, sound)
        count += len(sound)
    return count, whole


def _is_read(text: object) -> bool:
    """Whether the readings of a batch, if it has any, are as they were written."""
    try:
        return text is None or batch_readings(0, str(text)) is not None
    except BlockDamaged:
        return False


def _readable(source: sqlite3.Connection, table: str, columns: str) -> Iterator[Rows | None]:
    """Rows in steps; None where some could not be read. Rows behind a bad page are found by their rowid."""
    try:
        last = source.execute(f"SELECT max(rowid) FROM {table}").fetchone()[0]
    except sqlite3.Error as error:
        if "no such column" not in str(error):
            last = None
            yield None
        else:
            yield from _readable_in_order(source, table, columns)
            return
    at, step, failures = 0, 1, 0
    while last is None or at < last:
        try:
            found = source.execute(
                f"SELECT rowid, {columns} FROM {table} WHERE rowid > ? ORDER BY rowid LIMIT {_ROWS_A_STEP}",
                (at,),
            ).fetchall()
        except sqlite3.Error:
            # first what lies before the bad row, one by one; then over it, in steps that double
            single = _one(source, table, columns, at)
            if single is not None:
                yield [single[1:]]
                at, step, failures = single[0], 1, 0
                continue
            yield None
            at, step, failures = at + step, step * 2, failures + 1
            if failures > _FAILURES_IN_A_ROW:
                return
            continue
        if not found:
            return
        if failures:
            # the last step went too far: rows between it and the bad page are good
            at = _first_readable(source, table, columns, at - step // 2, at)
            failures, step = 0, 1
            continue
        yield [row[1:] for row in found]
        at, step, failures = found[-1][0], 1, 0


def _first_readable(source: sqlite3.Connection, table: str, columns: str, bad: int, good: int) -> int:
    """The least rowid behind which a row can be read, by halving between one that fails and one that does."""
    while good - bad > 1:
        middle = (bad + good) // 2
        bad, good = (bad, middle) if _one(source, table, columns, middle) is not None else (middle, good)
    return good


def _one(source: sqlite3.Connection, table: str, columns: str, after: int) -> tuple[Any, ...] | None:
    try:
        row = source.execute(
            f"SELECT rowid, {columns} FROM {table} WHERE rowid > ? ORDER BY rowid LIMIT 1", (after,)
        ).fetchone()
    except sqlite3.Error:
        return None
    return None if row is None else tuple(row)


def _readable_in_order(source: sqlite3.Connection, table: str, columns: str) -> Iterator[Rows | None]:
    """A table without rowids: from its beginning, and from its end, as far as each goes."""
    keys = [row[1] for row in source.execute(f"PRAGMA table_info({table})") if row[5]]
    for way in ("ASC", "DESC"):
        order = ", ".join(f"{key} {way}" for key in keys)
        try:
            cursor = source.execute(f"SELECT {columns} FROM {table} ORDER BY {order}")
            while found := cursor.fetchmany(_ROWS_A_STEP):
                yield found
            return
        except sqlite3.Error:
            yield None
