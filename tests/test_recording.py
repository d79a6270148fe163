"""Recordings: what is wrong is named with its line and counted, and a round trip loses nothing."""

import re
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import boats
from histories import START_TIME, folder_state, open_store, put, reading
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import FaultKind, Quantity, Reading
from lugwatch.store import recording_text
from lugwatch.store.queries import History
from lugwatch.store.recording import Recording, Row, open_recording, write_recording
from lugwatch.store.recording_text import Refused, TimeText, parse_cell
from lugwatch.units import format_time, parse_time

HEADER = "time,bar,air,alternator\n"


def recording(tmp_path: Path, data: str | bytes) -> Recording:
    path = tmp_path / "recording.csv"
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return open_recording(path, boats.boat())


def rows_of(tmp_path: Path, data: str | bytes) -> tuple[list[Row], Recording]:
    opened = recording(tmp_path, data)
    return list(opened), opened


def seconds(row: Row) -> float:
    return (row.time - START_TIME) / 1000.0


def line(offset_seconds: float, cells: str) -> str:
    return f"{format_time(START_TIME + round(offset_seconds * 1000))},{cells}\n"


# ---- headers ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"\xef\xbb\xbf", "is empty"),
        (b" \n\n", "begins with an empty line"),
        (b"\ntime,bar\n", "begins with an empty line"),
        (b"2026-05-03T14:30:00Z,20,20,80\n", "no column 'time'"),
        (b"Time,bar\n", "no column 'time' but Time, bar"),
        (b"time,bar,air,bar\n", "'bar' stands twice"),
        (b"time,time,bar\n", "'time' stands twice"),
        (b"time;bar;air\n2026-05-03T14:30:00Z;20,5;20\n", "separated by semicolons"),
        (b"time\tbar\tair\n", "separated by tabs"),
        (b"time,mast,keel\n", "none of its columns"),
        (b"time\n", "none of its columns"),
        ("time,bar\n".encode("utf-16"), "UTF-16"),
        ("time,bar\n".encode("utf-16-le"), "UTF-16"),
        ("time,bår\n".encode("latin-1"), "not UTF-8"),
        (b"PK\x03\x04\x14\x00\x06\x00", "spreadsheet or an archive"),
        (b"SQLite format 3\x00\x10\x00", "is not text"),
        (b"time,bar\r2026-05-03T14:30:00Z,20\r", "lone carriage return"),
    ],
)
def test_a_wrong_header_is_one_clear_line(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(UserError, match=words) as caught:
        recording(tmp_path, data)
    assert "recording.csv" in str(caught.value) and "\n" not in str(caught.value)


def test_a_missing_file_and_a_folder_are_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"none\.csv: there is no such file"):
        open_recording(tmp_path / "none.csv", boats.boat())
    with pytest.raises(UserError, match="is a folder"):
        open_recording(tmp_path, boats.boat())


def test_columns_may_be_unknown_missing_or_in_any_order(tmp_path: Path) -> None:
    found, opened = rows_of(
        tmp_path, 'note,alternator,time,bar,,"mast, top"\ngøy,80,1780000000,20.5,7,x\n'.encode()
    )
    assert opened.unknown_columns == ("note", "(column 5)", "mast, top")
    assert opened.missing_channels == ("air",)
    assert found == [Row(2, START_TIME, [("alternator", 80.0), ("bar", 20.5)], [])]


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_a_byte_order_mark_and_either_line_end_are_fine(tmp_path: Path, mark: bytes, end: bytes) -> None:
    data = mark + end.join([b"time,bar,air,alternator", b"1780000000,20.5,,80", b"1780000001,21,5,81", b""])
    found, opened = rows_of(tmp_path, data)
    assert found == [
        Row(2, START_TIME, [("bar", 20.5), ("alternator", 80.0)], []),
        Row(3, START_TIME + 1000, [("bar", 21.0), ("air", 5.0), ("alternator", 81.0)], []),
    ]
    assert (opened.counts.rows, opened.counts.readings, opened.counts.empty_cells) == (2, 5, 1)
    assert opened.counts.lines() == []
    assert opened.position_bytes == opened.size_bytes == len(data)


# ---- times -----------------------------------------------------------------------------------


