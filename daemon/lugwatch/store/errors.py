"""What can go wrong with the disk under a running daemon, each with one clear line.

These are states that pass, not ends: the caller keeps its outputs and tries again later.
Not here: a file that is not ours (`UserError`, see `opening`). May import: errors.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lugwatch.errors import OperationFailed, UserError


class StoreFailed(OperationFailed):
    """Nothing of the batch was written; the same batch may be given again."""


class StoreBusy(StoreFailed):
    """Another program held the database for longer than the writer waits."""


class StoreFull(StoreFailed):
    """No room on the disk, or the database is at its own size limit."""


class StoreReadOnly(StoreFailed):
    """The file or the file system may not be written any more."""


class StoreDamaged(StoreFailed):
    """SQLite found pages that cannot be as it wrote them."""


class HistoryDamaged(UserError):
    """The same, met on opening."""


class CannotWrite(UserError):
    """A full or read-only disk, met on opening."""


BUSY_CODES = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})
_READ_ONLY_CODES = frozenset({sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN})
DAMAGED_CODES = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_PRIMARY = 0xFF  # the low byte of an extended result code, https://sqlite.org/rescode.html section 2


_NOT_TEXT = "decode to UTF-8"  # Python's own words for a column that is no text any more


def damage(what: str) -> sqlite3.DatabaseError:
    """What SQLite itself cannot notice, as the error that it raises for damage."""
    error = sqlite3.DatabaseError(what)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


@contextmanager
def text_is_text() -> Iterator[None]:
    """Damage where SQLite's own message, which may quote a damaged name, is no text. Raises sqlite3.Error."""
    try:
        yield
    except UnicodeDecodeError as error:
        raise damage("names in it are no text") from error


def primary_code(error: sqlite3.Error) -> int | None:
    """SQLite's primary result code, None where the error is Python's own."""
    code: int | None = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & _PRIMARY


def store_failed(path: Path, error: sqlite3.Error) -> StoreFailed:
    """The failure in words, with what to try."""
    code = primary_code(error)
    if code in BUSY_CODES:
        return StoreBusy(f"{path}: another program holds the database; close what is writing to it")
    if code == sqlite3.SQLITE_FULL:
        return StoreFull(f"{path}: no room left; free some space on its disk")
    if code in _READ_ONLY_CODES:
        return StoreReadOnly(f"{path}: may not be written ({error}); check the card and the file's rights")
    if code in DAMAGED_CODES or _NOT_TEXT in str(error):
        return StoreDamaged(f"{path}: the database is damaged ({error}); keep the file, start a new one")
    return StoreFailed(f"{path}: the disk failed ({error}); check the card and its connections")


def opening_failed(failed: StoreFailed) -> StoreFailed | UserError:
    """What a person has to see to before anything can begin; a lock passes."""
    if isinstance(failed, StoreDamaged):
        return HistoryDamaged(f"{failed}")
    return failed if isinstance(failed, StoreBusy) else CannotWrite(f"{failed}")
