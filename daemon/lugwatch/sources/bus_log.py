"""The file of recorded bus traffic: what its lines say, writing it bounded and whole, reading it without
trust.

gzip of JSON lines, so that whoever sends one can read it (`zcat FILE`): a `Heading`, a `Poll` for each time
that a driver was asked, an `Ending`. Times are µs of the monotonic clock; wall time [ms] is a label. The file
has its name only when it is whole; until then it is `FILE.partial`, readable up to the last flush.
Not here: drivers (`bus_recording`, `bus_playing`). May import: errors, model.
"""

import contextlib
import errno
import os
import threading
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError, with_config

from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Fault, Reading

FORMAT = "lugwatch bus recording"
VERSION = 1
# of text: what is not compressed yet counts as if it could not be
_FLUSH_BYTES = 65_536
_READ_BYTES = 65_536
# one poll of the longest one-wire bus is some hundred kilobytes
_LONGEST_LINE_BYTES = 8 * 1024 * 1024
_GZIP = 31  # zlib's word for a gzip header and checksum

_STRICT = ConfigDict(extra="forbid")
_Micros = Annotated[int, Field(ge=0, lt=2**62)]
_Time = Annotated[int, Field(ge=0, lt=2**53)]


@with_config(_STRICT)
@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """How a call failed. number: errno, None where there was none."""

    number: int | None
    text: str