def test_a_row_older_than_its_predecessor_is_refused_with_its_line(tmp_path: Path) -> None:
    offsets = [0, 10, 5, 9.999, 10, 10.001, 3, 20]
    found, opened = rows_of(tmp_path, HEADER + "".join(line(offset, "20,20,80") for offset in offsets))
    assert [seconds(row) for row in found] == [0, 10, 10, 10.001, 20]  # the same time is not older
    assert opened.counts.rows == 5 and opened.counts.refused_rows == 3
    assert opened.counts.refused_lines == {"it is older than the row before it": [4, 5, 8]}
    assert opened.counts.lines() == ["3 rows refused: it is older than the row before it (lines 4, 5, 8)"]


def test_only_the_first_lines_are_named(tmp_path: Path) -> None:
    lines = "".join(line(-i, "20,20,80") for i in range(1000))
    _, opened = rows_of(tmp_path, HEADER + lines)
    assert opened.counts.refused_rows == 999
    (said,) = opened.counts.lines()
    assert said == "999 rows refused: it is older than the row before it (lines 3, 4, 5, 6, 7, …)"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "2026-05-03T14:30:00",
        "2026-13-03T14:30:00Z",
        "1780000000000",
        "nan",
        "14:30",
        "1e999",
    ],
)
def test_a_time_that_is_none_refuses_its_row(tmp_path: Path, text: str) -> None:
    found, opened = rows_of(tmp_path, HEADER + f"{text},20,20,80\n" + line(0, "20,20,80"))
    assert [row.line for row in found] == [3]
    assert list(opened.counts.refused_lines.values()) == [[2]]


moments = st.datetimes(datetime(1971, 1, 1), datetime(2099, 12, 31)).flatmap(  # noqa: DTZ001
    lambda moment: st.integers(-14 * 60, 14 * 60).map(
        lambda minutes: moment.replace(tzinfo=timezone(timedelta(minutes=minutes)))
    )
)


@settings(derandomize=True)
@given(st.lists(moments, min_size=1), st.sampled_from(["T", " "]), st.sampled_from(["auto", "milliseconds"]))
def test_the_fast_clock_reader_agrees_with_the_plain_one(
    given_moments: list[datetime], between: str, digits: str
) -> None:
    reader = TimeText()
    for moment in given_moments:
        rounded = moment.replace(microsecond=moment.microsecond // 1000 * 1000)
        text = rounded.isoformat(between, digits)
        assert reader.parse(text) == parse_time(text) == round(rounded.timestamp() * 1000)
        zulu = format_time(round(rounded.astimezone(UTC).timestamp() * 1000))
        assert reader.parse(zulu) == parse_time(zulu)


# ---- cells -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "quantity", "expected"),
    [
        ("20.5", Quantity.CELSIUS, 20.5),
        (" -0.0625\t", Quantity.CELSIUS, -0.0625),
        ("85", Quantity.CELSIUS, 85.0),
        ("1.2e-05", Quantity.AMPS, 1.2e-05),
        ("-55", Quantity.CELSIUS, -55.0),
        ("300", Quantity.CELSIUS, 300.0),
        ("-10000", Quantity.AMPS, -10_000.0),
        ("", Quantity.CELSIUS, None),
        ("  ", Quantity.AMPS, None),
        ("nan", Quantity.CELSIUS, FaultKind.NOT_FINITE),
        ("NaN", Quantity.AMPS, FaultKind.NOT_FINITE),
        ("-inf", Quantity.CELSIUS, FaultKind.NOT_FINITE),
        ("Infinity", Quantity.CELSIUS, FaultKind.NOT_FINITE),
        ("1e999", Quantity.CELSIUS, FaultKind.NOT_FINITE),
        ("1.#QNAN", Quantity.CELSIUS, FaultKind.NOT_FINITE),
        ("3.40E+38", Quantity.CELSIUS, FaultKind.IMPLAUSIBLE),
        ("-127", Quantity.CELSIUS, FaultKind.IMPLAUSIBLE),
        ("300.1", Quantity.CELSIUS, FaultKind.IMPLAUSIBLE),
        ("10001", Quantity.AMPS, FaultKind.IMPLAUSIBLE),
        ("20,5", Quantity.CELSIUS, FaultKind.MALFORMED),
        ("n/a", Quantity.CELSIUS, FaultKind.MALFORMED),
        ("20.5 C", Quantity.CELSIUS, FaultKind.MALFORMED),
        ("2_3.5", Quantity.CELSIUS, FaultKind.MALFORMED),
        ("２３", Quantity.CELSIUS, FaultKind.MALFORMED),
        ("1.2.3", Quantity.CELSIUS, FaultKind.MALFORMED),
        ("0x10", Quantity.CELSIUS, FaultKind.MALFORMED),
        ("20\udcff5", Quantity.CELSIUS, FaultKind.MALFORMED),
    ],
)
def test_a_cell_is_a_number_nothing_or_refused(text: str, quantity: Quantity, expected: object) -> None:
    found = parse_cell(text, quantity)
    if isinstance(found, Refused):
        assert found.kind is expected
        found.detail.encode()  # an odd byte must not break the database or the terminal
    else:
        assert found == expected


