"""Closed hours: what comes out is what went in, by every way of asking, before, between and after."""

import random
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from histories import START_TIME, estimate, fault, open_store, put, reading
from lugwatch.keeping import Keeping
from lugwatch.model import JointState, Output, Reading
from lugwatch.store import retention
from lugwatch.store.closing import QUIET_MS
from lugwatch.store.migrations import migrations
from lugwatch.store.queries import Bucket, History
from lugwatch.store.recording import write_recording
from lugwatch.store.runs import HOUR_MS
from lugwatch.store.tending import Tending
from lugwatch.store.writer import Store

HOUR_START = START_TIME // HOUR_MS * HOUR_MS
CHANNELS = ("bar", "air", "alternator")


def rows_of(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def answers(path: Path, out: Path) -> tuple[object, ...]:
    """All that can be asked of readings."""
    spans = ((0, 2 * START_TIME), (HOUR_START + 1234, HOUR_START + HOUR_MS + 777_777))
    with History.open(path) as history:
        write_recording(history, out)
        return (
            out.read_bytes(),
            history.count_readings(),
            (history.data_span(), [history.count_readings(*span) for span in spans]),
            history.latest_readings(),
            [history.series(c, *span, 5000) for c in CHANNELS for span in spans],
            # a few points over many hours are made of rows of hours, so only what they hold is the same
            [held(history.series(c, *span, 7)) for c in CHANNELS for span in spans],
        )


def held(found: list[Bucket]) -> tuple[int, float, float]:
    return (
        sum(b.count for b in found),
        min((b.minimum for b in found), default=0.0),
        max((b.maximum for b in found), default=0.0),
    )


class NoTending(Tending):
    def piece(self, connection: sqlite3.Connection, **_: object) -> bool:
        return False


def without_closing(store: Store) -> None:
    store._tending = NoTending(Keeping())


def close_all(path: Path) -> None:
    """A later boot finds everything over."""
    with open_store(path) as store:
        for _ in range(5):
            put(store, [], time=START_TIME + 400 * HOUR_MS)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.data())
