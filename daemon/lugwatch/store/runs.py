"""Readings between two times, from rows and packed hours as one: whether an hour is closed shows nowhere.

Where readings are: those of the last hour or two stand in their batch; `reading_block` holds closed hours;
`reading_before` what an older version wrote and is not packed yet. A reading is in exactly one of them at
any moment, so what belongs together is read in one `moment`. Not here: buckets (`series`), packing
(`closing`). May import: blocks, decode.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple, Protocol

import numpy as np

from lugwatch.store.blocks import Float, Int, unpack_times, unpack_values
from lugwatch.store.decode import batch_readings

HOUR_MS = 3_600_000
FIRST_TIME = -(2**62)
LAST_TIME = 2**62
# No block is longer: an hour by the times of its batches, and what these brought from before.
LONGEST_BLOCK_MS = 2 * HOUR_MS
OPEN = "batch_id > (SELECT batch_id FROM closed_until) AND readings IS NOT NULL"
# Batches that hold the newest reading of every channel, unless one is silent.
_NEWEST_BATCHES = 20


OpenReading = tuple[int, int, int, float]
Part = tuple[Int, Int | np.int64, Float]  # times [ms], batches or the one of all, values


@dataclass(slots=True)
class Kept:
    """Open readings as they were read last."""

    begin: tuple[int, int] | None = None  # the first open batch and its time
    until: int = 0  # the last batch that was read
    readings: list[OpenReading] = field(default_factory=list)
    places: "Places | None" = None


class Fetch(Protocol):
    """Whole results of a query; `moment`: all queries within see the database as it was at one moment."""

    kept: Kept

    def __call__(self, sql: str, *parameters: object) -> list[sqlite3.Row]: ...
    def moment(self) -> AbstractContextManager[None]: ...


class Look:
    """`Fetch` over one connection. Raises sqlite3.Error."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.kept = Kept()

    def __call__(self, sql: str, *parameters: object) -> list[sqlite3.Row]:
        return self._connection.execute(sql, parameters).fetchall()

    @contextmanager
    def moment(self) -> Iterator[None]:
        """Short: while it lasts the writer's log is not cut back. One within another is the outer one."""
        outermost = not self._connection.in_transaction
        if outermost:
            self("BEGIN")
        try:
            yield
        finally:
            if outermost and self._connection.in_transaction:
                self._connection.execute("COMMIT")


class Run(NamedTuple):
    """Readings of one channel in time order, those of one ms in the order in which they came."""

    times: Int  # ms
    values: Float


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Which of the three places this database has: an older version's has rows in `reading` alone."""

    packed: bool
    before: str | None  # the table with an index by channel and time


def places(fetch: Fetch) -> Places:
    if fetch.kept.places is None or fetch.kept.places.before is not None:
        # once all is packed it stays so
        fetch.kept.places = _places(fetch)
    return fetch.kept.places


def _places(fetch: Fetch) -> Places:
    names = {
        row[0]
        for row in fetch(
            "SELECT name FROM sqlite_master WHERE type = 'table'"
            " AND name IN ('reading_block', 'reading_before')"
        )
    }
    if "reading_block" not in names:
        return Places(packed=False, before="reading")
    return Places(packed=True, before="reading_before" if "reading_before" in names else None)


def channel_ids(fetch: Fetch) -> dict[int, str]:
    return {int(row[0]): str(row[1]) for row in fetch("SELECT channel_id, channel FROM channel")}


def runs(
    fetch: Fetch, channels: Sequence[int], first: int, last: int, *, packed_only: bool = False
) -> dict[int, Run]:
    """Readings with first ≤ time ≤ last [ms] of each channel; channels without any are absent."""
    with fetch.moment():
        found = Places(packed=True, before=None) if packed_only else places(fetch)
        parts: dict[int, list[Part]] = {channel: [] for channel in channels}
        for channel in channels:
            if found.packed:
                parts[channel] += _of_blocks(fetch, channel, first, last)
            if found.before is not None:
                parts[channel] += _of_before(fetch, found.before, channel, first, last)
        if found.packed and not packed_only:
            for channel, part in _of_batches(fetch, channels, first, last).items():
                parts[channel].append(part)
    return {channel: _in_order(part) for channel, part in parts.items() if part}


