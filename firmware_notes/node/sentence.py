"""NMEA 0183 sentences, written into one buffer that is never made anew.

Runs under MicroPython and under CPython. Whole numbers only: a float costs memory for each result, and a
loop that asks for none cannot fragment a small heap in a season.
"""

LONGEST_BYTES = 82  # with $ and line end (NMEA 0183)
NOTHING = -0x20000000  # no value: the field stays empty. Fits MicroPython's small integers
_HEX = b"0123456789ABCDEF"
_TENS = (1, 10, 100, 1000, 10000)


class Line:
    """One sentence; `buffer` holds it in its first `length` bytes after `end`."""

    def __init__(self):
        self.buffer = bytearray(LONGEST_BYTES)
        self.length = 0

    def begin(self, address):
        """Start anew with talker and formatter, as b"IIXDR"."""
        self.buffer[0] = 0x24  # $
        self.length = 1
        self.put(address)

    def put(self, text):
        """Add bytes; those that do not fit before checksum and line end are cut off."""
        for i in range(len(text)):
            self._put_byte(text[i])

    def field(self, text):
        """Add a comma and bytes."""
        self._put_byte(0x2C)
        self.put(text)

    def number(self, value, decimals):
        """Add a comma and value / 10**decimals; NOTHING leaves the field empty."""
        self._put_byte(0x2C)
        if value == NOTHING:
            return
        if value < 0:
            self._put_byte(0x2D)
            value = -value
        divisor = 1
        while value // divisor >= 10 or divisor < _TENS[decimals]:
            divisor *= 10
        while divisor:
            self._put_byte(0x30 + value // divisor % 10)
            if decimals and divisor == _TENS[decimals]:
                self._put_byte(0x2E)
            divisor //= 10

    def end(self):
        """Add checksum and line end; the length of the whole."""
        checksum = 0
        for i in range(1, self.length):
            checksum ^= self.buffer[i]
        tail = self.length
        self.buffer[tail] = 0x2A  # *
        self.buffer[tail + 1] = _HEX[checksum >> 4]
        self.buffer[tail + 2] = _HEX[checksum & 15]
        self.buffer[tail + 3] = 0x0D
        self.buffer[tail + 4] = 0x0A
        self.length = tail + 5
        return self.length

    def _put_byte(self, byte):
        if self.length < LONGEST_BYTES - 5:
            self.buffer[self.length] = byte
            self.length += 1
