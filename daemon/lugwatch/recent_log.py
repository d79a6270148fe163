"""The last lines of the watch's log in a small file beside the database, so that the page can show them.

Bounded in lines, letters and writes; without addresses' contents, pass-phrases and tokens; never in the way:
nothing here raises into whoever logs. While the card cannot be written it is written into memory.
The journal of the system stays the whole log. May import: clock, store.beside,
publishers.loop.
"""

import contextlib
import json
import logging
import re
from collections import deque
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from lugwatch.clock import Clock, SystemClock
from lugwatch.publishers.loop import Loop
from lugwatch.store.beside import path_beside

MOST_LINES = 100
MOST_LETTERS = 300
LARGEST_BYTES = 8 * MOST_LINES * MOST_LETTERS
# A line after a quiet time is written soon; in a storm a card bears one small file each five minutes.
SOON_SECONDS, WRITE_SECONDS = 2.0, 300.0
QUIET_SECONDS = 3600.0
CLOSE_SECONDS = 2.0

# Tokens stand anywhere in the addresses of message services, so of an address only its kind is left.
_ADDRESS = re.compile(r"\b([a-z][a-z0-9+.-]*)://[^\s\"']+", re.IGNORECASE)
_SECRET = re.compile(
    r"\b(pass(?:word|phrase|-phrase|wd)?|token|secret|api[_-]?key|authorization)\b([\"']?\s*[:=]\s*)\S+",
    re.IGNORECASE,
)
_BEARER = re.compile(r"\b(bearer|basic)\s+[A-Za-z0-9._~+/=-]{8,}", re.IGNORECASE)
SHORTEST_SECRET = 4  # a shorter one would take letters out of words


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line. time [ms]: None where the clock could not be believed."""

    time: int | None
    level: str
    text: str


def harmless(text: str, secrets: Collection[str] = ()) -> str:
    """The text on one line of a bounded length, with what nobody should read replaced by dots."""
    for secret in secrets:
        if len(secret) >= SHORTEST_SECRET:
            text = text.replace(secret, "…")
    text = _ADDRESS.sub(r"\1://…", text)
    text = _BEARER.sub(r"\1 …", text)
    text = _SECRET.sub(r"\1\2…", text)
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= MOST_LETTERS else line[: MOST_LETTERS - 1] + "…"


def log_paths(database: Path) -> tuple[Path, Path]:
    """Where the lines are: beside the database, and in memory while that cannot be written."""
    beside = path_beside(database)
    return database.with_name(database.name + ".log"), beside.with_name(beside.name + ".log")


def read_lines(database: Path) -> list[Line] | None:
    """The last lines, oldest first; None where nothing is known of them. Never raises."""
    newest: tuple[float, list[Line]] | None = None
    for path in log_paths(database):
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            status = path.stat()
            if status.st_uid != database.stat().st_uid or status.st_size > LARGEST_BYTES:
                continue
            rows = json.loads(path.read_text(encoding="utf-8"))["lines"]
            lines = [_line(row) for row in rows[-MOST_LINES:]]
            if newest is None or status.st_mtime > newest[0]:
                newest = (status.st_mtime, lines)
    return None if newest is None else newest[1]


def _line(row: object) -> Line:
    if not isinstance(row, dict):
        raise ValueError("no line")
    time = row["time"]
    if time is not None and (not isinstance(time, int) or not 0 <= time < 2**53):
        raise ValueError("no time")
    return Line(time=time, level=str(row["level"])[:20], text=harmless(str(row["text"])))


@dataclass(frozen=True, slots=True)
class _Said:
    """A line of this run: when by the steady clock, or of an earlier run, as it was written."""

    monotonic_seconds: float | None
    line: Line


class RecentLog(logging.Handler):
    """Keeps what is logged from `start` to `close`. Labels are of the moment of writing, so that lines from
    before the clock was set are told at their right time once it is."""

    def __init__(
        self,
        database: Path,
        clock: Clock,
        *,
        trusted: Callable[[], bool] = lambda: True,
        secrets: Collection[str] = (),
    ) -> None:
        super().__init__()
        self._paths = log_paths(database)
        self._clock = clock
        self._trusted = trusted
        self._secrets = tuple(secrets)
        self._kept: deque[_Said] = deque(maxlen=MOST_LINES)
        for line in read_lines(database) or []:
            self._kept.append(_Said(None, line))
        self._guard = Lock()  # not the handler's own: that one is held while it is told a line
        self._steady = SystemClock()
        self._unwritten_since: float | None = None
        self._written: float | None = None
        self._loop = Loop("log", self.turn, self._steady)

    def start(self) -> None:
        self._write()
        self._loop.start()

    def emit(self, record: logging.LogRecord) -> None:
        try:
            text = record.getMessage()
            if record.exc_info and record.exc_info[1] is not None:
                text = f"{text} ({type(record.exc_info[1]).__name__}: {record.exc_info[1]})"
            line = Line(time=None, level=record.levelname, text=harmless(text, self._secrets))
        except Exception:  # noqa: BLE001 - a line that cannot be made must not end who logs it
            return
        with self._guard:
            self._kept.append(_Said(self._clock.monotonic_seconds(), line))
            if self._unwritten_since is None:
                self._unwritten_since = self._steady.monotonic_seconds()
        self._loop.wake()

    def turn(self) -> float:
        """Write what is due; how many seconds the next look may wait."""
        with self._guard:
            since, written = self._unwritten_since, self._written
        if since is None:
            return QUIET_SECONDS
        due = since + SOON_SECONDS
        if written is not None:
            due = max(due, written + WRITE_SECONDS)
        left = due - self._steady.monotonic_seconds()
        if left > 0.0:
            return left
        self._write()
        self._written = self._steady.monotonic_seconds()
        return QUIET_SECONDS

    def close(self) -> None:
        self._loop.close(CLOSE_SECONDS)
        if self._unwritten_since is not None:
            self._write()
        super().close()

    def lines(self) -> list[Line]:
        """All that is kept, oldest first, labelled by the clock as it is now."""
        now, monotonic = self._clock.time(), self._clock.monotonic_seconds()
        believed = self._trusted()
        with self._guard:
            kept = list(self._kept)
        told = []
        for said in kept:
            time = said.line.time
            if said.monotonic_seconds is not None:
                time = now - round(1e3 * (monotonic - said.monotonic_seconds)) if believed else None
            told.append(Line(time=time, level=said.line.level, text=said.line.text))
        return told

    def _write(self) -> None:
        lines = self.lines()
        with self._guard:
            self._unwritten_since = None
        rows = [{"time": line.time, "level": line.level, "text": line.text} for line in lines]
        text = json.dumps({"lines": rows}, ensure_ascii=False) + "\n"
        _put(self._paths, text)


def _put(paths: Sequence[Path], text: str) -> None:
    """Into the first that takes it; a power cut leaves the old file or the new one."""
    for path in paths:
        new = path.with_name(path.name + ".new")
        try:
            with contextlib.suppress(FileNotFoundError):
                new.unlink()
            with new.open("x", encoding="utf-8") as file:
                file.write(text)
            new.replace(path)
        except OSError:
            continue
        for later in paths[paths.index(path) + 1 :]:
            with contextlib.suppress(OSError):
                later.unlink()
        return


@contextlib.contextmanager
def kept(handler: RecentLog) -> Iterator[RecentLog]:
    """The handler on the root logger for a while."""
    root = logging.getLogger()
    root.addHandler(handler)
    handler.start()
    try:
        yield handler
    finally:
        root.removeHandler(handler)
        handler.close()
