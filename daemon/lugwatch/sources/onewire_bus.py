"""The kernel's one-wire folder: file access, and one conversion of a whole bus at once.

Not here: what the bytes mean (`onewire_decode`) and which probes there are (`onewire`).
File names and the words in them: Linux Documentation/ABI/testing/sysfs-driver-w1_therm.
May import: clock.
"""

import threading
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Protocol

from lugwatch.clock import Clock

READ_BYTES = 4096
MASTER_PREFIX = "w1_bus_master"
_LOOK_AGAIN_SECONDS = 0.05


class Files(Protocol):
    """The folder as files; a seam, since a real folder cannot be told to fail."""

    def names(self, folder: Path) -> list[str]:
        """Names in a folder. Raises OSError."""

    def read(self, path: Path) -> bytes:
        """At most READ_BYTES of a file, in one read. Raises OSError."""

    def write(self, path: Path, data: bytes) -> None:
        """Into a file that exists, in one write. Raises OSError."""


class SystemFiles:
    """The real thing."""

    def names(self, folder: Path) -> list[str]:
        return sorted(entry.name for entry in folder.iterdir())

    def read(self, path: Path) -> bytes:
        with path.open("rb", buffering=0) as file:
            return file.read(READ_BYTES) or b""

    def write(self, path: Path, data: bytes) -> None:
        # neither created nor cut: the kernel's files know no length, and a missing one is a finding
        with path.open("r+b", buffering=0) as file:
            if file.write(data) != len(data):
                raise OSError(f"wrote only a part of {data!r}")


class BulkEnd(StrEnum):
    """How asking a whole bus to measure ended."""

    DONE = "done"
    ABSENT = "absent"  # an older kernel, or a bus without it
    REFUSED = "refused"  # no right to write, or no bus behind it
    TIMED_OUT = "timed_out"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One moment on both clocks [s, ms]."""

    monotonic_seconds: float
    time: int


def now(clock: Clock) -> Moment:
    return Moment(monotonic_seconds=clock.monotonic_seconds(), time=clock.time())


@dataclass(frozen=True, slots=True, kw_only=True)
class Bulk:
    """A whole bus asked to measure at `moment`.

    `leftover`: results of somebody else's conversion may lie unread, of any age; the first read of
    each probe gives those.
    """

    end: BulkEnd
    moment: Moment
    leftover: bool = False
    detail: str = ""


def convert_all(
    files: Files, master: Path, *, clock: Clock, stop: threading.Event, timeout_seconds: float
) -> Bulk:
    """Make every probe of a bus measure now and wait until they have; takes at most twice the timeout.

    Each probe then gives the value of this moment once, whatever was unread before.
    """
    path = master / "therm_bulk_read"
    state = _state(files, path)
    if state is None:
        return Bulk(end=BulkEnd.ABSENT, moment=now(clock))
    if state == "-1":  # another process asked; asking again in between would spoil both
        _wait(files, path, clock=clock, stop=stop, timeout_seconds=timeout_seconds)
    leftover = _state(files, path) not in ("0", None)
    moment = now(clock)
    try:
        # exactly eight bytes; anything else the kernel takes without a word and does nothing
        files.write(path, b"trigger\n")
    except OSError as error:
        detail = error.strerror or str(error)
        return Bulk(end=BulkEnd.REFUSED, moment=moment, leftover=leftover, detail=detail)
    end = _wait(files, path, clock=clock, stop=stop, timeout_seconds=timeout_seconds)
    return Bulk(end=end, moment=moment, leftover=end is not BulkEnd.DONE)


def _wait(
    files: Files, path: Path, *, clock: Clock, stop: threading.Event, timeout_seconds: float
) -> BulkEnd:
    """Until the file reads 1 (done, unread) or 0 (nothing pending); "trigger" is not taken up yet."""
    until = clock.monotonic_seconds() + timeout_seconds
    while True:
        if _state(files, path) in ("0", "1"):
            return BulkEnd.DONE
        if clock.monotonic_seconds() >= until:
            return BulkEnd.TIMED_OUT
        if clock.wait(stop, _LOOK_AGAIN_SECONDS):
            return BulkEnd.STOPPED


def _state(files: Files, path: Path) -> str | None:
    try:
        return files.read(path).decode("ascii", errors="replace").strip()
    except OSError:
        return None
