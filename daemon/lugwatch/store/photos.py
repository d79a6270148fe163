"""Photos of journal entries: rows of the database, so that backup, restore and damage treat them as the rest.

A photo and its entry are one transaction. Each photo is a JPEG of pixels alone (`photo_file`), of half a
megabyte at most. May import: model, photo_file, errors, store rooms.
"""

import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path

from lugwatch.errors import UserError
from lugwatch.model import JournalEntry, Photo
from lugwatch.photo_file import Picture
from lugwatch.store import rows
from lugwatch.store.crew import BUSY_SECONDS
from lugwatch.store.errors import store_failed
from lugwatch.store.migrations import migrate
from lugwatch.store.opening import check_ours, connect_writing

MOST_PHOTOS = 8  # of one entry: a handful of angles; a card is small
INSERT_PHOTO = "INSERT INTO photo (entry_id, width_pixels, height_pixels, jpeg) VALUES (?, ?, ?, ?)"
KNOWN = "SELECT photo_id, entry_id, width_pixels, height_pixels, length(jpeg) AS jpeg_bytes FROM photo"


def put_entry_with_photos(path: Path, entry: JournalEntry, pictures: Sequence[Picture]) -> int:
    """Write one entry and its photos, both or neither; the entry's number. Durable when this returns.

    Raises UserError (no such database, not ours, too many photos) or StoreFailed.
    """
    _check_count(len(pictures), 0)

    def write(connection: sqlite3.Connection) -> int:
        number = connection.execute(rows.INSERT_JOURNAL_ENTRY, rows.journal_row(entry)).lastrowid
        assert number is not None
        _insert(connection, number, pictures)
        return number

    return _written(path, write)


def put_photos(path: Path, entry_id: int, pictures: Sequence[Picture]) -> None:
    """Add photos to an entry that is there. Raises UserError (no such entry, too many) or StoreFailed."""

    def write(connection: sqlite3.Connection) -> int:
        if not connection.execute("SELECT 1 FROM journal WHERE entry_id = ?", (entry_id,)).fetchall():
            raise UserError(
                f"{path}: there is no entry {entry_id}; `lugwatch journal list` shows their numbers"
            )
        (there,) = connection.execute("SELECT count(*) FROM photo WHERE entry_id = ?", (entry_id,)).fetchone()
        _check_count(len(pictures), int(there))
        _insert(connection, entry_id, pictures)
        return entry_id

    _written(path, write)


def from_row(row: sqlite3.Row) -> Photo:
    """What is known of a photo, of a row of `KNOWN`."""
    return Photo(**dict(row))


def _check_count(new: int, there: int) -> None:
    if new + there > MOST_PHOTOS:
        told = f", and this one has {there}" if there else ""
        raise UserError(f"an entry has at most {MOST_PHOTOS} photos{told}; write another entry")


def _insert(connection: sqlite3.Connection, entry_id: int, pictures: Sequence[Picture]) -> None:
    connection.executemany(
        INSERT_PHOTO, [(entry_id, p.width_pixels, p.height_pixels, p.jpeg) for p in pictures]
    )


def _written(path: Path, write: Callable[[sqlite3.Connection], int]) -> int:
    """One transaction of its own."""
    check_ours(path, new_allowed=False)
    try:
        connection = connect_writing(path, busy_seconds=BUSY_SECONDS)
        try:
            migrate(connection)
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("BEGIN IMMEDIATE")
            try:
                number = write(connection)
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")
            return number
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise store_failed(path, error) from error
