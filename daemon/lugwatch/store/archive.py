"""Backups in a folder of another disk: numbered, the configuration beside each, the newest so many kept.

Names go by a number that only grows within the folder, and the boot: `grey-plover-000012-boot34-20260528.db`.
The date is a label to read; which backup is newer is never asked of a clock. Not here: the copy itself
(`backup`), how it is put back (`restoring`). May import: backup, backup_note, disks, errors, keeping.
"""

import contextlib
import fcntl
import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from lugwatch.errors import OperationFailed, UserError
from lugwatch.keeping import Archive
from lugwatch.store.backup import backup, sync_file
from lugwatch.store.backup_note import (
    BackupNote,
    Reach,
    in_labels_of_now,
    reach_of,
    read_backup_note,
    write_backup_note,
)
from lugwatch.store.disks import copy_failed, need_room, same_disk
from lugwatch.store.opening import connect_reading
from lugwatch.units import format_time

# less than a day, so that a boat that is switched on at the same hour each day has its backup each day
DUE_SECONDS = 23 * 3600.0
_PARTIAL = ".partial"


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A backup that was checked. removed: older ones that went; cautions: one line each."""

    path: Path
    size_bytes: int
    removed: int
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Kept:
    """One backup in a folder."""

    number: int
    path: Path


def make(
    settings: Archive,
    database: Path,
    configuration: Path,
    slug: str,
    progress: Callable[[int, int], None] | None = None,
) -> Made:
    """One more backup of `database` in the folder; older ones beyond `settings.keep` go, once it is checked.

    Nothing there is ever overwritten. Raises UserError (folder or database not there) or OperationFailed (no
    room, no rights, a disk that fails, another backup under way); after either no half backup has a name.
    """
    folder = settings.folder
    look_at(folder)
    reach = reach_of(database)
    with _alone_in(folder):
        _clear_up(folder, slug)
        need_room(folder, reach.size_bytes)
        before = backups(folder, slug)
        path = folder / _name(slug, before[-1].number + 1 if before else 1, reach)
        # first: a database that has its name has its configuration beside it
        _copy_file(configuration, path.with_suffix(".toml"))
        try:
            backup(database, path, progress)
        except BaseException:
            path.with_suffix(".toml").unlink(missing_ok=True)
            raise
        size_bytes = path.stat().st_size
        write_backup_note(
            database,
            BackupNote(
                time=reach.time,
                file=str(path.resolve()),
                size_bytes=size_bytes,
                boot_id=reach.boot_id,
                boot_started_time=reach.boot_started_time,
            ),
        )
        cautions = _cautions(folder, database)
        removed = 0
        try:
            removed = _forget(folder, slug, settings.keep)
        except OSError as error:
            cautions += (
                f"{folder}: older backups could not be removed ({error.strerror}); look at its rights",
            )
    return Made(path=path, size_bytes=size_bytes, removed=removed, cautions=cautions)


def look_at(folder: Path) -> None:
    """Raises UserError where there is no such folder; none is made, since its disk may be unplugged."""
    try:
        there = folder.is_dir()
    except OSError as error:
        raise UserError(
            f"{folder}: cannot be looked at ({error.strerror}); check its disk and rights"
        ) from error
    if not there:
        what = "is a file, not a folder" if folder.exists() else "there is no such folder"
        raise UserError(f"{folder}: {what}; plug in and mount the disk for backups, or make the folder on it")


def why_not_daily(settings: Archive, database: Path) -> str | None:
    """Why the daily backup cannot be made now, in one line; None if it can.

    On the database's own disk none is made by itself: an empty folder that a disk is to be mounted on looks
    like that, and would fill the card.
    """
    try:
        look_at(settings.folder)
        if same_disk(settings.folder, database.parent):
            return (
                f"{settings.folder}: lies on the database's own disk, so nothing is mounted there;"
                " mount the disk for backups"
            )
    except UserError as error:
        return str(error)
    except OSError as error:
        return f"{settings.folder}: cannot be looked at ({error.strerror}); check its disk"
    return None


def is_due(settings: Archive, database: Path) -> bool:
    """Whether the history has grown by a day since its last backup in this folder, by its own labels.

    A computer without a clock battery counts the hours that it watches. Raises UserError.
    """
    reach, note = reach_of(database), read_backup_note(database)
    if note is None or Path(note.file).parent != settings.folder.resolve():
        return True
    with contextlib.closing(connect_reading(database)) as connection:
        noted = in_labels_of_now(connection, note).time
    # an older history was put back, or the clock was: then one backup too many
    return reach.time < noted or reach.time - noted >= DUE_SECONDS * 1000.0


def backups(folder: Path, slug: str) -> list[Kept]:
    """The backups of this boat in a folder, oldest first. Raises UserError."""
    pattern = re.compile(rf"{re.escape(slug)}-(\d{{6,}})-boot\d+-\d{{8}}\.db")
    try:
        found = [(pattern.fullmatch(path.name), path) for path in folder.iterdir()]
    except OSError as error:
        raise UserError(
            f"{folder}: cannot be looked at ({error.strerror}); check its disk and rights"
        ) from error
    return sorted(Kept(number=int(match[1]), path=path) for match, path in found if match is not None)


def _name(slug: str, number: int, reach: Reach) -> str:
    date = format_time(reach.time)[:10].replace("-", "")
    return f"{slug}-{number:06d}-boot{reach.boot_id}-{date}.db"


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """One backup at a time. The folder itself is locked, which leaves nothing there."""
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as error:
        raise UserError(f"{folder}: cannot be read ({error.strerror}); check its rights") from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise OperationFailed(f"{folder}: another backup into it is under way; wait for it") from None
        except OSError:
            pass  # a network's file system without locks
        yield
    finally:
        os.close(handle)


def _clear_up(folder: Path, slug: str) -> None:
    """What a backup that was cut off left behind: it never had a name, and its disk needs the room."""
    left = re.compile(rf"\.{re.escape(slug)}-\d{{6,}}-boot\d+-.*\{_PARTIAL}(-journal|-wal|-shm)?")
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            if left.fullmatch(path.name):
                path.unlink(missing_ok=True)
        named = {kept.path.stem for kept in backups(folder, slug)}
        alone = re.compile(rf"({re.escape(slug)}-\d{{6,}}-boot\d+-\d{{8}})\.toml")
        for path in folder.iterdir():
            if (match := alone.fullmatch(path.name)) is not None and match[1] not in named:
                path.unlink(missing_ok=True)


def _copy_file(source: Path, out: Path) -> None:
    partial = out.with_name(f".{out.name}{_PARTIAL}")
    try:
        try:
            partial.write_bytes(source.read_bytes())
            sync_file(partial)
            partial.replace(out)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as error:
        raise copy_failed(out, error) from error


def _cautions(folder: Path, database: Path) -> tuple[str, ...]:
    with contextlib.suppress(OSError):
        if same_disk(folder, database.parent):
            return (
                f"{folder}: is on the same disk as {database} and is lost with it;"
                " copy it to another disk as well",
            )
    return ()


def _forget(folder: Path, slug: str, keep: int) -> int:
    """Remove all but the newest `keep`. Raises OSError."""
    old = backups(folder, slug)[:-keep]
    for kept in old:
        kept.path.unlink(missing_ok=True)
        kept.path.with_suffix(".toml").unlink(missing_ok=True)
    if old:
        sync_file(folder)
    return len(old)
