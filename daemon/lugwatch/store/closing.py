"""Closing hours: readings that came are packed; rows of `minute`, `hour` and `day` are worked out of them.

One piece a call: an hour of one boot, or the rows of one hour, so that a commit never waits long for it.
What an older version wrote is packed by the same hand. All within the caller's transaction: a cut leaves
an hour in its batches or as blocks, never as both. Not here: when to call, what is thrown away (`retention`).
May import: blocks, decode, errors, runs.
"""

import sqlite3
from collections.abc import Iterable, Sequence

import numpy as np

from lugwatch.store.blocks import BlockDamaged, Int, pack_times, pack_values
from lugwatch.store.decode import batch_readings
from lugwatch.store.errors import damage
from lugwatch.store.runs import HOUR_MS, LONGEST_BLOCK_MS, OPEN, Fetch, Run, runs

MINUTE_MS = 60_000
DAY_MS = 86_400_000
# An hour is closed when the label has stood in another one for so long: late readings still come as rows.
QUIET_MS = 300_000
# A boat with thirty channels each second has 108,000 readings an hour.
READINGS_A_PIECE = 50_000

Came = tuple[int, int, int, float]  # channel, time [ms], batch, value


def close_one(connection: sqlite3.Connection, boot_id: int, time: int) -> bool:
    """Pack one hour if one is over; True if one was. boot_id, time [ms]: of the batch written last."""
    return _close_batches(connection, boot_id, time) or _close_before(connection)


def _close_batches(connection: sqlite3.Connection, boot_id: int, time: int) -> bool:
    """The oldest batches of one boot and one hour by their own times."""
    first = connection.execute(
        f"SELECT time, boot_id, batch_id FROM batch WHERE {OPEN} ORDER BY batch_id LIMIT 1"
    ).fetchone()
    if first is None:
        return False
    hour, boot = first[0] // HOUR_MS, first[1]
    if boot == boot_id and hour * HOUR_MS <= time < (hour + 1) * HOUR_MS + QUIET_MS:
        return False
    found: list[Came] = []
    batches: list[tuple[int]] = []
    for batch, when, text, its_boot in connection.execute(
        f"SELECT batch_id, time, readings, boot_id FROM batch WHERE {OPEN} ORDER BY batch_id"
    ):
        if its_boot != boot or when // HOUR_MS != hour or len(found) >= READINGS_A_PIECE:
            break
        try:
            came = batch_readings(when, text)
        except BlockDamaged as error:
            raise damage(str(error)) from error
        found += [(channel, at, batch, value) for channel, at, value in came]
        batches.append((batch,))
    _pack(connection, boot, found)
    connection.executemany("UPDATE batch SET readings = NULL WHERE batch_id = ?", batches)
    connection.execute("UPDATE closed_until SET batch_id = ?", batches[-1])
    drop_batches(connection, batches[0][0], batches[-1][0])
    note_due(connection, [at for _, at, _, _ in found])
    return True


def drop_batches(connection: sqlite3.Connection, first: int, last: int) -> None:
    """Of these batches without readings those that nothing refers to; the last of a boot stays."""
    connection.execute(
        "DELETE FROM batch WHERE batch_id BETWEEN ? AND ? AND readings IS NULL"
        " AND batch_id NOT IN (SELECT batch_id FROM fault)"
        " AND batch_id NOT IN (SELECT batch_id FROM snapshot)"
        " AND batch_id NOT IN (SELECT batch_id FROM alert_change)"
        " AND boot_id = (SELECT boot_id FROM batch AS next WHERE next.batch_id > batch.batch_id"
        "  ORDER BY next.batch_id LIMIT 1)",
        (first, last),
    )


