"""Bytes a reading and looking back, beside plain SQLite rows, RRD files and Prometheus' blocks.

All hold the same readings: 24 channels each 5 s for as many days, one day of the simulator again and again.
The picture is the page's: for each channel least, mean and most in as many columns as a screen has. All is
asked over loopback or from files that the kernel has in memory; each is the least of several turns. Not here:
programs that run (`report_processes`).
"""

import json
import shutil
import sqlite3
import subprocess
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from pathlib import Path

import history_figure
import numpy as np
from recordings import DAY_MS, START_TIME, Recording
from report_processes import PATIENCE_SECONDS, Program, answers, ended, prometheus_over, started
from report_text import Table, figure, missing
from setting import Setting

from lugwatch.simulator.plant import Floats
from lugwatch.store.queries import History

ROWS_A_DAY = 17_280
STEP_SECONDS = 5
PASSAGE_HOURS = 8
TURNS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """From when to when [s since 1970], in how many columns."""

    start: int
    end: int
    columns: int

    @property
    def step_seconds(self) -> int:
        """Of a column, whole readings."""
        return -(-(self.end - self.start) // self.columns // STEP_SECONDS) * STEP_SECONDS


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What one of them makes of it; None: its tool is not here."""

    bytes_a_reading: float
    passage_seconds: float
    season_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """One day, to be told again each day."""

    names: tuple[str, ...]
    values: Floats  # rows × channels, whole: no reading is missing
    days: int

    @property
    def count(self) -> int:
        return self.values.size * self.days

    def rows(self, day: int) -> Iterator[tuple[int, list[float]]]:
        """Time [s] and values."""
        first = START_TIME // 1000 + day * DAY_MS // 1000
        for row, values in enumerate(self.values.tolist()):
            yield first + row * STEP_SECONDS, values


def storage(setting: Setting) -> Table:
    """Everything one after the other."""
    days = setting.pick(40, 3)
    recording = history_figure.together(setting, 2)[0]
    day = np.arange(ROWS_A_DAY) % len(recording.values)
    filled = _without_holes(recording.values)
    readings = Readings(names=recording.channels, values=filled[day], days=days)
    middle = START_TIME // 1000 + (days // 2) * DAY_MS // 1000
    passage = Picture(start=middle, end=middle + PASSAGE_HOURS * 3600, columns=history_figure.SCREEN_POINTS)
    begin = START_TIME // 1000
    season = Picture(
        start=begin,
        end=begin + days * DAY_MS // 1000,
        # of three hours: whole ones, and so many that rows of hours serve
        columns=min(history_figure.SEASON_POINTS, days * 8),
    )
    notes = [
        f"{readings.count / 1e6:.1f} million readings of {days} days. Passage: {PASSAGE_HOURS} h from the"
        f" middle, all {len(readings.names)} channels, {passage.columns} columns; season: all of it in"
        f" {season.columns} columns. Least, mean and most of each column; least of {TURNS} turns. lugwatch:"
        " opened anew each time, as objects of Python. Rows: SQL that groups, an index by channel and time."
        " RRD: one average each 5 s kept in full, hours of least, mean and most; `rrdtool xport`, its start"
        " included. Prometheus: three range queries.",
        "RRD keeps 8 bytes for each step, whether there was a reading or not, and only at the steps it was"
        " made for; Prometheus answers PromQL on any label. lugwatch's bytes hold its rows of hours and days"
        " and its indexes, and no estimates or alerts.",
    ]
    ours = _lugwatch(setting.run, recording, readings, passage, season)
    plain = _plain(setting.run / "rows.db", readings, passage, season)
    rrd = prometheus = None
    if shutil.which("rrdtool") is None:
        notes.append(missing("rrdtool", "rrdtool"))
    else:
        rrd = _rrd(setting.run / "rrd", readings, passage, season)
    if shutil.which("promtool") is None or shutil.which("prometheus") is None:
        notes.append(missing("promtool", "prometheus"))
    else:
        prometheus = _prometheus(setting.run / "blocks", readings, passage, season)
    return _table(ours, (plain, rrd, prometheus), notes)


def _table(ours: Kept, others: tuple[Kept | None, ...], notes: list[str]) -> Table:
    def row(what: str, unit: str, digits: int, value: Callable[[Kept], float]) -> tuple[str, ...]:
        return (
            what,
            figure(value(ours), unit, digits),
            *(
                figure(None if other is None else value(other), unit, digits, ours=value(ours))
                for other in others
            ),
        )

    return Table(
        title="The same readings kept, and asked for again",
        columns=("", "lugwatch", "SQLite, a row a reading", "RRD files", "Prometheus"),
        rows=[
            row("a reading, all in", "bytes", 2, lambda k: k.bytes_a_reading),
            row("one passage", "ms", 0, lambda k: 1000.0 * k.passage_seconds),
            row("the season", "ms", 0, lambda k: 1000.0 * k.season_seconds),
        ],
        notes=notes,
    )


def _without_holes(values: Floats) -> Floats:
    """A channel's missing readings take its value before: the tools count holes differently."""
    filled = values.copy()
    for row in range(1, len(filled)):
        holes = np.isnan(filled[row])
        filled[row, holes] = filled[row - 1, holes]
    filled[np.isnan(filled)] = 0.0
    return filled


def _least(work: Callable[[], object]) -> float:
    """Seconds by the clock: others work in processes of their own."""
    found = []
    for _ in range(TURNS):
        begin = time.perf_counter()
        work()
        found.append(time.perf_counter() - begin)
    return min(found)


# ---- each of them ----------------------------------------------------------------------------


def _lugwatch(run: Path, recording: Recording, readings: Readings, passage: Picture, season: Picture) -> Kept:
    path = run / "lugwatch.db"
    boat = history_figure.boat_with_sister(recording)
    whole = replace(recording, values=_without_holes(recording.values))
    history_figure.long_history(path, boat, whole, readings.days)

    def look(picture: Picture) -> None:
        with History.open(path) as history:
            for name in readings.names:
                found = history.series(name, picture.start * 1000, picture.end * 1000, picture.columns)
                assert len(found) > 0.9 * min(picture.columns, readings.days * 24)

    with closing(sqlite3.connect(path)) as connection:
        pages, free, size = (
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_count", "freelist_count", "page_size")
        )
        (count,) = connection.execute("SELECT sum(readings_count) FROM reading_block").fetchone()
    assert count == readings.count
    return Kept(
        bytes_a_reading=(pages - free) * size / readings.count,
        passage_seconds=_least(lambda: look(passage)),
        season_seconds=_least(lambda: look(season)),
    )


def _plain(path: Path, readings: Readings, passage: Picture, season: Picture) -> Kept:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("CREATE TABLE reading (channel INTEGER, time INTEGER, value REAL)")
        connection.execute("CREATE INDEX by_channel ON reading (channel, time)")
        for day in range(readings.days):
            connection.executemany(
                "INSERT INTO reading VALUES (?, ?, ?)",
                (
                    (channel, seconds * 1000, value)
                    for seconds, values in readings.rows(day)
                    for channel, value in enumerate(values)
                ),
            )

    def look(picture: Picture) -> None:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
            for channel in range(len(readings.names)):
                found = connection.execute(
                    "SELECT min(time), min(value), avg(value), max(value), count(*) FROM reading"
                    " WHERE channel = ? AND time BETWEEN ? AND ? GROUP BY (time - ?) / ?",
                    (
                        *(channel, picture.start * 1000, picture.end * 1000, picture.start * 1000),
                        picture.step_seconds * 1000,
                    ),
                ).fetchall()
                assert len(found) > 0.9 * picture.columns

    return Kept(
        bytes_a_reading=path.stat().st_size / readings.count,
        passage_seconds=_least(lambda: look(passage)),
        season_seconds=_least(lambda: look(season)),
    )


def _rrd(folder: Path, readings: Readings, passage: Picture, season: Picture) -> Kept:
    folder.mkdir()
    first, hours = START_TIME // 1000 - STEP_SECONDS, readings.days * 24
    words = [f"RRA:AVERAGE:0.5:1:{readings.days * ROWS_A_DAY}"]
    words += [f"RRA:{kind}:0.5:{3600 // STEP_SECONDS}:{hours}" for kind in ("MIN", "AVERAGE", "MAX")]
    lines = [
        f"create {n}.rrd --start {first} --step {STEP_SECONDS} DS:v:GAUGE:10:U:U {' '.join(words)}\n"
        for n in range(len(readings.names))
    ]
    with subprocess.Popen(
        ["rrdtool", "-"], cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
    ) as tool:
        assert tool.stdin is not None
        tool.stdin.writelines(lines)
        for day in range(readings.days):
            rows = list(readings.rows(day))
            for begin in range(0, len(rows), 240):
                part = rows[begin : begin + 240]
                for n in range(len(readings.names)):
                    said = " ".join(f"{seconds}:{values[n]!r}" for seconds, values in part)
                    tool.stdin.write(f"update {n}.rrd {said}\n")

    def look(picture: Picture, *, hourly: bool) -> None:
        words = ["rrdtool", "xport", "--json", "--start", str(picture.start), "--end", str(picture.end)]
        words += ["--step", str(picture.step_seconds), "--maxrows", str(picture.columns + 10)]
        for n in range(len(readings.names)):
            for kind in ("MIN", "AVERAGE", "MAX"):
                kept = kind if hourly else "AVERAGE"
                name = f"{kind.lower()}{n}"
                words.append(f"DEF:{name}={n}.rrd:v:{kept}:step={picture.step_seconds}:reduce={kind}")
                words.append(f"XPORT:{name}:{name}")
        told = json.loads(subprocess.run(words, cwd=folder, capture_output=True, check=True).stdout)
        known = sum(row[1] is not None for row in told["data"])
        assert known > 0.9 * picture.columns, f"{known} of {picture.columns}"

    return Kept(
        bytes_a_reading=sum(p.stat().st_size for p in folder.glob("*.rrd")) / readings.count,
        passage_seconds=_least(lambda: look(passage, hourly=False)),
        season_seconds=_least(lambda: look(season, hourly=True)),
    )


def _prometheus(folder: Path, readings: Readings, passage: Picture, season: Picture) -> Kept:
    """Blocks by promtool, a day at a time, since it reads its file once for each block of two hours."""
    folder.mkdir()
    data = folder / "data"
    text = folder / "day.txt"
    for day in range(readings.days):
        with text.open("w", encoding="utf-8") as file:
            file.write("# TYPE bench_reading gauge\n")
            for seconds, values in readings.rows(day):
                file.writelines(
                    f'bench_reading{{channel="{name}"}} {value!r} {seconds}\n'
                    for name, value in zip(readings.names, values, strict=True)
                )
            file.write("# EOF\n")
        subprocess.run(
            ["promtool", "tsdb", "create-blocks-from", "openmetrics", "--quiet", str(text), str(data)],
            check=True,
            capture_output=True,
        )
    kept = sum(path.stat().st_size for path in data.rglob("*") if path.is_file())
    with ExitStack() as stack:
        log = stack.enter_context((folder / "log").open("wb"))

        def start(_name: str, *words: str, ready: Callable[[], object]) -> Program:
            process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
            stack.callback(ended, process)
            begun = time.monotonic()
            while not ready():
                if process.poll() is not None or time.monotonic() - begun > PATIENCE_SECONDS:
                    raise RuntimeError(f"prometheus did not start, see {folder / 'log'}")
                time.sleep(0.05)
            return started(process, begun)

        prometheus_over(folder, start)
        port = int((folder / "port").read_text(encoding="ascii"))
        assert answers(port, "/-/ready")

        def look(picture: Picture) -> None:
            for kind in ("min", "avg", "max"):
                words = {
                    "query": f"{kind}_over_time(bench_reading[{picture.step_seconds}s])",
                    "start": str(picture.start + picture.step_seconds),
                    "end": str(picture.end),
                    "step": f"{picture.step_seconds}s",
                }
                address = f"http://127.0.0.1:{port}/api/v1/query_range?{urllib.parse.urlencode(words)}"
                with urllib.request.urlopen(address, timeout=PATIENCE_SECONDS) as answer:
                    told = json.loads(answer.read())["data"]["result"]
                assert len(told) == len(readings.names)
                assert len(told[0]["values"]) > 0.9 * picture.columns

        return Kept(
            bytes_a_reading=kept / readings.count,
            passage_seconds=_least(lambda: look(passage)),
            season_seconds=_least(lambda: look(season)),
        )
