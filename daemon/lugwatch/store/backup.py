"""A consistent copy of the database while the daemon writes to it. May import: opening, disks, errors."""

import contextlib
import os
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from lugwatch.errors import OperationFailed, UserError
from lugwatch.store.disks import copy_failed
from lugwatch.store.opening import check_ours, connect_reading

_STEP_PAGES = 256  # a quarter of a MiB between two words of progress


def backup(path: Path, out: Path, progress: Callable[[int, int], None] | None = None) -> None:
    """Copy the database `path` to `out`, check the copy, and only then give it its name.

    `progress` hears pages done and pages in all. An earlier backup at `out` is replaced, any other
    file is refused and left. Raises UserError or OperationFailed; neither leaves anything behind.
    """
    check_ours(path, new_allowed=False)
    if out.exists() and path.samefile(out):
        raise UserError(f"{out}: is the database itself; give the copy another name")
    check_ours(out, new_allowed=True)
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{out.name}.", suffix=".partial", dir=out.parent)
        os.close(descriptor)
        partial = Path(name)
        try:
            copy_whole(path, partial, progress)
            sync_file(partial)
            _read_anew(partial)
            check_copy(partial)
            with contextlib.suppress(PermissionError):  # a stick's file system may know no modes
                partial.chmod(path.stat().st_mode & 0o777)
            partial.replace(out)
            sync_file(out.parent)
        finally:
            partial.unlink(missing_ok=True)
            # a backup that was opened in the meantime would leave these for the new file to trip over
            for companion in (f"{partial.name}-journal", f"{partial.name}-wal", f"{partial.name}-shm"):
                partial.with_name(companion).unlink(missing_ok=True)
    except (OSError, sqlite3.Error) as error:
        raise copy_failed(out, error) from error


def copy_whole(path: Path, partial: Path, progress: Callable[[int, int], None] | None) -> None:
    """`path` as it is at one moment into the empty file `partial`, in steps. Raises sqlite3.Error."""
    with closing(connect_reading(path)) as source, closing(sqlite3.connect(partial)) as target:
        # one read transaction around all steps: without it each commit of the daemon would start
        # the copy over again, https://sqlite.org/backup.html
        source.execute("BEGIN")
        source.execute("SELECT count(*) FROM boot").fetchone()

        def told(_status: int, remaining: int, total: int) -> None:
            if progress is not None:
                progress(total - remaining, total)

        source.backup(target, pages=_STEP_PAGES, progress=told, sleep=0.01)
        source.execute("COMMIT")
        # a copy that is put back is another history: its numbers must not pass for those told since
        if target.execute("SELECT 1 FROM sqlite_master WHERE name = 'history'").fetchone():
            target.executescript("UPDATE history SET history_id = ''; DELETE FROM outbox")
        # a copy is one file that can be carried away alone
        target.execute("PRAGMA journal_mode = DELETE")


def check_copy(partial: Path) -> None:
    """Raises OperationFailed where a copy is not whole, or sqlite3.Error."""
    found = fault_of(partial)
    if found is not None:
        raise OperationFailed(f"the copy is damaged ({found}); the database itself may be, keep both")


def fault_of(path: Path) -> str | None:
    """What SQLite's own check of every page, row and index finds first, on one line. Raises sqlite3.Error."""
    with closing(sqlite3.connect(path)) as copy:
        found = str(copy.execute("PRAGMA integrity_check(1)").fetchone()[0])
    return None if found == "ok" else " ".join(found.split())


def _read_anew(partial: Path) -> None:
    """Have the check read what the disk holds and not what this computer still remembers of it."""
    descriptor = os.open(partial, os.O_RDONLY)
    try:
        os.posix_fadvise(
            descriptor, 0, 0, os.POSIX_FADV_DONTNEED
        )  # of pages that are synced, posix_fadvise(2)
    finally:
        os.close(descriptor)


def sync_file(path: Path) -> None:
    """Have the system put a file, or the names in a folder, on the disk for good."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
