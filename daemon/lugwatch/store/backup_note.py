"""A note beside the database: the last backup that was checked, and what keeps the next from being made.

A file and not a row: the database that was copied stays as it was. Its time is a label of the history and
not the machine's, so its age is right on a computer without a clock battery; it moves when the labels of its
boot are set right. May import: opening, errors.
"""

import contextlib
import json
import os
import sqlite3
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from lugwatch.errors import UserError
from lugwatch.store.opening import connect_reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """How far a history goes. time, boot_started_time: labels [ms since 1970 UTC]."""

    time: int
    boot_id: int
    boot_started_time: int
    slug: str  # of its boat; empty where no watch has begun yet
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupNote:
    """time: how far the copy reaches, ms since 1970 UTC; boot: the one whose label that is."""

    time: int
    file: str
    size_bytes: int
    boot_id: int | None = None
    boot_started_time: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupState:
    """The last backup, and why none could be made since; None: not known, or no trouble."""

    last: BackupNote | None = None
    trouble: str | None = None
    trouble_time: int | None = None  # since when, ms since 1970 UTC


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBackup:
    """The same as it is shown. age_seconds: None where labels went back since the copy was made."""

    state: BackupState
    age_seconds: float | None


def note_path(database: Path) -> Path:
    return database.with_name(f"{database.name}.last-backup.json")


def write_backup_note(database: Path, note: BackupNote) -> None:
    """Leave the note; a folder that cannot be written keeps none, and the backup is as good."""
    _write(database, BackupState(last=note))


def write_backup_trouble(database: Path, trouble: str, time: int) -> None:
    """Why no backup was made at `time`; what was known of the last one stays. Nothing is written twice."""
    before = read_backup_state(database)
    if before.trouble != trouble:
        _write(database, BackupState(last=before.last, trouble=trouble, trouble_time=time))


def read_backup_note(database: Path) -> BackupNote | None:
    """None where there is none, or none that can be read."""
    return read_backup_state(database).last


def read_backup_state(database: Path) -> BackupState:
    """What the note says, as far as it can be read. Raises nothing."""
    try:
        found: dict[str, Any] = json.loads(note_path(database).read_text(encoding="utf-8"))
        trouble = None if found.get("trouble") is None else str(found["trouble"])
        since = None if trouble is None else _number(found.get("trouble_time"))
        if found.get("file") is None:
            return BackupState(trouble=trouble, trouble_time=since)
        last = BackupNote(
            time=int(found["time"]),
            file=str(found["file"]),
            size_bytes=int(found["size_bytes"]),
            boot_id=_number(found.get("boot_id")),
            boot_started_time=_number(found.get("boot_started_time")),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return BackupState()
    return BackupState(last=last, trouble=trouble, trouble_time=since)


def known_backup(database: Path, time: int) -> KnownBackup:
    """The note beside the history as it is labelled now; `time`: what the machine says, a label only."""
    state = read_backup_state(database)
    if state.last is None:
        return KnownBackup(state=state, age_seconds=None)
    last, now = state.last, time
    with contextlib.suppress(UserError, sqlite3.Error), closing(connect_reading(database)) as connection:
        last = in_labels_of_now(connection, last)
        now = max(time, _reach(connection).time)
    age_seconds = (now - last.time) / 1000.0
    return KnownBackup(
        state=replace(state, last=last), age_seconds=age_seconds if age_seconds >= 0.0 else None
    )


def reach_of(database: Path) -> Reach:
    """How far the history in `database` goes. Raises UserError."""
    with closing(connect_reading(database)) as connection:
        try:
            return _reach(connection)
        except sqlite3.Error as error:
            raise UserError(f"{database}: cannot be read ({error}); it may be damaged") from error


def in_labels_of_now(connection: sqlite3.Connection, note: BackupNote) -> BackupNote:
    """A clock that was set right has moved the labels of its boot; the note goes with them."""
    if note.boot_id is None or note.boot_started_time is None:
        return note
    row = connection.execute("SELECT started_time FROM boot WHERE boot_id = ?", (note.boot_id,)).fetchone()
    if row is None:
        return note
    moved = int(row[0]) - note.boot_started_time
    return replace(note, time=note.time + moved, boot_started_time=int(row[0]))


def _reach(connection: sqlite3.Connection) -> Reach:
    boot = connection.execute(
        "SELECT boot_id, started_time FROM boot ORDER BY boot_id DESC LIMIT 1"
    ).fetchone()
    boot_id, started = (0, 0) if boot is None else (int(boot[0]), int(boot[1]))
    batch = connection.execute("SELECT coalesce(max(time), 0) FROM batch").fetchone()
    boat = connection.execute("SELECT slug FROM boat").fetchone()
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    page_bytes = connection.execute("PRAGMA page_size").fetchone()[0]
    return Reach(
        time=max(int(batch[0]), started),
        boot_id=boot_id,
        boot_started_time=started,
        slug="" if boat is None else str(boat[0]),
        size_bytes=int(pages) * int(page_bytes),
    )


def _number(value: object) -> int | None:
    return None if value is None else int(value)  # type: ignore[call-overload]


def _write(database: Path, state: BackupState) -> None:
    last = {} if state.last is None else asdict(state.last)
    text = json.dumps({**last, "trouble": state.trouble, "trouble_time": state.trouble_time})
    path = note_path(database)
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    # a name of its own first: a note that root wrote must not keep the watch's user from writing the next
    with contextlib.suppress(OSError):
        fresh.write_text(text + "\n", encoding="utf-8")
        fresh.chmod(0o644)
        fresh.replace(path)
    with contextlib.suppress(OSError):
        fresh.unlink(missing_ok=True)
