"""What the page sees of the computer around it: room on the disk, the broker, the zone, the last backup.

Blocking: called in threads. May import: json_shapes, recent_log, store's note of a backup,
units.
"""

import shutil
import socket
from dataclasses import dataclass
from pathlib import Path

from lugwatch.json_shapes import JsonObject
from lugwatch.recent_log import read_lines
from lugwatch.store.backup_note import known_backup
from lugwatch.units import format_duration, format_time

LOCAL_TIME = Path("/etc/localtime")
BROKER_SECONDS = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """Looked at anew each time."""

    database: Path
    broker: tuple[str, int] | None
    time_zone: str | None
    local_time: Path = LOCAL_TIME

    def zone(self) -> str | None:
        """The boat's zone: configured, or this computer's own; None where neither says."""
        if self.time_zone is not None:
            return self.time_zone
        try:
            parts = self.local_time.resolve(strict=True).parts
        except OSError:
            return None
        if "zoneinfo" not in parts:
            return None
        name = "/".join(parts[parts.index("zoneinfo") + 1 :])
        # a computer that was never told where it is says UTC: then phones know better
        return name if name not in ("", "UTC", "Etc/UTC", "posix/UTC") else None

    def disk(self) -> JsonObject:
        """Free and whole size of the disk under the database, null where it cannot be told."""
        try:
            usage = shutil.disk_usage(self.database.parent)
        except OSError:
            return {"disk_free_bytes": None, "disk_bytes": None}
        return {"disk_free_bytes": usage.free, "disk_bytes": usage.total}

    def last_backup(self, time: int) -> JsonObject | None:
        """The last backup that was checked, and what keeps the next from being made, as the note says.

        time: what this machine says. None where nothing is known of either.
        """
        known = known_backup(self.database, time)
        last, trouble = known.state.last, known.state.trouble
        if last is None and trouble is None:
            return None
        since = known.state.trouble_time
        return {
            "time": format_time(last.time) if last else None,
            "age": None if known.age_seconds is None else format_duration(known.age_seconds),
            "file": last.file if last else None,
            "backup_bytes": last.size_bytes if last else None,
            "trouble": trouble,
            "trouble_time": None if since is None else format_time(since),
        }

    def log_lines(self) -> list[JsonObject] | None:
        """The last lines of the watch's log, newest first; None where nothing is known of it."""
        lines = read_lines(self.database)
        if lines is None:
            return None
        return [
            {"time": None if n.time is None else format_time(n.time), "level": n.level, "text": n.text}
            for n in reversed(lines)
        ]

    def broker_state(self) -> JsonObject | None:
        """Whether anything answers at the broker's address; None where none is configured."""
        if self.broker is None:
            return None
        host, port = self.broker
        told: JsonObject = {"host": host, "port": port, "answers": True, "reason": None}
        try:
            socket.create_connection((host, port), timeout=BROKER_SECONDS).close()
        except OSError as error:
            told |= {"answers": False, "reason": error.strerror or str(error)}
        return told
