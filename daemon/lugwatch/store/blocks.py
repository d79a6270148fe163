"""Readings of one channel packed into bytes, exact to the last bit of each value and the ms of each time.

Sensors count in steps (1/16 °C, hundredths of an ampere), so a value is a whole number of them; from
one reading to the next it changes by a few, and most such changes fit in one byte that a Huffman code
shortens further. Times are kept as differences of differences: a steady interval is a row of zeros
(the way of T. Pelkonen et al., "Gorilla: a fast, scalable, in-memory time series database", VLDB 8(12),
2015, section 4.1.1, in bytes instead of bits). What fits no step is kept as a list of its distinct values,
or as it is. Each block ends with its CRC-32, since SQLite has none: what a card made of it is never taken
for a reading. Pure: no connection, no clock. May import: errors.
"""

import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lugwatch.errors import UserError

Int = NDArray[np.int64]
Float = NDArray[np.float64]

# A value is a whole number divided by one of these: division of integers is correctly rounded in IEEE 754,
# so 2137 / 100 is the very double that "21.37" is read as.
STEPS_PER_UNIT = (1, 2, 4, 8, 10, 16, 32, 64, 100, 128, 256, 1000, 1024, 10_000, 100_000, 1_000_000)
_LARGEST_STEPS = 2.0**52  # beyond this a double no longer knows each whole number
_SEAL_BYTES = 4
_OF_ONE_BYTE: Int = np.array([number >> 1 ^ -(number & 1) for number in range(128)], np.int64)
_DIFFERENCES, _FROM_FIRST, _LISTED, _AS_IT_IS = range(4)  # the first byte of packed values


class BlockDamaged(UserError):
    """A block that is not as it was written."""


def is_sound(packed: object) -> bool:
    """Whether a block is as it was written."""
    if not isinstance(packed, bytes) or len(packed) <= _SEAL_BYTES:
        return False
    return zlib.crc32(packed[:-_SEAL_BYTES]) == int.from_bytes(packed[-_SEAL_BYTES:], "little")


def _sealed(packed: bytes) -> bytes:
    return packed + zlib.crc32(packed).to_bytes(_SEAL_BYTES, "little")


def _opened(packed: bytes) -> bytes:
    if not is_sound(packed):
        raise BlockDamaged("a packed hour of the history is damaged; lugwatch salvage gets out the others")
    return packed[:-_SEAL_BYTES]


def pack_times(times: Sequence[int], start: int) -> bytes:
    """Times [ms] in the order given, as they stand to `start`. They may go back: a clock was set."""
    since = np.asarray(times, np.int64) - start
    steps = np.diff(since, prepend=np.int64(0))
    return _sealed(_deflated(_varints(np.diff(steps, prepend=np.int64(0)))))


def unpack_times(packed: bytes, start: int) -> Int:
    """The times [ms] that `pack_times` was given. Raises BlockDamaged."""
    return start + np.cumsum(np.cumsum(_from_varints(zlib.decompress(_opened(packed), -zlib.MAX_WBITS))))


def pack_values(values: Sequence[float]) -> bytes:
    """Finite values, at least one, in the order given; the shortest of the ways that keep each bit."""
    exact = np.asarray(values, np.float64)
    counted = _in_steps(exact)
    if counted is not None:
        per_unit, steps = counted
        index = STEPS_PER_UNIT.index(per_unit)
        ways = (
            (_DIFFERENCES, np.diff(steps, prepend=np.int64(0))),
            (_FROM_FIRST, np.concatenate([steps[:1], steps[1:] - steps[0]])),
        )
        packed = (bytes([kind, index]) + _deflated(_varints(numbers)) for kind, numbers in ways)
        return _sealed(min(packed, key=len))
    # by their bits, so that 0.0 and −0.0 stay two values
    listed, places = np.unique(exact.view(np.int64), return_inverse=True)
    if 2 * len(listed) <= len(exact):
        head = len(listed).to_bytes(4, "little") + listed.astype("<i8").tobytes()
        return _sealed(bytes([_LISTED]) + _deflated(head + _varints(np.diff(places, prepend=0))))
    return _sealed(bytes([_AS_IT_IS]) + _deflated(exact.astype("<f8").tobytes()))


