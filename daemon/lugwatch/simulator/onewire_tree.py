"""A one-wire bus of thermometers as the kernel's folder shows it, made of ordinary files.

Every file is replaced as a whole (written beside the tree, then renamed), so a reader sees the old
text or the new one and never half. Not here: reading such a tree. The layout and texts are those of
the Linux w1_therm driver (Documentation/w1/slaves/w1_therm.rst and the ABI text of its entries).
May import: nothing of ours.
"""

import os
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

CONVERSION_SECONDS = 0.75  # 12 bit, DS18B20 datasheet
UNTRIGGERED_SECONDS = 10.0  # with nobody triggering, as if each probe were read by itself this often
FAMILY = 0x28
BUS = "w1_bus_master1"
BULK = "therm_bulk_read"
TRIGGER = b"trigger\n"

Measure = Callable[[], Mapping[str, float | None]]  # probe id -> °C, None: does not answer


def crc8(data: bytes) -> int:
    """Checksum of the one-wire bus: x⁸ + x⁵ + x⁴ + 1, reflected (maker's application note 27)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _bit in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def scratchpad(celsius: float) -> bytes:
    """The nine bytes of a 12-bit probe at this temperature (DS18B20 datasheet, memory map).

    Byte 6 counts down from 10h with the sixteenths, as genuine parts do; the alarm bytes are the
    factory's.
    """
    raw = max(-55 * 16, min(125 * 16, round(celsius * 16)))
    low, high = (raw & 0xFFFF).to_bytes(2, "little")
    data = bytes([low, high, 0x4B, 0x46, 0x7F, 0xFF, 0x10 - (raw & 0x0F), 0x10])
    return data + bytes([crc8(data)])


def millicelsius(data: bytes) -> int:
    """What the driver prints for these bytes: cut towards zero, as C divides."""
    raw = int.from_bytes(data[:2], "little", signed=True)
    return raw * 1000 // 16 if raw >= 0 else -(-raw * 1000 // 16)


def slave_text(data: bytes) -> str:
    """The two lines of `w1_slave` for a scratchpad with a good checksum."""
    shown = "".join(f"{byte:02x} " for byte in data)
    return f"{shown}: crc={data[8]:02x} YES\n{shown}t={millicelsius(data)}\n"


def address(number: int) -> str:
    """A probe's folder name from a 48-bit number."""
    return f"{FAMILY:02x}-{number:012x}"


def rom(name: str) -> bytes:
    """The eight bytes of a probe's id, checksum last, as in its `id` file."""
    body = bytes([FAMILY]) + bytes.fromhex(name[3:])[::-1]
    return body + bytes([crc8(body)])


class OneWireTree:
    """The folder; `serve` does what the bus would do meanwhile, `close` takes it away.

    probes: probe id -> address. measure: all temperatures at this moment.
    """

    def __init__(self, folder: Path, probes: Mapping[str, str], measure: Measure) -> None:
        self._folder = folder
        self._staging = folder.parent / f".{folder.name}-staging"
        self._probes = dict(probes)
        self._measure = measure
        self._ready_seconds: float | None = None  # when the conversion that runs is done
        self._shown: dict[Path, str] = {}
        self._staged: list[tuple[Path, Path]] = []
        self._unstaged: Mapping[str, float | None] | None = None  # for the bare `temperature` files
        self._measured_seconds = 0.0
        self._bulk = folder / BUS / BULK
        self._staging.mkdir(parents=True, exist_ok=True)
        self._bulk.parent.mkdir(parents=True, exist_ok=True)
        self._put(self._bulk, "0\n")
        self._put(folder / BUS / "w1_master_slaves", "".join(f"{a}\n" for a in probes.values()))
        for name in probes.values():
            (folder / name).mkdir(exist_ok=True)
            (folder / name / "id").write_bytes(rom(name))
            self._put(folder / name / "name", f"{name}\n")
            self._put(folder / name / "resolution", "12\n")
            self._put(folder / name / "ext_power", "1\n")
        self._measure_and_show()

    def serve(self, now_seconds: float) -> None:
        """Answer a trigger that was written, or finish the conversion that it began."""
        if self._ready_seconds is not None:
            if now_seconds < self._ready_seconds:
                self._stage_temperatures()
                return
            self._ready_seconds = None
            self._show()
            self._put(self._bulk, "1\n")
            self._stage_temperatures()
            self._show()
        elif self._triggered():
            self._put(self._bulk, "-1\n")
            # making files is what takes time: those that a driver reads first, first
            self._unstaged = self._measure()
            self._stage(self._unstaged, "w1_slave")
            self._ready_seconds = now_seconds + CONVERSION_SECONDS
            self._measured_seconds = now_seconds
        elif now_seconds - self._measured_seconds >= UNTRIGGERED_SECONDS:
            self._measure_and_show()
            self._measured_seconds = now_seconds

    def close(self) -> None:
        """Remove the tree. Harmless when called twice."""
        for folder in (self._folder, self._staging):
            shutil.rmtree(folder, ignore_errors=True)

    def _triggered(self) -> bool:
        # the size first: a look at an idle bus costs one system call
        try:
            if self._bulk.stat().st_size != len(TRIGGER):
                return False
            return self._bulk.read_bytes() == TRIGGER
        except FileNotFoundError:
            return False

    def _measure_and_show(self) -> None:
        self._unstaged = self._measure()
        self._stage(self._unstaged, "w1_slave")
        self._stage_temperatures()
        self._show()

    def _stage_temperatures(self) -> None:
        if self._unstaged is not None:
            self._stage(self._unstaged, "temperature")
            self._unstaged = None

    def _stage(self, values: Mapping[str, float | None], entry: str) -> None:
        """Write what will be shown, beside the tree; a text that has not changed is left as it stands."""
        for probe, name in self._probes.items():
            celsius = values.get(probe)
            # a probe that does not answer is an empty file without an error code, as in the kernel
            text = "" if celsius is None else _text(entry, scratchpad(celsius))
            path = self._folder / name / entry
            if self._shown.get(path) != text:
                self._shown[path] = text
                staged = self._staging / f"{name}-{entry}"
                _write(staged, text)
                self._staged.append((staged, path))

    def _show(self) -> None:
        for staged, path in self._staged:
            staged.replace(path)
        self._staged.clear()

    def _put(self, path: Path, text: str) -> None:
        staged = self._staging / "next"
        _write(staged, text)
        staged.replace(path)


def _text(entry: str, data: bytes) -> str:
    return slave_text(data) if entry == "w1_slave" else f"{millicelsius(data)}\n"


def _write(path: Path, text: str) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    try:
        os.write(descriptor, text.encode("ascii"))
    finally:
        os.close(descriptor)
