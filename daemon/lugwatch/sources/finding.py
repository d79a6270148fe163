"""What is attached, before anything is configured: one-wire probes, lines that speak, chips on I2C.

Looks and asks only; nothing is written to a device. Each finder says why it found nothing.
May import: base, i2c_bus, nmea, onewire_decode, serial_nmea, shunt_registers, adc_registers, clock, model.
"""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from lugwatch.clock import Clock
from lugwatch.model import FaultKind
from lugwatch.sources import adc_registers, shunt_registers
from lugwatch.sources.base import Refused
from lugwatch.sources.i2c_bus import Bus, SystemBus, explain
from lugwatch.sources.nmea import LineBuffer, Sentence, parse_sentence, transducers
from lugwatch.sources.onewire_decode import normalise_id
from lugwatch.sources.serial_nmea import DEFAULT_BAUD, Port, open_port

LISTEN_SECONDS = 3.0
MOST_HEARD = 64  # named values of one line; no node has more, but a broken one may make up names for ever
SHUNT_ADDRESSES, ADC_ADDRESSES = range(0x40, 0x50), range(0x48, 0x4C)
_NOBODY = (FaultKind.NO_ANSWER, FaultKind.TIMED_OUT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transducer:
    """One named value on a line: kind "C", "I" or "U"."""

    device: str
    kind: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundChip:
    """A chip that said who it is."""

    bus: str
    address: int
    chip: str


@dataclass(slots=True)
class Found:
    """All that answers, and what stood in the way of finding more, a line each."""

    onewire: list[str] = field(default_factory=list)
    transducers: list[Transducer] = field(default_factory=list)
    chips: list[FoundChip] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def find_onewire(path: Path, found: Found) -> None:
    """Ids of all thermometers in the kernel's folder, in order."""
    try:
        names = sorted(entry.name for entry in path.iterdir())
    except OSError as error:
        found.notes.append(
            f"one-wire: {path}: {error.strerror}; switch it on (overlay w1-gpio in the boot configuration), "
            "load w1-therm, restart"
        )
        return
    found.onewire = [name for name in names if normalise_id(name) == name]
    if not any(name.startswith("w1_bus_master") for name in names):
        found.notes.append(f"one-wire: {path} has no bus; is w1-gpio loaded and the right pin named?")
    elif not found.onewire:
        found.notes.append(
            "one-wire: the bus is there and no thermometer answers; check the pull-up, supply and plug"
        )


def find_serial(
    folder: Path,
    found: Found,
    clock: Clock,
    stop: threading.Event,
    opener: Callable[[str, int], Port] = open_port,
) -> None:
    """Listen to each line under its stable name for a few seconds."""
    devices = sorted(folder.iterdir()) if folder.is_dir() else []
    if not devices:
        found.notes.append(
            f"serial: nothing under {folder}; a node on USB shows up there when it is plugged in"
        )
    for device in devices:
        try:
            heard = _listen(str(device), clock, stop, opener)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            found.notes.append(f"serial: {device}: {reason}; the user must be in the group dialout")
            continue
        new = [t for t in heard if t not in found.transducers]
        found.transducers += new
        if not new:
            found.notes.append(
                f"serial: {device}: no XDR sentence within {LISTEN_SECONDS:g} s at {DEFAULT_BAUD} baud"
            )


def _listen(
    device: str, clock: Clock, stop: threading.Event, opener: Callable[[str, int], Port]
) -> list[Transducer]:
    port = opener(device, DEFAULT_BAUD)
    buffer, heard = LineBuffer(), dict[Transducer, None]()
    end_seconds = clock.monotonic_seconds() + LISTEN_SECONDS
    try:
        while clock.monotonic_seconds() < end_seconds and not stop.is_set():
            data = port.read(max(1, min(port.in_waiting, 4096)))
            if not data:
                clock.wait(stop, 0.01)
            for line in buffer.feed(data):
                sentence = parse_sentence(line) if isinstance(line, bytes) else line
                groups = transducers(sentence) if isinstance(sentence, Sentence) else sentence
                if isinstance(groups, Refused):
                    continue
                for group in groups:
                    if len(heard) < MOST_HEARD:
                        heard[Transducer(device=device, kind=group.kind, name=group.name)] = None
    finally:
        port.close()
    return list(heard)


def find_chips(nodes: Sequence[Path], found: Found, opener: Callable[[str], Bus] = SystemBus) -> None:
    """Ask the addresses of the known chips on each bus who is there."""
    if not nodes:
        found.notes.append("I2C: no bus; switch it on in the boot configuration if a chip hangs on it")
    for node in nodes:
        bus = opener(str(node))
        try:
            _ask_bus(str(node), bus, found)
        finally:
            bus.close()


def _ask_bus(path: str, bus: Bus, found: Found) -> None:
    for address in SHUNT_ADDRESSES:
        try:
            chip = _who(bus, address)
        except OSError as error:
            refused = explain(error, path, address)
            if refused.kind not in _NOBODY:
                found.notes.append(f"I2C: {refused.detail}")
                return
            if refused.kind is FaultKind.TIMED_OUT:
                found.notes.append(f"I2C: {refused.detail}")
                return
            continue
        if chip is not None:
            found.chips.append(FoundChip(bus=path, address=address, chip=chip))
        else:
            found.notes.append(f"I2C: {path}: something at {address:#04x} that is no chip we know")


def _who(bus: Bus, address: int) -> str | None:
    """The chip at an address, by its own words; None: another. Raises OSError where nobody answers."""

    def word(register: int) -> int:
        return int.from_bytes(bus.transfer(address, bytes([register]), 2), "big")

    for chip in (shunt_registers.INA226, shunt_registers.INA228):
        if shunt_registers.check_identity(chip, word(chip.maker_register), word(chip.part_register)) is None:
            return chip.name
    if address in ADC_ADDRESSES:
        low, high = word(adc_registers.LOW_THRESHOLD), word(adc_registers.HIGH_THRESHOLD)
        if adc_registers.check_identity(low, high) is None:
            return "ads1115"
    return None
