"""Recordings as Parquet, and a folder of many boats that an engine of others reads."""

import random
import sys
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings

import boats
from backups import run
from histories import START_TIME, alert, change, folder_state, open_store, put, reading
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Boat, CurrentPassage, FaultKind, JointPassage, Passage, Reading
from lugwatch.store import columnar
from lugwatch.store.columnar import ParquetRecording, write_parquet
from lugwatch.store.fleet import DAY_MS, write_days
from lugwatch.store.opened_recording import open_any_recording
from lugwatch.store.queries import History
from lugwatch.store.recording import Recording, write_recording
from test_recording import given_readings


def history_of(path: Path, outputs: list[Reading], boat: Boat | None = None) -> Path:
    with open_store(path, boat=boat) as store:
        put(store, outputs, time=max((o.time for o in outputs), default=START_TIME))
    return path


# ---- one file --------------------------------------------------------------------------------


@settings(max_examples=30)
@given(given_readings)
def test_parquet_and_csv_hold_the_same_to_the_last_bit(
    tmp_path_factory: pytest.TempPathFactory, entries: list[tuple[int, str, float]]
) -> None:
    folder = tmp_path_factory.mktemp("both")
    readings = [
        Reading(channel=channel, value=value, monotonic_seconds=0.0, time=START_TIME + offset)
        for offset, channel, value in entries
    ]
    with History.open(history_of(folder / "boat.db", readings)) as history:
        write_recording(history, folder / "out.csv")
        assert write_parquet(history, folder / "out.parquet") == len(entries)
    rows = {}
    for kind, of in (("csv", Recording), ("parquet", ParquetRecording)):
        opened = open_any_recording(folder / f"out.{kind}", boats.boat())
        assert isinstance(opened, of)
        rows[kind] = [(row.time, sorted(row.readings), row.refused) for row in opened]
        assert opened.counts.lines() == [] and opened.counts.readings == len(entries)
    assert repr(rows["csv"]) == repr(rows["parquet"])


def test_a_file_says_what_it_holds_and_is_read_in_pieces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(columnar, "ROWS_A_GROUP", 64)
    path = history_of(
        tmp_path / "boat.db", [reading(20.0 + i / 16, START_TIME + i * 5000) for i in range(300)]
    )
    heard: list[int] = []
    with History.open(path) as history:
        assert write_parquet(history, tmp_path / "x.parquet", START_TIME + 5000, None, heard.append) == 299
    assert heard == [64, 128, 192, 256, 299]
    file = pq.ParquetFile(tmp_path / "x.parquet")
    assert file.num_row_groups == 5 and file.schema_arrow.metadata[b"boat"].decode() == boats.boat().name
    table = file.read()
    assert table.schema.field("time").type == pa.timestamp("ms", tz="UTC")
    assert set(table.column("unit").to_pylist()) == {"°C"}
    opened = ParquetRecording(tmp_path / "x.parquet", boats.boat())
    assert opened.missing_channels == ("air", "alternator") and opened.unknown_columns == ()
    positions = [opened.position_bytes for _ in opened]
    assert positions == sorted(positions) and opened.position_bytes == opened.size_bytes


def parquet(path: Path, **columns: object) -> Path:
    given = {
        "time": pa.array([START_TIME, START_TIME + 1000, START_TIME], pa.timestamp("ms", tz="UTC")),
        "channel": pa.array(["bar", "bar", "bar"]),
        "value": pa.array([20.0, 21.0, 22.0]),
    }
    pq.write_table(pa.table({**given, **columns}), path)
    return path


def test_what_is_no_reading_is_counted_and_said(tmp_path: Path) -> None:
    path = parquet(tmp_path / "x.parquet", value=pa.array([float("nan"), None, 22.0]))
    opened = ParquetRecording(path, boats.boat())
    rows = list(opened)
    assert [row.readings for row in rows] == [[], []]
    assert rows[0].refused[0][:2] == ("bar", FaultKind.NOT_FINITE)
    assert opened.counts.empty_cells == 1
    assert any("it is older than the row before it" in line for line in opened.counts.lines())
    hot = ParquetRecording(parquet(tmp_path / "y.parquet", value=pa.array([3e38, 1.0, 1.0])), boats.boat())
    assert next(iter(hot)).refused[0][1] is FaultKind.IMPLAUSIBLE


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"time": pa.array([1, 2, 3])}, "time (a timestamp in UTC)"),
        ({"time": pa.array([1, 2, 3], pa.timestamp("ms"))}, "time (a timestamp in UTC)"),
        ({"value": pa.array(["1", "2", "3"])}, "value (floating point)"),
        ({"channel": pa.array([1, 2, 3])}, "channel (text)"),
    ],
)
def test_a_table_that_is_no_recording_is_one_clear_line(
    tmp_path: Path, columns: dict[str, object], words: str
) -> None:
    with pytest.raises(UserError) as refused:
        ParquetRecording(parquet(tmp_path / "x.parquet", **columns), boats.boat())
    assert words in str(refused.value) and "\n" not in str(refused.value)


