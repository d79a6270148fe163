"""How many readings there are and from when to when, without unpacking what lies wholly within.

May import: blocks, runs.
"""

from lugwatch.store.blocks import unpack_times
from lugwatch.store.runs import (
    FIRST_TIME,
    LAST_TIME,
    LONGEST_BLOCK_MS,
    Fetch,
    Places,
    channel_ids,
    known,
    open_readings,
    places,
)


def count_readings(fetch: Fetch, start: int | None, end: int | None) -> int:
    first = FIRST_TIME if start is None else start
    last = LAST_TIME if end is None else end
    count = 0
    with fetch.moment():
        found = places(fetch)
        for channel in channel_ids(fetch):
            if found.before is not None:
                count += fetch(
                    f"SELECT count(*) FROM {found.before} WHERE channel_id = ? AND time BETWEEN ? AND ?",
                    channel,
                    first,
                    last,
                )[0][0]
            if not found.packed:
                continue
            count += fetch(
                "SELECT coalesce(sum(readings_count), 0) FROM reading_block"
                " WHERE channel_id = ? AND start_time >= ? AND end_time <= ?",
                channel,
                first,
                last,
            )[0][0]
            for start_time, packed in fetch(
                "SELECT start_time, block_times.body FROM reading_block JOIN block_times USING (times_id)"
                " WHERE channel_id = ? AND start_time > ? AND start_time <= ? AND end_time >= ?"
                " AND (start_time < ? OR end_time > ?)",
                *(channel, first - LONGEST_BLOCK_MS, last, first, first, last),
            ):
                times = unpack_times(packed, start_time)
                count += int(((times >= first) & (times <= last)).sum())
        if found.packed:
            count += sum(first <= time <= last for _, _, time, _ in open_readings(fetch))
    return int(count)


def data_span(fetch: Fetch) -> tuple[int, int] | None:
    """Times [ms] of the first and the last reading."""
    firsts: list[int] = []
    lasts: list[int] = []
    with fetch.moment():
        found = places(fetch)
        for channel in channel_ids(fetch):
            low, high = _channel_span(fetch, found, channel)
            firsts += low
            lasts += high
        if found.packed:
            still_open = [time for _, _, time, _ in open_readings(fetch)]
            firsts, lasts = firsts + still_open, lasts + still_open
    return (min(firsts), max(lasts)) if firsts else None


def channel_span(fetch: Fetch, channel: int, first: int, last: int) -> tuple[int, int] | None:
    """Bounds [ms] within `first` and `last` outside which a channel has no reading there."""
    with fetch.moment():
        found = places(fetch)
        low, high = _channel_span(fetch, found, channel)
        if found.packed:
            still_open = [time for _, its, time, _ in open_readings(fetch) if its == channel]
            low, high = low + still_open, high + still_open
    if not low:
        return None
    first, last = max(first, min(low)), min(last, max(high))
    return (first, last) if first <= last else None


def _channel_span(fetch: Fetch, found: Places, channel: int) -> tuple[list[int], list[int]]:
    low: list[int] = []
    high: list[int] = []
    if found.packed:
        low += known(fetch("SELECT min(start_time) FROM reading_block WHERE channel_id = ?", channel))
        # the block that starts last may end before one that starts earlier
        high += known(
            fetch(
                "SELECT max(end_time) FROM reading_block WHERE channel_id = ? AND start_time >"
                " (SELECT max(start_time) FROM reading_block WHERE channel_id = ?) - ?",
                channel,
                channel,
                LONGEST_BLOCK_MS,
            )
        )
    if found.before is not None:
        low += known(fetch(f"SELECT min(time) FROM {found.before} WHERE channel_id = ?", channel))
        high += known(fetch(f"SELECT max(time) FROM {found.before} WHERE channel_id = ?", channel))
    return low, high
