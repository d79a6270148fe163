"""Pins of the processor through gpiozero, the only file here that names it. It is an optional extra.

Not here: what a pin does when (`patterns`, `buzzer`). May import: errors.
"""

import importlib
import importlib.util
import warnings
from collections.abc import Callable
from typing import Any, Protocol

from lugwatch.errors import OperationFailed

MISSING = 'needs gpiozero, which is not installed: pip install "lugwatch[gpio]"'


class Output(Protocol):
    """A pin that drives a buzzer or a lamp; a pin carries milliamperes, so a transistor stands between."""

    def on(self) -> None: ...
    def off(self) -> None: ...
    def close(self) -> None: ...


class Button(Protocol):
    """A push button between its pin and ground."""

    def close(self) -> None: ...


def is_installed() -> bool:
    return importlib.util.find_spec("gpiozero") is not None


def open_output(gpio: int, *, active_high: bool, factory: Any = None) -> Output:
    """The pin, off. Raises OperationFailed: no such pin, held by another program, no right to it."""
    _check_installed(gpio)
    from gpiozero import DigitalOutputDevice

    return _open(  # type: ignore[no-any-return]
        gpio,
        lambda: DigitalOutputDevice(gpio, active_high=active_high, initial_value=False, **_with(factory)),
    )


def open_button(gpio: int, pressed: Callable[[], None], *, factory: Any = None) -> Button:
    """The pin with its pull-up; `pressed` is called on gpiozero's thread. Raises OperationFailed."""
    _check_installed(gpio)
    from gpiozero import Button as Switch

    switch = _open(gpio, lambda: Switch(gpio, pull_up=True, **_with(factory)))
    switch.when_pressed = pressed
    return switch  # type: ignore[no-any-return]


def _check_installed(gpio: int) -> None:
    if not is_installed():
        raise OperationFailed(f"GPIO {gpio} {MISSING}")


def _with(factory: Any) -> dict[str, Any]:
    return {} if factory is None else {"pin_factory": factory}


def _open(gpio: int, work: Callable[[], Any]) -> Any:
    try:
        # gpiozero warns for each library that it tries in vain; what counts is whether one was found
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return work()
    except _troubles() as error:
        words = _first_line(error)
        busy = "busy" in words.lower() or "in use" in words.lower()
        hint = (
            "another program holds it; is lugwatch watch running?"
            if busy
            else "is this a board with such pins, and may this user reach /dev/gpiochip0?"
        )
        raise OperationFailed(f"GPIO {gpio}: {words}; {hint}") from None


def _troubles() -> tuple[type[Exception], ...]:
    """What is raised for a pin that cannot be had; lgpio's error is of a kind of its own."""
    from gpiozero import GPIOZeroError

    kinds: tuple[type[Exception], ...] = (GPIOZeroError, OSError, RuntimeError, ImportError)
    try:
        lgpio = importlib.import_module("lgpio")
    except ImportError:
        return kinds
    return (*kinds, lgpio.error)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:120].rstrip(".!")