def test_a_refused_cell_names_its_line_and_leaves_the_rest_of_its_row(tmp_path: Path) -> None:
    data = HEADER + line(0, "3.40E+38,20,80") + line(1, '"20,5",nan,80') + line(2, "20,20,3.40E+38")
    found, opened = rows_of(tmp_path, data)
    assert found[0].readings == [("air", 20.0), ("alternator", 80.0)]
    assert found[0].refused == [
        ("bar", FaultKind.IMPLAUSIBLE, "line 2, bar: '3.40E+38' °C is outside -55 to 300 °C")
    ]
    assert [(channel, kind) for channel, kind, _ in found[1].refused] == [
        ("bar", FaultKind.MALFORMED),
        ("air", FaultKind.NOT_FINITE),
    ]
    assert opened.counts.refused_cells == {
        FaultKind.IMPLAUSIBLE: 2,
        FaultKind.MALFORMED: 1,
        FaultKind.NOT_FINITE: 1,
    }
    assert opened.counts.readings == 5 and opened.counts.refused_rows == 0
    assert opened.counts.lines()[:2] == [
        "2 cells refused as implausible: the first: line 2, bar: '3.40E+38' °C is outside -55 to 300 °C",
        "1 cell refused as malformed: line 3, bar: '20,5' has a decimal comma; write a point",
    ]


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (b"1780000001,20,20\n", "fewer than 4 cells"),
        (b"1780000001,20,5,20,80\n", "more than 4 cells .numbers with decimal commas"),
        (b"1780000001,20,\x0020,80\n", "zero bytes"),
        (b"1780000001,20,20,80" + b" " * 70_000 + b"\n", "longer than 64 KiB"),
        (b"\x00\xff\xfe\x12\n", "zero bytes"),
        (b'1780000001,"20,20,80\n', "fewer than 4 cells"),
    ],
)
def test_a_broken_row_is_counted_and_the_next_is_read(tmp_path: Path, bad: bytes, words: str) -> None:
    good = line(0, "20,20,80").encode(), line(2, "20,20,80").encode()
    found, opened = rows_of(tmp_path, HEADER.encode() + good[0] + bad + b"\n \r\n" + good[1])
    assert [seconds(row) for row in found] == [0, 2]
    assert [row.line for row in found] == [2, 6]  # empty lines have numbers and are no rows
    assert opened.counts.refused_rows == 1
    (said,) = opened.counts.lines()
    assert "(line 3)" in said
    assert re.search(words, said)
    assert opened.position_bytes == opened.size_bytes


def test_a_last_row_cut_short_is_refused_a_whole_one_without_line_end_is_not(tmp_path: Path) -> None:
    whole = HEADER + line(0, "20,20,80") + line(1, "20,20,80").rstrip("\n")
    found, opened = rows_of(tmp_path, whole)
    assert len(found) == 2 and opened.counts.lines() == []
    found, opened = rows_of(tmp_path, whole[: whole.rindex(",")])
    assert len(found) == 1
    assert opened.counts.lines() == ["1 row refused: it is the last line and cut short (line 3)"]


def test_each_pass_reads_from_the_first_row_and_counts_anew(tmp_path: Path) -> None:
    opened = recording(tmp_path, HEADER + line(0, "20,nan,80") + line(1, "20,20,80"))
    assert list(opened) == list(opened)
    assert opened.counts.rows == 2 and opened.counts.refused_cells.total() == 1


def test_the_position_grows_while_it_is_read(tmp_path: Path) -> None:
    opened = recording(tmp_path, HEADER + "".join(line(i, "20,20,80") for i in range(50)))
    seen = [opened.position_bytes for _ in opened]
    assert seen == sorted(set(seen)) and seen[-1] == opened.size_bytes


