"""DS18B20 thermometers: nine bytes of scratchpad -> sixteenths of a degree, or nothing.

Byte order, CRC and power-on value: datasheet of the DS18B20, memory map and table 1. Runs under
MicroPython and under CPython.
"""

from sentence import NOTHING

CONVERT, READ_SCRATCHPAD, SKIP_ROM = 0x44, 0xBE, 0xCC
CONVERSION_MS = 750  # 12 bit
_POWER_ON = 0x0550  # 85 °C: what a probe says that has not measured
_STARVED = 0x07FF  # what it says that had not enough power to
_UNMEASURED = 0x0C  # byte 6 beside both


def crc8(data, count):
    """Checksum of the one-wire bus over the first `count` bytes; 0 over bytes that end with their own."""
    crc = 0
    for i in range(count):
        crc ^= data[i]
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def sixteenths(scratchpad):
    """Temperature in 1/16 °C; NOTHING where the bytes are no measurement."""
    # a line that is held low has a fitting checksum; its configuration byte cannot be
    if scratchpad[4] & 0x9F != 0x1F or crc8(scratchpad, 9) != 0:
        return NOTHING
    raw = scratchpad[1] << 8 | scratchpad[0]
    if scratchpad[6] == _UNMEASURED and raw in (_POWER_ON, _STARVED):
        return NOTHING
    if raw & 0x8000:
        raw -= 0x10000
    return raw if -55 * 16 <= raw <= 125 * 16 else NOTHING


def rom(text):
    """The eight bytes of an id as the configuration of lugwatch has it, "28-0123456789ab"."""
    family, serial = text.split("-")
    body = bytes([int(family, 16)]) + bytes([int(serial[i : i + 2], 16) for i in (10, 8, 6, 4, 2, 0)])
    return body + bytes([crc8(body, 7)])


class Probes:
    """All probes of one bus. bus: MicroPython's `onewire.OneWire`, or what answers like it."""

    def __init__(self, bus, roms):
        self._bus = bus
        self._roms = roms
        self._scratchpad = bytearray(9)

    def begin(self):
        """Let every probe measure; they are done after CONVERSION_MS."""
        if self._bus.reset():
            self._bus.writebyte(SKIP_ROM)
            self._bus.writebyte(CONVERT)

    def read(self, number):
        """Sixteenths of a degree of one probe, or NOTHING."""
        for i in range(9):
            self._scratchpad[i] = 0xFF
        if not self._bus.reset():
            return NOTHING
        self._bus.select_rom(self._roms[number])
        self._bus.writebyte(READ_SCRATCHPAD)
        self._bus.readinto(self._scratchpad)
        return sixteenths(self._scratchpad)
