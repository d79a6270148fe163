"""How alerts leave the box besides MQTT and the page: messages, sounds, sentences, as configured.

Not here: types and ranges of single keys (`config_tables`), whether a pin, port or service is there
(`publishers`). May import: config_tables, model.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lugwatch.config_tables import BuzzerTable, Document, LampTable, NmeaAlertsTable, PushTable
from lugwatch.model import Category


@dataclass(frozen=True, slots=True, kw_only=True)
class PushSettings:
    """Messages over the internet; the addresses are a file, since they hold passwords."""

    urls_file: Path
    categories: frozenset[Category]
    most_in_ten_minutes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PinSettings:
    """A buzzer or a lamp on a pin."""

    gpio: int
    active_high: bool
    categories: frozenset[Category]
    button_gpio: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NmeaAlertSettings:
    """Alert sentences for instruments on board, on a serial port, over UDP, or both."""

    device: str | None
    baud: int
    udp_host: str | None
    udp_port: int
    sentences: frozenset[str]
    talker: str
    categories: frozenset[Category]
    listen: bool = False  # to commands on the serial port
    listen_udp_port: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WaysOut:
    """Every way out of the box that is configured beside MQTT and the page."""

    push: PushSettings | None = None
    buzzer: PinSettings | None = None
    lamp: PinSettings | None = None
    nmea: NmeaAlertSettings | None = None


def settings(document: Document, folder: Path) -> WaysOut:
    """What the tables say; paths are beside the configuration unless full."""
    return WaysOut(
        push=_push(document.push, folder),
        buzzer=_pin(document.buzzer),
        lamp=_pin(document.lamp),
        nmea=_nmea(document.nmea_alerts),
    )


def mistakes(document: Document) -> list[str]:
    """What no single key can know."""
    return [*_pin_mistakes(document), *_nmea_mistakes(document)]


def _categories(words: list[Any]) -> frozenset[Category]:
    return frozenset(Category(word) for word in words)


def _push(table: PushTable | None, folder: Path) -> PushSettings | None:
    if table is None:
        return None
    return PushSettings(
        urls_file=folder / table.urls_file,
        categories=_categories([*table.categories]),
        most_in_ten_minutes=table.most_in_ten_minutes,
    )


def _pin(table: BuzzerTable | LampTable | None) -> PinSettings | None:
    if table is None:
        return None
    return PinSettings(
        gpio=table.gpio,
        active_high=table.active_high,
        categories=_categories([*table.categories]),
        button_gpio=table.button_gpio if isinstance(table, BuzzerTable) else None,
    )


def _nmea(table: NmeaAlertsTable | None) -> NmeaAlertSettings | None:
    if table is None:
        return None
    return NmeaAlertSettings(
        device=table.device,
        baud=table.baud,
        udp_host=table.udp_host,
        udp_port=table.udp_port,
        sentences=frozenset(table.sentences),
        talker=table.talker,
        listen=table.listen,
        listen_udp_port=table.listen_udp_port,
        categories=_categories([*table.categories]),
    )


def _pin_mistakes(document: Document) -> list[str]:
    used: dict[int, str] = {}
    found = []
    for where, gpio in _pins(document).items():
        if gpio in used:
            found.append(f"{where} = {gpio} is the pin of {used[gpio]} as well; give each its own")
        used.setdefault(gpio, where)
    return found


def _pins(document: Document) -> Mapping[str, int]:
    pins: dict[str, int] = {}
    if document.buzzer is not None:
        pins["[buzzer] gpio"] = document.buzzer.gpio
        if document.buzzer.button_gpio is not None:
            pins["[buzzer] button_gpio"] = document.buzzer.button_gpio
    if document.lamp is not None:
        pins["[lamp] gpio"] = document.lamp.gpio
    return pins


def _nmea_mistakes(document: Document) -> list[str]:
    table = document.nmea_alerts
    if table is None:
        return []
    if table.device is None and table.udp_host is None:
        return [
            '[nmea_alerts] needs a device (a serial port, "/dev/serial/by-id/…") or a udp_host '
            '("192.168.1.255" for all of the boat\'s network)'
        ]
    if table.listen and table.device is None:
        return ["[nmea_alerts] listen = true is for a serial port; name its device, or say listen_udp_port"]
    sources = [*document.probe, *document.current]
    return [
        f'[nmea_alerts] device = "{table.device}" is read by "{channel.id}" as well; '
        "two programs' halves on one port garble each other, give it a port of its own"
        for channel in sources
        if table.device is not None and (channel.model_extra or {}).get("device") == table.device
    ][:1]


def shown(key: str, value: object) -> str:
    """The value as it was written, unless it may hold a password."""
    text = repr(value)
    secret = "://" in text or any(word in key.lower() for word in ("password", "token", "secret"))
    return "(not shown)" if secret else text