def test_damage_is_one_clear_line_and_never_another_reading(tmp_path: Path) -> None:
    """Each page has a checksum; what may go unseen is damage to what says nothing of a reading."""
    path = history_of(tmp_path / "boat.db", [reading(20.0 + i / 16, START_TIME + i) for i in range(50)])
    with History.open(path) as history:
        write_parquet(history, tmp_path / "x.parquet")
    path = tmp_path / "x.parquet"
    whole, right = path.read_bytes(), [row.readings for row in ParquetRecording(path, boats.boat())]
    rng, refused = random.Random(5), 0
    for _ in range(500):
        raw = bytearray(whole)
        raw[rng.randrange(4, len(raw))] = rng.randrange(256)
        path.write_bytes(bytes(raw[: rng.choice([len(raw), rng.randrange(5, len(raw))])]))
        try:
            found = [row.readings for row in ParquetRecording(path, boats.boat())]
        except UserError as error:
            assert "\n" not in str(error)
            refused += 1
        else:
            assert found == right
    assert refused > 250 and len(right) == 50


def test_without_the_library_it_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = history_of(tmp_path / "boat.db", [reading(20.0)])
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    status, _, error = run(capsys, "export", "--db", path, "--out", tmp_path / "x.parquet")
    assert status == 2 and "lugwatch[parquet]" in error and error.count("\n") == 1
    assert not (tmp_path / "x.parquet").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--out", "x.parquet", "--units"], "go with --out FILE.csv"),
        (["--out", ".", "--days", "--decimal-comma"], "go with --out FILE.csv"),
        (["--out", "x.csv", "--boat", "b"], "--boat goes with --days"),
        (["--out", "x.xlsx"], "name it FILE.csv or FILE.parquet"),
        (["--out", "none", "--days"], "no such folder"),
        (["--out", ".", "--days", "--boat", "../up"], "small letters"),
    ],
)
def test_options_that_do_not_fit_are_one_clear_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
    words: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    history_of(tmp_path / "boat.db", [reading(20.0)])
    status, said, error = run(capsys, "export", "--db", "boat.db", *options)
    assert (status, said) == (2, "") and words in error and error.count("\n") == 1
    assert {name.split("-")[0] for name in folder_state(tmp_path)} == {
        "boat.db"
    }  # and SQLite's own beside it


