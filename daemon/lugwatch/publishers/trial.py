"""One clearly marked test through each way out, as far as it can be followed from here.

It never looks like a real alert: what is sent says "test only", and no alert's number is used. Pins and
serial ports that a running watch holds are left to it. Not here: MQTT (`mqtt_echo`).
May import: clock, config, errors, model, the rooms of the ways.
"""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from lugwatch.clock import Clock
from lugwatch.config_ways import NmeaAlertSettings, PinSettings, PushSettings, WaysOut
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Category
from lugwatch.publishers import nmea_alerts, nmea_sentences, pins, push_services
from lugwatch.publishers.nmea_alerts import Wire

TEXT = "Test only, no alert."
PUSH_SECONDS = 60.0
BUTTON_SECONDS = 15.0
SHOWN_SECONDS = 5.0  # so long instruments show the test
_BEAT_SECONDS = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one test."""

    way: str
    good: bool
    words: str  # what arrived, or what failed and what to try
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Openers:
    """How pins and ports are opened, and messages sent; a test gives its own."""

    output: Callable[[int, bool], pins.Output] = lambda gpio, high: pins.open_output(gpio, active_high=high)
    button: Callable[[int, Callable[[], None]], pins.Button] = pins.open_button
    serial: Callable[[str, int], Wire] = nmea_alerts.open_serial
    udp: Callable[[str, int], Wire] = nmea_alerts.open_udp
    send: Callable[[push_services.Destination, Category, str, str], str | None] = push_services.send


def try_all(
    settings: WaysOut, boat: str, clock: Clock, *, button: bool, openers: Openers | None = None
) -> Iterator[Outcome]:
    """Each way in turn; `button`: also wait for somebody to press the button."""
    openers = openers or Openers()
    if settings.push is not None:
        yield from _push(settings.push, boat, clock, openers)
    if settings.buzzer is not None:
        yield _pin("buzzer", settings.buzzer, "sounded three times: did you hear it?", clock, openers)
        if button and settings.buzzer.button_gpio is not None:
            yield _button(settings.buzzer.button_gpio, clock, openers)
    if settings.lamp is not None:
        yield _pin("lamp", settings.lamp, "flashed three times: did you see it?", clock, openers)
    if settings.nmea is not None:
        yield from _nmea(settings.nmea, clock, openers)


def _timed(way: str, clock: Clock, work: Callable[[], str]) -> Outcome:
    """`work` gives the words of a success or raises OperationFailed."""
    began_seconds = clock.monotonic_seconds()
    try:
        good, words = True, work()
    except OperationFailed as error:
        good, words = False, str(error)
    return Outcome(way=way, good=good, words=words, seconds=clock.monotonic_seconds() - began_seconds)


def _pause(clock: Clock, seconds: float) -> None:
    clock.wait(threading.Event(), seconds)


# ---- messages ------------------------------------------------------------------------------------


def _push(settings: PushSettings, boat: str, clock: Clock, openers: Openers) -> Iterator[Outcome]:
    try:
        destinations = push_services.read_destinations(settings.urls_file)
    except UserError as error:
        yield Outcome(way="push messages", good=False, words=str(error), seconds=0.0)
        return
    for destination in destinations:
        yield _timed(
            f"push messages, {destination.name}",
            clock,
            lambda destination=destination: _send(destination, boat, clock, openers),  # type: ignore[misc]
        )


def _send(destination: push_services.Destination, boat: str, clock: Clock, openers: Openers) -> str:
    done, answer = threading.Event(), list[str | None]()

    def work() -> None:
        try:
            answer.append(openers.send(destination, Category.CAUTION, f"{boat}: test only", TEXT))
        finally:
            done.set()

    threading.Thread(target=work, name="push attempt", daemon=True).start()
    if not clock.wait(done, PUSH_SECONDS):
        raise OperationFailed(f"no answer for {PUSH_SECONDS:.0f} s; is the internet there?")
    if not answer or answer[0] is not None:
        raise OperationFailed(
            f"{answer[0] if answer else 'failed'}; compare the address, is the internet there?"
        )
    return "the service has taken it: did it reach you?"


# ---- pins ----------------------------------------------------------------------------------------


def _pin(way: str, settings: PinSettings, words: str, clock: Clock, openers: Openers) -> Outcome:
    def work() -> str:
        pin = openers.output(settings.gpio, settings.active_high)
        try:
            for _ in range(3):
                pin.on()
                _pause(clock, _BEAT_SECONDS)
                pin.off()
                _pause(clock, _BEAT_SECONDS)
        finally:
            pin.off()
            pin.close()
        return f"GPIO {settings.gpio} {words}"

    return _timed(way, clock, work)


def _button(gpio: int, clock: Clock, openers: Openers) -> Outcome:
    def work() -> str:
        pressed = threading.Event()
        switch = openers.button(gpio, pressed.set)
        try:
            if not clock.wait(pressed, BUTTON_SECONDS):
                raise OperationFailed(
                    f"GPIO {gpio}: not pressed within {BUTTON_SECONDS:.0f} s; it connects its pin to ground"
                )
        finally:
            switch.close()
        return f"GPIO {gpio}: pressed"

    return _timed("silence button", clock, work)


# ---- sentences -----------------------------------------------------------------------------------


def _nmea(settings: NmeaAlertSettings, clock: Clock, openers: Openers) -> Iterator[Outcome]:
    ways: list[tuple[str, Callable[[], Wire]]] = []
    if (device := settings.device) is not None:
        ways.append((device, lambda: openers.serial(device, settings.baud)))
    if (host := settings.udp_host) is not None:
        ways.append((f"UDP {host}:{settings.udp_port}", lambda: openers.udp(host, settings.udp_port)))
    for name, opener in ways:

        def work(name: str = name, opener: Callable[[], Wire] = opener) -> str:
            try:
                wire = opener()
            except OperationFailed as error:
                raise OperationFailed(str(error).removeprefix(f"{name}: ")) from None
            try:
                for active in (True, False):
                    for line in nmea_sentences.trial_sentences(
                        settings.talker, settings.sentences, clock.time(), active=active
                    ):
                        wire.write(line)
                    if active:
                        _pause(clock, SHOWN_SECONDS)
            except OSError as error:
                raise OperationFailed(f"{error.strerror or error}; check plug, cable and network") from None
            finally:
                wire.close()
            return "sent; nobody confirms these: did the instruments show TEST ONLY?"

        yield _timed(f"alert sentences, {name}", clock, work)
