"""NMEA 0183 without the boat's position, track and names, byte for byte as long as before. Pure.

What the driver reads goes through as it is (XDR groups of temperatures, currents, voltages and a node's
counters; time and date); of everything else digits become 0 and letters X, and the checksum is turned by as
much as the sentence was, so that a good one stays good and a bad one bad. A masked line is malformed exactly
when it was before, gives the same readings and the same time. Works byte by byte without looking ahead:
chunks keep their sizes and their moments. Not here: ports. May import: nothing of ours.
"""

from enum import Enum, auto

_LINE_ENDS = b"\r\n"
_STARTS = b"$!"
_NUMBER_SIGNS = b",.+-"
_REFUSED_IN_FIELDS = b"$!*\\"  # a sentence with one of these is none, before as after
_LONGEST_ADDRESS = 10
_TRANSDUCERS_READ = (b"C", b"I", b"U", b"G")  # generic: how often a node has started
# fields that pass: time, status and date of RMC, time and date of ZDA
_FIELDS_THAT_PASS = {b"RMC": frozenset({0, 1, 8}), b"ZDA": frozenset({0, 1, 2, 3})}


class _Where(Enum):
    OUTSIDE = auto()  # of any sentence: half a line, a banner, what follows a checksum
    ADDRESS = auto()
    FIELDS = auto()
    HIGH_DIGIT = auto()  # of the checksum
    LOW_DIGIT = auto()


class Masker:
    """Bytes in, as many bytes out. Give each connection one of its own."""

    def __init__(self) -> None:
        self._where = _Where.OUTSIDE
        self._begin()

    def _begin(self) -> None:
        self._address = bytearray()
        self._whole_address = True
        self._field = 0
        self._kind = b""  # transducer type of the group
        self._text = bytearray()  # of a field that may be a transducer's type
        self._turned = 0  # exclusive or of what was and what is, over the sentence so far

    def feed(self, data: bytes) -> bytes:
        """Any split of a stream gives the same stream."""
        return bytes(self._one(byte) for byte in data)

    def _one(self, byte: int) -> int:
        if byte in _LINE_ENDS:
            self._where = _Where.OUTSIDE
            return byte
        if byte in _STARTS:
            self._where = _Where.ADDRESS
            self._begin()
            return byte
        match self._where:
            case _Where.OUTSIDE:
                return _masked(byte)
            case _Where.ADDRESS:
                return self._in_address(byte)
            case _Where.FIELDS:
                return self._in_fields(byte)
            case _Where.HIGH_DIGIT:
                return self._digit(byte, self._turned >> 4, _Where.LOW_DIGIT)
            case _Where.LOW_DIGIT:
                return self._digit(byte, self._turned & 15, _Where.OUTSIDE)

    def _in_address(self, byte: int) -> int:
        if byte == ord(","):
            self._where = _Where.FIELDS
        elif byte == ord("*"):
            self._where = _Where.HIGH_DIGIT
        elif chr(byte).isascii() and chr(byte).isalnum() and len(self._address) < _LONGEST_ADDRESS:
            self._address.append(byte)
        else:
            # no address: what is wrong with it stays so, what follows is masked
            self._whole_address = False
            self._where = _Where.FIELDS
        return byte

    def _in_fields(self, byte: int) -> int:
        if byte == ord("*"):
            self._where = _Where.HIGH_DIGIT
            return byte
        if byte == ord(","):
            if self._field % 4 == 0:
                self._kind = bytes(self._text)
            self._field += 1
            self._text.clear()
            return byte
        if self._field % 4 == 0 and len(self._text) < 2:
            self._text.append(byte)
        now = byte if self._passes() else _masked(byte)
        self._turned ^= byte ^ now
        return now

    def _passes(self) -> bool:
        if not self._whole_address:
            return False
        formatter = bytes(self._address[-3:]).upper()
        if formatter == b"XDR":
            return self._field % 4 != 1 or self._kind in _TRANSDUCERS_READ
        return self._field in _FIELDS_THAT_PASS.get(formatter, frozenset())

    def _digit(self, byte: int, turned: int, then: _Where) -> int:
        try:
            value = int(chr(byte), 16)
        except ValueError:
            self._where = _Where.OUTSIDE
            return byte if byte < 0x80 else _masked(byte)
        self._where = then
        digit = f"{value ^ turned:x}"
        return ord(digit if chr(byte).islower() else digit.upper())


def _masked(byte: int) -> int:
    if byte >= 0x80:
        return 0xFF
    if byte < 0x20 or byte == 0x7F or byte in _NUMBER_SIGNS or byte in _REFUSED_IN_FIELDS:
        return byte
    return ord("0") if chr(byte).isdigit() else ord("X")
