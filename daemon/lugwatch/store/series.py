"""Long stretches of history cut to as many points as a screen can show, peaks kept.

Beyond two hours a point the rows of `hour` say the same in a hundredth of the time. May import: model, runs.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import repeat
from typing import NamedTuple

import numpy as np

from lugwatch.model import Estimate
from lugwatch.store import runs, spans
from lugwatch.store.blocks import Float, Int
from lugwatch.store.runs import HOUR_MS, Fetch

_NOT_NUMBERS = frozenset({"joint", "time", "state", "reason", "resistance_basis"})
NUMBER_COLUMNS = frozenset(field.name for field in fields(Estimate)) - _NOT_NUMBERS
DAY_MS = 24 * HOUR_MS
_HOURS_SERVE_MS = 2 * HOUR_MS  # width of a point from which hours are fine enough
_DAYS_SERVE_MS = 6 * HOUR_MS  # and days: a season is seen in days


class Bucket(NamedTuple):
    """Some values near one time [ms]: the mean time of those it holds. A tuple, since thousands are made."""

    time: int
    minimum: float
    mean: float
    maximum: float
    count: int  # type: ignore[assignment]  # and not the method of a tuple


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Values or what is known of several together, in time order."""

    times: Int
    minimum: Float
    mean: Float
    maximum: Float
    count: Int


def reading_series(fetch: Fetch, channel: str, start: int, end: int, max_points: int) -> list[Bucket]:
    """Buckets of a channel's readings; a channel that is not known has none."""
    _check(max_points)
    found = fetch("SELECT channel_id FROM channel WHERE channel = ?", channel)
    if not found:
        return []
    channel_id = int(found[0][0])
    with fetch.moment():
        span: tuple[int, int] | None = (start, end)
        if (end - start) // max_points >= _HOURS_SERVE_MS:
            # the times that there are, not those asked for: "everything" must not fall into one bucket
            span = spans.channel_span(fetch, channel_id, start, end)
        if span is None:
            return []
        width = (span[1] - span[0]) // max_points
        if width < _HOURS_SERVE_MS or not runs.places(fetch).packed:
            run = runs.runs(fetch, [channel_id], *span).get(channel_id)
            return [] if run is None else _buckets(_single(run.times, run.values), max_points)
        return _buckets(_by_hours(fetch, channel_id, *span, days=width >= _DAYS_SERVE_MS), max_points)


