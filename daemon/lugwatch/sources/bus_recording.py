"""Recording what real drivers ask of real buses and what they are answered, while they read.

A thread for each source, as in the watch, so that a stuck bus costs no line its bytes. What a driver hears is
what stands in the file: masking comes before it. Not here: the file (`bus_log`), the way back
(`bus_playing`), MQTT. May import: base, bus_log, nmea_masking, outside, registry, step_clock, config, clock,
model.
"""

import platform
import sys
import termios
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal, TypeVar

from lugwatch import __version__
from lugwatch.clock import Clock
from lugwatch.config import ChannelSettings, Configuration
from lugwatch.errors import OperationFailed
from lugwatch.model import Fault, Quantity, Reading
from lugwatch.sources import registry
from lugwatch.sources.base import Source
from lugwatch.sources.bus_log import Call, Heading, Poll, SourceHeading, Trouble, Writer
from lugwatch.sources.i2c_bus import Bus
from lugwatch.sources.nmea_masking import Masker
from lugwatch.sources.onewire_bus import Files
from lugwatch.sources.outside import WORLD, Outside
from lugwatch.sources.serial_nmea import Port
from lugwatch.sources.step_clock import StepClock

NOT_RECORDED = "mqtt"  # its library owns the socket; a broker's traffic can be written down at the broker
_TROUBLE = (OSError, ValueError, TypeError, termios.error)
T = TypeVar("T")


class Tap(StepClock):
    """What one source asks, noted as it happens; also the clock that it goes by."""

    def __init__(self, clock: Clock) -> None:
        self._real = clock
        super().__init__(self._now(), clock.time())
        self.calls: list[Call] = []

    def start_poll(self) -> None:
        self.calls = []
        self.begin(self._now(), self._real.time())

    def wait(self, event: threading.Event, seconds: float) -> bool:
        start = self._reached()
        done = self._real.wait(event, seconds)
        self.calls.append(Call(verb="wait", start=start, end=self._reached()))
        return done

    def note(
        self,
        verb: Literal["names", "read", "write", "open", "waiting", "receive", "transfer"],
        request: str,
        ask: Callable[[], T],
        said: Callable[[T], str | int | list[str] | None],
    ) -> T:
        """Ask the world and note what it said; errors pass on."""
        start = self._reached()
        try:
            answer = ask()
        except _TROUBLE as error:
            trouble = Trouble(
                number=getattr(error, "errno", None), text=getattr(error, "strerror", None) or str(error)
            )
            self.calls.append(
                Call(verb=verb, request=request, start=start, end=self._reached(), error=trouble)
            )
            raise
        self.calls.append(
            Call(verb=verb, request=request, start=start, end=self._reached(), answer=said(answer))
        )
        return answer

    def _reached(self) -> int:
        """Move to now; µs since the poll began."""
        self.move_to(self._now())
        return self.micros - self.began_micros

    def _now(self) -> int:
        return round(self._real.monotonic_seconds() * 1e6)


@dataclass(frozen=True, slots=True)
class _Files:
    """The one-wire folder, noted."""

    tap: Tap
    files: Files

    def names(self, folder: Path) -> list[str]:
        return self.tap.note("names", str(folder), lambda: self.files.names(folder), list)

    def read(self, path: Path) -> bytes:
        return self.tap.note("read", str(path), lambda: self.files.read(path), _text)

    def write(self, path: Path, data: bytes) -> None:
        request = f"{path} {_text(data)}"
        self.tap.note("write", request, lambda: self.files.write(path, data), lambda _: None)


class _Port:
    """A serial line, noted; masked before anybody hears it."""

    def __init__(self, tap: Tap, port: Port, masker: Masker | None) -> None:
        self._tap, self._port, self._masker = tap, port, masker

    @property
    def in_waiting(self) -> int:
        return self._tap.note("waiting", "", lambda: self._port.in_waiting, int)

    def read(self, size: int) -> bytes:
        return self._tap.note("receive", "", lambda: self._heard(size), _text)

    def close(self) -> None:
        self._port.close()

    def _heard(self, size: int) -> bytes:
        data = self._port.read(size)
        return data if self._masker is None else self._masker.feed(data)


@dataclass(frozen=True, slots=True)
class _Bus:
    """An I2C bus, noted."""

    tap: Tap
    bus: Bus

    def transfer(self, address: int, data: bytes, read_bytes: int) -> bytes:
        request = transfer_text(address, data, read_bytes)
        return self.tap.note(
            "transfer", request, lambda: self.bus.transfer(address, data, read_bytes), bytes.hex
        )

    def close(self) -> None:
        self.bus.close()


def transfer_text(address: int, data: bytes, read_bytes: int) -> str:
    """One transfer as a `Call.request`."""
    return f"{address:02x} {data.hex()} {read_bytes}"


