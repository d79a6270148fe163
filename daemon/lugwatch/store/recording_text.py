"""The text of a recording: its header, its times, its cells. Pure but for the caches.

Not here: files. May import: model, units, errors.
"""

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from lugwatch.errors import UserError
from lugwatch.model import Boat, FaultKind, Quantity
from lugwatch.units import parse_number, parse_time

TIME_COLUMN = "time"

# Beyond these no boat's joint, air or shunt has been: what is, is a defect of the recording.
# One file of measured data has 3.40E+38, an overflow, as its first temperature.
PLAUSIBLE = {Quantity.CELSIUS: (-55.0, 300.0), Quantity.AMPS: (-10_000.0, 10_000.0)}
UNIT = {Quantity.CELSIUS: "°C", Quantity.AMPS: "A"}

_CACHED_TEXTS = 100_000
_NOT_FINITE = re.compile(r"[+-]?(nan|inf(inity)?|1\.#.*)", re.IGNORECASE)
_WITH_UNIT = re.compile(r"(\S.*\S|\S) *\[([^\]]*)\]")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")


class Refused(NamedTuple):
    """Why a cell is no reading."""

    kind: FaultKind
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """Where a recording's columns are."""

    width: int
    time_index: int
    columns: tuple[tuple[int, str, Quantity], ...]  # index, channel, what it measures
    unknown_columns: tuple[str, ...]
    missing_channels: tuple[str, ...]


def parse_header(path: Path, raw: bytes, boat: Boat) -> Header:
    """The header line, without its byte order mark or line end. Raises UserError."""
    quantities = {channel.channel: channel.quantity for channel in boat.channels}
    names = [_without_unit(path, name, quantities) for name in _column_names(path, raw)]
    if TIME_COLUMN not in names:
        raise UserError(
            f"{path}: the header has no column {TIME_COLUMN!r} but {_listed(names)}; "
            "the first row must be time, then one column per channel"
        )
    for name in names:
        if name and names.count(name) > 1:
            raise UserError(f"{path}: the column {name!r} stands twice in the header; take one out")
    columns = tuple((i, name, quantities[name]) for i, name in enumerate(names) if name in quantities)
    if not columns:
        raise UserError(
            f"{path}: none of its columns ({_listed(names)}) is a probe or a current of the configuration "
            f"({_listed(list(quantities))}); name the columns by their ids"
        )
    return Header(
        width=len(names),
        time_index=names.index(TIME_COLUMN),
        columns=columns,
        unknown_columns=tuple(
            name or f"(column {i + 1})"
            for i, name in enumerate(names)
            if name not in quantities and name != TIME_COLUMN
        ),
        missing_channels=tuple(channel for channel in quantities if channel not in names),
    )


def _column_names(path: Path, raw: bytes) -> list[str]:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or b"t\x00i\x00m\x00e" in raw:
        raise UserError(f"{path}: is UTF-16 text; save it as CSV in UTF-8")
    if raw.startswith(b"PK\x03\x04"):
        raise UserError(f"{path}: is a spreadsheet or an archive and not text; save it as CSV")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        raise UserError(f"{path}: the header is not UTF-8 text; save it as CSV in UTF-8") from None
    if any(ord(character) < 32 and character not in "\t\r" for character in text):
        raise UserError(f"{path}: is not text; give a CSV file")
    if "\r" in text:
        raise UserError(f"{path}: its lines end in a lone carriage return; save it with newlines")
    for separator, name in ((";", "semicolons"), ("\t", "tabs")):
        if separator in text and "," not in text:
            raise UserError(
                f"{path}: its columns are separated by {name}; save it with commas between "
                "columns and points in numbers"
            )
    return [name.strip() for name in split_cells(text)]


def _without_unit(path: Path, name: str, quantities: Mapping[str, Quantity]) -> str:
    """`bar [°C]` is `bar`; another unit of a channel is refused and not converted."""
    found = _WITH_UNIT.fullmatch(name)
    if found is None or name in quantities or found[1] not in quantities:
        return name
    channel, unit = found[1], UNIT[quantities[found[1]]]
    if found[2].strip() != unit:
        raise UserError(f"{path}: the column {name!r} is not in {unit}; convert it, or call it {channel!r}")
    return channel


def split_cells(text: str) -> list[str]:
    """The cells of one line; quotes are rare, so only then is a real CSV parser asked."""
    if '"' not in text:
        return text.split(",")
    try:
        return next(csv.reader([text]))
    except (csv.Error, StopIteration):
        return [text]


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(name[:32] for name in names[:6])
    return f"{shown}, …" if len(names) > 6 else shown


class TimeText:
    """`units.parse_time`, made fast: minutes and what follows them repeat from row to row."""

    def __init__(self) -> None:
        self._minutes: dict[str, int | None] = {}
        self._rests: dict[str, int | None] = {}

    def parse(self, text: str) -> int | None:
        """ms since 1970 UTC, or None."""
        if len(text) < 17 or text[4] != "-":
            return parse_time(text)
        minute, rest = self._minute(text[:16]), self._rest(text[16:])
        return None if minute is None or rest is None else minute + rest

    def _minute(self, text: str) -> int | None:
        if text not in self._minutes:
            _make_room(self._minutes)
            self._minutes[text] = parse_time(text + ":00Z")
        return self._minutes[text]

    def _rest(self, text: str) -> int | None:
        # seconds and zone, on any day: the zone shifts every day alike
        if text not in self._rests:
            _make_room(self._rests)
            day = parse_time("2000-01-02T00:00:00Z")
            whole = parse_time("2000-01-02T00:00" + text)
            self._rests[text] = None if day is None or whole is None else whole - day
        return self._rests[text]


class CellText(dict[str, float | Refused | None]):
    """Cells of one quantity as numbers; None is an empty cell. Texts repeat, so they are kept."""

    def __init__(self, quantity: Quantity) -> None:
        super().__init__()
        self._quantity = quantity

    def __missing__(self, text: str) -> float | Refused | None:
        _make_room(self)
        self[text] = value = parse_cell(text, self._quantity)
        return value


def parse_cell(text: str, quantity: Quantity) -> float | Refused | None:
    """A number [°C or A], why it is none, or None for an empty cell."""
    stripped = text.strip(" \t")
    if not stripped:
        return None
    value = parse_number(stripped)
    shown = repr(stripped[:40])
    if value is None:
        if _NOT_FINITE.fullmatch(stripped) or re.fullmatch(r"[+-]?[\d.]+[eE]\+?\d+", stripped):
            return Refused(FaultKind.NOT_FINITE, f"{shown} is not a finite number")
        if _DECIMAL_COMMA.fullmatch(stripped):
            return Refused(FaultKind.MALFORMED, f"{shown} has a decimal comma; write a point")
        return Refused(FaultKind.MALFORMED, f"{shown} is not a number")
    low, high = PLAUSIBLE[quantity]
    if not low <= value <= high:
        unit = UNIT[quantity]
        return Refused(FaultKind.IMPLAUSIBLE, f"{shown} {unit} is outside {low:g} to {high:g} {unit}")
    return value


def cell_texts(header: Header) -> list[tuple[int, str, CellText]]:
    """Each column with the texts of its quantity."""
    texts: Mapping[Quantity, CellText] = {quantity: CellText(quantity) for quantity in Quantity}
    return [(index, channel, texts[quantity]) for index, channel, quantity in header.columns]


def _make_room(cache: dict[str, float | Refused | None] | dict[str, int | None]) -> None:
    if len(cache) >= _CACHED_TEXTS:
        cache.clear()