def test_an_export_is_the_same_before_and_after_whatever_the_clock_did(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Jumps forward and back, the same ms twice, several boots, values in steps and in none."""
    folder = tmp_path_factory.mktemp("closing")
    path = folder / "boat.db"
    chance = random.Random(data.draw(st.integers(0, 2**32)))
    time = HOUR_START
    for _ in range(chance.randrange(1, 4)):
        with open_store(path) as store:
            without_closing(store)
            for _ in range(chance.randrange(1, 12)):
                time += chance.choice([0, 5000, 5000, 700_000, -1_900_000, 3 * HOUR_MS])
                batch: list[Output] = []
                for _ in range(chance.randrange(60)):
                    time += chance.choice([0, 5000, 5003])
                    value = chance.choice([chance.randrange(300, 900) / 16, chance.random(), 21.37])
                    batch.append(reading(value, time, chance.choice(CHANNELS)))
                put(store, batch, time=time)
    before = answers(path, folder / "before.csv")
    close_all(path)
    assert rows_of(path, "reading") == 0
    assert answers(path, folder / "after.csv") == before


def fill(store: Store, hours: float, *, every_ms: int = 5000, from_time: int = HOUR_START) -> list[Reading]:
    chance = random.Random(7)
    given_readings = [
        reading(round(chance.gauss(600, 20)) / 16, from_time + i * every_ms, channel)
        for i in range(int(hours * HOUR_MS / every_ms))
        for channel in CHANNELS
    ]
    for first in range(0, len(given_readings), 600):
        part = given_readings[first : first + 600]
        put(store, part, time=part[-1].time)
    return given_readings


def test_an_hour_is_closed_five_minutes_after_it_is_over(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        fill(store, 1.0)
        put(store, [], time=HOUR_START + HOUR_MS + QUIET_MS - 1)
        assert rows_of(path, "reading_block") == 0
        put(store, [], time=HOUR_START + HOUR_MS + QUIET_MS)
        assert rows_of(path, "reading_block") == 3
        assert rows_of(path, "block_times") == 1  # one scan read them all
        assert rows_of(path, "reading") == 0
        # a message of a slow source, long after: a block of its own, in its place
        put(store, [reading(99.0, HOUR_START + 7)], time=HOUR_START + 2 * HOUR_MS)
        put(store, [], time=HOUR_START + 3 * HOUR_MS + QUIET_MS)
        assert rows_of(path, "reading_block") == 4
        assert rows_of(path, "batch") == 1  # nothing refers to the others
    with History.open(path) as history:
        found = history.series("bar", HOUR_START, HOUR_START + 5000)
        assert [b.time - HOUR_START for b in found] == [0, 7, 5000]


def test_rows_of_minute_hour_and_day_say_what_the_readings_say(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    day = 24 * HOUR_MS
    from_time = START_TIME // day * day
    with open_store(path) as store:
        given_readings = fill(store, 3.5, every_ms=60_000 // 7, from_time=from_time)
        put(store, [fault("bad"), fault("worse")], time=from_time + 4 * HOUR_MS)
        put(store, [], time=from_time + day - 1)
        assert rows_of(path, "day") == 0  # not over yet
        put(store, [], time=from_time + day + HOUR_MS)
    with closing(sqlite3.connect(path)) as connection:
        for table, width in (("minute", 60_000), ("hour", HOUR_MS), ("day", day)):
            found = connection.execute(
                f"SELECT channel, time, minimum, mean, maximum, count, faults_count FROM {table}"
                " JOIN channel USING (channel_id) WHERE count > 0"
            ).fetchall()
            groups: dict[tuple[str, int], list[float]] = {}
            for r in given_readings:
                groups.setdefault((r.channel, r.time // width * width), []).append(r.value)
            assert {row[:2] for row in found} == set(groups)
            for channel, time, low, mean, high, count, _ in found:
                values = groups[channel, time]
                assert (low, high, count) == (min(values), max(values), len(values))
                assert mean == pytest.approx(sum(values) / len(values), rel=1e-12)
            faults = connection.execute(f"SELECT sum(faults_count) FROM {table}").fetchone()
            assert faults == (2,)


def test_faults_are_counted_where_nothing_could_be_read(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [fault("dead"), fault("dead"), reading(20.0, channel="air")])
        put(store, [], time=START_TIME + 3 * HOUR_MS)
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute(
            "SELECT channel, minimum, count, faults_count FROM hour JOIN channel USING (channel_id)"
            " ORDER BY channel"
        ).fetchall()
    assert found == [("air", 20.0, 1, 0), ("bar", None, 0, 2)]


# ---- what an older version wrote -------------------------------------------------------------


def of_an_older_version(path: Path, hours: int) -> list[tuple[int, str, float]]:
    """A database as it was before hours were closed, `reading` with an index and no blocks."""
    from sqlite_utils import Database

    from lugwatch.store.migrations import APPLICATION_ID

    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("PRAGMA journal_mode = WAL")
        migrations.apply(Database(connection), stop_before="closed_hours")
        connection.execute(
            f"PRAGMA user_version = {[m.name for m in migrations._migrations].index('closed_hours')}"
        )
        connection.execute("INSERT INTO boat VALUES ('Grey Plover', 'grey-plover')")
        connection.execute("INSERT INTO boot VALUES (1, ?, '0.0.9')", (HOUR_START,))
        connection.executemany(
            "INSERT INTO channel (channel, quantity, name, position) VALUES (?, ?, ?, ?)",
            [(c, "amps" if c == "alternator" else "celsius", c, i) for i, c in enumerate(CHANNELS)],
        )
        chance = random.Random(11)
        written = []
        for number in range(hours * 60):
            time = HOUR_START + number * 60_000
            connection.execute(
                "INSERT INTO batch VALUES (?, 1, ?, ?, ?)", (number + 1, number, time / 1e3, time)
            )
            for i, channel in enumerate(CHANNELS):
                written.append((time, channel, chance.randrange(300, 900) / 16))
                connection.execute(
                    "INSERT INTO reading VALUES (?, ?, ?, 0, ?)", (i + 1, time, number + 1, written[-1][2])
                )
        connection.commit()
    return written


def test_an_older_database_is_read_as_it_is_and_packed_piece_by_piece_while_the_watch_writes(
    tmp_path: Path,
) -> None:
    path = tmp_path / "boat.db"
    written = of_an_older_version(path, 50)
    with History.open(path) as history:  # a page that was updated before the watch
        assert Counter(history.readings()) == Counter(written)
        assert (
            history.count_readings() == len(written) and history.latest_readings()["bar"][0] == written[-1][0]
        )
        assert history.estimates() == []
        before = history.series("bar", 0, 2 * START_TIME, 10)
    now = written[-1][0]
    with open_store(path) as store:
        from lugwatch.store import writer

        left = []
        for number in range(200):
            now += 5000
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(writer, "TENDING_PIECES", 3)
                put(store, [reading(20.0, now)], time=now)
            with closing(sqlite3.connect(path)) as connection:
                is_there = connection.execute(
                    "SELECT 1 FROM sqlite_master WHERE name = 'reading_before'"
                ).fetchall()
            left.append(rows_of(path, "reading_before") if is_there else -1)
            if number % 20 == 0:
                with History.open(path) as history:
                    assert history.count_readings() == len(written) + number + 1
                    old = [entry for entry in history.readings(end=written[-1][0])]
                    assert Counter(old) == Counter(written)
                    after = history.series("bar", 0, written[-1][0], 10)
                    assert min(b.minimum for b in after) == min(b.minimum for b in before)
                    assert max(b.maximum for b in after) == max(b.maximum for b in before)
                    assert sum(b.count for b in after) == sum(b.count for b in before) == 3000
        assert left[0] > 0.9 * len(written)  # one small piece at a time
        assert left[-1] == -1


def test_the_file_grows_no_further_when_what_is_too_much_goes(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    store = open_store(path)
    store._tending.keeping = Keeping(largest_megabytes=1.0)
    time, sizes = HOUR_START, []
    chance = random.Random(3)
    for hour in range(400):
        values = [reading(chance.random(), time + i * 1000, c) for i in range(300) for c in CHANNELS]
        time += HOUR_MS
        put(store, values, time=time + QUIET_MS)
        if hour % 100 == 99:
            store.checkpoint()
            sizes.append(path.stat().st_size)
    store.close()
    assert sizes[-1] < 1.6e6 and sizes[-1] <= 1.05 * sizes[-2]
    with History.open(path) as history:
        span = history.data_span()
        assert span is not None and HOUR_START + 100 * HOUR_MS < span[0] < time - 24 * HOUR_MS
    assert rows_of(path, "hour") == 399 * 3  # for ever; the last hour is not over yet


def test_nothing_goes_for_its_age_while_the_clock_is_not_trusted(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    in_2045 = 2_380_000_000_000
    with open_store(path) as store:
        store._tending.keeping = Keeping(readings_days=30.0, largest_megabytes=0.001)
        store.clock_trusted = False
        given_readings = fill(store, 2.0)
        for _ in range(5):
            put(store, [], time=in_2045)
        with History.open(path) as history:
            assert history.count_readings() == len(given_readings)
        assert rows_of(path, "minute") > 0
        store.clock_trusted = True
        for i in range(5):
            put(store, [], time=in_2045 + i * 61_000)
        with History.open(path) as history:
            assert history.count_readings() == 0


def test_old_estimates_become_one_an_hour_and_every_change_of_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "ESTIMATES_IN_FULL", 100)
    monkeypatch.setattr(retention, "ESTIMATES_A_PIECE", 360)
    path = tmp_path / "boat.db"
    states = [JointState.STEADY] * 200 + [JointState.HOT] * 20 + [JointState.STEADY] * 500
    given_estimates = [
        estimate(HOUR_START + i * 30_000, state=state, rise_kelvin=float(i)) for i, state in enumerate(states)
    ]
    with open_store(path) as store, History.open(path) as history:
        for i in range(0, len(states), 40):
            put(store, given_estimates[i : i + 40], time=HOUR_START + i * 30_000)
            assert history.estimates() == [given_estimates[i + 39]]
        assert rows_of(path, "estimate") < 460
        kept = history.estimate_series("bar", "rise_kelvin", 0, given_estimates[-1].time)
        early = [b.mean for b in kept if b.mean < 300]
        # the first, the last of each hour (119, 239), the change to hot and the change back
        assert early == [0.0, 119.0, 200.0, 220.0, 239.0]
        assert history.estimates(given_estimates[210].time) == [given_estimates[200]]


def test_batches_go_that_nothing_refers_to(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [fault("x"), reading(20.0)])
        fill(store, 30.0)
        put(store, [], time=HOUR_START + 40 * HOUR_MS)
    with open_store(path) as store:
        for i in range(4):
            put(store, [], time=HOUR_START + 41 * HOUR_MS + i * 61_000)
        put(store, [reading(20.0, HOUR_START + 42 * HOUR_MS)], time=HOUR_START + 42 * HOUR_MS)
        for i in range(4):
            put(store, [], time=HOUR_START + 42 * HOUR_MS + i * 61_000)
    with closing(sqlite3.connect(path)) as connection:
        boots = Counter(row[0] for row in connection.execute("SELECT boot_id FROM batch"))
        assert boots[1] == 2  # the one with the fault, and the last
    with History.open(path) as history:
        assert [f.detail for f in history.faults()] == ["x"]
        last = history.last_batch()
        assert last is not None and last[2] == 2