def _close_before(connection: sqlite3.Connection) -> bool:
    """The oldest hour that an older version wrote. The table goes when it is empty."""
    if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'reading_before'").fetchall():
        return False
    channels = [row[0] for row in connection.execute("SELECT channel_id FROM channel")]
    firsts = [
        (row[0], channel)
        for channel in channels
        for row in connection.execute("SELECT min(time) FROM reading_before WHERE channel_id = ?", (channel,))
        if row[0] is not None
    ]
    if not firsts:
        connection.execute("DROP TABLE reading_before")
        return True
    hour = min(firsts)[0] // HOUR_MS * HOUR_MS
    by_boot: dict[int, list[Came]] = {}
    for channel in sorted(channel for first, channel in firsts if first < hour + HOUR_MS):
        for row in connection.execute(
            "SELECT channel_id, reading_before.time, batch_id, value, boot_id"
            " FROM reading_before JOIN batch USING (batch_id)"
            " WHERE channel_id = ? AND reading_before.time >= ? AND reading_before.time < ?"
            " ORDER BY batch_id, reading_before.time, nth",
            (channel, hour, hour + HOUR_MS),
        ):
            by_boot.setdefault(row[4], []).append((row[0], row[1], row[2], row[3]))
    for boot, found in by_boot.items():
        _pack(connection, boot, found)
    connection.executemany(
        "DELETE FROM reading_before WHERE channel_id = ? AND time >= ? AND time < ?",
        [(channel, hour, hour + HOUR_MS) for _, channel in firsts],
    )
    note_due(connection, [hour])
    return True


