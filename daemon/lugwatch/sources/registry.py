"""Which words `source` may have, which keys each takes, and how its sources are opened.

Not here: what belongs to no source (`config`). May import: everything of `sources`, config, clock, model.
"""

import difflib
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, TypeVar

from pydantic import Field, ValidationError, field_validator

from lugwatch.boat_clock import BoatClock
from lugwatch.clock import Clock
from lugwatch.config import ChannelSettings, Configuration, source_name
from lugwatch.model import Quantity
from lugwatch.sources import i2c_keys
from lugwatch.sources.base import CalibratedKeys, Calibration, Finite, Keys, Source
from lugwatch.sources.mqtt_topic import DEFAULT_STALE_SECONDS, MqttTopics, TopicChannel
from lugwatch.sources.onewire import DEFAULT_BULK_SECONDS, OneWire
from lugwatch.sources.onewire_decode import normalise_id
from lugwatch.sources.outside import WORLD, Outside
from lugwatch.sources.serial_nmea import DEFAULT_BAUD, SerialChannel, SerialNmea

_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_Text = Annotated[str, Field(min_length=1, max_length=200)]


class OneWireKeys(Keys):
    """`source = "onewire"`: which probe it is, and what is added to its readings."""

    address: str
    offset_kelvin: Finite | None = None
    offset_date: date | None = None  # when that was found

    @field_validator("address")
    @classmethod
    def _one_spelling(cls, address: str) -> str:
        normalised = normalise_id(address)
        if normalised is None:
            raise ValueError('not the id of a thermometer; it looks like "28-0123456789ab"')
        return normalised


class SerialKeys(CalibratedKeys):
    """`source = "serial"`: an XDR transducer on a line."""

    device: _Text
    transducer: _Text
    talker: Annotated[str, Field(pattern=r"^[A-Za-z0-9]{1,7}$")] | None = None
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = DEFAULT_BAUD
    amps_per_volt: Finite | None = None  # currents that are sent as a voltage (type U)


class MqttKeys(CalibratedKeys):
    """`source = "mqtt"`: a topic of the broker in [mqtt]."""

    topic: Annotated[str, Field(min_length=1, max_length=1000)]
    json_path: _Text | None = None
    stale_seconds: _Positive = DEFAULT_STALE_SECONDS

    @field_validator("topic")
    @classmethod
    def _one_topic(cls, topic: str) -> str:
        if set(topic) & set("+#\0"):
            raise ValueError("+ and # stand for many topics; a channel is one")
        return topic


Opener = Callable[[Configuration, Sequence[ChannelSettings], Clock, threading.Event, Outside], Source]
_K = TypeVar("_K", bound=Keys)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceKind:
    """One word for `source`. `identity`: the keys by which two channels would be one and the same."""

    keys: type[Keys]
    quantities: frozenset[Quantity]
    identity: tuple[str, ...]
    open: Opener


def _open_onewire(
    configuration: Configuration,
    channels: Sequence[ChannelSettings],
    clock: Clock,
    stop: threading.Event,
    outside: Outside,
) -> Source:
    interval_seconds = configuration.boat.watching.interval_seconds
    return OneWire(
        path=configuration.onewire_path,
        probes={c.channel: _keys(c, OneWireKeys).address for c in channels},
        offsets_kelvin={c.channel: _keys(c, OneWireKeys).offset_kelvin or 0.0 for c in channels},
        interval_seconds=interval_seconds,
        clock=clock,
        stop=stop,
        files=outside.files(),
        # reading probe by probe would take longer than to wait out a slow bus
        bulk_seconds=max(DEFAULT_BULK_SECONDS, interval_seconds),
    )


def _open_serial(
    _configuration: Configuration,
    channels: Sequence[ChannelSettings],
    clock: Clock,
    stop: threading.Event,
    outside: Outside,
) -> Source:
    first = _keys(channels[0], SerialKeys)
    return SerialNmea(
        name=source_name(channels[0]) or "serial",
        device=first.device,
        baud=first.baud,
        channels=[_serial_channel(c, _keys(c, SerialKeys)) for c in channels],
        opener=outside.open_port,
        hear=clock.hear if isinstance(clock, BoatClock) else None,
        clock=clock,
        stop=stop,
    )


