"""One thread that takes turns: what push, pins and sentences have in common.

A turn does what is due and says how long the next may wait; `wake` cuts the wait short. Each turn is
reported to `on_turn`, so that a thread that hangs is noticed (`pulse`).
Not here: what a turn does. May import: clock.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass

from lugwatch.clock import Clock

LONGEST_PAUSE_SECONDS = 5.0  # however little there is to do: it reports at least this often


@dataclass(frozen=True, slots=True)
class Health:
    """How one way out is doing."""

    name: str  # in words: "MQTT", "push messages", "buzzer"
    working: bool | None  # None: nothing has been tried yet
    words: str
    is_aboard: bool = False  # it needs no network, so it should always work


def nobody() -> None:
    """Where nobody wants to know of turns."""


class Loop:
    """Runs `turn` until closed; `turn` gives the seconds that the next one may wait."""

    def __init__(self, name: str, turn: Callable[[], float], clock: Clock) -> None:
        self.on_turn: Callable[[], None] = nobody
        self._turn = turn
        self._clock = clock
        self._awake = threading.Event()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def wake(self) -> None:
        """There is something to do; from any thread."""
        self._awake.set()

    def close(self, seconds: float) -> bool:
        """Ask it to end, and wait so long; True if it has ended or never ran."""
        self._closing = True
        self._awake.set()
        if self._thread.ident is not None:
            self._thread.join(seconds)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while not self._closing:
            self._awake.clear()
            pause_seconds = self._turn()
            self.on_turn()
            self._clock.wait(self._awake, min(pause_seconds, LONGEST_PAUSE_SECONDS))
