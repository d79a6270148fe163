"""Stretches of a record that a check of the fitting can use: long ones without current, ones with load.

Not here: reading the record (`store.fitting_readings`). May import numpy only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
BUCKET_SECONDS = 300.0
# of the rating: 0.64 % of its heat, at most some 0.25 K on a joint that rises by 40 K; a boat at anchor
# with a refrigerator running is quiet
QUIET_RATIO = 0.08
LOADED_RATIO = 0.15
SETTLE_SECONDS = 3600.0  # after the last load, before anything is compared
LEAST_SECONDS = 3.0 * 3600.0  # "hours without current"
AMPLE_SECONDS = 9.0 * 3600.0  # of air that cools and warms again: enough to tell lag from offset
MOST_SECONDS = 12.0 * 3600.0
_HOLE_BUCKETS = 3  # a quarter of an hour without a row is bridged
_AROUND_BUCKETS, _APART_BUCKETS = 6, 12  # half an hour, an hour


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """From and to [s since 1970]."""

    start_seconds: float
    end_seconds: float

    @property
    def seconds(self) -> float:
        return self.end_seconds - self.start_seconds


def quiet_spans(first_seconds: float, load: Array) -> list[Span]:
    """Stretches in which nothing much flowed, oldest first, before anything is cut off them.

    load: (buckets, currents), current without sign against its rating; NaN: no reading.
    A bucket counts as quiet where all that was read is, and something was.
    """
    read = np.isfinite(load)
    loud = np.where(read, load, 0.0).max(axis=1, initial=0.0) > QUIET_RATIO
    # one shunt that is silent for long could hide a load
    unknown = ~read.all(axis=1)
    return _spans(first_seconds, ~loud & ~unknown, unknown & ~loud)


def usable(span: Span) -> Span | None:
    """What is left of a quiet stretch to compare probes in: without its first hour, its last 12 hours."""
    start = max(span.start_seconds + SETTLE_SECONDS, span.end_seconds - MOST_SECONDS)
    cut = Span(start_seconds=start, end_seconds=span.end_seconds)
    return cut if cut.seconds >= LEAST_SECONDS else None


def best_quiet(spans: Sequence[Span]) -> Span | None:
    """The latest usable one that is ample, else the longest; None: none was quiet for long enough."""
    cuts = [cut for span in spans if (cut := usable(span)) is not None]
    ample = [cut for cut in cuts if cut.seconds >= AMPLE_SECONDS]
    return ample[-1] if ample else max(cuts, key=lambda cut: cut.seconds, default=None)


def loaded_spans(first_seconds: float, load: Array, most_seconds: float) -> list[Span]:
    """The latest loads, half an hour before and after with them, oldest first, `most_seconds` in all.

    Only what was recorded: a load that the watch began in, or slept through in part, is its recorded parts.
    """
    read: Flags = np.asarray(np.isfinite(load).any(axis=1))
    loud: Flags = np.nan_to_num(load, nan=0.0).max(axis=1, initial=0.0) > LOADED_RATIO
    wanted: Flags = np.zeros(len(loud), dtype=np.bool_)
    for first, last in _merged(np.flatnonzero(loud)):
        wanted[max(first - _AROUND_BUCKETS, 0) : last + _AROUND_BUCKETS + 1] = True
    # a bucket beside one without readings may itself be half empty
    beside = read.copy()
    beside[1:] &= read[:-1]
    beside[:-1] &= read[1:]
    found = _spans(first_seconds, wanted & beside, np.zeros(len(loud), dtype=np.bool_))
    kept: list[Span] = []
    left = most_seconds
    for span in reversed(found):
        if left <= 0.0:
            break
        # the end of a long one: its beginning is further from what is fitted now
        start = max(span.start_seconds, span.end_seconds - left)
        kept.append(Span(start_seconds=start, end_seconds=span.end_seconds))
        left -= span.seconds
    return kept[::-1]


def _merged(buckets: NDArray[np.int64]) -> list[tuple[int, int]]:
    """First and last of the loads, those with less than an hour between what is taken around them as one."""
    found: list[tuple[int, int]] = []
    for bucket in buckets.tolist():
        if found and bucket - found[-1][1] <= 2 * _AROUND_BUCKETS + _APART_BUCKETS:
            found[-1] = (found[-1][0], bucket)
        else:
            found.append((bucket, bucket))
    return found


def _spans(first_seconds: float, wanted: Flags, bridged: Flags) -> list[Span]:
    """Runs of wanted buckets; a few bridged ones between two of them do not end a run."""
    spans: list[Span] = []
    begun: int | None = None
    last = 0
    for bucket, is_wanted in enumerate(wanted.tolist()):
        if is_wanted:
            begun = bucket if begun is None else begun
            last = bucket
        elif begun is not None and not (bridged[bucket] and bucket - last <= _HOLE_BUCKETS):
            spans.append(_span(first_seconds, begun, last))
            begun = None
    if begun is not None:
        spans.append(_span(first_seconds, begun, last))
    return spans


def _span(first_seconds: float, first: int, last: int) -> Span:
    return Span(
        start_seconds=first_seconds + first * BUCKET_SECONDS,
        end_seconds=first_seconds + (last + 1) * BUCKET_SECONDS,
    )