def _serial_channel(settings: ChannelSettings, keys: SerialKeys) -> SerialChannel:
    kind = "C" if settings.quantity is Quantity.CELSIUS else "I" if keys.amps_per_volt is None else "U"
    calibration = keys.calibration()
    if keys.amps_per_volt is not None:
        calibration = Calibration(scale=keys.scale * keys.amps_per_volt, offset=calibration.offset)
    return SerialChannel(
        channel=settings.channel,
        quantity=settings.quantity,
        kind=kind,
        transducer=keys.transducer,
        talker=keys.talker,
        calibration=calibration,
    )


def _open_mqtt(
    configuration: Configuration,
    channels: Sequence[ChannelSettings],
    clock: Clock,
    stop: threading.Event,
    _outside: Outside,
) -> Source:
    assert configuration.mqtt is not None  # `check` says so
    return MqttTopics(
        settings=configuration.mqtt,
        channels=[_topic_channel(c, _keys(c, MqttKeys)) for c in channels],
        clock=clock,
        stop=stop,
    )


def _topic_channel(settings: ChannelSettings, keys: MqttKeys) -> TopicChannel:
    return TopicChannel(
        channel=settings.channel,
        quantity=settings.quantity,
        topic=keys.topic,
        json_path=None if keys.json_path is None else tuple(keys.json_path.split(".")),
        calibration=keys.calibration(),
        stale_seconds=keys.stale_seconds,
    )


def _keys(settings: ChannelSettings, model: type[_K]) -> _K:
    return model.model_validate(dict(settings.keys))


_BOTH = frozenset(Quantity)
SOURCE_KINDS: Mapping[str, SourceKind] = {
    "onewire": SourceKind(
        keys=OneWireKeys,
        quantities=frozenset({Quantity.CELSIUS}),
        identity=("address",),
        open=_open_onewire,
    ),
    "serial": SourceKind(
        keys=SerialKeys, quantities=_BOTH, identity=("device", "transducer", "talker"), open=_open_serial
    ),
    "mqtt": SourceKind(keys=MqttKeys, quantities=_BOTH, identity=("topic", "json_path"), open=_open_mqtt),
    "adc": SourceKind(
        keys=i2c_keys.AdcKeys,
        quantities=frozenset({Quantity.CELSIUS}),
        identity=("bus", "address", "input"),
        open=i2c_keys.open_i2c,
    ),
    "shunt_chip": SourceKind(
        keys=i2c_keys.ShuntChipKeys,
        quantities=frozenset({Quantity.AMPS}),
        identity=("bus", "address"),
        open=i2c_keys.open_i2c,
    ),
}


def check(configuration: Configuration) -> list[str]:
    """Every mistake that keeps the configured sources from being opened, one line each."""
    mistakes: list[str] = []
    valid: list[tuple[ChannelSettings, Keys]] = []
    for settings in configuration.channels:
        kind = SOURCE_KINDS.get(settings.source or "")
        if kind is None:
            mistakes.append(_no_kind(settings))
            continue
        if settings.quantity not in kind.quantities:
            mistakes.append(_not_of_this_kind(settings))
            continue
        if settings.source == "mqtt" and configuration.mqtt is None:
            mistakes.append(
                f'{settings.where} source = "mqtt": no broker is configured; '
                'add [mqtt] with host = "localhost"'
            )
        try:
            keys = kind.keys.model_validate(dict(settings.keys))
        except ValidationError as error:
            mistakes += _key_mistakes(settings, kind, error)
            continue
        mistakes += _wrong_quantity(settings, keys)
        valid.append((settings, keys))
    return [*mistakes, *_doubles(valid), *_two_speeds(valid), *i2c_keys.mistakes(configuration, valid)]


def words(configuration: Configuration) -> list[tuple[str, str]]:
    """What checked settings come to, for whoever wires it: channel and one line."""
    lines = []
    for settings in configuration.channels:
        if settings.source == "shunt_chip":
            lines.append((settings.channel, i2c_keys.range_words(_keys(settings, i2c_keys.ShuntChipKeys))))
        elif settings.source == "adc":
            lines.append((settings.channel, i2c_keys.divider_words(_keys(settings, i2c_keys.AdcKeys))))
    return lines


def open_all(configuration: Configuration, clock: Clock, stop: threading.Event) -> list[Source]:
    """One source per bus, line or broker of a checked configuration; opening waits for nothing."""
    return [
        open_one(configuration, channels, clock, stop, WORLD)
        for channels in by_source(configuration).values()
    ]


