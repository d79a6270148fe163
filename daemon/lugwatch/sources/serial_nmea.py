"""NMEA 0183 over a serial line: one device, opened for ever again, its XDR groups as readings.

Not here: lines and sentences (`nmea`). The only file here that names pyserial.
May import: base, nmea, clock, model.
"""

import contextlib
import termios
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, cast

import serial

from lugwatch.clock import Clock
from lugwatch.model import Fault, FaultKind, Quantity, Reading
from lugwatch.sources.base import AS_SENT, READINGS_A_SECOND, Allowance, Calibration, Refused, measured
from lugwatch.sources.nmea import (
    LineBuffer,
    Sentence,
    parse_sentence,
    restarts,
    satellite_time,
    transducers,
)

DEFAULT_BAUD = 115_200  # what micro-controller boards on USB are set to; wired instruments use 4800
_READ_SECONDS = 0.5  # real seconds that a poll waits for the first byte
_MOST_BYTES = 8192  # per poll
# So much at once is a flood: at 115,200 baud a millisecond brings 12 bytes. USB itself has no such bound,
# and reading for ever as fast as it comes would take the processor from the watch.
_FLOOD_BYTES, _FLOOD_PAUSE_SECONDS = 2048, 0.05
_FIRST_DELAY_SECONDS, _LONGEST_DELAY_SECONDS = 0.5, 30.0
_TOLD_EVERY_SECONDS = 10.0
_MOST_TALKERS = 16  # whose restarts are followed; a line has one or two
# SerialException is an OSError; the terminal's own errors are not, and a closed handle is a TypeError
_LINE_GONE = (OSError, termios.error, TypeError)


class Port(Protocol):
    """What is used of an open serial line."""

    @property
    def in_waiting(self) -> int:
        """Bytes ready to read. Raises OSError."""

    def read(self, size: int) -> bytes:
        """Up to `size` bytes, none after the time-out. Raises OSError."""

    def close(self) -> None:
        """Give it back."""