def _text(data: bytes) -> str:
    return data.decode("latin-1")


def tapped(tap: Tap, world: Outside, masked: bool) -> Outside:
    """The world through a tap."""

    def open_port(device: str, baud: int) -> Port:
        port = tap.note("open", f"{device} {baud}", lambda: world.open_port(device, baud), lambda _: None)
        return _Port(tap, port, Masker() if masked else None)

    return Outside(
        files=lambda: _Files(tap, world.files()),
        open_port=open_port,
        open_bus=lambda path: _Bus(tap, world.open_bus(path)),
    )


class Recorder:
    """The sources of a checked configuration, but for MQTT, each with its tap."""

    def __init__(
        self,
        configuration: Configuration,
        clock: Clock,
        stop: threading.Event,
        *,
        masked: bool,
        world: Outside = WORLD,
    ) -> None:
        self._clock = clock
        self._stop = stop
        groups = registry.by_source(configuration)
        self.left_out = tuple(name for name in groups if name == NOT_RECORDED)
        self._sources: list[tuple[Source, Tap]] = []
        headings = []
        for name, channels in groups.items():
            if name == NOT_RECORDED:
                continue
            tap = Tap(clock)
            headings.append(_heading(name, channels, configuration, tap))
            outside = tapped(tap, world, masked)
            self._sources.append((registry.open_one(configuration, channels, tap, stop, outside), tap))
        self.heading = Heading(
            lugwatch=__version__,
            system=f"{platform.system()} {platform.release()} {platform.machine()}, "
            f"Python {platform.python_version()}",
            time=clock.time(),
            masked=masked,
            interval_seconds=configuration.boat.watching.interval_seconds,
            onewire_path=str(configuration.onewire_path),
            sources=headings,
        )
        self.came: dict[str, int] = {heading.name: 0 for heading in headings}

    def run(self, writer: Writer) -> tuple[Literal["size", "asked"], list[str]]:
        """Record until `stop` is set or the file is full: why it ended, and drivers that failed of
        themselves.

        What such a driver was doing is the last that the file has of it; the others go on.
        Raises OperationFailed for the disk.
        """
        full = threading.Event()
        with ThreadPoolExecutor(max_workers=max(1, len(self._sources))) as workers:
            running = [
                workers.submit(self._read, number, writer, full) for number in range(len(self._sources))
            ]
        failures = [error for future in running if (error := future.exception()) is not None]
        for failure in failures:
            if isinstance(failure, OperationFailed):
                raise failure
        return "size" if full.is_set() else "asked", [f"{type(f).__name__}: {f}" for f in failures]

    def poll(self, number: int, put: Callable[[Poll], object]) -> None:
        """One poll of one source, put away unless it was broken off; also when its driver raises."""
        source, tap = self._sources[number]
        tap.start_poll()
        came: list[Reading | Fault] = []
        try:
            came = list(source.poll())
        finally:
            error = sys.exc_info()[1]
            if not self._stop.is_set():
                self.came[source.name] += sum(isinstance(event, Reading) for event in came)
                put(
                    Poll(
                        source=number,
                        began=tap.began_micros,
                        time=tap.began_time,
                        calls=tap.calls,
                        came=came,
                        failed=None if error is None else f"{type(error).__name__}: {error}",
                    )
                )

    def close(self) -> None:
        for source, _ in self._sources:
            source.close()

    def _read(self, number: int, writer: Writer, full: threading.Event) -> None:
        source, tap = self._sources[number]

        def put(poll: Poll) -> None:
            try:
                if not writer.put(poll):
                    full.set()
                    self._stop.set()
            except OperationFailed:
                self._stop.set()  # of no use to anybody else
                raise

        while not self._stop.is_set():
            self.poll(number, put)
            spent = self._clock.monotonic_seconds() - tap.began_micros / 1e6
            if source.interval_seconds > spent:
                self._clock.wait(self._stop, source.interval_seconds - spent)


def _heading(
    name: str, channels: Sequence[ChannelSettings], configuration: Configuration, tap: Tap
) -> SourceHeading:
    """What the drivers need of the configuration, and no names or notes."""
    boat = {channel.channel: channel for channel in configuration.boat.channels}
    probe, current = [], []
    for settings in channels:
        # a date is that of a zero and changes no reading
        keys = {key: value for key, value in settings.keys.items() if not isinstance(value, date)}
        table = {"id": settings.channel, "source": settings.source, **keys}
        if settings.quantity is Quantity.CELSIUS:
            probe.append(table)
        else:
            current.append(table | {"rated_amps": boat[settings.channel].rated_amps})
    return SourceHeading(name=name, began=tap.began_micros, time=tap.began_time, probe=probe, current=current)
