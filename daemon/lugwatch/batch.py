"""What the pipeline hands to the store in one go, and what is given up when the store stands still.

May import: boat_clock, model.
"""

import threading
from collections import deque
from dataclasses import dataclass, replace

from lugwatch.boat_clock import Step
from lugwatch.model import AlertMemory, AlertUpdate, Estimate, Fault, Output, Reading, Scan

# What there is so much of that memory would run out. Alerts, passages, shapes and the like always stay.
GIVEN_UP = Scan | Reading | Estimate | Fault | AlertUpdate | AlertMemory


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Outputs of a few seconds. step: after them the clock took this step; their labels are of before."""

    outputs: tuple[Output, ...]
    monotonic_seconds: float
    time: int
    snapshot: str | None
    step: Step | None = None


class WaitingBatches:
    """Batches on their way from the pipeline to the store: first in, first out, and never more than `limit`.

    Who puts never waits. In a full line the oldest two become one, without the readings of the oldest: what
    is never given up keeps its place in front. (Put in again at the end, an alert would wait for as long as
    the store is the slower of the two.) Batches after which the clock took a step stay whole: they are few.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._line: deque[Batch] = deque()
        self._changed = threading.Condition()
        self._ended = False

    def __len__(self) -> int:
        return len(self._line)

    def put(self, batch: Batch) -> None:
        with self._changed:
            self._line.append(batch)
            if len(self._line) > self._limit:
                self._join_oldest()
            self._changed.notify()

    def end(self) -> None:
        """Nothing comes any more: `get` gives what is there, and then None."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def get(self) -> Batch | None:
        """The oldest batch, waited for; None when the line has ended and all is given out."""
        with self._changed:
            while not self._line and not self._ended:
                self._changed.wait()
            return self._line.popleft() if self._line else None

    def _join_oldest(self) -> None:
        for at in range(len(self._line) - 1):
            oldest, next_oldest = self._line[at], self._line[at + 1]
            if oldest.step is None:
                kept = tuple(output for output in oldest.outputs if not isinstance(output, GIVEN_UP))
                self._line[at + 1] = replace(next_oldest, outputs=(*kept, *next_oldest.outputs))
                del self._line[at]
                return


def shed(kept: deque[Output], limit: int) -> None:
    """Bound what waits for the store: what is `GIVEN_UP` goes, oldest first; alerts stay."""
    surplus = len(kept) - limit
    for _ in range(len(kept) if surplus > 0 else 0):
        output = kept.popleft()
        if surplus > 0 and isinstance(output, GIVEN_UP):
            surplus -= 1
        else:
            kept.append(output)
