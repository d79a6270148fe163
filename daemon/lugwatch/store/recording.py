"""The CSV recording: what `replay` reads row by row and `export` writes.

A row of the same time as its predecessor is taken, an older one is refused: sensors may be faster
than the recording's clock, but time does not run backwards. Not here: what becomes of a row.
May import: model, units, errors, store rooms but writer.
"""

import os
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, NamedTuple, TextIO

from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Boat, FaultKind
from lugwatch.store.queries import History
from lugwatch.store.recording_text import (
    TIME_COLUMN,
    UNIT,
    Header,
    Refused,
    TimeText,
    cell_texts,
    parse_header,
    split_cells,
)
from lugwatch.store.whole_file import whole_file
from lugwatch.units import format_time

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_LONGEST_LINE_BYTES = 64 * 1024
_LINES_NAMED = 5
_PROGRESS_READINGS = 10_000


class Row(NamedTuple):
    """One row; a tuple because millions are made and a frozen dataclass takes three times as long."""

    line: int
    time: int  # ms since 1970 UTC
    readings: list[tuple[str, float]]
    refused: list[tuple[str, FaultKind, str]]


@dataclass(slots=True)
class Counts:
    """What a recording held; counted while it is read, so not frozen."""

    rows: int = 0
    readings: int = 0
    empty_cells: int = 0
    refused_cells: Counter[FaultKind] = field(default_factory=Counter)
    refused_rows: int = 0
    refused_lines: dict[str, list[int]] = field(default_factory=dict)  # why -> the first few lines
    _refused_why: Counter[str] = field(default_factory=Counter)
    _first_refused: dict[FaultKind, str] = field(default_factory=dict)

    def refuse_row(self, line: int, why: str) -> None:
        self.refused_rows += 1
        self._refused_why[why] += 1
        named = self.refused_lines.setdefault(why, [])
        if len(named) < _LINES_NAMED:
            named.append(line)

    def refuse_cell(self, kind: FaultKind, detail: str) -> None:
        self.refused_cells[kind] += 1
        self._first_refused.setdefault(kind, detail)

    def lines(self) -> list[str]:
        """What was refused, one plain line for each reason."""
        said = []
        for why, named in self.refused_lines.items():
            count = self._refused_why[why]
            numbers = ", ".join(map(str, named)) + (", …" if count > len(named) else "")
            said.append(
                f"{count} {'row' if count == 1 else 'rows'} refused: {why} "
                f"({'line' if count == 1 else 'lines'} {numbers})"
            )
        for kind, count in self.refused_cells.items():
            cells = "1 cell" if count == 1 else f"{count} cells"
            first = "" if count == 1 else "the first: "
            said.append(
                f"{cells} refused as {kind.value.replace('_', ' ')}: {first}{self._first_refused[kind]}"
            )
        return said


class Recording:
    """A recording with a good header. Each iteration reads the file from its first row."""

    def __init__(self, path: Path, header: Header, data_offset: int, size_bytes: int) -> None:
        self.path = path
        self.unknown_columns = header.unknown_columns
        self.missing_channels = header.missing_channels
        self.size_bytes = size_bytes
        self.position_bytes = data_offset
        self.counts = Counts()
        self._header = header
        self._data_offset = data_offset

    def __iter__(self) -> Iterator[Row]:
        """Rows that can be used; the others are counted. Raises OperationFailed if the disk fails."""
        self.counts = Counts()
        self.position_bytes = self._data_offset
        try:
            with self.path.open("rb") as file:
                file.seek(self._data_offset)
                yield from self._rows(file)
        except OSError as error:
            raise OperationFailed(
                f"{self.path}: reading failed ({error.strerror}); check its disk"
            ) from error

    def _rows(self, file: BinaryIO) -> Iterator[Row]:
        counts, width, time_index = self.counts, self._header.width, self._header.time_index
        columns, parse_time = cell_texts(self._header), TimeText().parse
        previous = None
        for line, raw in self._lines(file):
            cells = split_cells(raw.decode("utf-8", "surrogateescape").rstrip("\r\n"))
            if len(cells) != width:
                self._refuse_ragged(line, raw, cells)
                continue
            time = parse_time(cells[time_index].strip())
            if time is None:
                counts.refuse_row(line, "its time is neither RFC 3339 with a zone nor epoch seconds")
                continue
            if previous is not None and time < previous:
                counts.refuse_row(line, "it is older than the row before it")
                continue
            previous = time
            readings: list[tuple[str, float]] = []
            refused: list[tuple[str, FaultKind, str]] = []
            for index, channel, texts in columns:
                value = texts[cells[index]]
                if isinstance(value, float):
                    readings.append((channel, value))
                elif value is None:
                    counts.empty_cells += 1
                else:
                    refused.append(self._refuse_cell(line, channel, value))
            counts.rows += 1
            counts.readings += len(readings)
            yield Row(line, time, readings, refused)

    def _lines(self, file: BinaryIO) -> Iterator[tuple[int, bytes]]:
        """Numbered lines that may be rows; what is too long or binary is counted and left out."""
        line = 1
        while raw := file.readline(_LONGEST_LINE_BYTES):
            line += 1
            self.position_bytes += len(raw)
            if len(raw) == _LONGEST_LINE_BYTES and not raw.endswith(b"\n"):
                self._skip_rest(file)
                self.counts.refuse_row(line, "it is longer than 64 KiB")
            elif b"\x00" in raw:
                self.counts.refuse_row(line, "it holds zero bytes")
            elif not raw.isspace():
                yield line, raw

    def _skip_rest(self, file: BinaryIO) -> None:
        while rest := file.readline(_LONGEST_LINE_BYTES):
            self.position_bytes += len(rest)
            if rest.endswith(b"\n"):
                return

    def _refuse_ragged(self, line: int, raw: bytes, cells: list[str]) -> None:
        width = self._header.width
        if not raw.endswith(b"\n") and len(cells) < width:
            why = "it is the last line and cut short"
        elif len(cells) > width:
            why = f"it has more than {width} cells (numbers with decimal commas?)"
        else:
            why = f"it has fewer than {width} cells"
        self.counts.refuse_row(line, why)

    def _refuse_cell(self, line: int, channel: str, refused: Refused) -> tuple[str, FaultKind, str]:
        detail = f"line {line}, {channel}: {refused.detail}"
        self.counts.refuse_cell(refused.kind, detail)
        return channel, refused.kind, detail