def _by_hours(fetch: Fetch, channel_id: int, first: int, last: int, *, days: bool) -> _Rows:
    """Closed hours by their rows; what is not closed, and hours that the ends cut, by their readings."""
    from_hour, until_hour = -(-first // HOUR_MS) * HOUR_MS, (last + 1) // HOUR_MS * HOUR_MS
    spans = [(from_hour, until_hour)]
    of_days: list[sqlite3.Row] = []
    from_day, until_day = -(-from_hour // DAY_MS) * DAY_MS, until_hour // DAY_MS * DAY_MS
    if days and from_day < until_day:
        due = {row[0] for row in fetch("SELECT time FROM rollup_due WHERE span = 'day'")}
        of_days = [row for row in _rolled(fetch, "day", channel_id, from_day, until_day) if row[0] not in due]
        inside = [(day, day + DAY_MS) for day in due if from_day <= day < until_day]
        spans = [(from_hour, from_day), (until_day, until_hour), *inside]
    hours = [row for span in spans for row in _rolled(fetch, "hour", channel_id, *span)]
    before = runs.places(fetch).before
    if before is not None:
        hours += fetch(
            f"SELECT time / {HOUR_MS} * {HOUR_MS}, min(value), avg(value), max(value), count(*) FROM {before}"
            " WHERE channel_id = ? AND time >= ? AND time < ? GROUP BY 1",
            channel_id,
            from_hour,
            until_hour,
        )
    open_rows = [
        (time, value)
        for _, its, time, value in runs.open_readings(fetch)
        if its == channel_id and from_hour <= time < until_hour
    ]
    parts = [
        _of_rows(hours, HOUR_MS, first, last),
        _of_rows(of_days, DAY_MS, first, last),
        _single(
            np.array([row[0] for row in open_rows], np.int64),
            np.array([row[1] for row in open_rows], np.float64),
        ),
    ]
    for (hour,) in fetch(
        "SELECT time FROM rollup_due WHERE span = 'hour' AND time >= ? AND time < ?", from_hour, until_hour
    ):
        packed = runs.runs(fetch, [channel_id], hour, hour + HOUR_MS - 1, packed_only=True).get(channel_id)
        parts += [] if packed is None else [_single(packed.times, packed.values)]
    for low, high in ((first, min(from_hour - 1, last)), (max(until_hour, from_hour), last)):
        if low <= high:
            run = runs.runs(fetch, [channel_id], low, high).get(channel_id)
            parts += [] if run is None else [_single(run.times, run.values)]
    order = np.argsort(np.concatenate([part.times for part in parts]), kind="stable")
    return _Rows(
        times=np.concatenate([part.times for part in parts])[order],
        minimum=np.concatenate([part.minimum for part in parts])[order],
        mean=np.concatenate([part.mean for part in parts])[order],
        maximum=np.concatenate([part.maximum for part in parts])[order],
        count=np.concatenate([part.count for part in parts])[order],
    )


def _rolled(fetch: Fetch, table: str, channel_id: int, start: int, end: int) -> list[sqlite3.Row]:
    return fetch(
        f"SELECT time, minimum, mean, maximum, count FROM {table}"
        " WHERE channel_id = ? AND time >= ? AND time < ? AND count > 0"
        " AND time NOT IN (SELECT time FROM rollup_due WHERE span = 'hour')",
        channel_id,
        start,
        end,
    )


def _of_rows(rows: Sequence[Sequence[float]], width: int, first: int, last: int) -> _Rows:
    time, low, mean, high, count = zip(*rows, strict=True) if rows else ((),) * 5
    return _Rows(
        times=np.clip(np.array(time, np.int64) + width // 2, first, last),
        minimum=np.array(low, np.float64),
        mean=np.array(mean, np.float64),
        maximum=np.array(high, np.float64),
        count=np.array(count, np.int64),
    )


def estimate_series(
    fetch: Fetch, joint: str, column: str, start: int, end: int, max_points: int
) -> list[Bucket]:
    """Buckets of one number of a joint's estimates, where it is known."""
    if column not in NUMBER_COLUMNS:
        raise ValueError(f"{column!r} is not a number of an estimate; one of {sorted(NUMBER_COLUMNS)}")
    _check(max_points)
    found = fetch("SELECT joint_id FROM joint WHERE joint = ?", joint)
    if not found:
        return []
    where = f"WHERE joint_id = ? AND time BETWEEN ? AND ? AND {column} IS NOT NULL"
    asked = f"SELECT time, {column} FROM %s {where}"
    given = (found[0][0], start, end)
    if runs.places(fetch).packed:
        rows = fetch(f"{asked % 'estimate_kept'} UNION ALL {asked % 'estimate'} ORDER BY 1", *given, *given)
    else:
        rows = fetch(f"{asked % 'estimate'} ORDER BY 1", *given)
    if not rows:
        return []
    times, values = zip(*rows, strict=True)
    return _buckets(_single(np.array(times, np.int64), np.array(values, np.float64)), max_points)


def _check(max_points: int) -> None:
    if max_points < 1:
        raise ValueError("max_points must be at least 1")


def _single(times: Int, values: Float) -> _Rows:
    return _Rows(
        times=times, minimum=values, mean=values, maximum=values, count=np.ones(len(times), np.int64)
    )


def _buckets(rows: _Rows, max_points: int) -> list[Bucket]:
    times, weights = rows.times, rows.count
    if len(times) <= max_points:
        columns = (times, rows.minimum, rows.mean, rows.maximum, rows.count)
    else:
        first = times[0]
        width = (times[-1] - first) // max_points + 1
        starts = np.flatnonzero(np.diff((times - first) // width, prepend=-1))
        count = np.add.reduceat(weights, starts)
        since = np.add.reduceat((times - first) * weights, starts) / count
        columns = (
            first + np.rint(since).astype(np.int64),
            np.minimum.reduceat(rows.minimum, starts),
            np.add.reduceat(rows.mean * weights, starts) / count,
            np.maximum.reduceat(rows.maximum, starts),
            count,
        )
    time, low, mean, high, n = columns
    # a mean of equal values must not lie a last bit outside them
    mean = np.clip(mean, low, high)
    listed = (column.tolist() for column in (time, low, mean, high, n))
    # as `_make` does it, without a call of Python for each
    return list(map(tuple.__new__, repeat(Bucket), zip(*listed, strict=True)))
