"""Recordings as Parquet: the same readings as in CSV, for engines that read columns.

One row a reading: `time` [ms, UTC], `channel`, `unit`, `value`. The library (pyarrow) is an extra: 150 MB are
much for a boat's card, and a surveyor's laptop has room. Not here: many boats (`fleet`).
May import: model, units, errors, store rooms but writer.
"""

import math
from collections.abc import Callable, Iterator
from itertools import groupby
from pathlib import Path
from typing import Any

from lugwatch.errors import UserError
from lugwatch.model import Boat, FaultKind, Quantity
from lugwatch.store.queries import History
from lugwatch.store.recording import Counts, Row, refuse_place
from lugwatch.store.recording_text import PLAUSIBLE, UNIT, Refused
from lugwatch.store.whole_file import whole_file

MAGIC = b"PAR1"
ROWS_A_GROUP = 65_536
HOW = {"compression": "zstd", "write_page_checksum": True}
_COLUMNS = ("time", "channel", "value")


def pyarrow() -> Any:
    """The library with its Parquet part. Raises UserError where it is not installed."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise UserError("Parquet needs the library pyarrow: pip install 'lugwatch[parquet]'") from None
    return pyarrow


def reading_schema(boat: str) -> Any:
    arrow = pyarrow()
    words = arrow.dictionary(arrow.int32(), arrow.string())
    fields = [
        arrow.field("time", arrow.timestamp("ms", tz="UTC"), nullable=False),
        arrow.field("channel", words, nullable=False),
        arrow.field("unit", words, nullable=False),
        arrow.field("value", arrow.float64(), nullable=False),
    ]
    return arrow.schema(fields, metadata={"boat": boat})


def reading_table(schema: Any, units: dict[str, str], readings: list[tuple[int, str, float]]) -> Any:
    """Readings of a history as a table of that schema."""
    times, channels, values = zip(*readings, strict=True)
    columns = {"time": times, "channel": channels, "unit": [units[c] for c in channels], "value": values}
    return pyarrow().table({name: list(column) for name, column in columns.items()}, schema=schema)


def units_of(history: History) -> dict[str, str]:
    return {channel.channel: UNIT[channel.quantity] for channel in history.channels()}


def write_parquet(
    history: History,
    out: Path,
    start: int | None = None,
    end: int | None = None,
    progress: Callable[[int], None] | None = None,
) -> int:
    """Write readings from `start` to `end` [ms, both included] as one file; how many there were.

    `progress` hears readings done. The file gets its name when it is whole. Raises UserError (no place to
    write, no pyarrow) or OperationFailed (disk).
    """
    refuse_place(history, out)
    arrow, units, count = pyarrow(), units_of(history), 0
    schema = reading_schema(history.boat().name)
    with whole_file(out) as partial, arrow.parquet.ParquetWriter(partial, schema, **HOW) as file:
        for readings in pieces(history.readings(start, end), ROWS_A_GROUP):
            file.write_table(reading_table(schema, units, readings))
            count += len(readings)
            if progress is not None:
                progress(count)
    return count


def pieces(readings: Iterator[tuple[int, str, float]], rows: int) -> Iterator[list[tuple[int, str, float]]]:
    """Lists of so many; what is in memory at one time."""
    piece: list[tuple[int, str, float]] = []
    for reading in readings:
        piece.append(reading)
        if len(piece) == rows:
            yield piece
            piece = []
    if piece:
        yield piece


class ParquetRecording:
    """What `Recording` is, from Parquet: rows of one time, whose refused cells and rows are counted."""

    def __init__(self, path: Path, boat: Boat) -> None:
        self.path = path
        self.counts = Counts()
        self.size_bytes = path.stat().st_size
        self.position_bytes = 0
        self._quantities = {channel.channel: channel.quantity for channel in boat.channels}
        with self._opened() as file:
            names = set(self._column("channel", file))
        self.unknown_columns = tuple(sorted(names - self._quantities.keys()))
        self.missing_channels = tuple(channel for channel in self._quantities if channel not in names)

    def __iter__(self) -> Iterator[Row]:
        """Raises UserError where the file is damaged."""
        self.counts, self.position_bytes = Counts(), 0
        previous = None
        line = 0
        for time, readings in groupby(self._readings(), lambda reading: reading[0]):
            for cells in _one_of_each(list(readings)):
                line += 1
                if previous is not None and time < previous:
                    self.counts.refuse_row(line, "it is older than the row before it")
                    continue
                previous = time
                yield self._row(line, time, cells)

    def _row(self, line: int, time: int, cells: list[tuple[int, str, float | None]]) -> Row:
        readings: list[tuple[str, float]] = []
        refused: list[tuple[str, FaultKind, str]] = []
        for _, channel, value in cells:
            if channel not in self._quantities:
                continue
            if value is None:
                self.counts.empty_cells += 1
            elif (why := _refusal(value, self._quantities[channel])) is not None:
                detail = f"row {line}, {channel}: {why.detail}"
                self.counts.refuse_cell(why.kind, detail)
                refused.append((channel, why.kind, detail))
            else:
                readings.append((channel, value))
        self.counts.rows += 1
        self.counts.readings += len(readings)
        return Row(line, time, readings, refused)

    def _readings(self) -> Iterator[tuple[int, str, float | None]]:
        arrow = pyarrow()
        with self._opened() as file:
            total, done = max(file.metadata.num_rows, 1), 0
            try:
                for batch in file.iter_batches(ROWS_A_GROUP, columns=list(_COLUMNS)):
                    milliseconds = batch.column("time").cast(arrow.timestamp("ms", tz="UTC"), safe=False)
                    times = milliseconds.cast(arrow.int64()).to_pylist()
                    channels = batch.column("channel").to_pylist()
                    yield from zip(times, channels, batch.column("value").to_pylist(), strict=True)
                    done += batch.num_rows
                    self.position_bytes = self.size_bytes * done // total
            except (arrow.ArrowException, OSError, ValueError) as error:
                raise self._damaged(error) from None

    def _column(self, name: str, file: Any) -> Iterator[str]:
        arrow = pyarrow()
        try:
            for batch in file.iter_batches(ROWS_A_GROUP, columns=[name]):
                yield from (word for word in batch.column(name).unique().to_pylist() if word is not None)
        except (arrow.ArrowException, OSError, ValueError) as error:
            raise self._damaged(error) from None

    def _opened(self) -> Any:
        arrow = pyarrow()
        try:
            file = arrow.parquet.ParquetFile(self.path, page_checksum_verification=True)
        except (arrow.ArrowException, OSError, ValueError) as error:
            raise self._damaged(error) from None
        schema, kinds = file.schema_arrow, arrow.types
        names = ", ".join(schema.names[:6])
        for column, fits in (
            ("time", lambda kind: kinds.is_timestamp(kind) and kind.tz == "UTC"),
            ("channel", lambda kind: kinds.is_string(getattr(kind, "value_type", kind))),
            ("value", kinds.is_floating),
        ):
            if schema.get_field_index(column) < 0 or not fits(schema.field(column).type):
                raise UserError(
                    f"{self.path}: is no recording: it needs time (a timestamp in UTC), channel (text) and "
                    f"value (floating point), one row a reading, and has {names}"
                )
        return file

    def _damaged(self, error: Exception) -> UserError:
        first = (str(error).splitlines() or [type(error).__name__])[0][:120]
        return UserError(f"{self.path}: is damaged or no Parquet file ({first}); export it again")


def _one_of_each(
    readings: list[tuple[int, str, float | None]],
) -> Iterator[list[tuple[int, str, float | None]]]:
    """A second value of a channel at one time opens a second row of that time."""
    row: list[tuple[int, str, float | None]] = []
    held: set[str] = set()
    for reading in readings:
        if reading[1] in held:
            yield row
            row, held = [], set()
        row.append(reading)
        held.add(reading[1])
    yield row


def _refusal(value: float, quantity: Quantity) -> Refused | None:
    if not math.isfinite(value):
        return Refused(FaultKind.NOT_FINITE, f"{value} is not a finite number")
    low, high = PLAUSIBLE[quantity]
    if not low <= value <= high:
        unit = UNIT[quantity]
        return Refused(FaultKind.IMPLAUSIBLE, f"{value:g} {unit} is outside {low:g} to {high:g} {unit}")
    return None
