"""A buzzer or a lamp on a pin, and the button that silences for 30 s; works without network or broker.

The pin may be away or held by another program: it is tried again for ever. Not here: when it is on
(`patterns`), what gpiozero wants (`pins`). May import: clock, config, errors, model.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from typing import Protocol

from lugwatch.clock import Clock
from lugwatch.config_ways import PinSettings
from lugwatch.errors import OperationFailed
from lugwatch.model import Alert, Output
from lugwatch.publishers import pins
from lugwatch.publishers.loop import Health, Loop

log = logging.getLogger("lugwatch")

RETRY_SECONDS = 30.0
GOODBYE_SECONDS = 1.0
LEAST_PAUSE_SECONDS = 0.01  # an edge that rounding puts a hair away is not waited for in circles
BUTTON = "button"  # who it was, in the alert's history

OpenOutput = Callable[[int, bool], pins.Output]
OpenButton = Callable[[int, Callable[[], None]], pins.Button]


class Voice(Protocol):
    """`patterns.Sound` or `patterns.Light`."""

    def restore(self, alerts: Sequence[Alert], now_seconds: float) -> None: ...
    def note(self, outputs: Sequence[Output], now_seconds: float) -> None: ...
    def silence(self, now_seconds: float) -> bool: ...
    def at(self, now_seconds: float) -> tuple[bool, float]: ...


def _output(gpio: int, active_high: bool) -> pins.Output:
    return pins.open_output(gpio, active_high=active_high)


class PinPublisher:
    """Drives one pin by one voice.

    on_silence(who): the button was pressed while it sounded; on gpiozero's thread, must only hand over.
    """

    def __init__(
        self,
        name: str,
        settings: PinSettings,
        voice: Voice,
        *,
        clock: Clock,
        on_silence: Callable[[str], None],
        open_output: OpenOutput = _output,
        open_button: OpenButton = pins.open_button,
    ) -> None:
        self.name = name
        self._settings = settings
        self._voice = voice
        self._clock = clock
        self._on_silence = on_silence
        self._open_output = open_output
        self._open_button = open_button
        self._lock = threading.Lock()  # of the voice
        self._output: pins.Output | None = None
        self._button: pins.Button | None = None
        self._is_on = False
        self._trouble: str | None = None
        self._next_try_seconds = clock.monotonic_seconds()
        self.loop = Loop(name, self.turn, clock)

    def start(self) -> None:
        self.loop.start()

    def restore(self, alerts: Sequence[Alert]) -> None:
        """The alerts that stood when the daemon last stopped."""
        with self._lock:
            self._voice.restore(alerts, self._clock.monotonic_seconds())
        self.loop.wake()

    def publish(self, outputs: Sequence[Output]) -> None:
        """Take over what the store has committed; never blocks."""
        with self._lock:
            self._voice.note(outputs, self._clock.monotonic_seconds())
        self.loop.wake()

    def silence(self) -> None:
        """Somebody pressed the button."""
        with self._lock:
            sounded = self._voice.silence(self._clock.monotonic_seconds())
        self.loop.wake()
        if sounded:
            self._on_silence(BUTTON)

    def health(self) -> Health:
        if self._trouble is not None:
            return Health(name=self.name, working=False, words=self._trouble, is_aboard=True)
        working = None if self._output is None else True
        return Health(name=self.name, working=working, words=f"GPIO {self._settings.gpio}", is_aboard=True)

    def close(self) -> None:
        """Off, and the pin given back: a daemon that is gone must not leave a buzzer sounding."""
        if self.loop.close(GOODBYE_SECONDS):
            self._give_back()

    def turn(self) -> float:
        """Set the pin as it should be now; seconds until that changes."""
        now_seconds = self._clock.monotonic_seconds()
        if self._output is None or (self._button is None and self._settings.button_gpio is not None):
            if now_seconds < self._next_try_seconds and self._output is None:
                return self._next_try_seconds - now_seconds
            if now_seconds >= self._next_try_seconds:
                self._open(now_seconds)
        with self._lock:
            is_on, seconds = self._voice.at(now_seconds)
        if self._output is not None and is_on is not self._is_on:
            (self._output.on if is_on else self._output.off)()
            self._is_on = is_on
        return max(seconds, LEAST_PAUSE_SECONDS)

    def _open(self, now_seconds: float) -> None:
        settings = self._settings
        try:
            if self._output is None:
                self._output = self._open_output(settings.gpio, settings.active_high)
                self._is_on = False
            if self._button is None and settings.button_gpio is not None:
                self._button = self._open_button(settings.button_gpio, self.silence)
        except OperationFailed as error:
            if self._trouble is None:
                log.warning("%s; tried again", error)
            self._trouble = str(error)
            self._next_try_seconds = now_seconds + RETRY_SECONDS
        else:
            self._trouble = None

    def _give_back(self) -> None:
        if self._output is not None:
            self._output.off()  # a pin that is only given back may keep its level
        for pin in (self._button, self._output):
            if pin is not None:
                pin.close()
        self._button = self._output = None
