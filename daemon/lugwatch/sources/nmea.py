"""NMEA 0183 from a byte stream: lines, sentences, and the transducer groups of XDR. Pure.

Not here: ports and time (`serial_nmea`). Works on bytes: a line exists only at its terminator, a
sentence only with a good checksum, a number only in plain digits; nothing is repaired, since a
repaired number is a plausible wrong one. May import: base, model, units.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused, number_from_text
from lugwatch.units import ZERO_CELSIUS_KELVIN, parse_time

# NMEA 0183 allows 82 characters; longer XDR lines are common, a line without end is not a line.
LONGEST_LINE_BYTES = 1024

_SENTENCE = re.compile(r"[$!]([A-Za-z0-9]{3,10}(?:,[^$!*\\]*)?)\*([0-9A-Fa-f]{2})")
_CLOCK = re.compile(r"(\d\d)(\d\d)(\d\d)(\.\d{1,6})?", re.ASCII)
_COUNT = re.compile(r"\d{1,9}", re.ASCII)
_NOTABLE = {"C": ("C", "K"), "I": ("A",), "U": ("V",)}  # transducer type -> units it may come in


class LineBuffer:
    """Bytes in, whole lines out (without their ends), or why a line was dropped.

    Lines end with CR, LF or both. What comes first is a line only if it starts as a sentence does: the
    line may have been joined in its middle. Give each connection a buffer of its own.
    """

    def __init__(self) -> None:
        self._line = bytearray()
        self._first = True
        self._too_long = False

    def feed(self, data: bytes) -> list[bytes | Refused]:
        """What `data` completes; any split of a stream gives the same lines in the same order."""
        out: list[bytes | Refused] = []
        for byte in data:
            if byte in b"\r\n":
                self._finish(out)
            elif not self._too_long:
                self._line.append(byte)
                if len(self._line) > LONGEST_LINE_BYTES:
                    self._too_long = True
                    out.append(_malformed(f"no line end within {LONGEST_LINE_BYTES} bytes"))
        return out

    def _finish(self, out: list[bytes | Refused]) -> None:
        line, too_long, first = bytes(self._line), self._too_long, self._first
        self._line.clear()
        self._too_long = False
        if not line:
            return
        self._first = False
        if too_long or (first and line[:1] not in (b"$", b"!")):
            return
        if all(0x20 <= byte < 0x7F for byte in line):
            out.append(line)
        else:
            out.append(_malformed("a line with bytes that are not printable ASCII"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """A sentence whose checksum fits: `talker` "II", `formatter` "XDR", and its fields."""

    talker: str
    formatter: str
    fields: tuple[str, ...]


def parse_sentence(line: bytes) -> Sentence | Refused:
    """One line (printable ASCII, without its end) -> sentence, or why not.

    The checksum is mandatory and has two digits, capital or small: small ones are common and say the same.
    """
    text = line.decode("ascii", errors="replace")
    matched = _SENTENCE.fullmatch(text)
    if matched is None:
        return _malformed(f"{text[:40]!r} is not a sentence with a checksum")
    body, checksum = matched[1], int(matched[2], 16)
    counted = 0
    for character in body.encode("ascii", errors="replace"):
        counted ^= character
    if counted != checksum:
        detail = f"{text[:40]!r}: checksum {checksum:02X}, the line gives {counted:02X}"
        return Refused(kind=FaultKind.BAD_CHECKSUM, detail=detail)
    address, *fields = body.split(",")
    return Sentence(talker=address[:-3], formatter=address[-3:].upper(), fields=tuple(fields))


@dataclass(frozen=True, slots=True, kw_only=True)
class Transducer:
    """One group of an XDR sentence: a number in °C, A or V, or why there is none."""

    kind: str  # "C" temperature, "I" current, "U" voltage
    name: str
    value: float | Refused


def transducers(sentence: Sentence) -> Sequence[Transducer] | Refused:
    """The groups of an XDR sentence that are temperatures, currents or voltages; none for other sentences.

    A group has four fields: type, value, unit, name. A sentence whose fields do not make whole groups
    is refused as a whole: nobody knows which field is missing.
    """
    if sentence.formatter != "XDR":
        return ()
    fields = sentence.fields
    if not fields or len(fields) % 4 != 0:
        return _malformed(f"XDR with {len(fields)} fields; a transducer has four")
    groups = [fields[i : i + 4] for i in range(0, len(fields), 4)]
    return [
        Transducer(kind=kind, name=name, value=_value(kind, text, unit))
        for kind, text, unit, name in groups
        if kind in _NOTABLE
    ]


def restarts(sentence: Sentence) -> int | None:
    """How often a node says that it has started, XDR type G named RESTARTS (firmware_notes); else None."""
    if sentence.formatter != "XDR" or len(sentence.fields) % 4 != 0:
        return None
    for i in range(0, len(sentence.fields), 4):
        kind, text, _, name = sentence.fields[i : i + 4]
        if kind == "G" and name == "RESTARTS" and _COUNT.fullmatch(text) is not None:
            return int(text)
    return None


def satellite_time(sentence: Sentence) -> int | None:
    """What RMC or ZDA says the time is [ms since 1970 UTC]; None for others and for what is not valid.

    RMC counts only with status A, and has years of two digits: of this century, since this is no older.
    """
    fields = sentence.fields
    if sentence.formatter == "RMC" and len(fields) >= 9 and fields[1] == "A":
        day, century = fields[8], "20"
        parts = (day[:2], day[2:4], century + day[4:])
    elif sentence.formatter == "ZDA" and len(fields) >= 4:
        parts = (fields[1].zfill(2), fields[2].zfill(2), fields[3])
    else:
        return None
    clock = _CLOCK.fullmatch(fields[0])
    if clock is None or not all(part.isascii() and part.isdigit() for part in parts):
        return None
    text = f"{parts[2]}-{parts[1]}-{parts[0]}T{clock[1]}:{clock[2]}:{clock[3]}{clock[4] or ''}Z"
    return parse_time(text)


def _value(kind: str, text: str, unit: str) -> float | Refused:
    if unit not in _NOTABLE[kind]:
        return _malformed(f"unit {unit!r} of type {kind}; it can be {' or '.join(_NOTABLE[kind])}")
    value = number_from_text(text)
    if isinstance(value, float) and unit == "K":
        return value - ZERO_CELSIUS_KELVIN
    return value


def _malformed(detail: str) -> Refused:
    return Refused(kind=FaultKind.MALFORMED, detail=detail)
