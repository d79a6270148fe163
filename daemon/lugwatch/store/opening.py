"""Opening a database file: ours or not is told from its first 100 bytes, before SQLite touches it.

A file of somebody else is refused unchanged, and without companion files beside it: even a
read-only SQLite connection to a database in WAL mode makes two. May import: errors, migrations, store.errors.
"""

import os
import sqlite3
import threading
from pathlib import Path

from lugwatch.errors import UserError
from lugwatch.store.errors import HistoryDamaged, text_is_text
from lugwatch.store.migrations import APPLICATION_ID, SCHEMA_NUMBER

# https://sqlite.org/fileformat2.html section 1.3: magic, user version and application id
_HEADER_BYTES = 100
PAGE_BYTES = 1024
_MAGIC = b"SQLite format 3\x00"
_USER_VERSION = slice(60, 64)
_APPLICATION_ID = slice(68, 72)
_handles: dict[tuple[int, int], int] = {}  # (device, inode) of databases of ours -> an open handle
_handles_lock = threading.Lock()


def check_ours(path: Path, *, new_allowed: bool) -> bool:
    """True if `path` is a lugwatch database; False if it is not there or empty and that is allowed.

    Raises UserError for everything else. Reads at most 100 bytes, writes nothing.
    """
    header = _header(path, new_allowed=new_allowed)
    if not header:
        if new_allowed:
            return False
        raise UserError(f"{path}: is empty; give the database that watch or replay wrote")
    if not any(header):
        # what a card gives back that lost a write
        raise HistoryDamaged(f"{path}: begins with zeros, so it is damaged; try a backup of it")
    if header[: len(_MAGIC)] != _MAGIC or len(header) < _HEADER_BYTES:
        raise UserError(f"{path}: is not a database; left as it is, give another file")
    if int.from_bytes(header[_APPLICATION_ID], "big") != APPLICATION_ID:
        raise UserError(f"{path}: is another program's database; left as it is, give another file")
    schema = int.from_bytes(header[_USER_VERSION], "big")
    if schema > SCHEMA_NUMBER:
        raise UserError(
            f"{path}: was written by a newer lugwatch (schema {schema}, this one knows {SCHEMA_NUMBER}); "
            "left as it is, install the newer version"
        )
    return True


def _header(path: Path, *, new_allowed: bool) -> bytes:
    try:
        if path.is_dir():
            raise UserError(f"{path}: is a folder; give a file")
        if not path.parent.is_dir():
            raise UserError(f"{path}: the folder {path.parent} is not there; make it first")
        if not path.exists():
            if new_allowed:
                return b""
            raise UserError(f"{path}: there is no such file; give the database that watch or replay wrote")
        if not path.is_file():
            raise UserError(f"{path}: is not a file; give a database file")
        return _first_bytes(path)
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); check the file's rights") from error


def _first_bytes(path: Path) -> bytes:
    """The header, read through a handle that stays open while the file is ours and there.

    Closing any handle of a file drops the locks that SQLite holds on it for this process
    (https://sqlite.org/howtocorrupt.html section 2.2): the next reader to leave would then take itself for
    the last and delete the WAL under a store that is open here. Raises OSError.
    """
    with _handles_lock:
        for key, old in tuple(_handles.items()):
            if os.fstat(old).st_nlink == 0:  # deleted: nobody can come to it any more
                os.close(_handles.pop(key))
        found = path.stat()
        handle = _handles.get((found.st_dev, found.st_ino))
        if handle is not None:
            return os.pread(handle, _HEADER_BYTES, 0)
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        header = os.pread(handle, _HEADER_BYTES, 0)
        if int.from_bytes(header[_APPLICATION_ID], "big") == APPLICATION_ID:
            opened = os.fstat(handle)
            _handles[opened.st_dev, opened.st_ino] = handle
        else:
            os.close(handle)
        return header


def connect_reading(path: Path) -> sqlite3.Connection:
    """A connection that cannot write, to a database of ours. Raises UserError."""
    check_ours(path, new_allowed=False)
    uri = path.absolute().as_uri() + "?mode=ro"
    try:
        return _try_reading(uri)
    except sqlite3.OperationalError as error:
        # the second: no room for the log's index, on a full card
        if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR):
            raise unreadable(path, error) from error
    except sqlite3.DatabaseError as error:
        raise unreadable(path, error) from error
    # a folder that may not be written, such as a mounted copy: no writer can be there either
    try:
        return _try_reading(uri + "&immutable=1")
    except sqlite3.DatabaseError as error:
        raise unreadable(path, error) from error


def _try_reading(uri: str) -> sqlite3.Connection:
    # the web process hands one connection from thread to thread, never to two at once
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0, check_same_thread=False)
    try:
        connection.execute("PRAGMA query_only = ON")
        with text_is_text():
            connection.execute("SELECT count(*) FROM boot").fetchone()
    except sqlite3.DatabaseError:
        connection.close()
        raise
    return connection


def unreadable(path: Path, error: sqlite3.Error) -> UserError:
    """A file with our mark that SQLite cannot read."""
    return UserError(f"{path}: cannot be read ({error}); it may be damaged, try a backup of it")


def connect_writing(path: Path, *, busy_seconds: float) -> sqlite3.Connection:
    """A connection that writes; makes the file with our mark if it is not there.

    Raises UserError for a file that is not ours and sqlite3.Error for what the disk does.
    """
    ours = check_ours(path, new_allowed=True)
    mode = "rw" if ours else "rwc"
    connection = sqlite3.connect(
        path.absolute().as_uri() + f"?mode={mode}",
        uri=True,
        isolation_level=None,  # every BEGIN here is written out, and is IMMEDIATE
        timeout=busy_seconds,
        check_same_thread=False,
    )
    try:
        if not ours:
            # a commit is a page or two: small ones wear the card least
            connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
            # our mark first and alone, before WAL: a cut leaves an empty file or one that is ours
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        with text_is_text():
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA foreign_keys = ON")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def connect_again(path: Path, *, busy_seconds: float) -> sqlite3.Connection:
    """One more connection that writes, in the process whose store has the file open already.

    Whose file it is was looked at by whoever opened it first. Raises sqlite3.Error.
    """
    return sqlite3.connect(
        path.absolute().as_uri() + "?mode=rw", uri=True, isolation_level=None, timeout=busy_seconds
    )