def test_memory_does_not_grow_with_the_recording(tmp_path: Path) -> None:
    """Every text differs, so what is kept of them must have a bound; counted, not weighed."""
    opened = recording(
        tmp_path, HEADER + "".join(line(i / 100, f"{i / 1e4:.4f},20,80") for i in range(150_000))
    )
    made: list[recording_text.CellText] = []
    original = recording_text.CellText.__init__

    def remembered(self: recording_text.CellText, quantity: Quantity) -> None:
        original(self, quantity)
        made.append(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recording_text.CellText, "__init__", remembered)
        assert sum(1 for _ in opened) == 150_000
    assert made and max(map(len, made)) <= 100_000


# ---- export ----------------------------------------------------------------------------------

celsius = st.floats(-55.0, 300.0)
amps = st.floats(-10_000.0, 10_000.0)
given_readings = st.lists(
    st.tuples(st.integers(0, 3000), st.sampled_from(["bar", "air"]), celsius)
    | st.tuples(st.integers(0, 3000), st.just("alternator"), amps),
    max_size=60,
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(given_readings, st.integers(-(10**12), 10**12))
def test_a_round_trip_loses_nothing(
    tmp_path_factory: pytest.TempPathFactory, entries: list[tuple[int, str, float]], shift: int
) -> None:
    folder = tmp_path_factory.mktemp("trip")
    first = [
        Reading(channel=channel, value=value, monotonic_seconds=0.0, time=START_TIME + shift + offset)
        for offset, channel, value in entries
    ]
    for name in ("one", "two"):
        with open_store(folder / f"{name}.db") as store:
            put(store, first)
        with History.open(folder / f"{name}.db") as history:
            stored = list(history.readings())
            assert write_recording(history, folder / f"{name}.csv") == len(entries)
        opened = open_recording(folder / f"{name}.csv", boats.boat())
        rows = list(opened)
        assert opened.counts.lines() == [] and opened.unknown_columns == opened.missing_channels == ()
        first = [
            Reading(channel=channel, value=value, monotonic_seconds=0.0, time=row.time)
            for row in rows
            for channel, value in row.readings
        ]
        assert sorted(map(repr, stored)) == sorted(repr((r.time, r.channel, r.value)) for r in first)
    assert (folder / "one.csv").read_bytes() == (folder / "two.csv").read_bytes()


def test_an_export_is_plain_text_with_one_row_a_ms(tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    heard: list[int] = []
    with open_store(tmp_path / "boat.db") as store:
        put(
            store,
            [
                reading(20.5, START_TIME),
                reading(1.2e-05, START_TIME, "alternator"),
                reading(21.0, START_TIME + 250),
                *(reading(22.0, START_TIME + 1000 + i) for i in range(10_000)),
            ],
        )
        with History.open(store.path) as history:
            assert write_recording(history, out, None, START_TIME + 250) == 3
            assert out.read_text() == (
                "time,bar,air,alternator\n2026-05-28T20:26:40Z,20.5,,1.2e-05\n2026-05-28T20:26:40.250Z,21.0,,\n"
            )
            assert write_recording(history, out, START_TIME + 1000, None, heard.append) == 10_000
    assert heard == [10_000]
    assert folder_state(tmp_path).keys() == {"boat.db", "out.csv"}


def test_an_export_never_overwrites_its_database_nor_leaves_half_a_file(tmp_path: Path) -> None:
    def fails(_done: int) -> None:
        raise OSError(28, "No space left on device")

    with open_store(tmp_path / "boat.db") as store:
        put(store, [reading(20.0, START_TIME + i) for i in range(10_000)])
    (tmp_path / "out.csv").write_text("earlier")
    with History.open(tmp_path / "boat.db") as history:
        for out, words in (
            ("boat.db", "is the database itself"),
            (".", "is a folder"),
            ("no/x.csv", "in none"),
        ):
            with pytest.raises(UserError, match=words):
                write_recording(history, tmp_path / out)
        with pytest.raises(OperationFailed, match="No space left"):
            write_recording(history, tmp_path / "out.csv", progress=fails)
    assert (tmp_path / "out.csv").read_text() == "earlier"
    assert not [name for name in folder_state(tmp_path) if "partial" in name]