@with_config(_STRICT)
@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One thing that a driver asked of the world.

    verb and request: `names` PATH, `read` PATH, `write` PATH TEXT (one-wire files); `open` DEVICE BAUD,
    `waiting`, `receive` (serial); `transfer` ADDRESS BYTES COUNT (I2C, hexadecimal); `wait` (nothing was
    asked). start, end: µs since the poll began. answer: text, one character a byte, for `read` and `receive`.
    """

    verb: Literal["names", "read", "write", "open", "waiting", "receive", "transfer", "wait"]
    request: str = ""
    start: _Micros
    end: _Micros
    answer: str | int | list[str] | None = None
    error: Trouble | None = None


@with_config(_STRICT)
@dataclass(frozen=True, slots=True, kw_only=True)
class Poll:
    """One poll of a source: when it began, what it asked, what came of it. failed: it raised this."""

    source: Annotated[int, Field(ge=0)]  # its place in `Heading.sources`
    began: _Micros
    time: _Time
    calls: list[Call]
    came: list[Reading | Fault]
    failed: str | None = None


@with_config(_STRICT)
@dataclass(frozen=True, slots=True, kw_only=True)
class SourceHeading:
    """One source: the configuration's tables of its channels, without what says more than the driver
    needs."""

    name: str
    began: _Micros  # when its driver was made
    time: _Time
    probe: list[dict[str, Any]]
    current: list[dict[str, Any]]


@with_config(_STRICT)
@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """The first line."""

    format: Literal["lugwatch bus recording"] = "lugwatch bus recording"
    version: Literal[1] = 1
    lugwatch: str
    system: str
    time: _Time
    masked: bool  # whether positions and names were taken out of NMEA sentences
    interval_seconds: float
    onewire_path: str
    sources: list[SourceHeading]


@with_config(_STRICT)
@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """The last line."""

    ended: Literal["time", "size", "asked"]
    polls: int


_HEADING, _POLL, _ENDING = TypeAdapter(Heading), TypeAdapter(Poll), TypeAdapter(Ending)


class Writer:
    """A recording that is being written, from any thread.

    Raises UserError where there is no place for it; `put` and `close` raise OperationFailed for the disk.
    """

    def __init__(self, path: Path, heading: Heading, most_bytes: int) -> None:
        if path.exists() or path.is_symlink():
            raise UserError(f"{path} is there already; give the recording another name")
        self._path = path
        self._partial = path.with_name(path.name + ".partial")
        self._most_bytes = most_bytes
        self._lock = threading.Lock()
        self._packer = zlib.compressobj(6, zlib.DEFLATED, _GZIP)
        self._unflushed = 0
        self.polls = 0
        self.size_bytes = 0
        try:
            self._file = self._partial.open("xb")
        except FileExistsError:
            raise UserError(
                f"{self._partial} is there already: cut short, or still being made; move it away"
            ) from None
        except OSError as error:
            raise UserError(
                f"cannot write {self._partial}: {error.strerror}; does the folder exist?"
            ) from None
        self._add(_HEADING.dump_json(heading))

    def put(self, poll: Poll) -> bool:
        """Add a poll; False, and nothing added, where the file would be larger than it may be."""
        line = _POLL.dump_json(poll)
        with self._lock:
            if self.size_bytes + self._unflushed + len(line) + 1024 > self._most_bytes:
                self._flush(zlib.Z_SYNC_FLUSH)
                if self.size_bytes + len(line) + 1024 > self._most_bytes:
                    return False
            self._add(line)
            self.polls += 1
        return True

    def close(self, ended: Literal["time", "size", "asked"]) -> None:
        """Write the last line and give the file its name."""
        with self._lock:
            self._add(_ENDING.dump_json(Ending(ended=ended, polls=self.polls)))
            self._flush(zlib.Z_FINISH)
            try:
                os.fsync(self._file.fileno())
                self._file.close()
                os.link(self._partial, self._path)  # fails where a file of that name has come meanwhile
                self._partial.unlink()
            except FileExistsError:
                raise OperationFailed(f"{self._path} is there by now; it is in {self._partial}") from None
            except OSError as error:
                if error.errno not in (errno.EPERM, errno.EOPNOTSUPP):
                    raise self._failed(error) from None
                self._partial.replace(self._path)  # a stick with FAT has no links

    def abandon(self) -> None:
        """Leave what there is in the `.partial` file. Harmless after `close`."""
        with contextlib.suppress(OSError):
            self._file.close()

    def _add(self, line: bytes) -> None:
        self._write(self._packer.compress(line + b"\n"))
        self._unflushed += len(line) + 1
        if self._unflushed >= _FLUSH_BYTES:
            self._flush(zlib.Z_SYNC_FLUSH)

    def _flush(self, how: int) -> None:
        self._write(self._packer.flush(how))
        self._unflushed = 0

    def _write(self, data: bytes) -> None:
        try:
            self._file.write(data)
            if data:
                self._file.flush()
        except OSError as error:
            raise self._failed(error) from None
        self.size_bytes += len(data)

    def _failed(self, error: OSError) -> OperationFailed:
        return OperationFailed(f"writing {self._partial} failed ({error.strerror}); is there room?")


class Reader:
    """A recording, read line by line. Raises UserError for what is none; trusts nothing in it.

    cut_short: after `polls` ended, whether the file ended before its last line.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lines = self._unpacked()
        self.cut_short = False
        self.ending: Ending | None = None
        first = next(self._lines, None)
        if first is None:
            raise UserError(f"{path} holds nothing; it was cut short before its first line")
        try:
            self.heading = _HEADING.validate_json(first)
        except ValidationError as error:
            raise UserError(self._not_ours(first, error)) from None

    def polls(self) -> Iterator[Poll]:
        """Every poll, in the order in which they ended."""
        for number, line in enumerate(self._lines, 2):
            try:
                if line.startswith(b'{"ended"'):
                    self.ending = _ENDING.validate_json(line)
                    return
                poll = _POLL.validate_json(line)
            except ValidationError as error:
                where = ".".join(str(part) for part in error.errors()[0]["loc"])
                raise UserError(f"{self._path}: line {number} is no poll ({where}); is it whole?") from None
            if poll.source >= len(self.heading.sources):
                raise UserError(
                    f"{self._path}: line {number} is of a source that its first line does not name"
                )
            yield poll
        self.cut_short = True

    def _not_ours(self, first: bytes, error: ValidationError) -> str:
        places = {str(e["loc"][0]) for e in error.errors() if e["loc"]}
        if FORMAT.encode() in first[:200] and "version" in places:
            return f"{self._path} is of a newer lugwatch; this one reads version {VERSION}"
        return f"{self._path} is no recording of buses; `lugwatch record-bus` makes one"

    def _unpacked(self) -> Iterator[bytes]:
        """Lines without their ends; what stands after the last line end is half a line and left out."""
        unpacker = zlib.decompressobj(_GZIP)
        line = bytearray()
        try:
            with self._path.open("rb") as file:
                while packed := file.read(_READ_BYTES):
                    while packed and not unpacker.eof:
                        line += unpacker.decompress(packed, _READ_BYTES)
                        packed = unpacker.unconsumed_tail
                        *whole, rest = line.split(b"\n")
                        yield from (bytes(one) for one in whole)
                        line = bytearray(rest)
                        if len(line) > _LONGEST_LINE_BYTES:
                            raise UserError(f"{self._path}: a line is longer than any poll; not read further")
        except zlib.error:
            raise UserError(f"{self._path} is damaged, or no recording of buses (gzip)") from None
        except OSError as error:
            raise UserError(
                f"cannot read {self._path}: {error.strerror}; check its name and rights"
            ) from None