def _pack(connection: sqlite3.Connection, boot: int, found: Sequence[Came]) -> None:
    """A block for each channel, in the order in which its readings came."""
    by_channel: dict[tuple[int, int], list[Came]] = {}
    for came in found:
        by_channel.setdefault((came[0], 0), []).append(came)
    for key, together in list(by_channel.items()):
        times = [came[1] for came in together]
        if max(times) - min(times) >= LONGEST_BLOCK_MS:  # a batch of a replay, a clock that was set
            del by_channel[key]
            for came in together:
                by_channel.setdefault((came[0], came[1] // HOUR_MS), []).append(came)
    shared: dict[tuple[int, bytes], int] = {}
    for (channel, _), together in sorted(by_channel.items()):
        times = [came[1] for came in together]
        start = min(times)
        packed = pack_times(times, start)
        if (start, packed) not in shared:
            cursor = connection.execute("INSERT INTO block_times (body) VALUES (?)", (packed,))
            assert cursor.lastrowid is not None
            shared[start, packed] = cursor.lastrowid
        connection.execute(
            "INSERT INTO reading_block (channel_id, boot_id, first_batch, last_batch, start_time, end_time,"
            " readings_count, times_id, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                *(channel, boot, together[0][2], together[-1][2], start, max(times), len(together)),
                *(shared[start, packed], pack_values([came[3] for came in together])),
            ),
        )


def note_due(connection: sqlite3.Connection, times: Iterable[int]) -> None:
    """The hours that these times [ms] are in have to be worked out, once they are over."""
    connection.executemany(
        "INSERT OR IGNORE INTO rollup_due (span, time) VALUES ('hour', ?)",
        [(hour * HOUR_MS,) for hour in sorted({time // HOUR_MS for time in times})],
    )


# ---- rows for everybody who reads SQL --------------------------------------------------------


def roll_up_one(connection: sqlite3.Connection, fetch: Fetch, time: int, minutes_from: int) -> bool:
    """Work out one hour, or one day that is over, if one is due; True if one was.

    time [ms]: of the batch written last. minutes_from [ms]: rows of `minute` are made from then on.
    """
    due = connection.execute(
        "SELECT time FROM rollup_due WHERE span = 'hour' AND NOT (time <= ? AND ? < time + ?) LIMIT 1",
        (time, time, HOUR_MS + QUIET_MS),
    ).fetchone()
    if due is not None:
        hour = int(due[0])
        _roll_up_hour(connection, fetch, hour, minutes=hour >= minutes_from)
        connection.execute("DELETE FROM rollup_due WHERE span = 'hour' AND time = ?", (hour,))
        day = hour // DAY_MS * DAY_MS
        connection.execute("INSERT OR IGNORE INTO rollup_due (span, time) VALUES ('day', ?)", (day,))
        return True
    today = time // DAY_MS * DAY_MS
    due = connection.execute(
        "SELECT time FROM rollup_due WHERE span = 'day' AND time != ? LIMIT 1", (today,)
    ).fetchone()
    if due is None:
        return False
    _roll_up_day(connection, int(due[0]))
    connection.execute("DELETE FROM rollup_due WHERE span = 'day' AND time = ?", (due[0],))
    return True


def _roll_up_hour(connection: sqlite3.Connection, fetch: Fetch, hour: int, *, minutes: bool) -> None:
    """From the blocks alone: what is not packed yet is counted as readings by whoever asks (`series`)."""
    named = {row[1]: row[0] for row in connection.execute("SELECT channel_id, channel FROM channel")}
    faults: dict[int, list[int]] = {}
    for channel, time in connection.execute(
        "SELECT channel, time FROM fault WHERE time >= ? AND time < ? AND channel IS NOT NULL",
        (hour, hour + HOUR_MS),
    ):
        if channel in named:
            faults.setdefault(named[channel], []).append(time)
    try:
        found = runs(fetch, list(named.values()), hour, hour + HOUR_MS - 1, packed_only=True)
    except BlockDamaged:
        return  # its rows stay as they were; whoever asks for the readings is told
    for channel in named.values():
        connection.execute("DELETE FROM hour WHERE channel_id = ? AND time = ?", (channel, hour))
    connection.execute("DELETE FROM minute WHERE time >= ? AND time < ?", (hour, hour + HOUR_MS))
    for channel in sorted({*found, *faults}):
        run = found.get(channel)
        failed = np.array(faults.get(channel, []), np.int64)
        _insert(connection, "hour", _rolled(channel, run, failed, HOUR_MS))
        if minutes:
            _insert(connection, "minute", _rolled(channel, run, failed, MINUTE_MS))


def _rolled(channel: int, run: Run | None, failed: Int, width: int) -> list[tuple[object, ...]]:
    """Rows (channel, time, minimum, mean, maximum, count, faults) of each stretch of `width` ms with any."""
    faults = dict(
        zip(*(part.tolist() for part in np.unique(failed // width, return_counts=True)), strict=True)
    )
    rows: list[tuple[object, ...]] = []
    if run is not None:
        stretch = run.times // width
        starts = np.flatnonzero(np.diff(stretch, prepend=stretch[0] - 1))
        count = np.diff(np.append(starts, len(stretch)))
        low, high = np.minimum.reduceat(run.values, starts), np.maximum.reduceat(run.values, starts)
        # a mean of equal values must not lie a last bit outside them
        mean = np.clip(np.add.reduceat(run.values, starts) / count, low, high)
        columns = (stretch[starts].tolist(), low.tolist(), mean.tolist(), high.tolist(), count.tolist())
        rows += [(channel, at * width, *row, faults.pop(at, 0)) for at, *row in zip(*columns, strict=True)]
    return rows + [(channel, at * width, None, None, None, 0, many) for at, many in faults.items()]


def _roll_up_day(connection: sqlite3.Connection, day: int) -> None:
    for (channel,) in connection.execute("SELECT channel_id FROM channel").fetchall():
        connection.execute("DELETE FROM day WHERE channel_id = ? AND time = ?", (channel, day))
        connection.execute(
            "INSERT INTO day SELECT channel_id, ?, min(minimum), sum(mean * count) / sum(count),"
            " max(maximum), sum(count), sum(faults_count) FROM hour"
            " WHERE channel_id = ? AND time >= ? AND time < ?"
            " GROUP BY channel_id",
            (day, channel, day, day + DAY_MS),
        )


def _insert(connection: sqlite3.Connection, table: str, rows: Iterable[tuple[object, ...]]) -> None:
    connection.executemany(f"INSERT INTO {table} VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
