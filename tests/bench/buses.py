"""What buses cost and whom a dead one disturbs: the driver of each, over its simulated bus.

The one-wire cycle runs on a clock of its own: the bus is the simulator's, and a file read takes what the
wire takes. Flood and dead buses run in real time, with the threads of the real watch and its store.
"""

import dataclasses
import errno
import math
import os
import tempfile
import threading
import time
import tty
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import serial_flood
from setting import Line, Setting, at_least, at_most, note

import boats
from lugwatch.clock import ManualClock, SystemClock
from lugwatch.model import Event, Quantity, Reading
from lugwatch.runner import Watch
from lugwatch.simulator.chips import ChipBus, ShuntDevice
from lugwatch.simulator.onewire_tree import (
    BULK,
    CONVERSION_SECONDS,
    OneWireTree,
    address,
    scratchpad,
    slave_text,
)  # fmt: skip
from lugwatch.sources.base import AS_SENT, Source
from lugwatch.sources.i2c import I2cChips
from lugwatch.sources.i2c_chips import ShuntAmplifier
from lugwatch.sources.onewire import OneWire
from lugwatch.sources.onewire_bus import SystemFiles
from lugwatch.sources.serial_nmea import SerialChannel, SerialNmea
from lugwatch.sources.shunt_registers import INA226
from lugwatch.store.writer import Store
from test_nmea import with_checksum

PROBES = 16
# Reset, match ROM, command and nine bytes are 152 slots; slot (120 µs and 1 µs of recovery) and reset
# (960 µs) as slow as the DS18B20 datasheet has them
READ_SECONDS = 152 * 121e-6 + 0.96e-3
ONEWIRE_SECONDS, I2C_SECONDS, SENTENCE_SECONDS = 2.0, 1.0, 0.1  # what each source is read or sent every
SECOND_MASTER = "w1_bus_master2"
SECOND_PROBES = 4
ROUND_SECONDS, QUICK_ROUND_SECONDS = 40.0, 16.0
TURNS = 3  # of all well and each dead bus, one after the other, so that the machine's own load is shared
SETTLE_SECONDS = 12.0  # of a round, not counted: the start, and the one round in which a dead bus is found
# Other programs of the machine move a thread by milliseconds; a bus that waits for another moves by 750
SAME_MILLISECONDS = 5.0


def buses(setting: Setting) -> list[Line]:
    """One-wire cycle of sixteen probes, a saturated serial line, and one dead bus beside others."""
    return [*_onewire_cycle(), *_flood(setting), *_dead_bus(setting)]


# ---- sixteen probes on one wire ---------------------------------------------------------------------


class _BusClock(ManualClock):
    """The bus lives while somebody waits."""

    tree: OneWireTree | None = None

    def advance(self, seconds: float) -> None:
        super().advance(seconds)
        if self.tree is not None:
            self.tree.serve(self.monotonic_seconds())


class _TimedFiles(SystemFiles):
    """The simulated folder, with the time that a wire takes and, without a bulk result, the conversion."""

    def __init__(self, clock: ManualClock, *, bulk: bool) -> None:
        self._clock = clock
        self._bulk = bulk

    def read(self, path: Path) -> bytes:
        if path.name == BULK and not self._bulk:
            raise FileNotFoundError(errno.ENOENT, "an older kernel")
        if path.name == "w1_slave":
            self._clock.advance(READ_SECONDS if self._bulk else CONVERSION_SECONDS + READ_SECONDS)
        return super().read(path)


def _cycle_seconds(folder: Path, *, bulk: bool) -> float:
    clock = _BusClock()
    probes = {f"p{n}": address(n) for n in range(PROBES)}
    clock.tree = OneWireTree(folder, probes, lambda: dict.fromkeys(probes, 20.0))
    source = OneWire(
        path=folder, probes=probes, interval_seconds=5.0, clock=clock, stop=threading.Event(),
        files=_TimedFiles(clock, bulk=bulk),
    )  # fmt: skip
    spent = []
    for _ in range(10):
        began = clock.monotonic_seconds()
        read = [event for event in source.poll() if isinstance(event, Reading)]
        assert len(read) == PROBES
        spent.append(clock.monotonic_seconds() - began)
    clock.tree.close()
    return max(spent)