def open_recording(path: Path, boat: Boat) -> Recording:
    """Read the header. Raises UserError for a file that is missing, empty or no recording."""
    if path.is_dir():
        raise UserError(f"{path}: is a folder; give a CSV file")
    try:
        with path.open("rb") as file:
            first = file.readline(_LONGEST_LINE_BYTES)
            size_bytes = os.fstat(file.fileno()).st_size
    except FileNotFoundError:
        raise UserError(f"{path}: there is no such file; give a recording in CSV") from None
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); check the file's rights") from error
    raw = first.removeprefix(_BYTE_ORDER_MARK).rstrip(b"\n").removesuffix(b"\r")
    if not raw.strip():
        what = "begins with an empty line" if first.endswith(b"\n") else "is empty"
        raise UserError(f"{path}: {what}; the first row must be time, then one column per channel")
    return Recording(path, parse_header(path, raw, boat), len(first), size_bytes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a recording is written. What `replay` reads is the plain one, with or without units."""

    units: bool = False  # behind each name of the header, as in `bar [°C]`
    decimal_comma: bool = False  # and semicolons between columns: what a spreadsheet of half the world opens


def refuse_place(history: History, out: Path) -> None:
    """Raises UserError where nothing can be written to `out`, or only over the database."""
    if out.is_dir() or not out.parent.is_dir():
        raise UserError(f"{out}: is a folder or in none; name a file in a folder that is there")
    if out.exists() and out.samefile(history.path):
        raise UserError(f"{out}: is the database itself; give the recording another name")


def write_recording(
    history: History,
    out: Path,
    start: int | None = None,
    end: int | None = None,
    progress: Callable[[int], None] | None = None,
    layout: Layout | None = None,
) -> int:
    """Write readings from `start` to `end` [ms, both included] as a recording; how many there were.

    `progress` hears readings done. Numbers are written so that they read back exactly. The file gets
    its name when it is whole. Raises UserError (no place to write) or OperationFailed (disk).
    """
    refuse_place(history, out)
    with whole_file(out) as partial, partial.open("w", encoding="utf-8", newline="\n") as file:
        return _write_rows(history, file, start, end, progress, layout or Layout())


def _write_rows(
    history: History,
    file: TextIO,
    start: int | None,
    end: int | None,
    progress: Callable[[int], None] | None,
    layout: Layout,
) -> int:
    found = history.channels()
    separator = ";" if layout.decimal_comma else ","
    channels = [channel.channel for channel in found]
    places = {channel: index for index, channel in enumerate(channels)}
    titles = [f"{c.channel} [{UNIT[c.quantity]}]" for c in found] if layout.units else channels
    file.write(separator.join([TIME_COLUMN, *titles]) + "\n")
    empty = [""] * len(channels)
    cells, row_time, count = list(empty), None, 0
    for time, channel, value in history.readings(start, end):
        place = places[channel]
        # a second value of a channel in one ms opens a second row of that time
        if time != row_time or cells[place]:
            if row_time is not None:
                file.write(f"{format_time(row_time)}{separator}{separator.join(cells)}\n")
            cells, row_time = list(empty), time
        cells[place] = repr(value).replace(".", ",") if layout.decimal_comma else repr(value)
        count += 1
        if progress is not None and count % _PROGRESS_READINGS == 0:
            progress(count)
    if row_time is not None:
        file.write(f"{format_time(row_time)}{separator}{separator.join(cells)}\n")
    return count
