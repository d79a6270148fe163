"""A recording of buses played back through the same drivers: the same readings and faults, or where they
differ.

Nothing of the machine is touched: files, lines and buses are those of the recording. A driver that asks as it
did when it was recorded is answered in that order, to the last bit. One that was changed since is answered by
what it asks for, and what was never recorded is an error of the bus. Not here: the file (`bus_log`).
May import: bus_log, bus_recording, outside, registry, step_clock, config, errors, model.
"""

import errno
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from lugwatch import config
from lugwatch.errors import ConfigurationError, UserError
from lugwatch.model import Fault, Reading
from lugwatch.sources import registry
from lugwatch.sources.base import Source
from lugwatch.sources.bus_log import Call, Heading, Poll, Reader
from lugwatch.sources.bus_recording import NOT_RECORDED, transfer_text
from lugwatch.sources.outside import Outside
from lugwatch.sources.serial_nmea import Port
from lugwatch.sources.step_clock import StepClock

_NOTHING_SECONDS = 0.5  # what a line waits for bytes of which the recording has no more


class Script(StepClock):
    """The calls of one poll, answered again; also the clock that the driver goes by.

    asked_else: calls that the recording does not have, since the beginning.
    """

    def __init__(self, micros: int, time: int) -> None:
        super().__init__(micros, time)
        self._calls: Sequence[Call] = ()
        self._used: list[bool] = []
        self._next = 0
        self.asked_else = 0

    def start_poll(self, poll: Poll) -> None:
        self.begin(poll.began, poll.time)
        self._calls, self._used, self._next = poll.calls, [False] * len(poll.calls), 0

    @property
    def left_over(self) -> int:
        """Calls of this poll that nobody asked for; waits do not count."""
        return sum(
            not used and call.verb != "wait" for used, call in zip(self._used, self._calls, strict=True)
        )

    def wait(self, event: threading.Event, seconds: float) -> bool:
        if self._next < len(self._calls) and self._calls[self._next].verb == "wait":
            self._use(self._next)
        else:
            self.move_to(self.micros + round(seconds * 1e6))
        return event.is_set()

    def ask(self, verb: str, request: str = "") -> Call | None:
        """The next recorded answer to this, else one before it that was not used; raises what it raised."""
        after = range(self._next, len(self._calls))
        before = range(self._next)
        for i in (*after, *before):
            call: Call = self._calls[i]
            if not self._used[i] and call.verb == verb and call.request == request:
                self._use(i)
                if call.error is not None:
                    number, text = call.error.number, call.error.text
                    raise OSError(text) if number is None else OSError(number, text)
                return call
        self.asked_else += 1
        return None

    def _use(self, i: int) -> None:
        call = self._calls[i]
        self._used[i] = True
        self._next = max(self._next, i + 1)
        self.move_to(self.began_micros + call.end)


def _answer(call: Call | None, what: str) -> str:
    if call is None:
        raise OSError(errno.ENODATA, f"not in the recording: {what}")
    return call.answer if isinstance(call.answer, str) else ""


@dataclass(frozen=True, slots=True)
class _Files:
    script: Script

    def names(self, folder: Path) -> list[str]:
        call = self.script.ask("names", str(folder))
        _answer(call, str(folder))
        assert call is not None
        return list(call.answer) if isinstance(call.answer, list) else []

    def read(self, path: Path) -> bytes:
        return _bytes(_answer(self.script.ask("read", str(path)), str(path)))

    def write(self, path: Path, data: bytes) -> None:
        request = f"{path} {data.decode('latin-1')}"
        _answer(self.script.ask("write", request), str(path))


class _Port:
    def __init__(self, script: Script) -> None:
        self._script = script
        self._left = b""  # recorded as one, asked for in smaller pieces

    @property
    def in_waiting(self) -> int:
        if self._left:
            return len(self._left)
        call = self._script.ask("waiting")
        return call.answer if call is not None and isinstance(call.answer, int) else 0

    def read(self, size: int) -> bytes:
        if not self._left and size > 0:
            call = self._script.ask("receive")
            if call is None:
                self._script.move_to(self._script.micros + round(_NOTHING_SECONDS * 1e6))
                return b""
            self._left = _bytes(_answer(call, "the line"))
        data, self._left = self._left[:size], self._left[size:]
        return data

    def close(self) -> None:
        self._left = b""


@dataclass(frozen=True, slots=True)
class _Bus:
    script: Script

    def transfer(self, address: int, data: bytes, read_bytes: int) -> bytes:
        request = transfer_text(address, data, read_bytes)
        answer = _answer(self.script.ask("transfer", request), request)
        try:
            return bytes.fromhex(answer)
        except ValueError:
            raise OSError(errno.EIO, "not hexadecimal in the recording") from None

    def close(self) -> None:
        """Nothing is open."""


def _bytes(text: str) -> bytes:
    return text.encode("latin-1", errors="replace")


def _played(script: Script) -> Outside:
    def open_port(device: str, baud: int) -> Port:
        _answer(script.ask("open", f"{device} {baud}"), device)
        return _Port(script)

    return Outside(files=lambda: _Files(script), open_port=open_port, open_bus=lambda _path: _Bus(script))


def _but_for_words(event: Reading | Fault) -> Reading | Fault:
    return replace(event, detail="") if isinstance(event, Fault) else event


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """One poll, as it was and as it is now. failed: what the driver raised now."""

    poll: Poll
    source: str
    came: tuple[Reading | Fault, ...]
    failed: str | None

    @property
    def same(self) -> bool:
        """But for the words of faults: some name what else this machine has."""
        now, then = ([_but_for_words(event) for event in events] for events in (self.came, self.poll.came))
        return self.failed == self.poll.failed and now == then


class Player:
    """The drivers of a recording. Raises UserError for one whose channels nobody could read."""

    def __init__(self, path: Path) -> None:
        self.reader = Reader(path)
        heading = self.heading
        tables = {
            "watch": {"interval_seconds": heading.interval_seconds},
            "onewire": {"path": heading.onewire_path},
            "probe": [table for source in heading.sources for table in source.probe],
            "current": [
                {key: value for key, value in table.items() if value is not None}
                for source in heading.sources
                for table in source.current
            ],
        }
        configuration = config.of_channels(path, tables)
        if mistakes := registry.check(configuration):
            raise ConfigurationError(str(path), mistakes)
        groups = registry.by_source(configuration)
        self._stop = threading.Event()
        self._sources: list[tuple[Source, Script]] = []
        for source in heading.sources:
            if source.name not in groups or source.name == NOT_RECORDED:
                raise UserError(f"{path}: {source.name!r} is none of the sources that its channels name")
            script = Script(source.began, source.time)
            opened = registry.open_one(
                configuration, groups[source.name], script, self._stop, _played(script)
            )
            self._sources.append((opened, script))

    @property
    def heading(self) -> Heading:
        return self.reader.heading

    @property
    def asked_else(self) -> int:
        """How often a driver asked what the recording does not have: it is another than the recorded one."""
        return sum(script.asked_else for _, script in self._sources)

    def play(self) -> Iterator[Played]:
        """Every poll in turn; a driver that raises is told and asked again in the next."""
        with ThreadPoolExecutor(max_workers=1) as worker:
            for poll in self.reader.polls():
                source, script = self._sources[poll.source]
                script.start_poll(poll)
                future = worker.submit(source.poll)
                error = future.exception()
                yield Played(
                    poll=poll,
                    source=source.name,
                    came=() if error is not None else tuple(future.result()),
                    failed=None if error is None else f"{type(error).__name__}: {error}",
                )