def _onewire_cycle() -> list[Line]:
    with tempfile.TemporaryDirectory() as place:
        together = _cycle_seconds(Path(place) / "bulk", bulk=True)
        singly = _cycle_seconds(Path(place) / "singly", bulk=False)
    return [
        note(
            f"one-wire, {PROBES} probes, longest of ten cycles",
            f"{together:.2f} s at once, {singly:.2f} s singly",
        ),
        at_least("one-wire, sum of single conversions over the full cycle", singly / together, 10.0, "times"),
    ]


# ---- a saturated line -------------------------------------------------------------------------------


def _flood(setting: Setting) -> list[Line]:
    minutes = 0.5 if setting.quick else 10.0
    done = serial_flood.flood(minutes, 0.3, seed=1)
    what = f"serial, 115,200 baud saturated, 30 % garbage, {minutes:g} min, {done.sent} good sentences"
    return [
        at_most(f"{what}: lost", done.lost, 0, "sentences", 0),
        at_most(f"{what}: that nobody sent", done.made_up, 0, "sentences", 0),
        note("serial, the same: processor", f"{done.cpu_seconds:.1f} s, {done.cpu_ratio:.1%} of one core"),
    ]


# ---- one dead bus beside others ---------------------------------------------------------------------


class _Tap:
    """A source, and the moments of what it read, by channel."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.name, self.interval_seconds = source.name, source.interval_seconds
        self.moments: dict[str, list[float]] = {}

    def poll(self) -> Sequence[Event]:
        events = self._source.poll()
        for event in events:
            if isinstance(event, Reading):
                self.moments.setdefault(event.channel, []).append(event.monotonic_seconds)
        return events

    def close(self) -> None:
        self._source.close()


class _TwoMasters(SystemFiles):
    """The simulated folder with a second bus beside it, which may be dead: each read waits, in vain."""

    def __init__(self, folder: Path, addresses: Sequence[str], *, dead: bool) -> None:
        self._dead = dead
        self._second = set(addresses)
        for name in addresses:
            (folder / SECOND_MASTER / name).mkdir(parents=True)
            (folder / name).mkdir()
            (folder / name / "w1_slave").write_text(slave_text(scratchpad(20.0)))
        (folder / SECOND_MASTER / BULK).write_text("0\n")

    def read(self, path: Path) -> bytes:
        if path.parent.name == SECOND_MASTER:
            return b"-1\n" if self._dead else b"1\n"
        if path.parent.name in self._second:
            time.sleep(CONVERSION_SECONDS if self._dead else READ_SECONDS)
            if self._dead:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().read(path)


class _StuckBus:
    """An I2C bus whose lines are held: each transfer ends with the adapter's time-out of one second."""

    def transfer(self, address: int, data: bytes, read_bytes: int) -> bytes:
        time.sleep(1.0)
        raise OSError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))

    def close(self) -> None:
        """Nothing is held."""


def _chips(name: str, clock: SystemClock, stop: threading.Event, *, dead: bool) -> I2cChips:
    shunt = ShuntDevice(lambda: 0.02, clock.monotonic_seconds, wide=False)
    amplifier = ShuntAmplifier(channel=name, address=0x40, chip=INA226, ohms=50e-3 / 200, calibration=AS_SENT)
    return I2cChips(
        name=name, path=f"/dev/{name}", chips=[amplifier], interval_seconds=I2C_SECONDS, clock=clock,
        stop=stop, bus=_StuckBus() if dead else ChipBus({0x40: shunt}, time.sleep),
    )  # fmt: skip


@contextmanager
def _speaking() -> Iterator[str]:
    """A line on which another process says one sentence each SENTENCE_SECONDS; its name."""
    far, near = os.openpty()
    tty.setraw(near)
    child = os.fork()
    if child == 0:
        began = time.monotonic()
        for count in range(10**9):
            try:
                os.write(far, with_checksum(f"IIXDR,C,{count % 100},C,NODE").encode() + b"\r\n")
            except OSError:
                os._exit(0)
            time.sleep(max(0.0, began + SENTENCE_SECONDS * (count + 1) - time.monotonic()))
    try:
        yield os.ttyname(near)
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)
        os.close(far)
        os.close(near)


