"""`lugwatch check`: every mistake of a configuration at once."""

from pathlib import Path

import click

from lugwatch import config
from lugwatch.cli.options import config_option, put_table
from lugwatch.config import Configuration
from lugwatch.errors import ConfigurationError, OperationFailed
from lugwatch.model import Fault, Quantity, Reading
from lugwatch.sources import registry


@click.command("check")
@config_option
@click.option("--hardware", is_flag=True, help="Also read each source once and say what came.")
def command(config_path: Path, hardware: bool) -> None:
    """List every mistake in the configuration at once, then what is watched and at which limits."""
    configuration = config.load(config_path)
    mistakes = registry.check(configuration)
    if mistakes:
        raise ConfigurationError(str(config_path), mistakes)
    click.echo(f"{config_path}: no mistakes")
    _tell_joints(configuration)
    chips = registry.words(configuration)
    if chips:
        click.echo()
        put_table(("channel", "what its chip makes of it"), chips)
    if hardware:
        _read_once(configuration)


def _tell_joints(configuration: Configuration) -> None:
    rows = []
    for joint in configuration.boat.joints:
        rated = "rating unknown" if joint.rated_amps is None else f"{joint.rated_amps:g} A"
        rows.append((joint.joint, joint.name, rated, f"{joint.limit_celsius:g} °C", joint.limit_basis))
    click.echo()
    put_table(("joint", "name", "rated", "limit", "where the limit comes from"), rows)


def _read_once(configuration: Configuration) -> None:
    import threading

    from lugwatch.clock import clock_from_environment

    stop = threading.Event()
    clock = clock_from_environment()
    seen: dict[str, str] = {}
    click.echo()
    for source in registry.open_all(configuration, clock, stop):
        # a line may be joined in the middle: give each source a few polls
        for _ in range(3):
            for event in source.poll():
                if isinstance(event, Reading):
                    seen[event.channel] = _value(configuration, event)
                elif isinstance(event, Fault) and event.channel not in seen:
                    seen[event.channel or event.source] = f"{event.kind.value}: {event.detail}"
        source.close()
    rows = [(c.channel, seen.pop(c.channel, "nothing came")) for c in configuration.boat.channels]
    put_table(("channel", "read"), [*rows, *seen.items()])
    silent = [channel for channel, text in rows if not text[:1].isdigit() and text[:1] != "-"]
    if silent:
        raise OperationFailed(
            f"{len(silent)} of {len(rows)} channels gave no reading: {', '.join(silent)}; "
            "check plug, supply and address"
        )


def _value(configuration: Configuration, reading: Reading) -> str:
    channel = next(c for c in configuration.boat.channels if c.channel == reading.channel)
    unit = "°C" if channel.quantity is Quantity.CELSIUS else "A"
    return f"{reading.value:.2f} {unit}"
