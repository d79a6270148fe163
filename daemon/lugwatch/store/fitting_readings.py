"""Readings as the checks of the fitting need them: equal rows of all channels, and how loaded the boat was.

May import: fitting_spans, model, store rooms, numpy.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lugwatch.fitting_spans import BUCKET_SECONDS, Span
from lugwatch.model import Boat, Quantity
from lugwatch.store.queries import History

Array = NDArray[np.float64]
UNRATED_AMPS = 100.0  # where neither shunt nor joint tells what it is rated for
_BRIDGED_ROWS = 6  # a channel that is silent for so many rows is taken as a line between its neighbours
_LONG_BUCKETS = 6  # of five minutes: a mean of half an hour
_BACKWARDS_BUCKETS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """Buckets of `BUCKET_SECONDS` from first_seconds on; (buckets, currents), NaN: no reading.

    most: the largest reading without sign [A]; mean: the mean [A]. silent: currents that were never read.
    """

    first_seconds: float
    currents: tuple[str, ...]
    most: Array
    mean: Array
    silent: tuple[str, ...]

    def against(self, rated: Mapping[str, float]) -> Array:
        """How loaded each current was, as shares of what is `rated`, (buckets, currents).

        By the mean of five minutes, since heat is slow; half the largest reading where that is more.
        """
        size = np.fmax(np.abs(self.mean), 0.5 * self.most)
        shares: Array = size / np.array([rated[name] for name in self.currents])
        return shares

    def most_amps(self, span: Span) -> tuple[str, float] | None:
        """The current that was loaded most within a span, and its largest reading; None: no current."""
        first = round((span.start_seconds - self.first_seconds) / BUCKET_SECONDS)
        last = round((span.end_seconds - self.first_seconds) / BUCKET_SECONDS)
        inside = self.most[max(first, 0) : max(last, 0)]
        if not inside.size or not np.isfinite(inside).any():
            return None
        largest = np.nanmax(np.where(np.isfinite(inside), inside, -1.0), axis=0)
        return self.currents[int(largest.argmax())], float(largest.max())

    def longest_amps(self, current: str) -> tuple[float, float] | None:
        """The largest mean of half an hour and the largest reading, without sign [A]; None: never read."""
        column = self.currents.index(current)
        most, mean = self.most[:, column], np.abs(self.mean[:, column])
        if not np.isfinite(most).any():
            return None
        pairs = np.full(1, np.nan)
        if len(mean) >= _LONG_BUCKETS:
            pairs = np.lib.stride_tricks.sliding_window_view(mean, _LONG_BUCKETS).mean(axis=1)
        longest = float(np.nanmax(pairs)) if np.isfinite(pairs).any() else float(np.nanmax(mean))
        return longest, float(np.nanmax(most))

    def most_backwards_amps(self, current: str) -> float:
        """The largest mean of ten minutes below nothing, without its sign [A]; 0: none."""
        mean = self.mean[:, self.currents.index(current)]
        if len(mean) < _BACKWARDS_BUCKETS:
            return 0.0
        pairs = np.lib.stride_tricks.sliding_window_view(mean, _BACKWARDS_BUCKETS).mean(axis=1)
        known = pairs[np.isfinite(pairs)]
        return max(0.0, -float(known.min())) if len(known) else 0.0


def ratings(boat: Boat) -> dict[str, float]:
    """Rating of each current's shunt [A]; of the largest joint on it where that is not told."""
    found: dict[str, float] = {}
    for channel in boat.channels:
        if channel.quantity is Quantity.AMPS:
            of_joints = [j.rated_amps for j in boat.joints if j.current == channel.channel and j.rated_amps]
            found[channel.channel] = channel.rated_amps or max(of_joints, default=UNRATED_AMPS)
    return found


def heat_ratings(boat: Boat) -> dict[str, float]:
    """What heats a current's joints fully [A]: the rating of its largest joint, or of its shunt if less."""
    found = ratings(boat)
    for name, rated in found.items():
        of_joints = [j.rated_amps for j in boat.joints if j.current == name and j.rated_amps]
        found[name] = min(rated, max(of_joints, default=rated))
    return found


def load(history: History, boat: Boat, start_seconds: float, end_seconds: float) -> Load:
    """How loaded the boat was between two times [s since 1970]."""
    currents = [c.channel for c in boat.channels if c.quantity is Quantity.AMPS]
    buckets = max(1, math.ceil((end_seconds - start_seconds) / BUCKET_SECONDS))
    most = np.full((buckets, len(currents)), np.nan)
    mean = np.full((buckets, len(currents)), np.nan)
    for column, name in enumerate(currents):
        series = history.series(name, round(1e3 * start_seconds), round(1e3 * end_seconds), 2 * buckets)
        for bucket in series:
            row = int((bucket.time / 1e3 - start_seconds) // BUCKET_SECONDS)
            if 0 <= row < buckets:
                largest = max(abs(bucket.minimum), abs(bucket.maximum))
                most[row, column] = np.fmax(most[row, column], largest)
                # two halves of a bucket at most, of about as many readings each
                known = mean[row, column]
                mean[row, column] = bucket.mean if math.isnan(known) else 0.5 * (known + bucket.mean)
    silent = tuple(n for c, n in enumerate(currents) if not np.isfinite(most[:, c]).any())
    read = [c for c, n in enumerate(currents) if n not in silent]
    return Load(
        first_seconds=start_seconds,
        currents=tuple(currents[c] for c in read),
        most=most[:, read],
        mean=mean[:, read],
        silent=silent,
    )


def rows(
    history: History, channels: Sequence[str], span: Span, row_seconds: float
) -> tuple[dict[str, Array], tuple[str, ...]]:
    """Means of equal rows over a span, by channel, (n,) without gaps; and channels with too few readings.

    A short silence is a line between its neighbours; who is silent for longer is among the second.
    """
    count = max(2, int(span.seconds // row_seconds))
    middle = span.start_seconds + (np.arange(count) + 0.5) * row_seconds
    found: dict[str, Array] = {}
    lacking: list[str] = []
    start, end = round(1e3 * span.start_seconds), round(1e3 * span.end_seconds) - 1
    for name in channels:
        series = history.series(name, start, end, count)
        if len(series) < 2:
            lacking.append(name)
            continue
        seconds = np.array([bucket.time for bucket in series]) / 1e3
        holes = np.diff(np.concatenate([[span.start_seconds], seconds, [span.end_seconds]]))
        if float(holes.max()) > _BRIDGED_ROWS * row_seconds + 60.0:
            lacking.append(name)
            continue
        found[name] = np.interp(middle, seconds, np.array([bucket.mean for bucket in series]))
    return found, tuple(lacking)


def readings(history: History, channel: str, start_seconds: float, end_seconds: float) -> tuple[Array, Array]:
    """Times [s since 1970] and values of every reading of one channel."""
    series = history.series(channel, round(1e3 * start_seconds), round(1e3 * end_seconds), 1_000_000)
    return (
        np.array([bucket.time for bucket in series], dtype=np.float64) / 1e3,
        np.array([bucket.mean for bucket in series], dtype=np.float64),
    )