def by_source(configuration: Configuration) -> dict[str, list[ChannelSettings]]:
    """The channels of each bus, line or broker, by its name."""
    groups: dict[str, list[ChannelSettings]] = {}
    for settings in configuration.channels:
        name = source_name(settings)
        if name is not None and settings.source in SOURCE_KINDS:
            groups.setdefault(name, []).append(settings)
    return groups


def open_one(
    configuration: Configuration,
    channels: Sequence[ChannelSettings],
    clock: Clock,
    stop: threading.Event,
    outside: Outside,
) -> Source:
    """The source of these channels, which `by_source` put together; it meets `outside` and not the world."""
    kind = SOURCE_KINDS[channels[0].source or ""]
    return kind.open(configuration, channels, clock, stop, outside)


def _not_of_this_kind(settings: ChannelSettings) -> str:
    does, other = (
        ("currents", "temperature") if settings.quantity is Quantity.CELSIUS else ("temperatures", "current")
    )
    others = [f'"{word}"' for word, kind in SOURCE_KINDS.items() if settings.quantity in kind.quantities]
    return (
        f'{settings.where} source = "{settings.source}": measures {does} only; '
        f"a {other} comes from {', '.join(others[:-1])} or {others[-1]}"
    )


def _no_kind(settings: ChannelSettings) -> str:
    known = list(SOURCE_KINDS)
    if settings.source is None:
        return f"{settings.where} source is missing: where is it read from? One of {', '.join(known)}"
    where = f'{settings.where} source = "{settings.source}"'
    near = difflib.get_close_matches(settings.source, known, n=1)
    return f"{where}: unknown; " + (f'did you mean "{near[0]}"?' if near else f"known: {', '.join(known)}")


def _key_mistakes(settings: ChannelSettings, kind: SourceKind, error: ValidationError) -> list[str]:
    known = list(kind.keys.model_fields)
    lines = []
    for e in error.errors():
        key = ".".join(str(part) for part in e["loc"])
        said = f"{settings.where} {key} = {_toml(e['input'])}"
        if e["type"] == "missing":
            lines.append(f'{settings.where} {key} is missing; source = "{settings.source}" needs it')
        elif e["type"] == "extra_forbidden":
            near = difflib.get_close_matches(key, known, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"known: {', '.join(known)}"
            lines.append(f'{said}: no setting of source "{settings.source}"; {hint}')
        elif key == "address" and settings.source == "onewire" and not isinstance(e["input"], str):
            lines.append(f'{said}: an id is text; write it in quotes, address = "28-0123456789ab"')
        else:
            message = e["msg"].removeprefix("Value error, ")
            lines.append(f"{said}: {message[:1].lower()}{message[1:]}")
    return lines


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f"'{value}'" if isinstance(value, str) else str(value)


def _wrong_quantity(settings: ChannelSettings, keys: Keys) -> list[str]:
    """Keys that belong to the other quantity."""
    of_currents, of_probes = ("zero_amps", "zero_date", "amps_per_volt"), ("offset_kelvin", "offset_date")
    others = of_currents if settings.quantity is Quantity.CELSIUS else of_probes
    right = "offset_kelvin" if settings.quantity is Quantity.CELSIUS else "zero_amps"
    return [
        f"{settings.where} {key} = {value}: not for this quantity; did you mean {right}?"
        for key in others
        if (value := getattr(keys, key, None)) is not None
    ]


def _doubles(valid: Sequence[tuple[ChannelSettings, Keys]]) -> list[str]:
    seen: dict[tuple[object, ...], ChannelSettings] = {}
    mistakes = []
    for settings, keys in valid:
        names = SOURCE_KINDS[settings.source or ""].identity
        values = tuple(getattr(keys, name) for name in names)
        identity = (settings.source, settings.quantity, *values)
        first = seen.setdefault(identity, settings)
        if first is not settings:
            said = ", ".join(f'{n} = "{v}"' for n, v in zip(names, values, strict=True) if v is not None)
            mistakes.append(f"{settings.where} {said}: {first.where} has the same; each channel is one")
    return mistakes


def _two_speeds(valid: Sequence[tuple[ChannelSettings, Keys]]) -> list[str]:
    """A line has one speed."""
    bauds: dict[str, tuple[ChannelSettings, int]] = {}
    mistakes = []
    for settings, keys in valid:
        if isinstance(keys, SerialKeys):
            first, baud = bauds.setdefault(keys.device, (settings, keys.baud))
            if baud != keys.baud:
                mistakes.append(
                    f"{settings.where} baud = {keys.baud}: {first.where} on the same device "
                    f"has {baud}; a line has one speed"
                )
    return mistakes
