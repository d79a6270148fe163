"""Long stretches of history: cut to as many points as a screen can show, or streamed in pages.

Functions over a `fetch` that returns whole results; no cursor is left open between pages.
May import: model.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, fields
from heapq import merge
from typing import Protocol

from lugwatch.model import Estimate

FIRST_TIME = -(2**62)
LAST_TIME = 2**62
_PAGE_ROWS = 4096

_NOT_NUMBERS = frozenset({"joint", "time", "state", "reason", "resistance_basis"})
NUMBER_COLUMNS = frozenset(field.name for field in fields(Estimate)) - _NOT_NUMBERS


class Fetch(Protocol):
    def __call__(self, sql: str, *parameters: object) -> list[sqlite3.Row]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Bucket:
    """Some values near one time [ms]: the mean time of those it holds."""

    time: int
    minimum: float
    mean: float
    maximum: float
    count: int


def reading_series(fetch: Fetch, channel: str, start: int, end: int, max_points: int) -> list[Bucket]:
    """Buckets of a channel's readings; a channel that is not known has none."""
    found = fetch("SELECT channel_id FROM channel WHERE channel = ?", channel)
    if not found:
        return []
    return _buckets(fetch, "reading", "channel_id", found[0][0], "value", start, end, max_points)


def estimate_series(
    fetch: Fetch, joint: str, column: str, start: int, end: int, max_points: int
) -> list[Bucket]:
    """Buckets of one number of a joint's estimates, where it is known."""
    if column not in NUMBER_COLUMNS:
        raise ValueError(f"{column!r} is not a number of an estimate; one of {sorted(NUMBER_COLUMNS)}")
    found = fetch("SELECT joint_id FROM joint WHERE joint = ?", joint)
    if not found:
        return []
    return _buckets(fetch, "estimate", "joint_id", found[0][0], column, start, end, max_points)


def _buckets(
    fetch: Fetch, table: str, key: str, key_id: int, column: str, start: int, end: int, max_points: int
) -> list[Bucket]:
    if max_points < 1:
        raise ValueError("max_points must be at least 1")
    where = f"FROM {table} WHERE {key} = ? AND time BETWEEN ? AND ? AND {column} IS NOT NULL"
    # the times that there are, not those asked for: "everything" must not fall into one bucket
    count, first, last = fetch(f"SELECT count(*), min(time), max(time) {where}", key_id, start, end)[0]
    if count == 0:
        return []
    if count <= max_points:
        found = fetch(f"SELECT time, {column} {where} ORDER BY time", key_id, start, end)
        return [Bucket(time=time, minimum=value, mean=value, maximum=value, count=1) for time, value in found]
    width = (last - first) // max_points + 1
    found = fetch(
        f"SELECT avg(time - ?), min({column}), avg({column}), max({column}), count(*) {where}"
        " GROUP BY (time - ?) / ? ORDER BY 1",
        first,
        key_id,
        first,
        last,
        first,
        width,
    )
    return [
        Bucket(time=first + round(since), minimum=low, mean=mean, maximum=high, count=n)
        for since, low, mean, high, n in found
    ]


def readings(fetch: Fetch, start: int | None, end: int | None) -> Iterator[tuple[int, str, float]]:
    """Every reading in time order; those of the same ms in the order they were written."""
    first = FIRST_TIME if start is None else start
    last = LAST_TIME if end is None else end
    names = {row[0]: str(row[1]) for row in fetch("SELECT channel_id, channel FROM channel")}
    for time, _, _, channel_id, value in merge(*(_channel_pages(fetch, i, first, last) for i in names)):
        yield time, names[channel_id], value


def _channel_pages(
    fetch: Fetch, channel_id: int, first: int, last: int
) -> Iterator[tuple[int, int, int, int, float]]:
    # the key of the last row is where the next page begins, so that nothing stays open between
    key = (first, -1, -1)
    while True:
        page = fetch(
            "SELECT time, batch_id, nth, channel_id, value FROM reading WHERE channel_id = ?"
            " AND (time, batch_id, nth) > (?, ?, ?) AND time <= ?"
            " ORDER BY time, batch_id, nth LIMIT ?",
            channel_id,
            *key,
            last,
            _PAGE_ROWS,
        )
        for row in page:
            yield tuple(row)
        if len(page) < _PAGE_ROWS:
            return
        key = (page[-1][0], page[-1][1], page[-1][2])


def count_readings(fetch: Fetch, start: int | None, end: int | None) -> int:
    return int(
        fetch(
            "SELECT coalesce(sum((SELECT count(*) FROM reading WHERE reading.channel_id = channel.channel_id"
            " AND time BETWEEN ? AND ?)), 0) FROM channel",
            FIRST_TIME if start is None else start,
            LAST_TIME if end is None else end,
        )[0][0]
    )


def data_span(fetch: Fetch) -> tuple[int, int] | None:
    # one look into the index a channel, instead of a walk over all readings
    first, last = fetch(
        "SELECT min((SELECT min(time) FROM reading WHERE reading.channel_id = channel.channel_id)),"
        " max((SELECT max(time) FROM reading WHERE reading.channel_id = channel.channel_id)) FROM channel"
    )[0]
    return None if first is None else (int(first), int(last))