def test_a_spreadsheets_csv_and_one_with_units(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = history_of(tmp_path / "boat.db", [reading(20.5), reading(-1.25, channel="alternator")])
    for options, text in (
        (["--units"], "time,bar [°C],air [°C],alternator [A]\n2026-05-28T20:26:40Z,20.5,,-1.25\n"),
        (["--decimal-comma"], "time;bar [°C];air [°C];alternator [A]\n2026-05-28T20:26:40Z;20,5;;-1,25\n"),
    ):
        out = tmp_path / "x.csv"
        assert run(capsys, "export", "--db", path, "--out", out, *options)[0] == 0
        assert out.read_text(encoding="utf-8") == text
        if options == ["--units"]:
            opened = open_any_recording(out, boats.boat())
            assert [row.readings for row in opened] == [[("bar", 20.5), ("alternator", -1.25)]]
        else:
            with pytest.raises(UserError, match="separated by semicolons"):
                open_any_recording(out, boats.boat())
    out.write_text("time,bar [°F]\n", encoding="utf-8")
    with pytest.raises(UserError, match="not in °C; convert it"):
        open_any_recording(out, boats.boat())


# ---- many boats ------------------------------------------------------------------------------

BOATS, PASSAGES = 50, 14


def season(seed: int) -> list[Passage]:
    """A season's passages; invented, seeded; the bar of some boats goes bad."""
    rng = random.Random(seed)
    growth = rng.choice([1.0, 1.0, 1.0, 1.0, 1.6, 2.2]) * rng.uniform(0.98, 1.02)
    passages = []
    for number in range(PASSAGES):
        start = START_TIME + number * 2 * DAY_MS
        rise = 0.002 * growth ** (number / (PASSAGES - 1)) * rng.uniform(0.995, 1.005)
        joint = JointPassage(
            max_celsius=25.0 + rise * 90.0**2, rise_coefficient=rise, rise_coefficient_sd=1e-5
        )
        passages.append(
            Passage(
                passage_id=number + 1,
                start_time=start,
                end_time=start + 3 * 3_600_000,
                amp_hours=200.0,
                max_amps=90.0,
                currents={"alternator": CurrentPassage(amp_hours=200.0, max_amps=90.0)},
                joints={"bar": joint},
            )
        )
    return passages


def test_the_worst_joints_of_fifty_boats_by_one_question(tmp_path: Path) -> None:
    folder, grown, hottest = tmp_path / "fleet", {}, {}
    folder.mkdir()
    for number in range(BOATS):
        passages = season(number)
        path = tmp_path / f"{number}.db"
        with open_store(path) as store:
            put(
                store,
                [
                    *(
                        reading(20.0 + number / 16, p.start_time + i * 5000)
                        for p in passages
                        for i in range(20)
                    ),
                    *passages,
                    change(1, alert(1)),
                ],
                time=passages[-1].end_time or 0,
            )
        with History.open(path) as history:
            written = write_days(history, folder, boat=f"boat-{number}")
        assert (written.readings, written.passages, written.alerts) == (PASSAGES * 20, PASSAGES, 1)
        first, last = (p.joints["bar"] for p in (passages[0], passages[-1]))
        assert first.rise_coefficient and last.rise_coefficient and last.max_celsius
        grown[f"boat-{number}"] = last.rise_coefficient / first.rise_coefficient
        hottest[f"boat-{number}"] = max(p.joints["bar"].max_celsius or 0.0 for p in passages)
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    question = readme.split("```sql\n", 1)[1].split("```", 1)[0]
    asked = duckdb.connect().execute(question.replace("'fleet/", f"'{folder}/")).fetchall()
    worst = sorted(grown, key=grown.__getitem__, reverse=True)[:10]
    assert [(boat, joint) for boat, joint, *_ in asked] == [(boat, "bar") for boat in worst]
    for boat, _, grew, margin, passages_count in asked:
        assert (grew, margin) == pytest.approx(
            (grown[boat], 90.0 - hottest[boat])
        ) and passages_count == PASSAGES
    counted = (
        duckdb.connect()
        .execute(
            f"SELECT count(*), count(DISTINCT boat), min(time), any_value(unit) FROM "
            f"read_parquet('{folder}/reading/*/*/*.parquet', hive_partitioning = true)"
        )
        .fetchone()
    )
    assert counted is not None and counted[:2] == (BOATS * PASSAGES * 20, BOATS)
    assert counted[3] == "°C" and counted[2].timestamp() * 1000 == START_TIME


def test_days_written_again_are_replaced_and_other_boats_stay(tmp_path: Path) -> None:
    start = START_TIME - START_TIME % DAY_MS
    path = history_of(tmp_path / "boat.db", [reading(20.0, start + i * DAY_MS // 2) for i in range(6)])
    folder = tmp_path / "fleet"
    folder.mkdir()
    other = folder / "reading" / "boat=other" / "day=2026-05-28"
    other.mkdir(parents=True)
    (other / "part.parquet").write_bytes(b"theirs")
    with History.open(path) as history:
        assert write_days(history, folder).days == 3
        first = {p: p.read_bytes() for p in folder.rglob("*.parquet")}
        # an hour of the second day is that whole day: a part of it would throw the rest away
        again = write_days(history, folder, start=start + DAY_MS + 5, end=start + DAY_MS + 6)
        assert (again.days, again.readings) == (1, 2)
    assert {p: p.read_bytes() for p in folder.rglob("*.parquet")} == first
    assert (other / "part.parquet").read_bytes() == b"theirs"


def test_a_folder_that_takes_nothing_keeps_what_it_has(tmp_path: Path, small_disk: Path) -> None:
    start = START_TIME - START_TIME % DAY_MS
    path = history_of(tmp_path / "boat.db", [reading(20.0, start + i * 1000) for i in range(50)])
    with History.open(path) as history:
        write_days(history, small_disk, boat="one")
        before = {p: p.read_bytes() for p in small_disk.rglob("*.parquet")}
        with (small_disk / "ballast").open("wb", buffering=0) as file, pytest.raises(OSError):
            while True:
                file.write(bytes(4096))
        with pytest.raises(OperationFailed, match="is there room"):
            write_days(history, small_disk, boat="one")
    assert {p: p.read_bytes() for p in small_disk.rglob("*.parquet")} == before
    assert not [p for p in small_disk.rglob("*") if "partial" in p.name]
