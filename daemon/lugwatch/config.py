"""The configuration: TOML text in, one frozen `Configuration` out, or every mistake at once.

pydantic checks the text; inside, only `model.Boat` and the dataclasses below are used. Keys that
belong to a source are checked by that source's own model (`sources.registry`), not here.
May import: errors, units, model, materials, config_mistakes, config_tables, config_grading,
config_parts, config_ways.
"""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from lugwatch import config_grading, config_mistakes, config_parts, config_ways
from lugwatch.config_parts import PageSettings
from lugwatch.config_tables import (
    BackupTable,
    ChannelTable,
    CurrentTable,
    Document,
    GradingTable,
    JointTable,
    MqttTable,
    ProbeTable,
)
from lugwatch.config_ways import WaysOut
from lugwatch.errors import ConfigurationError, UserError
from lugwatch.keeping import Archive, Keeping
from lugwatch.materials import IEC_60228_OHMS_PER_KM
from lugwatch.model import Boat, CableClass, Channel, Joint, Manners, Quantity, Watching

DEFAULT_NAME = "lugwatch.toml"
NO_AIR = "none"
ON_I2C = frozenset({"adc", "shunt_chip"})
DEFAULT_I2C_BUS = "/dev/i2c-1"
# kept with a joint's history and shown
_FACTS = ("stud", "hardware", "torque_newton_metres", "lug", "cable_metres", "metal_grams", "note")

# With nothing said of the cable: the coolest common class of boat cable that may be run hot.
DEFAULT_LIMIT_CELSIUS = 75.0
# Tinned copper or brass terminals: 65 K over 40 °C ambient, IEC 60947-1 table 2.
TERMINAL_LIMIT_CELSIUS = 105.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSettings:
    """One `[[probe]]` or `[[current]]` table as its source sees it."""

    where: str  # for messages: `[[probe]] "bar_alternator"`
    channel: str
    quantity: Quantity
    source: str | None  # onewire | adc | serial | shunt_chip | mqtt
    keys: Mapping[str, Any]  # what belongs to the source


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """Where the broker is; password and certificate are files, never text in the configuration."""

    host: str
    port: int
    username: str | None
    password_file: Path | None
    ca_file: Path | None
    tls: bool
    protocol: str
    fingerprint: str | None = None  # SHA-256 of the one certificate to be trusted


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """All that a configuration file says, checked."""

    path: Path
    boat: Boat
    channels: tuple[ChannelSettings, ...]
    database: Path
    keeping: Keeping
    archive: Archive | None
    mqtt: MqttSettings | None
    ways_out: WaysOut
    web_host: str
    web_port: int
    temperature_unit: str
    page: PageSettings
    onewire_path: Path
    warnings: tuple[str, ...]


def slug(name: str) -> str:
    """The boat's name as one level of an MQTT topic: lower-case ASCII letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "boat"


def load(path: Path, *, lenient: bool = False) -> Configuration:
    """Read and check a configuration.

    lenient: unknown keys are warnings instead of mistakes (for `replay`, whose recording may come
    from a newer or older lugwatch). Raises ConfigurationError with every mistake, or UserError.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UserError(f"no configuration at {path}; name it with --config, or write one") from None
    except UnicodeDecodeError as error:
        raise UserError(f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8") from None
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}; check its name and rights") from None
    return of_text(path, text, lenient=lenient)


def of_text(path: Path, text: str, *, lenient: bool = False) -> Configuration:
    """The same of a text that stands, or is to stand, at `path`."""
    if not text.strip():
        raise UserError(f"{path} is empty; it needs at least [boat], [[probe]] and [[joint]]")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path} is not valid TOML: {error}; is the file complete?") from None
    return _check(path, data, lenient)


def of_channels(path: Path, tables: dict[str, Any]) -> Configuration:
    """Channels without joints, of a recording of buses. Raises ConfigurationError with every mistake."""
    return _check(path, {"boat": {"name": "recorded"}, **tables}, lenient=False, joints_needed=False)