def _of_blocks(fetch: Fetch, channel: int, first: int, last: int) -> list[Part]:
    found = fetch(
        "SELECT first_batch, start_time, end_time, block_times.body AS times, reading_block.body AS body"
        " FROM reading_block JOIN block_times USING (times_id)"
        " WHERE channel_id = ? AND start_time > ? AND start_time <= ? AND end_time >= ?",
        channel,
        first - LONGEST_BLOCK_MS,
        last,
        first,
    )
    parts: list[Part] = []
    for batch, start, end, packed_times, body in found:
        times, values = start + _since(packed_times), unpack_values(body)
        if start < first or end > last:
            inside = (times >= first) & (times <= last)
            times, values = times[inside], values[inside]
        parts.append((times, np.int64(batch), values))
    return parts


@lru_cache(maxsize=64)
def _since(packed: bytes) -> Int:
    """Times [ms] to the block's start: the same for all channels of a scan, so mostly known already."""
    return unpack_times(packed, 0)


def _of_before(fetch: Fetch, table: str, channel: int, first: int, last: int) -> list[Part]:
    found = fetch(
        f"SELECT time, batch_id, value FROM {table} WHERE channel_id = ? AND time BETWEEN ? AND ?"
        " ORDER BY time, batch_id, nth",
        channel,
        first,
        last,
    )
    return [_columns(found)] if found else []


def open_readings(fetch: Fetch) -> list[OpenReading]:
    """Batch, channel, time [ms] and value of each reading that is not packed yet, in the order they came.

    What was read of it before is kept: a page asks for each channel in turn.
    """
    kept = fetch.kept
    found = fetch(f"SELECT batch_id, time FROM batch WHERE {OPEN} ORDER BY batch_id LIMIT 1")
    begin = (found[0][0], found[0][1]) if found else None
    if begin != kept.begin:  # an hour was closed, or labels were moved
        kept.begin, kept.until, kept.readings = begin, 0, []
    for batch, time, text in fetch(
        f"SELECT batch_id, time, readings FROM batch WHERE {OPEN} AND batch_id > ? ORDER BY batch_id",
        kept.until,
    ):
        kept.readings += [(batch, *reading) for reading in batch_readings(time, text)]
        kept.until = batch
    return kept.readings


def _of_batches(fetch: Fetch, channels: Sequence[int], first: int, last: int) -> dict[int, Part]:
    by_channel: dict[int, list[tuple[int, int, float]]] = {channel: [] for channel in channels}
    for batch, channel, time, value in open_readings(fetch):
        if first <= time <= last and channel in by_channel:
            by_channel[channel].append((time, batch, value))
    return {channel: _columns(found) for channel, found in by_channel.items() if found}


def _columns(found: Sequence[Sequence[float]]) -> Part:
    times, batches, values = zip(*found, strict=True)
    return np.array(times, np.int64), np.array(batches, np.int64), np.array(values, np.float64)


def _in_order(parts: list[Part]) -> Run:
    """By time, then by batch; within a batch as they came, since that is how each part has them."""
    parts.sort(key=lambda part: int(part[0][0]) if len(part[0]) else 0)
    times = np.concatenate([part[0] for part in parts])
    values = np.concatenate([part[2] for part in parts])
    if bool((times[1:] > times[:-1]).all()):
        return Run(times, values)  # as nearly always
    order = np.lexsort((np.concatenate([np.broadcast_to(p[1], len(p[0])) for p in parts]), times))
    return Run(times[order], values[order])