def _round(place: Path, dead: str, seconds: float) -> dict[str, list[float]]:
    """Departures of each source's gaps from what they should be [ms], with this bus dead or none ("")."""
    clock, stop = SystemClock(), threading.Event()
    probes = {f"p{n}": address(n) for n in range(PROBES)}
    second = {f"q{n}": address(100 + n) for n in range(SECOND_PROBES)}
    folder = place / "w1"
    tree = OneWireTree(folder, probes, lambda: dict.fromkeys(probes, 20.0))
    for name in probes.values():
        (folder / "w1_bus_master1" / name).mkdir()
    with _speaking() as device:
        node = SerialChannel(channel="node", quantity=Quantity.CELSIUS, kind="C", transducer="NODE")
        sources = [
            OneWire(
                path=folder, probes=probes | second, interval_seconds=ONEWIRE_SECONDS, clock=clock, stop=stop,
                files=_TwoMasters(folder, list(second.values()), dead=dead == "one-wire"), bulk_seconds=3.0,
            ),
            _chips("i2c-1", clock, stop, dead=False),
            _chips("i2c-2", clock, stop, dead=dead == "i2c"),
            SerialNmea(
                name="serial", device=device, baud=115_200, channels=[node], clock=clock, stop=stop
            ),
        ]  # fmt: skip
        taps = [_Tap(source) for source in sources]
        names = [*probes, *second, "node"]
        boat = boats.boat()
        boat = dataclasses.replace(
            boat,
            channels=(
                *boat.channels,
                *(boats.channel(n) for n in names),
                *(boats.channel(n, Quantity.AMPS, n) for n in ("i2c-1", "i2c-2")),
            ),
        )
        store = Store.open(place / "watch.db", clock=clock, boat=boat, version="bench")
        watch = Watch(
            state=boats.begin(boat), sources=taps, store=store, publishers=[], clock=clock, stop=stop
        )
        running = threading.Thread(target=watch.run)
        running.start()
        began = time.monotonic()
        while (now := time.monotonic()) < began + seconds:
            tree.serve(now)
            time.sleep(0.002)
        stop.set()
        running.join()
    tree.close()
    read = {channel: moments for tap in taps for channel, moments in tap.moments.items()}
    nominal = {"p0": ONEWIRE_SECONDS, "i2c-1": I2C_SECONDS, "node": SENTENCE_SECONDS}
    return {
        channel: [
            1000.0 * (after - before - gap)
            for before, after in zip(read[channel], read[channel][1:], strict=False)
            if before > began + SETTLE_SECONDS
        ]
        for channel, gap in nominal.items()
    }


def _dead_bus(setting: Setting) -> list[Line]:
    seconds = SETTLE_SECONDS + setting.pick(round(ROUND_SECONDS), round(QUICK_ROUND_SECONDS))
    departures: dict[tuple[str, str], list[float]] = {}
    for turn in range(setting.pick(TURNS, 1)):
        for dead in ("", "one-wire", "i2c"):
            with tempfile.TemporaryDirectory(prefix=f"lugwatch-buses-{turn}-") as place:
                for channel, found in _round(Path(place), dead, seconds).items():
                    departures.setdefault((channel, dead), []).extend(found)
    named = {"p0": "one-wire, 16 probes", "i2c-1": "I2C, a shunt", "node": "serial, ten a second"}
    lines = []
    for channel, name in named.items():
        well = departures[channel, ""]
        lines.append(note(f"gaps of {name}: all well", _told(well)))
        for dead in ("one-wire", "i2c"):
            beside = departures[channel, dead]
            worse = max(
                (abs(_quantile(beside, q) - _quantile(well, q)) for q in (5, 50, 95)), default=math.nan
            )
            lines.append(note(f"gaps of {name}: another {dead} bus dead", _told(beside)))
            lines.append(
                at_most(
                    f"  5, 50 and 95 % of them moved by, at most ({dead} dead)",
                    worse,
                    SAME_MILLISECONDS,
                    "ms",
                )
            )
    return lines


def _quantile(departures: Sequence[float], percent: float) -> float:
    return float(np.percentile(departures, percent)) if departures else math.nan


def _told(departures: Sequence[float]) -> str:
    five, half, ninety_five = (_quantile(departures, q) for q in (5, 50, 95))
    most = max((abs(d) for d in departures), default=math.nan)
    spread = f"{five:+.1f}, {half:+.1f}, {ninety_five:+.1f} ms (5, 50, 95 %)"
    return f"{spread}, most {most:.1f} ms, of {len(departures)}"