def _check(path: Path, data: dict[str, Any], lenient: bool, joints_needed: bool = True) -> Configuration:
    document, mistakes, unknown = _read_tables(data)
    warnings = tuple(unknown) if lenient else ()
    if not lenient:
        mistakes = [*mistakes, *unknown]
    if document is not None:
        # also when some tables are wrong elsewhere: every mistake is told at once
        mistakes = [*mistakes, *_cross_check(document, joints_needed)]
    if mistakes or document is None:
        raise ConfigurationError(str(path), mistakes)
    channels = _channels(document)
    folder = path.resolve().parent
    boat = Boat(
        name=document.boat.name,
        slug=slug(document.boat.name),
        channels=tuple(_channel(c, document) for c in channels),
        joints=_joints(document),
        watching=Watching(**document.watch.model_dump()),
        grading=config_grading.read(document.alerts),
        manners=Manners(
            **document.alerts.model_dump(exclude=set(GradingTable.model_fields)),
        ),
    )
    return Configuration(
        path=path,
        boat=boat,
        channels=channels,
        database=folder / document.store.database,
        keeping=Keeping(**document.store.model_dump(exclude={"database"})),
        archive=_archive(document.backup, folder),
        mqtt=_mqtt(document.mqtt, folder),
        ways_out=config_ways.settings(document, folder),
        web_host=document.web.host,
        web_port=document.web.port,
        temperature_unit=document.web.temperature_unit,
        page=config_parts.page_settings(document, folder),
        onewire_path=folder / document.onewire.path,
        warnings=warnings,
    )


def _read_tables(data: dict[str, Any]) -> tuple["Document | None", list[str], list[str]]:
    """The document as far as it can be read, its mistakes, and its unknown keys.

    What is wrong is taken out and the rest read again, so that one mistake does not hide another.
    """
    mistakes: list[str] = []
    unknown: list[str] = []
    taken_out: list[tuple[int | str, ...]] = []
    stuck = False
    for _attempt in range(8):
        try:
            return Document.model_validate(data), mistakes, unknown
        except ValidationError as error:
            # deepest and last first, so that taking one out does not move another
            for e in sorted(error.errors(), key=lambda e: [str(p) for p in e["loc"]], reverse=True):
                told = unknown if e["type"] == "extra_forbidden" else mistakes
                # what is missing now because it was wrong before has been told
                if not any(place[: len(e["loc"])] == e["loc"] for place in taken_out):
                    told.append(config_mistakes.mistake(data, e))
                taken_out.append(e["loc"])
                stuck = e["type"] == "missing" or not config_mistakes.delete(data, e["loc"]) or stuck
            if stuck:
                break
    return None, mistakes, unknown


def _archive(table: BackupTable | None, folder: Path) -> Archive | None:
    if table is None:
        return None
    return Archive(folder=folder / table.folder, keep=table.keep, daily=table.daily)


def _mqtt(table: MqttTable | None, folder: Path) -> MqttSettings | None:
    if table is None:
        return None
    return MqttSettings(
        host=table.host,
        port=table.port,
        username=table.username,
        password_file=folder / table.password_file if table.password_file else None,
        ca_file=folder / table.ca_file if table.ca_file else None,
        tls=table.tls or table.ca_file is not None or table.fingerprint is not None,
        protocol=table.protocol,
        fingerprint=table.fingerprint,
    )


def _channels(document: Document) -> tuple[ChannelSettings, ...]:
    tables: list[tuple[str, Quantity, ChannelTable]] = [
        *(("probe", Quantity.CELSIUS, table) for table in document.probe),
        *(("current", Quantity.AMPS, table) for table in document.current),
    ]
    return tuple(
        ChannelSettings(
            where=f'[[{kind}]] "{table.id}"',
            channel=table.id,
            quantity=quantity,
            source=table.source,
            keys=dict(table.model_extra or {}),
        )
        for kind, quantity, table in tables
    )


def source_name(settings: ChannelSettings) -> str | None:
    """The bus a channel is read from; channels of one name share one thread."""
    if settings.source is None:
        return None
    if settings.source in ON_I2C:
        # one owner for all chips of a bus, whatever they measure
        return f"i2c {settings.keys.get('bus', DEFAULT_I2C_BUS)}"
    device = settings.keys.get("device")
    return f"{settings.source} {device}" if device else settings.source


def _channel(settings: ChannelSettings, document: Document) -> Channel:
    tables: Sequence[ProbeTable | CurrentTable] = [*document.probe, *document.current]
    table = next(table for table in tables if table.id == settings.channel)
    return Channel(
        channel=settings.channel,
        quantity=settings.quantity,
        name=table.name or settings.channel.replace("_", " "),
        source=source_name(settings),
        rated_amps=table.rated_amps if isinstance(table, CurrentTable) else None,
        one_way=isinstance(table, CurrentTable) and table.one_way,
    )