def open_port(device: str, baud: int) -> Port:
    """8N1, for us alone. Raises OSError."""
    return cast(Port, serial.Serial(port=device, baudrate=baud, timeout=_READ_SECONDS, exclusive=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialChannel:
    """A channel on the line: which transducer it is and how its number becomes °C or A.

    kind: transducer type "C", "I" or "U". talker: only from this one; None: from any.
    """

    channel: str
    quantity: Quantity
    kind: str
    transducer: str
    talker: str | None = None
    calibration: Calibration = AS_SENT


class SerialNmea:
    """One serial device. `interval_seconds` is 0: the poll itself waits for bytes."""

    interval_seconds = 0.0

    def __init__(
        self,
        *,
        name: str,
        device: str,
        baud: int,
        channels: Sequence[SerialChannel],
        clock: Clock,
        stop: threading.Event,
        opener: Callable[[str, int], Port] = open_port,
        hear: Callable[[int, float], object] | None = None,
    ) -> None:
        """hear: told each time that a satellite receiver on the line says [ms], and when [monotonic s]."""
        self.name = name
        self._device = device
        self._baud = baud
        self._channels: Mapping[tuple[str, str], list[SerialChannel]] = _by_transducer(channels)
        self._clock = clock
        self._stop = stop
        self._opener = opener
        self._hear = hear
        self._port: Port | None = None
        self._buffer = LineBuffer()
        self._delay_seconds = _FIRST_DELAY_SECONDS
        self._next_try_seconds = clock.monotonic_seconds()
        self._disconnected_told = False
        self._noise = _Noise()
        self._allowance = Allowance()
        self._restarts: dict[str, int] = {}  # talker -> what its node last counted

    def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(*_LINE_GONE):
                port.close()

    def poll(self) -> Sequence[Reading | Fault]:
        """What the line brought; waits up to half a second for it, a second while the line is away."""
        events: list[Reading | Fault] = []
        if self._port is None and not self._open(events):
            return events
        assert self._port is not None
        try:
            data = self._port.read(1)
            if data:
                data += self._port.read(min(self._port.in_waiting, _MOST_BYTES))
        except _LINE_GONE as error:
            self._lose(error, events)
            return events
        if data:
            self._delay_seconds = _FIRST_DELAY_SECONDS
            self._disconnected_told = False
        for line in self._buffer.feed(data):
            self._take(line, events)
        events += self._due_noise()
        if len(data) >= _FLOOD_BYTES:
            self._clock.wait(self._stop, _FLOOD_PAUSE_SECONDS)
        return events

    # ---- the line ----------------------------------------------------------------------------

    def _open(self, events: list[Reading | Fault]) -> bool:
        wait_seconds = self._next_try_seconds - self._clock.monotonic_seconds()
        if wait_seconds > 0:
            self._clock.wait(self._stop, min(wait_seconds, 1.0))
            events += self._due_noise()
            return False
        try:
            self._port = self._opener(self._device, self._baud)
        except (*_LINE_GONE, ValueError) as error:
            self._lose(error, events)
            return False
        self._buffer = LineBuffer()  # half a line from before the gap joins nothing
        return True

    def _lose(self, error: Exception, events: list[Reading | Fault]) -> None:
        """Close, and try again after a delay that doubles up to half a minute; said once."""
        self.close()
        self._next_try_seconds = self._clock.monotonic_seconds() + self._delay_seconds
        self._delay_seconds = min(2 * self._delay_seconds, _LONGEST_DELAY_SECONDS)
        if not self._disconnected_told:
            self._disconnected_told = True
            reason = getattr(error, "strerror", None) or str(error)
            detail = f"{self._device}: {reason}; trying again until it is back"
            events.append(self._fault(None, FaultKind.DISCONNECTED, detail))

    # ---- what it brings ----------------------------------------------------------------------

    def _take(self, line: bytes | Refused, events: list[Reading | Fault]) -> None:
        sentence = parse_sentence(line) if isinstance(line, bytes) else line
        if isinstance(sentence, Refused):
            self._noise.add(sentence)
            return
        if self._hear is not None and (time := satellite_time(sentence)) is not None:
            self._hear(time, self._clock.monotonic_seconds())
        self._notice_restart(sentence)
        groups = transducers(sentence)
        if isinstance(groups, Refused):
            self._noise.add(groups)
            return
        for group in groups:
            for channel in self._channels.get((group.kind, group.name), ()):
                if channel.talker not in (None, sentence.talker):
                    continue
                if self._allowance.take(channel.channel, self._clock.monotonic_seconds()):
                    events.append(self._event(channel, group.value, sentence))
                else:
                    detail = f"{channel.transducer} comes more than {READINGS_A_SECOND:g} times a second"
                    self._noise.add(Refused(kind=FaultKind.OVERRUN, detail=detail))

    def _notice_restart(self, sentence: Sentence) -> None:
        """A node that starts again and again has a supply that sags; its readings alone do not show it."""
        count = restarts(sentence)
        if count is None:
            return
        before = self._restarts.get(sentence.talker)
        if before is None and len(self._restarts) >= _MOST_TALKERS:
            return
        self._restarts[sentence.talker] = count
        if before is not None and count != before:
            detail = f"{self._device}: the node {sentence.talker} restarted, it counts {count} after {before}"
            self._noise.add(Refused(kind=FaultKind.RESTARTED, detail=detail))

    def _event(self, channel: SerialChannel, raw: float | Refused, sentence: Sentence) -> Reading | Fault:
        value = raw
        if not isinstance(value, Refused):
            value = measured(value, channel.quantity, channel.calibration)
        if isinstance(value, Refused):
            detail = f"{sentence.talker}{sentence.formatter} {channel.transducer}: {value.detail}"
            return self._fault(channel.channel, value.kind, detail)
        return Reading(
            channel=channel.channel,
            value=value,
            monotonic_seconds=self._clock.monotonic_seconds(),
            time=self._clock.time(),
        )

    def _due_noise(self) -> list[Fault]:
        due = self._noise.due(self._clock.monotonic_seconds())
        return [self._fault(None, refused.kind, refused.detail) for refused in due]

    def _fault(self, channel: str | None, kind: FaultKind, detail: str) -> Fault:
        return Fault(
            source=self.name,
            channel=channel,
            kind=kind,
            detail=detail,
            monotonic_seconds=self._clock.monotonic_seconds(),
            time=self._clock.time(),
        )


class _Noise:
    """Bad lines and restarts, told once per kind and ten seconds: a bad plug must not fill the store."""

    def __init__(self) -> None:
        self._waiting: dict[FaultKind, tuple[int, str]] = {}  # count, detail of the last
        self._told_seconds: dict[FaultKind, float] = {}

    def add(self, refused: Refused) -> None:
        count, _ = self._waiting.get(refused.kind, (0, ""))
        self._waiting[refused.kind] = (count + 1, refused.detail)

    def due(self, now_seconds: float) -> list[Refused]:
        """What may be told now; the rest waits."""
        told = []
        for kind, (count, detail) in list(self._waiting.items()):
            if now_seconds - self._told_seconds.get(kind, -_TOLD_EVERY_SECONDS) < _TOLD_EVERY_SECONDS:
                continue
            self._told_seconds[kind] = now_seconds
            del self._waiting[kind]
            if kind is FaultKind.RESTARTED:
                told.append(Refused(kind=kind, detail=detail))
                continue
            what = "reading" if kind is FaultKind.OVERRUN else "line"
            lines = f"1 {what} dropped" if count == 1 else f"{count} {what}s dropped"
            told.append(Refused(kind=kind, detail=f"{lines}; the last: {detail}"))
        return told


def _by_transducer(channels: Sequence[SerialChannel]) -> Mapping[tuple[str, str], list[SerialChannel]]:
    table: dict[tuple[str, str], list[SerialChannel]] = {}
    for channel in channels:
        table.setdefault((channel.kind, channel.transducer), []).append(channel)
    return table
