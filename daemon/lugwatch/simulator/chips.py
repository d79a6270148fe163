"""An I2C bus of an invented boat: shunt amplifiers and a converter that answer register by register.

They power on with the registers of their datasheets, keep what is written, measure in their own time and
clip at their own range. Defects: a dip, a wrong chip, errors of the bus. Not here: reading them.
Register maps: SBOS547 (INA226), SLYS021 (INA228), SBAS444 (ADS1115). May import: nothing of ours.
"""

import errno
import os
from collections.abc import Callable, Sequence
from typing import Protocol

Seconds = Callable[[], float]  # the time of the bus
Volts = Callable[[], float]  # at a pin, now


class Device(Protocol):
    """What hangs at one address."""

    def write(self, data: bytes) -> None: ...
    def read(self, read_bytes: int) -> bytes: ...
    def power_on(self) -> None: ...


def _clipped(code: float, bits: int) -> int:
    return max(-(1 << (bits - 1)), min((1 << (bits - 1)) - 1, round(code)))


class ShuntDevice:
    """An INA226 (wide = False) or INA228: the pointer, 16-bit registers and the shunt register.

    volts: over the shunt now. A conversion takes as long as configuration and averaging say; what stands in
    the shunt register is the last one that ended.
    """

    _AVERAGES_226 = (1, 4, 16, 64, 128, 256, 512, 1024)
    _AVERAGES_228 = (1, 4, 16, 64, 128, 256, 512, 1024)
    _TIMES_226 = (140e-6, 204e-6, 332e-6, 588e-6, 1.1e-3, 2.116e-3, 4.156e-3, 8.244e-3)
    _TIMES_228 = (50e-6, 84e-6, 150e-6, 280e-6, 540e-6, 1.052e-3, 2.074e-3, 4.12e-3)

    def __init__(self, volts: Volts, seconds: Seconds, *, wide: bool) -> None:
        self._volts = volts
        self._seconds = seconds
        self._wide = wide
        self.maker, self.part = 0x5449, 0x2281 if wide else 0x2260
        self.measures = True  # False: answers, and converts no more
        self.power_on()

    def power_on(self) -> None:
        """As after a dip of its supply."""
        self._registers = {0x00: 0x0000, 0x01: 0xFB68} if self._wide else {0x00: 0x4127, 0x05: 0x0000}
        self._pointer = 0x00
        self._began = self._seconds()
        self._ready = False
        self._code = 0

    def write(self, data: bytes) -> None:
        self._pointer = data[0]
        if len(data) < 3 or self._pointer not in self._registers:
            return
        word = int.from_bytes(data[1:3], "big")
        if not self._wide and self._pointer == 0x00:
            word = 0x4000 | (word & 0x0FFF)  # bits 14-12 read 100
        self._registers[self._pointer] = word
        self._began, self._ready = self._seconds(), False

    def read(self, read_bytes: int) -> bytes:
        self._convert()
        return self._answer().to_bytes(read_bytes, "big")

    def _answer(self) -> int:
        maker, part, shunt, status = (0x3E, 0x3F, 0x04, 0x0B) if self._wide else (0xFE, 0xFF, 0x01, 0x06)
        if self._pointer == maker:
            return self.maker
        if self._pointer == part:
            return self.part
        if self._pointer == shunt:
            return (self._code & 0xFFFFF) << 4 if self._wide else self._code & 0xFFFF
        if self._pointer == status:
            said, self._ready = self._ready, False
            return (int(said) << 1 | 1) if self._wide else int(said) << 3
        return self._registers.get(self._pointer, 0)

    def _convert(self) -> None:
        if not self.measures:
            return
        if self._wide:
            word = self._registers[0x01]
            takes = self._AVERAGES_228[word & 7] * self._TIMES_228[word >> 6 & 7]
            step = 78.125e-9 if self._registers[0x00] & 0x10 else 312.5e-9
        else:
            word = self._registers[0x00]
            takes = self._AVERAGES_226[word >> 9 & 7] * self._TIMES_226[word >> 3 & 7]
            step = 2.5e-6
        now = self._seconds()
        if now - self._began >= takes:
            self._began, self._ready = now, True
            self._code = _clipped(self._volts() / step, 20 if self._wide else 16)


class ConverterDevice:
    """An ADS1115: four inputs, one converter, single shots.

    Until a conversion has ended the conversion register holds the one before it.
    """

    _RANGES = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)
    _RATES = (8, 16, 32, 64, 128, 250, 475, 860)

    def __init__(self, inputs: Sequence[Volts], seconds: Seconds) -> None:
        self._inputs = list(inputs)
        self._seconds = seconds
        self.slowness = 1.0  # of its oscillator
        self.power_on()

    def power_on(self) -> None:
        """As after a dip of its supply."""
        self._registers = {0x00: 0x0000, 0x01: 0x0583, 0x02: 0x8000, 0x03: 0x7FFF}
        self._pointer = 0x00
        self._done_at: float | None = None

    def write(self, data: bytes) -> None:
        self._pointer = data[0] & 3
        if len(data) < 3 or self._pointer == 0x00:
            return
        self._finish()
        word = int.from_bytes(data[1:3], "big")
        self._registers[self._pointer] = word & 0x7FFF if self._pointer == 0x01 else word
        if self._pointer == 0x01 and word & 0x8000:
            rate = self._RATES[word >> 5 & 7]
            self._done_at = self._seconds() + self.slowness / rate

    def read(self, read_bytes: int) -> bytes:
        self._finish()
        word = self._registers[self._pointer]
        if self._pointer == 0x01 and self._done_at is None:
            word |= 0x8000
        return word.to_bytes(2, "big")[:read_bytes]

    def _finish(self) -> None:
        if self._done_at is None or self._seconds() < self._done_at:
            return
        self._done_at = None
        configuration = self._registers[0x01]
        input_number = (configuration >> 12 & 7) - 4
        full = self._RANGES[configuration >> 9 & 7]
        volts = self._inputs[input_number]() if 0 <= input_number < len(self._inputs) else 0.0
        self._registers[0x00] = _clipped(volts / full * 32768, 16) & 0xFFFF


class ChipBus:
    """Devices by address, with the errors of a real bus where asked.

    error: asked before each transfer; an errno to fail with, or None. `pass_seconds` is called with what a
    transfer takes on a bus of 400 kHz, or a time-out of the kernel.
    """

    BIT_SECONDS = 1 / 400e3
    TIME_OUT_SECONDS = 1.0

    def __init__(
        self, devices: dict[int, Device], pass_seconds: Callable[[float], None] | None = None
    ) -> None:
        self.devices = devices
        self.error: Callable[[int], int | None] = lambda address: None
        self.transfers = 0
        self.closed = 0
        self._pass_seconds = pass_seconds or (lambda seconds: None)

    def transfer(self, address: int, data: bytes, read_bytes: int) -> bytes:
        """One write and read with a repeated start; raises OSError as the kernel does."""
        self.transfers += 1
        number = self.error(address)
        if number is None and address not in self.devices:
            number = errno.EREMOTEIO
        if number is not None:
            self._pass_seconds(self.TIME_OUT_SECONDS if number == errno.ETIMEDOUT else self.BIT_SECONDS * 10)
            raise OSError(number, os.strerror(number))
        self._pass_seconds(self.BIT_SECONDS * 9 * (2 + len(data) + read_bytes))
        device = self.devices[address]
        device.write(data)
        return device.read(read_bytes) if read_bytes else b""

    def close(self) -> None:
        self.closed += 1
