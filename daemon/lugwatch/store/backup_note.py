"""A note beside the database of the last backup that was checked: when, where, how large.

A file and not a row: the database that was copied stays as it was. May import: nothing of ours.
"""

import json
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupNote:
    """time: ms since 1970 UTC."""

    time: int
    file: str
    size_bytes: int


def note_path(database: Path) -> Path:
    return database.with_name(f"{database.name}.last-backup.json")


def write_backup_note(database: Path, note: BackupNote) -> None:
    """Leave the note; a folder that cannot be written keeps none, and the backup is as good."""
    text = json.dumps({"time": note.time, "file": note.file, "size_bytes": note.size_bytes})
    try:
        note_path(database).write_text(text + "\n", encoding="utf-8")
    except OSError:
        return


def read_backup_note(database: Path) -> BackupNote | None:
    """None where there is none, or none that can be read."""
    try:
        found = json.loads(note_path(database).read_text(encoding="utf-8"))
        return BackupNote(
            time=int(found["time"]), file=str(found["file"]), size_bytes=int(found["size_bytes"])
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None
