"""Where time comes from: the only module of the package that asks the machine what time it is.

Durations come from the monotonic clock; wall time is a label that may be wrong for days.
Not here: anything that waits for the clock to be right. Imports nothing of ours.
"""

import os
import threading
import time
from typing import Protocol

from lugwatch.errors import UserError

# demo only: "SPEED:ORIGIN_MONOTONIC_SECONDS:ORIGIN_TIME_MS", so that all its processes share one clock
SCALED_CLOCK_VARIABLE = "LUGWATCH_SCALED_CLOCK"


class Clock(Protocol):
    """Monotonic seconds, wall time, and a wait in the same seconds."""

    def monotonic_seconds(self) -> float:
        """Seconds since some fixed moment of this boot; never jumps."""

    def time(self) -> int:
        """Wall time [ms since 1970-01-01 UTC]; a label only."""

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait until `event` is set or `seconds` of this clock have passed; True if it was set."""


class SystemClock:
    """The machine's own clocks."""

    def monotonic_seconds(self) -> float:
        return time.monotonic()

    def time(self) -> int:
        return time.time_ns() // 1_000_000

    def wait(self, event: threading.Event, seconds: float) -> bool:
        return event.wait(max(0.0, seconds))


class ScaledClock:
    """A clock that runs `speed` times faster than the machine's; used by the demo's processes.

    Monotonic seconds continue from `origin_monotonic_seconds`, so they never run backwards
    however the wall label was chosen.
    """

    def __init__(self, speed: float, origin_monotonic_seconds: float, origin_time: int) -> None:
        self.speed = speed
        self.origin_monotonic_seconds = origin_monotonic_seconds
        self.origin_time = origin_time

    def _since_origin_seconds(self) -> float:
        return (time.monotonic() - self.origin_monotonic_seconds) * self.speed

    def monotonic_seconds(self) -> float:
        return self.origin_monotonic_seconds + self._since_origin_seconds()

    def time(self) -> int:
        return self.origin_time + int(self._since_origin_seconds() * 1000)

    def wait(self, event: threading.Event, seconds: float) -> bool:
        return event.wait(max(0.0, seconds) / self.speed)

    def to_text(self) -> str:
        """The value of SCALED_CLOCK_VARIABLE that gives a child process this very clock."""
        return f"{self.speed!r}:{self.origin_monotonic_seconds!r}:{self.origin_time}"


class ManualClock:
    """A clock that stands still until told; for tests. `wait` moves it on instead of sleeping."""

    def __init__(self, monotonic_seconds: float = 1000.0, time: int = 1_780_000_000_000) -> None:
        self._monotonic_seconds = monotonic_seconds
        self._time = float(time)

    def monotonic_seconds(self) -> float:
        return self._monotonic_seconds

    def time(self) -> int:
        return int(self._time)

    def advance(self, seconds: float) -> None:
        self._monotonic_seconds += seconds
        self._time += seconds * 1000.0

    def wait(self, event: threading.Event, seconds: float) -> bool:
        if not event.is_set():
            self.advance(max(0.0, seconds))
        return event.is_set()


def clock_from_environment() -> SystemClock | ScaledClock:
    """The demo's shared clock where its variable is set, else the machine's."""
    text = os.environ.get(SCALED_CLOCK_VARIABLE)
    if text is None:
        return SystemClock()
    try:
        speed, origin_monotonic_seconds, origin_time = text.split(":")
        return ScaledClock(float(speed), float(origin_monotonic_seconds), int(origin_time))
    except ValueError:
        raise UserError(
            f"{SCALED_CLOCK_VARIABLE}={text!r} is not SPEED:SECONDS:MILLISECONDS; "
            "unset it, only the demo needs it"
        ) from None