def _joints(document: Document) -> tuple[Joint, ...]:
    rated = {table.id: table.rated_amps for table in document.current}
    joints = []
    for table in document.joint:
        limit_celsius, basis = _limit(table)
        insulation = None if table.cable_insulation is None else str(table.cable_insulation)
        joints.append(
            Joint(
                joint=table.id,
                name=table.name or table.id.replace("_", " "),
                probe=table.probe,
                current=table.current,
                air=None if table.air == NO_AIR else table.air,
                neighbours=tuple(table.neighbours),
                rated_amps=table.rated_amps or rated.get(table.current or ""),
                limit_celsius=limit_celsius,
                limit_basis=basis,
                cable_mm2=table.cable_mm2,
                cable_insulation=insulation,
                grading=config_grading.read(table),
                facts={key: value for key in _FACTS if (value := getattr(table, key)) is not None},
            )
        )
    return tuple(joints)


def _limit(table: JointTable) -> tuple[float, str]:
    if table.limit_celsius is not None:
        return table.limit_celsius, "set in the configuration"
    insulation = _cable_class(table.cable_insulation)
    if insulation is None:
        return DEFAULT_LIMIT_CELSIUS, "default: nothing is said of the cable's insulation"
    limit_celsius = min(float(insulation), TERMINAL_LIMIT_CELSIUS)
    if float(insulation) > TERMINAL_LIMIT_CELSIUS:
        return limit_celsius, "tinned terminal, 65 K over 40 °C (IEC 60947-1 table 2)"
    return limit_celsius, f"insulation class {insulation} °C"


def _cable_class(value: str | int | None) -> CableClass | None:
    text = str(value).strip().upper().removesuffix("C").rstrip(" °")
    return CableClass(text) if text in set(CableClass) else None


def _cross_check(document: Document, joints_needed: bool) -> list[str]:
    """What no single table can know: ids that are double or missing."""
    mistakes: list[str] = []
    probes = [table.id for table in document.probe]
    currents = [table.id for table in document.current]
    joints = [table.id for table in document.joint]
    for kind, ids in (("probe", probes), ("current", currents), ("joint", joints)):
        mistakes += [f'[[{kind}]] id = "{i}" stands twice; ids are unique' for i in _doubles(ids)]
    mistakes += [
        f'"{i}" is both a [[probe]] and a [[current]]; a channel needs an id of its own'
        for i in sorted(set(probes) & set(currents))
    ]
    if joints_needed and not document.joint:
        mistakes.append("no [[joint]]: there is nothing to watch; add one for each probed joint")
    mistakes += config_grading.mistakes(document)
    for table in document.joint:
        where = f'[[joint]] "{table.id}"'
        mistakes += _unknown(where, "probe", table.probe, probes, "[[probe]]")
        if table.current is not None:
            mistakes += _unknown(where, "current", table.current, currents, "[[current]]")
        if table.air is None:
            mistakes.append(
                f'{where} air is missing: name the probe in the air around it, or say air = "none" '
                "to watch it by limit and rate of rise alone"
            )
        elif table.air != NO_AIR:
            mistakes += _unknown(where, "air", table.air, probes, "[[probe]]")
        for neighbour in table.neighbours:
            mistakes += _unknown(where, "neighbours", neighbour, joints, "[[joint]]")
        if table.id in table.neighbours:
            mistakes.append(f"{where} neighbours names the joint itself; take it out")
        if table.cable_insulation is not None and _cable_class(table.cable_insulation) is None:
            mistakes.append(
                f"{where} cable_insulation = {table.cable_insulation!r} is not a class; "
                f"one of {', '.join(CableClass)} (°C)"
            )
        mistakes += _cable_mistakes(where, table)
    return [*mistakes, *config_parts.mistakes(document), *config_ways.mistakes(document)]


def _cable_mistakes(where: str, table: JointTable) -> list[str]:
    least, most = min(IEC_60228_OHMS_PER_KM), max(IEC_60228_OHMS_PER_KM)
    return [
        f"{where} cable_mm2 = {mm2:g} is outside the conductor table, {least:g} to {most:g} mm² "
        "(IEC 60228); give the copper's cross-section, or leave it out"
        for mm2 in table.cable_mm2
        if not least <= mm2 <= most
    ]


def _doubles(ids: list[str]) -> list[str]:
    return sorted({i for i in ids if ids.count(i) > 1})


def _unknown(where: str, key: str, value: str, known: list[str], kind: str) -> list[str]:
    if value in known:
        return []
    return [f'{where} {key} = "{value}" is no {kind}{config_mistakes.did_you_mean(value, known)}']
