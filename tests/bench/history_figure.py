"""What the history costs: bytes a reading, bytes written to the card a day, and how long looking back takes.

Readings are the simulator's, through the product's own writer. Beside it, on the same readings, plain rows
with an index. Tools with a Debian package are measured beside it only where they are installed.
"""

import shutil
import sqlite3
import time as machine_time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
from recordings import DAY_MS, START_TIME, Recording, season
from setting import Line, Setting, at_most, note
from watched import boat_of

from lugwatch import learning, pipeline, snapshot
from lugwatch.clock import ManualClock
from lugwatch.keeping import Keeping
from lugwatch.model import AlertChange, Boat, Channel, Output, Quantity, Scan, Tick
from lugwatch.replay import resume
from lugwatch.runner import COMMIT_SECONDS, SNAPSHOT_SECONDS
from lugwatch.store.damage import open_or_begin_anew
from lugwatch.store.queries import History
from lugwatch.store.runs import HOUR_MS
from lugwatch.store.writer import Store

CHANNELS = 24
SCREEN_POINTS = 1000
SEASON_POINTS = 400


def storage(setting: Setting) -> list[Line]:
    """Bytes a reading: 24 channels each 5 s over passages of 5 h, all tables and indexes, and plain rows."""
    passages = setting.pick(14, 2)
    recordings = together(setting, passages)
    boat = boat_with_sister(recordings[0])
    path = setting.run / "storage.db"
    clock = ManualClock(0.0, START_TIME)
    count = 0
    with Store.open(path, clock=clock, boat=boat, version="bench") as store:
        for recording in recordings:
            count += _write_readings(store, recording)
        end = int(recordings[-1].times[-1])
        # two days later: hours are closed, rows of minutes have gone that are older than two days
        for hours in range(1, 49):
            store.write((), monotonic_seconds=(end / 1000) + hours * 3600, time=end + hours * HOUR_MS)
        store.checkpoint()
    with sqlite3.connect(path) as connection:
        pages, free, size = (
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_count", "freelist_count", "page_size")
        )
    used = (pages - free) * size
    plain = _plain_rows(setting.run / "plain.db", recordings)
    lines = [
        at_most(f"a reading, of {count} on {passages} passages", used / count, 1.0, "bytes", 2),
        note("the same as plain rows with an index by channel and time", f"{plain / count:.1f} bytes"),
        note("pages that wait to be used again", f"{free * size / count:.2f} bytes a reading"),
    ]
    if shutil.which("rrdtool") is None and shutil.which("promtool") is None:
        lines.append(note("rrdtool and promtool", "not installed here, not measured"))
    return lines


def wear(setting: Setting) -> list[Line]:
    """Megabytes written to the card a day, by all that a watch writes; counted by the kernel."""
    lines = []
    under_way, anchor = season(setting, 1, 2, 5.0)[:2]
    hours = setting.pick(4, 1)
    for name, recording, limit in (("under way", under_way, 40.0), ("at anchor", anchor, 5.0)):
        rows = min(len(recording.times), round(hours * 720))
        handed, dirtied = _written(setting.run / f"wear-{rows}-{limit:.0f}.db", recording.cut(rows))
        per_day = 24.0 / (rows * 5.0 / 3600.0) / 1e6
        lines += [
            at_most(f"{name}, handed to the file system", handed * per_day, limit, "MB"),
            note(f"{name}, in blocks of 4 KiB that became dirty", f"{dirtied * per_day:.0f} MB"),
        ]
    return lines


