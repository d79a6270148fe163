"""A shunt amplifier (INA226 or INA228): its shunt register -> milliampere, or nothing.

The shunt's voltage is read and not the chip's own current, whose scale is lost in a dip. Registers:
SBOS547 and SLYS021, register maps. Runs under MicroPython and under CPython.
"""

from sentence import NOTHING

_MAKER = 0x5449
# maker and part registers, part, configuration (register, word) pairs, shunt register, its bytes, ready
# register and bit, nanovolts per code as a pair (times, shifted right by)
_CHIPS = {
    "ina226": (0xFE, 0xFF, 0x226, ((0x00, 0x4925),), 0x01, 2, 0x06, 3, (2500, 0)),
    "ina228": (0x3E, 0x3F, 0x228, ((0x00, 0x0000), (0x01, 0xAB6D)), 0x04, 3, 0x0B, 1, (625, 1)),
}


class Shunt:
    """One chip. i2c: MicroPython's `machine.I2C`, or what answers like it."""

    def __init__(self, i2c, chip, address, micro_ohms):
        self._i2c = i2c
        self._address = address
        self._micro_ohms = micro_ohms
        maker, part_at, part, settings, shunt, count, ready, bit, nanovolts = _CHIPS[chip]
        self._maker, self._part_at, self._part, self._settings = maker, part_at, part, settings
        self._shunt, self._bytes, self._ready, self._bit = shunt, count, ready, bit
        self._nanovolts = nanovolts
        self._word = bytearray(2)
        self._code = bytearray(self._bytes)
        self._known = False

    def read(self):
        """Milliampere with sign, or NOTHING: no answer, another chip, end of range, settings gone."""
        try:
            return self._read()
        except OSError:
            self._known = False
            return NOTHING

    def _read(self):
        if not self._known or not self._is_set_up():
            self._known = self._set_up()
            return NOTHING  # the first conversion under these settings has not ended yet
        fresh = self._get(self._ready) >> self._bit & 1
        self._i2c.readfrom_mem_into(self._address, self._shunt, self._code)
        if not fresh or not self._is_set_up():
            return NOTHING
        return milliamps(code_of(self._code), self._bytes, self._nanovolts, self._micro_ohms)

    def _set_up(self):
        if self._get(self._maker) != _MAKER or self._get(self._part_at) >> 4 != self._part:
            return False
        for register, word in self._settings:
            self._word[0], self._word[1] = word >> 8, word & 0xFF
            self._i2c.writeto_mem(self._address, register, self._word)
        return self._is_set_up()

    def _is_set_up(self):
        for register, word in self._settings:
            if self._get(register) != word:
                return False
        return True

    def _get(self, register):
        self._i2c.readfrom_mem_into(self._address, register, self._word)
        return self._word[0] << 8 | self._word[1]


def code_of(data):
    """The signed code in the bytes of the shunt register; the 20-bit chip leaves its low four bits unused."""
    code = 0
    for i in range(len(data)):
        code = code << 8 | data[i]
    if len(data) == 3:
        code >>= 4
        return code - 0x100000 if code & 0x80000 else code
    return code - 0x10000 if code & 0x8000 else code


def milliamps(code, register_bytes, nanovolts, micro_ohms):
    """Milliampere of a code, rounded towards zero; NOTHING at the ends of the range."""
    largest = 0x7FFFF if register_bytes == 3 else 0x7FFF
    if not -largest < code < largest:
        return NOTHING
    times, shift = nanovolts
    size = (code if code >= 0 else -code) * times >> shift
    return size // micro_ohms if code >= 0 else -(size // micro_ohms)
