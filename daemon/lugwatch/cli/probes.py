"""`lugwatch probes`: a live list of all thermometers; the one that is being warmed stands out."""

import statistics
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path

import click

from lugwatch import config
from lugwatch.cli.options import put_table
from lugwatch.clock import Clock, clock_from_environment
from lugwatch.config import DEFAULT_NAME
from lugwatch.errors import ConfigurationError, UserError
from lugwatch.model import Fault, Quantity, Reading
from lugwatch.sources import registry
from lugwatch.sources.base import Source
from lugwatch.sources.finding import Found, find_onewire
from lugwatch.sources.onewire import OneWire

LOOK_SECONDS = 2.0
# a finger warms a probe by several kelvin in a minute; nothing else does that to one probe alone
WARMED_KELVIN = 0.75


@dataclass(slots=True)
class Row:
    """One probe as it has been since the start."""

    label: str
    first_celsius: float | None = None
    celsius: float | None = None
    fault: str | None = None

    @property
    def risen_kelvin(self) -> float | None:
        if self.celsius is None or self.first_celsius is None:
            return None
        return self.celsius - self.first_celsius


@dataclass(slots=True)
class Table:
    """All probes, by channel."""

    rows: dict[str, Row] = field(default_factory=dict)

    def take(self, event: Reading | Fault) -> None:
        row = self.rows.get(event.channel or "")
        if row is None:
            return
        if isinstance(event, Reading):
            row.celsius, row.fault = event.value, None
            row.first_celsius = event.value if row.first_celsius is None else row.first_celsius
        else:
            row.celsius, row.fault = None, f"{event.kind.value}: {event.detail}"

    def warmed(self) -> str | None:
        """The channel that has risen clearly more than the others, if one has."""
        risen = {c: r.risen_kelvin for c, r in self.rows.items() if r.risen_kelvin is not None}
        if not risen:
            return None
        channel = max(risen, key=lambda c: risen[c] or 0.0)
        others = [kelvin or 0.0 for c, kelvin in risen.items() if c != channel]
        ahead = (risen[channel] or 0.0) - (max(others) if others else 0.0)
        usual = statistics.median(others) if others else 0.0
        return (
            channel if ahead >= WARMED_KELVIN and (risen[channel] or 0.0) - usual >= WARMED_KELVIN else None
        )

    def lines(self) -> list[tuple[str, str, str, str]]:
        warmed = self.warmed()
        return [_line(channel, row, channel == warmed) for channel, row in self.rows.items()]


def _line(channel: str, row: Row, warmed: bool) -> tuple[str, str, str, str]:
    if row.celsius is None:
        return channel, row.label, row.fault or "nothing came yet", ""
    risen = row.risen_kelvin or 0.0
    mark = "  <== this one is being warmed" if warmed else ""
    return channel, row.label, f"{row.celsius:.2f} °C", f"{risen:+.2f} K{mark}"


@click.command("probes")
@click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path(DEFAULT_NAME),
    show_default=True,
    help="The configuration; without one, all one-wire thermometers.",
)
@click.option("--for", "seconds", type=float, help="End after this long; left out: until Ctrl-C.")
@click.option(
    "--onewire", type=click.Path(path_type=Path), help="The kernel's one-wire folder, where it is another."
)
def command(config_path: Path, seconds: float | None, onewire: Path | None) -> None:
    """Show every probe's temperature and how it has moved since the start, until Ctrl-C.

    Warm one probe with a finger: the line that runs away from the others is that probe. Thermometers that
    are in no configuration are listed too. Stop `lugwatch watch` first where both would ask one serial line.
    """
    if seconds is not None and not 0 < seconds < 1e6:
        raise UserError(f"--for {seconds:g}: give seconds above 0")
    clock, stop = clock_from_environment(), threading.Event()
    table, sources = _open(config_path, onewire, clock, stop)
    if not table.rows:
        raise UserError(
            "no probe: none is configured, and no one-wire thermometer answers; see `lugwatch init`"
        )
    end_seconds = None if seconds is None else clock.monotonic_seconds() + seconds
    tty = sys.stdout.isatty()
    try:
        while end_seconds is None or clock.monotonic_seconds() < end_seconds:
            for source in sources:
                for event in source.poll():
                    table.take(event)
            if tty:
                click.clear()
            put_table(("probe", "where", "now", "since the start"), table.lines())
            if not tty:
                click.echo()
            clock.wait(stop, LOOK_SECONDS)
    finally:
        for source in sources:
            source.close()


def _open(
    config_path: Path, onewire: Path | None, clock: Clock, stop: threading.Event
) -> tuple[Table, list[Source]]:
    """Configured probes through their own sources, and one-wire thermometers that no table has."""
    table = Table()
    sources: list[Source] = []
    known: set[str] = set()
    path = onewire
    if config_path.exists():
        configuration = config.load(config_path, lenient=True)
        mistakes = registry.check(configuration)
        if mistakes:
            raise ConfigurationError(str(config_path), mistakes)
        for channel in configuration.boat.channels:
            if channel.quantity is Quantity.CELSIUS:
                settings = next(c for c in configuration.channels if c.channel == channel.channel)
                address = str(settings.keys.get("address", ""))
                known.add(address)
                where = (
                    f"{channel.source} {address}" if settings.source == "onewire" else channel.source or ""
                )
                table.rows[channel.channel] = Row(label=where)
        sources += [s for s in registry.open_all(configuration, clock, stop) if not s.name.startswith("mqtt")]
        path = path or configuration.onewire_path
    elif config_path != Path(DEFAULT_NAME):
        raise UserError(
            f"no configuration at {config_path}; leave --config out to list one-wire thermometers"
        )
    found = Found()
    find_onewire(path or Path("/sys/bus/w1/devices"), found)
    strangers = [address for address in found.onewire if address not in known]
    for address in strangers:
        table.rows[address] = Row(label="in no configuration")
    if strangers:
        sources.append(
            OneWire(
                path=path or Path("/sys/bus/w1/devices"),
                probes={address: address for address in strangers},
                interval_seconds=LOOK_SECONDS,
                clock=clock,
                stop=stop,
            )
        )
    return table, sources
