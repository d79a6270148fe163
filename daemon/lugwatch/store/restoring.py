"""A backup put back in the database's place: proved first, the present database set aside, never deleted.

Until the last step the present database is as it was; that step is one rename, so that a power cut leaves
the one or the other. The caller holds the watch's lock (`watching.only_instance`); what other programs have
open is waited for here. May import: backup, backup_note, blocks, clock, damage, decode, disks, errors,
migrations, opening.
"""

import contextlib
import os
import sqlite3
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from lugwatch.clock import Clock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.store.backup import copy_whole, fault_of, sync_file
from lugwatch.store.backup_note import Reach, reach_of
from lugwatch.store.blocks import BlockDamaged
from lugwatch.store.damage import COMPANIONS, aside_name
from lugwatch.store.decode import batch_readings
from lugwatch.store.disks import copy_failed, need_room
from lugwatch.store.errors import (
    BUSY_CODES,
    DAMAGED_CODES,
    HistoryDamaged,
    primary_code,
    store_failed,
    text_is_text,
)
from lugwatch.store.migrations import migrate
from lugwatch.store.opening import check_ours, connect_writing

PATIENCE_SECONDS = 10.0  # for the page, which reads for a moment and lets go
_AGAIN_SECONDS = 0.2
_WORD = "before-restore"
_UNDER_WAY = ".restoring"
_NEW_MODE = 0o640  # of a database where there was none, as the service's own are


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """reach: how far the history goes that was put back; aside: the one that was there before, if any."""

    reach: Reach
    aside: Path | None


