"""The ways out that are configured, beside MQTT and the page: what is wrong with them; each opened.

Not here: what each does. May import: clock, config, errors, model, pins, push and sentence rooms.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from lugwatch.clock import SystemClock
from lugwatch.config_ways import PinSettings, WaysOut
from lugwatch.errors import UserError
from lugwatch.model import Alert, Boat, Category, CrewDeed, Output
from lugwatch.publishers import pins, push_services
from lugwatch.publishers.buzzer import PinPublisher
from lugwatch.publishers.loop import Health, Loop
from lugwatch.publishers.nmea_alerts import NmeaAlertsPublisher
from lugwatch.publishers.patterns import Light, Sound
from lugwatch.publishers.push import PushPublisher

TURN_SECONDS = 60.0  # within which each reports that it still turns; it turns each 5 s


class Way(Protocol):
    """One way out."""

    @property
    def name(self) -> str: ...
    @property
    def loop(self) -> Loop: ...
    def start(self) -> None: ...
    def restore(self, alerts: Sequence[Alert]) -> None: ...
    def publish(self, outputs: Sequence[Output]) -> None: ...
    def health(self) -> Health: ...
    def close(self) -> None: ...


def mistakes(settings: WaysOut) -> list[str]:
    """What would keep a way from working on this machine, one line each; nothing is opened or sent."""
    found = []
    if settings.push is not None:
        try:
            push_services.read_destinations(settings.push.urls_file)
        except UserError as error:
            found.append(str(error))
    for table, pin in (("buzzer", settings.buzzer), ("lamp", settings.lamp)):
        if pin is not None and not pins.is_installed():
            found.append(f"[{table}] {pins.MISSING}")
    return found


def describe(settings: WaysOut) -> list[tuple[str, str, str]]:
    """Each way, where it goes, and which categories it is for. No address is among it."""
    rows = []
    if (push := settings.push) is not None:
        names = ", ".join(d.name for d in push_services.read_destinations(push.urls_file))
        rows.append(("push messages", f"{push.urls_file.name}: {names}", _words(push.categories)))
    for name, pin in (("buzzer", settings.buzzer), ("lamp", settings.lamp)):
        if pin is not None:
            button = "" if pin.button_gpio is None else f", silence button on GPIO {pin.button_gpio}"
            rows.append((name, f"GPIO {pin.gpio}{button}", _words(pin.categories)))
    if (nmea := settings.nmea) is not None:
        where = [] if nmea.device is None else [f"{nmea.device} at {nmea.baud} baud"]
        where += [] if nmea.udp_host is None else [f"UDP {nmea.udp_host}:{nmea.udp_port}"]
        what = "+".join(sorted(nmea.sentences, reverse=True))
        heard = ["the port"] if nmea.listen else []
        heard += [] if nmea.listen_udp_port is None else [f"UDP port {nmea.listen_udp_port}"]
        words = f"{what} to {' and '.join(where)}"
        words += f", commands from {' and '.join(heard)}" if heard else ""
        rows.append(("alert sentences", words, _words(nmea.categories)))
    return rows


def _words(categories: frozenset[Category]) -> str:
    return ", ".join(f"{category.value}s" for category in Category if category in categories)


def open_all(
    settings: WaysOut,
    boat: Boat,
    database: Path,
    *,
    on_silence: Callable[[str], None],
    on_deed: Callable[[CrewDeed, int, str], None],
) -> list[Way]:
    """Every way that is configured. Raises UserError for what `mistakes` would name.

    on_silence(who): the button on board was pressed. on_deed(deed, alert_id, who): somebody pressed on an
    instrument. Their time is the machine's own: no demo speeds them up.
    """
    clock = SystemClock()
    wrong = mistakes(settings)
    if wrong:
        raise UserError("; ".join(wrong))
    found: list[Way] = []
    if settings.push is not None:
        found.append(PushPublisher(settings.push, boat.name, database, clock=clock))

    def pin(name: str, pin_settings: PinSettings, voice: Sound | Light) -> None:
        found.append(PinPublisher(name, pin_settings, voice, clock=clock, on_silence=on_silence))

    if settings.buzzer is not None:
        pin("buzzer", settings.buzzer, Sound(settings.buzzer.categories))
    if settings.lamp is not None:
        pin("lamp", settings.lamp, Light(settings.lamp.categories))
    if settings.nmea is not None:
        found.append(NmeaAlertsPublisher(settings.nmea, boat, clock=clock, on_deed=on_deed))
    return found