def lookback(setting: Setting) -> list[Line]:
    """How long it takes to look back into a year of 24 channels each 5 s, and to start with it."""
    days = setting.pick(365, 60)
    recordings = together(setting, 2)
    boat = boat_with_sister(recordings[0])
    path = setting.run / "year.db"
    long_history(path, boat, recordings[0], days)
    megabytes = path.stat().st_size / 1e6
    start = START_TIME + (days // 2) * DAY_MS
    names = [channel.channel for channel in boat.channels]

    def one_passage() -> None:
        with History.open(path) as history:
            for name in names:
                assert len(history.series(name, start, start + 8 * HOUR_MS, SCREEN_POINTS)) > 500

    def season_overview() -> None:
        with History.open(path) as history:
            history.passages()
            for name in names:
                history.series(name, START_TIME, START_TIME + days * DAY_MS, SEASON_POINTS)

    def begin() -> None:
        clock = ManualClock(0.0, START_TIME + days * DAY_MS)
        store, _ = open_or_begin_anew(path, clock=clock, boat=boat, keeping=Keeping())
        with store:
            resume(boat, store, 0.0, clock.time())
            scan = Scan(values=((names[0], 20.0),), monotonic_seconds=0.0, time=clock.time())
            store.write([scan], monotonic_seconds=0.0, time=clock.time())

    passage, overview, beginning = (best(work) for work in (one_passage, season_overview, begin))
    return [
        note(f"a history of {days} days", f"{megabytes:.0f} MB"),
        at_most("one passage of 8 h, all channels", 1000 * passage[0], 50.0, "ms", 0),
        at_most("the whole season, all channels", 1000 * overview[0], 150.0, "ms", 0),
        at_most("from opening to the first reading written", beginning[0], 2.0, "s", 2),
        note(
            "the first two, time of the processor alone",
            f"{1000 * passage[1]:.0f} and {1000 * overview[1]:.0f} ms",
        ),
    ]


# ---- inside ----------------------------------------------------------------------------------


def together(setting: Setting, passages: int) -> list[Recording]:
    """Passages of one boat, with channels of her sister beside them to make 24."""
    first, second = (season(setting, seed, passages, 5.0)[::2] for seed in (1, 2))
    together = []
    for whole, other in zip(first, second, strict=True):
        rows, more = min(len(whole.times), len(other.times)), CHANNELS - len(whole.channels)
        mine, hers = whole.cut(rows), other.cut(rows)
        together.append(
            Recording(
                **{name: getattr(mine, name) for name in mine.__slots__}
                | {
                    "channels": (*mine.channels, *(f"sister_{name}" for name in hers.channels[:more])),
                    "values": np.concatenate([mine.values, hers.values[:, :more]], axis=1),
                }
            )
        )
    return together


def boat_with_sister(recording: Recording) -> Boat:
    boat = boat_of(1)
    known = {channel.channel for channel in boat.channels}
    sisters = tuple(
        Channel(channel=name, quantity=Quantity.CELSIUS, name=name, source="onewire")
        for name in recording.channels
        if name not in known
    )
    return Boat(
        name=boat.name,
        slug=boat.slug,
        channels=(*boat.channels, *sisters),
        joints=boat.joints,
        watching=boat.watching,
    )


def scans_of(recording: Recording) -> list[Scan]:
    return [
        Scan(
            values=tuple((c, v) for c, v in zip(recording.channels, row.tolist(), strict=True) if v == v),
            monotonic_seconds=time / 1000.0,
            time=time,
        )
        for time, row in zip(recording.times.tolist(), recording.values, strict=True)
    ]


def _write_readings(store: Store, recording: Recording) -> int:
    scans = scans_of(recording)
    for first in range(0, len(scans), 12):
        part = scans[first : first + 12]
        store.write(part, monotonic_seconds=part[-1].monotonic_seconds, time=part[-1].time)
    return sum(len(scan.values) for scan in scans)


def _plain_rows(path: Path, recordings: list[Recording]) -> int:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE reading (channel INTEGER, time INTEGER, value REAL)")
        connection.execute("CREATE INDEX by_channel ON reading (channel, time)")
        places = {name: i for i, name in enumerate(recordings[0].channels)}
        for recording in recordings:
            connection.executemany(
                "INSERT INTO reading VALUES (?, ?, ?)",
                ((places[c], scan.time, v) for scan in scans_of(recording) for c, v in scan.values),
            )
    return path.stat().st_size


def _counted() -> tuple[int, int]:
    """Bytes handed to write calls, and of pages that became dirty: proc(5), /proc/pid/io."""
    text = Path("/proc/self/io").read_text(encoding="ascii")
    found = dict(line.split(": ") for line in text.splitlines())
    return int(found["wchar"]), int(found["write_bytes"])


def _written(path: Path, recording: Recording) -> tuple[int, int]:
    """A watch over a recording, at the rhythm of the runner; bytes written, counted twice."""
    boat = boat_of(recording.boat_seed)
    begin = int(recording.times[0])
    clock = ManualClock(begin / 1000.0, begin)
    store = Store.open(path, clock=clock, boat=boat, version="bench")
    state = resume(boat, store, begin / 1000.0, begin)
    outputs: list[Output] = []
    committed = saved = begin / 1000.0
    before = _counted()
    for scan in scans_of(recording):
        now = scan.monotonic_seconds
        clock.advance(now - clock.monotonic_seconds())
        for event in (scan, Tick(monotonic_seconds=now, time=scan.time)):
            state, told = pipeline.step(state, event)
            outputs += [output for output in told if not isinstance(output, learning.Request)]
        if now - committed >= COMMIT_SECONDS or any(isinstance(o, AlertChange) for o in outputs):
            text = None
            if now - saved >= SNAPSHOT_SECONDS:
                text, saved = snapshot.to_text(state, now, scan.time), now
            store.write(outputs, monotonic_seconds=now, time=scan.time, snapshot=text)
            outputs, committed = [], now
    store.checkpoint()
    after = _counted()
    store.close()
    return after[0] - before[0], after[1] - before[1]


def long_history(path: Path, boat: Boat, recording: Recording, days: int) -> None:
    """A day of packed hours by the product's own hand, and the same day again and again beside it."""
    with Store.open(path, clock=ManualClock(0.0, START_TIME), boat=boat, version="bench") as store:
        for start in range(0, 24 * 720, len(recording.times)):
            part = recording.cut(min(len(recording.times), 24 * 720 - start))
            shift = start * 5000 + START_TIME - int(part.times[0])
            moved = [
                Scan(values=s.values, monotonic_seconds=(s.time + shift) / 1000, time=s.time + shift)
                for s in scans_of(part)
            ]
            for first in range(0, len(moved), 12):
                batch = moved[first : first + 12]
                store.write(batch, monotonic_seconds=batch[-1].monotonic_seconds, time=batch[-1].time)
        store.write((), monotonic_seconds=1e10, time=START_TIME + 3 * DAY_MS)
    # closed, so that it is all in the file: else each look would first read a log of a hundred megabytes,
    # which a watch never lets grow so far
    with closing(sqlite3.connect(path)) as connection, connection:
        for day in range(1, days):
            shift = day * DAY_MS
            connection.execute(
                "INSERT INTO reading_block (channel_id, boot_id, first_batch, last_batch, start_time,"
                " end_time, readings_count, times_id, body)"
                " SELECT channel_id, boot_id, first_batch + ?, last_batch + ?, start_time + ?,"
                " end_time + ?, readings_count, times_id, body FROM reading_block"
                " WHERE start_time < ?",
                (day * 20_000, day * 20_000, shift, shift, START_TIME + DAY_MS),
            )
            for table in ("hour", "day"):
                connection.execute(
                    f"INSERT OR IGNORE INTO {table} SELECT channel_id, time + ?, minimum, mean, maximum,"
                    f" count, faults_count FROM {table} WHERE time < ?",
                    (shift, START_TIME + DAY_MS),
                )


def best(work: Callable[[], None]) -> tuple[float, float]:
    """Seconds by the clock and of the processor, each the least of fifteen: not what else the machine did."""
    clocks, processors = [], []
    for _ in range(15):
        begin, begun = machine_time.perf_counter(), machine_time.process_time()
        work()
        clocks.append(machine_time.perf_counter() - begin)
        processors.append(machine_time.process_time() - begun)
    return min(clocks), min(processors)