def restore(
    backup: Path,
    database: Path,
    *,
    clock: Clock,
    slug: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Restored:
    """Put `backup` in the place of `database`. The backup itself is left as it is.

    slug: the boat that it must be of; None: any. Raises UserError (not a backup of ours, of another boat or a
    newer version, damaged) or OperationFailed (no room, no rights, the database is held); after either the
    present database is as it was.
    """
    if not database.parent.is_dir():
        raise UserError(f"{database}: the folder {database.parent} is not there; make it first")
    if database.exists() and backup.exists() and backup.samefile(database):
        raise UserError(f"{backup}: is the database itself; give a backup")
    reach = _look_at(backup)
    if slug is not None and reach.slug not in ("", slug):
        raise UserError(
            f'{backup}: is of the boat "{reach.slug}" and not of "{slug}";'
            " name the database with --db if you mean it"
        )
    _refuse_others(database)
    _clear_up(database)
    need_room(database.parent, reach.size_bytes)
    try:
        descriptor, name = tempfile.mkstemp(
            prefix=f".{database.name}.", suffix=_UNDER_WAY, dir=database.parent
        )
        os.close(descriptor)
        fresh = Path(name)
        try:
            copy_whole(backup, fresh, progress)
            _prove(backup, fresh)
            _own(fresh, database)
            sync_file(fresh)
            return Restored(reach=reach, aside=_put_in_place(fresh, database, clock))
        finally:
            for end in COMPANIONS:
                fresh.with_name(fresh.name + end).unlink(missing_ok=True)
    except (OSError, sqlite3.Error) as error:
        raise copy_failed(database, error) from error


def _look_at(backup: Path) -> Reach:
    """Whether it is there, ours and not newer, before anything is copied. Raises UserError."""
    if not backup.exists():
        raise UserError(f"{backup}: there is no such file; give a backup, or a folder of backups")
    try:
        check_ours(backup, new_allowed=False)
        return reach_of(backup)
    except HistoryDamaged as error:
        raise _damaged(backup, "it begins with zeros") from error
    except UserError as error:
        if isinstance(error.__cause__, sqlite3.Error):
            raise _damaged(backup, str(error.__cause__)) from error
        raise


def _refuse_others(database: Path) -> None:
    """Another program's file is not set aside; a damaged database of ours is."""
    with contextlib.suppress(HistoryDamaged):
        check_ours(database, new_allowed=True)


def _clear_up(database: Path) -> None:
    """What a restore that was cut off left; the caller's lock says that no other is under way."""
    with contextlib.suppress(OSError):  # a card that cannot be written is told by what follows
        for path in database.parent.glob(f".{database.name}.*{_UNDER_WAY}*"):
            path.unlink(missing_ok=True)
        for path in database.parent.glob(f"{database.name}.{_WORD}-*"):
            # cut off before its last step: a second name of the database that is still written to
            if database.exists() and path.samefile(database):
                path.unlink()


def _prove(backup: Path, fresh: Path) -> None:
    """The copy is whole, and has the tables of this version once it is brought to it. Raises UserError."""
    try:
        with text_is_text():
            fault = fault_of(fresh)
        if fault is not None:
            raise _damaged(backup, fault)
        with (
            text_is_text(),
            closing(connect_writing(fresh, busy_seconds=0.0)) as copy,
            closing(_empty()) as model,
        ):
            migrate(copy)
            for time, text in copy.execute("SELECT time, readings FROM batch WHERE readings IS NOT NULL"):
                batch_readings(time, text)
            lacking = _lacking(copy, model)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file again
    except BlockDamaged as error:
        raise _damaged(backup, "readings of its last hours") from error
    except sqlite3.DatabaseError as error:
        code = primary_code(error)
        if code in DAMAGED_CODES or code == sqlite3.SQLITE_ERROR:
            raise _damaged(backup, str(error)) from error
        raise
    if lacking:
        raise UserError(
            f"{backup}: its tables are not those of lugwatch (lacks {', '.join(lacking[:4])});"
            " nothing was changed, try an older backup"
        )


def _damaged(backup: Path, fault: str) -> UserError:
    return UserError(
        f"{backup}: is damaged ({fault}); nothing was changed, try an older backup, or `lugwatch salvage`"
    )


def _empty() -> sqlite3.Connection:
    model = sqlite3.connect(":memory:", isolation_level=None)
    migrate(model)
    return model


def _lacking(copy: sqlite3.Connection, model: sqlite3.Connection) -> list[str]:
    """Tables, and columns of them, that a new database has and `copy` has not."""
    theirs, ours = _columns(copy), _columns(model)
    return [
        table if table not in theirs else f"{table}.{column}"
        for table in sorted(ours)
        for column in sorted(ours[table] - theirs.get(table, set()) if table in theirs else {""})
    ]


def _columns(connection: sqlite3.Connection) -> dict[str, set[str]]:
    tables = connection.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')").fetchall()
    return {
        name: {row[1] for row in connection.execute(f'PRAGMA table_info("{name}")')} for (name,) in tables
    }


def _own(fresh: Path, database: Path) -> None:
    """The watch's user can write it, also where root puts it back."""
    model = database.stat() if database.exists() else None
    owner = model or database.parent.stat()
    if os.geteuid() == 0:
        os.chown(fresh, owner.st_uid, owner.st_gid)
    with contextlib.suppress(PermissionError):
        fresh.chmod(_NEW_MODE if model is None else model.st_mode & 0o777)


def _put_in_place(fresh: Path, database: Path, clock: Clock) -> Path | None:
    """`fresh` gets the database's name; returns under which name the one before is kept."""
    aside = aside_name(database, clock.time(), _WORD)
    if not database.exists():
        _move_companions(database, aside)  # a log without its database must not be taken for the new one's
        fresh.replace(database)
        sync_file(database.parent)
        return None
    with _held(database, clock):
        try:
            aside.hardlink_to(database)
        except OSError:  # a file system without a second name for a file: for a moment there is no database
            database.rename(aside)
        _move_companions(database, aside)
        fresh.replace(database)
        sync_file(database.parent)
    return aside


def _move_companions(database: Path, aside: Path) -> None:
    """SQLite would read a log under the database's name into the new one."""
    for end in reversed(COMPANIONS[1:]):
        with contextlib.suppress(FileNotFoundError):
            database.with_name(database.name + end).rename(aside.with_name(aside.name + end))


@contextlib.contextmanager
def _held(database: Path, clock: Clock) -> Iterator[None]:
    """Nobody else reads or writes the database meanwhile, and its log is in the file.

    One that is too damaged for that is left with its log, which goes aside with it. Raises OperationFailed.
    """
    deadline = clock.monotonic_seconds() + PATIENCE_SECONDS
    never = threading.Event()
    connection = sqlite3.connect(
        database.absolute().as_uri() + "?mode=rw", uri=True, isolation_level=None, timeout=0.0
    )
    try:
        while True:
            try:
                # takes the log into the file and does away with it, which needs the database for itself
                connection.execute("PRAGMA journal_mode = DELETE")
                connection.execute("BEGIN EXCLUSIVE")
                break
            except sqlite3.Error as error:
                code = primary_code(error)
                if code in DAMAGED_CODES or code == sqlite3.SQLITE_ERROR:
                    break
                if code not in BUSY_CODES:
                    raise store_failed(database, error) from error
                if clock.monotonic_seconds() >= deadline:
                    raise OperationFailed(
                        f"{database}: another program has it open; stop it (`lugwatch web`, a command)"
                        " and try again"
                    ) from error
            clock.wait(never, _AGAIN_SECONDS)
        yield
    finally:
        connection.close()
