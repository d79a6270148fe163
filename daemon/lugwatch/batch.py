"""What the pipeline hands to the store in one go, and what is given up when the store stands still.

May import: boat_clock, model.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from lugwatch.boat_clock import Step
from lugwatch.model import AlertChange, AlertMemory, AlertUpdate, Estimate, Output, Reading, Scan


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Outputs of a few seconds. step: after them the clock took this step; their labels are of before."""

    outputs: tuple[Output, ...]
    monotonic_seconds: float
    time: int
    snapshot: str | None
    step: Step | None = None


def alerts_of(outputs: Sequence[Output]) -> tuple[Output, ...]:
    """What is never given up."""
    return tuple(output for output in outputs if isinstance(output, AlertChange))


def shed(kept: deque[Output], limit: int) -> None:
    """Bound what waits for the store: readings and estimates go, oldest first; alerts stay."""
    surplus = len(kept) - limit
    for _ in range(len(kept) if surplus > 0 else 0):
        output = kept.popleft()
        if surplus > 0 and isinstance(output, Scan | Reading | Estimate | AlertUpdate | AlertMemory):
            surplus -= 1
        else:
            kept.append(output)
