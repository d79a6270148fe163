"""`lugwatch check`: every mistake of a configuration at once, and what would set off which alert."""

import secrets
import textwrap
from pathlib import Path

import click

from lugwatch import alert_grading, config, grading_words
from lugwatch.cli.options import config_option, put_table
from lugwatch.clock import SystemClock
from lugwatch.config import Configuration
from lugwatch.dashboard import tls
from lugwatch.errors import ConfigurationError, OperationFailed, UserError
from lugwatch.model import Fault, JointBaseline, Quantity, Reading
from lugwatch.plan import UNRATED_AMPS
from lugwatch.publishers import ways
from lugwatch.publishers.mqtt_trial import Trial, try_broker
from lugwatch.sources import broker_trust, registry
from lugwatch.store import archive
from lugwatch.store.backup_note import known_backup
from lugwatch.store.queries import History
from lugwatch.units import format_duration, format_time

USUAL_AIR_CELSIUS = 20.0  # where the air was never read


@click.command("check")
@config_option
@click.option("--hardware", is_flag=True, help="Also read each source once and say what came.")
@click.option(
    "--amps", type=click.FloatRange(min=1), help="Tell the gradings at this current, not at the rated one."
)
def command(config_path: Path, hardware: bool, amps: float | None) -> None:
    """List every mistake in the configuration at once, then what is watched and what would set it off.

    Where the watch has learned a baseline already, figures are of it and of the air as it was last read.
    """
    configuration = config.load(config_path)
    mistakes = [*registry.check(configuration), *ways.mistakes(configuration.ways_out)]
    if configuration.mqtt is not None:
        mistakes = [*mistakes, *broker_trust.mistakes(configuration.mqtt)]
    if mistakes:
        raise ConfigurationError(str(config_path), mistakes)
    click.echo(f"{config_path}: no mistakes")
    if configuration.mqtt is not None:
        for line in broker_trust.cautions(configuration.mqtt):
            click.echo(f"caution: {line}")
    _tell_joints(configuration)
    chips = registry.words(configuration)
    if chips:
        click.echo()
        put_table(("channel", "what its chip makes of it"), chips)
    _tell_gradings(configuration, amps)
    _tell_ways(configuration)
    _tell_backups(configuration)
    if hardware:
        broker = _try_broker(configuration)
        _read_once(configuration)
        if broker is not None and not broker.good:
            raise OperationFailed(broker.text)


def _tell_joints(configuration: Configuration) -> None:
    rows = []
    for joint in configuration.boat.joints:
        rated = "rating unknown" if joint.rated_amps is None else f"{joint.rated_amps:g} A"
        rows.append((joint.joint, joint.name, rated, f"{joint.limit_celsius:g} °C", joint.limit_basis))
    click.echo()
    put_table(("joint", "name", "rated", "limit", "where the limit comes from"), rows)


def _tell_gradings(configuration: Configuration, amps: float | None) -> None:
    """For each joint what a caution, a warning and an alarm would take."""
    baselines, readings = _remembered(configuration)
    boat = configuration.boat
    channels = {channel.channel: channel for channel in boat.channels}
    airs = [readings[j.air][0] for j in boat.joints if j.air is not None and j.air in readings]
    click.echo(
        f"\nWhat alerts would take, in the air as it was last read, {format_time(max(airs))}:"
        if airs
        else f"\nWhat alerts would take, in air of {USUAL_AIR_CELSIUS:.0f} °C (none was read yet):"
    )
    for joint in boat.joints:
        shunt = channels.get(joint.current or "")
        rated = joint.rated_amps or (shunt.rated_amps if shunt is not None else None) or UNRATED_AMPS
        full_scale = (shunt.rated_amps if shunt is not None else None) or rated
        baseline = baselines.get(joint.joint)
        air = readings.get(joint.air or "")
        basis = grading_words.Basis(
            amps=amps or rated,
            air_celsius=USUAL_AIR_CELSIUS if air is None else air[1],
            rise_coefficient=None if baseline is None else baseline.rise_coefficient,
            rise_coefficient_sd=None if baseline is None else baseline.rise_coefficient_sd,
            floor_amps=boat.watching.current_floor_ratio * full_scale,
        )
        click.echo(f"\n{joint.name} ({joint.joint})")
        for line in grading_words.explained(joint, alert_grading.of(boat, joint), basis):
            click.echo(textwrap.fill(line, 100, initial_indent="  ", subsequent_indent="      "))


def _remembered(
    configuration: Configuration,
) -> tuple[dict[str, JointBaseline], dict[str, tuple[int, float]]]:
    """Baselines by joint and the latest readings by channel; none where nothing was watched yet."""
    if not configuration.database.exists():
        return {}, {}
    try:
        with History.open(configuration.database) as history:
            return {b.joint: b for b in history.baselines()}, history.latest_readings()
    except UserError as error:  # a configuration can be right beside a history that is not
        click.echo(f"\n{error}; gradings are told without it")
        return {}, {}


def _tell_ways(configuration: Configuration) -> None:
    rows = ways.describe(configuration.ways_out)
    if (mqtt := configuration.mqtt) is not None:
        rows.insert(0, ("MQTT", f"{mqtt.host}:{mqtt.port}", "all"))
    rows.append(
        ("page", f"{configuration.page.scheme}://{configuration.web_host}:{configuration.web_port}", "all")
    )
    click.echo()
    put_table(("alerts leave by", "to", "categories"), rows)
    if configuration.page.certificate_file is not None:
        try:
            tls.check(configuration.page.certificate_file, configuration.page.key_file)
        except UserError as error:  # the watch goes on without a page
            click.echo(f"caution: {error}")


def _tell_backups(configuration: Configuration) -> None:
    settings = configuration.archive
    if settings is None:
        click.echo("\nbackups: none by itself; [backup] folder names a folder on another disk")
    else:
        daily = "one a day" if settings.daily else "none by itself"
        click.echo(f"\nbackups: {daily} into {settings.folder}, the newest {settings.keep} are kept")
        if settings.daily and (reason := archive.why_not_daily(settings, configuration.database)):
            click.echo(f"  none can be made now: {reason}")
    known = known_backup(configuration.database, SystemClock().time())
    if (last := known.state.last) is not None:
        age = "age not known" if known.age_seconds is None else f"{format_duration(known.age_seconds)} ago"
        click.echo(f"  last: {format_time(last.time // 1000 * 1000)} ({age}), {last.file}")


def _try_broker(configuration: Configuration) -> Trial | None:
    """Says in one line whether the broker takes what the watch will tell it; None without [mqtt]."""
    if configuration.mqtt is None:
        return None
    client_id = f"lugwatch{secrets.token_hex(6)}"  # not the watch's own: that would push it off
    trial = try_broker(configuration.mqtt, configuration.boat.slug, client_id, SystemClock())
    click.echo(f"\nbroker: {trial.text} ({trial.seconds:.1f} s)")
    return trial


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
