"""Wall labels in a running watch: looks at the clock, and moves what bears labels of before a step.

Tells of a clock that nobody can believe. Not here: how a clock is believed (`boat_clock`).
May import: boat_clock, relabel, model.
"""

from typing import Protocol, TypeVar

from lugwatch import relabel
from lugwatch.boat_clock import BoatClock, Step
from lugwatch.clock import Clock
from lugwatch.model import Condition

T = TypeVar("T")

LOOK_SECONDS = 1.0
# A network or a receiver may take a while after a start.
TOLD_AFTER_SECONDS = 600.0
TEXT = "The clock cannot be believed: no network time, no satellite time and no clock battery so far."
ADVICE = (
    "Alerts do not depend on it. Times shown may be wrong; they are set right, back to this start, when the"
    " clock is, and nothing is deleted for its age until then. Connect to a network for a minute, or fit a"
    " clock battery."
)


class Report(Protocol):
    def __call__(self, condition: Condition, troubled: bool, *, text: str = "", advice: str = "") -> None: ...


def moved(value: T, step: Step) -> T:
    """With its labels of before the step moved."""
    return relabel.moved(value, step.first_time, step.last_time, step.by_ms) if step.early else value


class Labels:
    """Of one run of the pipeline. With a clock that is not a boat's, nothing ever moves."""

    def __init__(self, clock: Clock, report: Report) -> None:
        self._clock = clock if isinstance(clock, BoatClock) else None
        self._report = report
        self._began_seconds = self._next_seconds = clock.monotonic_seconds()
        self._step: Step | None = None
        self._told = False
        self._noted = False  # that the clock is right

    def look(self) -> Step | None:
        """A step of the clock, or the news that it is right as it is: then by 0 ms."""
        if self._clock is None:
            return None
        now = self._clock.monotonic_seconds()
        if now < self._next_seconds:
            return None
        self._next_seconds = now + LOOK_SECONDS
        step = self._clock.look()
        if not self._clock.trusted:
            if not self._told and now - self._began_seconds >= TOLD_AFTER_SECONDS:
                self._told = True
                self._report(Condition.CLOCK_UNTRUSTED, True, text=TEXT, advice=ADVICE)
            return None
        if self._told:
            self._told = False
            self._report(Condition.CLOCK_UNTRUSTED, False)
        if step is None and not self._noted:
            time = self._clock.time()
            step = Step(first_time=time, last_time=time, by_ms=0, monotonic_seconds=now, early=False)
        self._noted = True
        self._step = step or self._step
        return step

    def moved(self, value: T) -> T:
        """With the labels of before the last step moved."""
        return value if self._step is None else moved(value, self._step)

    def moved_if_early(self, event: T) -> T:
        """An event that was made before the last step and is taken in after it."""
        made = getattr(event, "monotonic_seconds", None)
        early = self._step is not None and made is not None and made < self._step.monotonic_seconds
        return self.moved(event) if early else event