def unpack_values(packed: bytes) -> Float:
    """The values that `pack_values` was given. Raises BlockDamaged."""
    packed = _opened(packed)
    kind = packed[0]
    if kind == _AS_IT_IS:
        return np.frombuffer(zlib.decompress(packed[1:], -zlib.MAX_WBITS), "<f8").astype(np.float64)
    if kind == _LISTED:
        return _listed(zlib.decompress(packed[1:], -zlib.MAX_WBITS))
    numbers = _from_varints(zlib.decompress(packed[2:], -zlib.MAX_WBITS))
    if kind == _DIFFERENCES:
        steps = np.cumsum(numbers)
    elif kind == _FROM_FIRST:
        steps = numbers + numbers[0]
        steps[0] = numbers[0]
    else:
        raise BlockDamaged(f"a packed hour is of kind {kind}: a newer lugwatch wrote it; install that one")
    return steps / float(STEPS_PER_UNIT[packed[1]])


def _in_steps(values: Float) -> tuple[int, Int] | None:
    """The coarsest step that all values are whole numbers of, and these numbers; None: no such step."""
    bits = values.view(np.int64)
    for per_unit in STEPS_PER_UNIT:
        near = np.rint(values * per_unit)
        if np.abs(near).max() > _LARGEST_STEPS:
            return None
        if np.array_equal((near.astype(np.int64) / float(per_unit)).view(np.int64), bits):
            return per_unit, near.astype(np.int64)
    return None


def _listed(raw: bytes) -> Float:
    count = int.from_bytes(raw[:4], "little")
    listed = np.frombuffer(raw[4 : 4 + 8 * count], "<i8").astype(np.int64).view(np.float64)
    return listed[np.cumsum(_from_varints(raw[4 + 8 * count :]))]


def _deflated(raw: bytes) -> bytes:
    """Raw deflate (RFC 1951), with and without a search for repeats: noise has none, a steady value many."""
    shortest = b""
    for strategy in (zlib.Z_HUFFMAN_ONLY, zlib.Z_DEFAULT_STRATEGY):
        packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS, 9, strategy)
        packed = packer.compress(raw) + packer.flush()
        if not shortest or len(packed) < len(shortest):
            shortest = packed
    return shortest


def _varints(numbers: Int) -> bytes:
    """Zigzag (0, −1, 1, −2, …) and 7 bits a byte, the lowest first, as in protocol buffers' encoding."""
    zigzag = ((numbers << 1) ^ (numbers >> 63)).view(np.uint64)
    lengths = np.ones(len(zigzag), np.int64)
    rest = zigzag >> np.uint64(7)
    while rest.any():
        lengths += rest > 0
        rest = rest >> np.uint64(7)
    ends = np.cumsum(lengths)
    out = np.zeros(int(ends[-1]) if len(ends) else 0, np.uint8)
    for place in range(int(lengths.max(initial=0))):
        has = lengths > place
        seven = (zigzag[has] >> np.uint64(7 * place)) & np.uint64(127)
        more = (lengths[has] > place + 1).astype(np.uint64) << np.uint64(7)
        out[ends[has] - lengths[has] + place] = (seven | more).astype(np.uint8)
    return out.tobytes()


def _from_varints(raw: bytes) -> Int:
    data = np.frombuffer(raw, np.uint8)
    if raw.isascii():  # one byte each, as nearly all are
        return _OF_ONE_BYTE[data]
    last = np.flatnonzero(data < 128)
    if len(last) == 0:
        return np.zeros(0, np.int64)
    first = np.concatenate([[0], last[:-1] + 1])
    place = np.arange(len(data)) - np.repeat(first, last - first + 1)
    parts = (data & 127).astype(np.uint64) << (7 * place).astype(np.uint64)
    zigzag = np.add.reduceat(parts, first)
    return (zigzag >> np.uint64(1)).view(np.int64) ^ -(zigzag & np.uint64(1)).view(np.int64)