def readings(fetch: Fetch, start: int | None, end: int | None) -> Iterator[tuple[int, str, float]]:
    """Every reading in time order; of one ms first what each channel said first, in the channels' order.

    An hour at a time, each of one moment and nothing left open between: a writer is never held up.
    """
    last = LAST_TIME if end is None else end
    names = channel_ids(fetch)
    at = _next_time(fetch, list(names), FIRST_TIME if start is None else start, last)
    while at is not None:
        until = min((at // HOUR_MS + 1) * HOUR_MS - 1, last)
        for time, channel, value in _of_an_hour(runs(fetch, list(names), at, until)):
            yield time, names[channel], value
        at = _next_time(fetch, list(names), until + 1, last)


def _of_an_hour(found: dict[int, Run]) -> Iterator[tuple[int, int, float]]:
    if not found:
        return
    nth = []
    for times, _ in found.values():
        again = np.concatenate([[False], times[1:] == times[:-1]])
        places_in = np.arange(len(times))
        nth.append(places_in - np.maximum.accumulate(np.where(again, 0, places_in)))
    channels = np.repeat(list(found), [len(run.times) for run in found.values()])
    all_times = np.concatenate([run.times for run in found.values()])
    values = np.concatenate([run.values for run in found.values()])
    order = np.lexsort((channels, np.concatenate(nth), all_times))
    yield from zip(all_times[order].tolist(), channels[order].tolist(), values[order].tolist(), strict=True)


def _next_time(fetch: Fetch, channels: Sequence[int], first: int, last: int) -> int | None:
    """A time at or before the first reading from `first` on, and at or after `first`; None: there is none."""
    earliest: list[int] = []
    with fetch.moment():
        found = places(fetch)
        for channel in channels:
            if found.packed:
                earliest += [
                    max(int(row[0]), first)
                    for row in fetch(
                        "SELECT start_time FROM reading_block WHERE channel_id = ? AND start_time > ?"
                        " AND end_time >= ? ORDER BY start_time LIMIT 1",
                        channel,
                        first - LONGEST_BLOCK_MS,
                        first,
                    )
                ]
            if found.before is not None:
                sql = f"SELECT min(time) FROM {found.before} WHERE channel_id = ? AND time >= ?"
                earliest += known(fetch(sql, channel, first))
        if found.packed:
            earliest += [time for _, _, time, _ in open_readings(fetch) if time >= first]
    time = min(earliest, default=None)
    return time if time is not None and time <= last else None


def known(found: list[sqlite3.Row]) -> list[int]:
    return [int(row[0]) for row in found if row[0] is not None]


def latest(fetch: Fetch, channels: Sequence[int]) -> dict[int, tuple[int, float]]:
    """Time [ms] and value of each channel's last reading, by the order in which they came."""
    newest: dict[int, tuple[int, float]] = {}
    with fetch.moment():
        found = places(fetch)
        if found.packed:
            for time, text in fetch(
                f"SELECT time, readings FROM batch WHERE {OPEN}"
                f" ORDER BY batch_id DESC LIMIT {_NEWEST_BATCHES}"
            ):
                for channel, when, value in reversed(batch_readings(time, text)):
                    newest.setdefault(channel, (when, value))
            if not newest.keys() >= set(channels):
                # one is silent: it spoke last among what is open, or before
                for _, channel, when, value in reversed(open_readings(fetch)):
                    newest.setdefault(channel, (when, value))
        for channel in channels:
            if channel not in newest:
                older = _latest_older(fetch, found, channel)
                if older is not None:
                    newest[channel] = older
    return {channel: newest[channel] for channel in channels if channel in newest}


def _latest_older(fetch: Fetch, found: Places, channel: int) -> tuple[int, float] | None:
    ends: list[tuple[int, int, float]] = []
    if found.packed:
        for row in fetch(
            "SELECT last_batch, start_time, block_times.body AS times, reading_block.body AS body"
            " FROM reading_block JOIN block_times USING (times_id)"
            " WHERE channel_id = ? ORDER BY last_batch DESC, end_time DESC LIMIT 1",
            channel,
        ):
            ends.append(
                (row[0], int(unpack_times(row["times"], row[1])[-1]), float(unpack_values(row["body"])[-1]))
            )
    if found.before is not None:
        ends += [
            (row[0], row[1], row[2])
            for row in fetch(
                f"SELECT batch_id, time, value FROM {found.before} WHERE channel_id = ?"
                " ORDER BY time DESC, batch_id DESC, nth DESC LIMIT 1",
                channel,
            )
        ]
    return max(ends)[1:] if ends else None
