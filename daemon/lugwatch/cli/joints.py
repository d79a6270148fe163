"""`lugwatch joints`: the state of every joint."""

from pathlib import Path

import click

from lugwatch.cli.options import db_option, json_option, put_json, put_table, time_argument
from lugwatch.json_shapes import estimate_object
from lugwatch.model import Estimate
from lugwatch.store.queries import History
from lugwatch.units import format_duration, format_micro_ohms, format_time


@click.command("joints")
@db_option
@click.option("--at", help="As it was at this time: 2026-05-03T14:30:00Z or epoch seconds.")
@json_option
def command(database: Path, at: str | None, as_json: bool) -> None:
    """Tell the state of every joint: where it is, where it heads, where its limit is."""
    when = time_argument(at, "--at")
    with History.open(database) as history:
        estimates = history.estimates(when)
        names = {joint.joint: joint.name for joint in history.boat().joints}
    if as_json:
        put_json([estimate_object(estimate) for estimate in estimates])
        return
    if not estimates:
        click.echo("No joint has been watched yet.")
        return
    header = (
        "joint",
        "state",
        "now",
        "above surroundings",
        "current",
        "settles at, in this air",
        "where the air is heading",
        "limit",
        "against baseline",
        "resistance",
        "as of",
    )
    put_table(header, [_row(estimate, names) for estimate in estimates])


def _row(e: Estimate, names: dict[str, str]) -> tuple[str, ...]:
    return (
        names.get(e.joint, e.joint),
        e.state.value.replace("_", " "),
        _number(e.probe_celsius, "°C"),
        _number(e.rise_kelvin, "K"),
        _number(e.current_amps, "A", 0),
        _settles(e),
        _band(e.ends_at_celsius, e.ends_at_sd_kelvin),
        f"{e.limit_celsius:g} °C",
        _against(e),
        _resistance(e),
        format_time(e.time // 1000 * 1000) + (f" ({e.reason})" if e.reason else ""),
    )


def _number(value: float | None, unit: str, digits: int = 1) -> str:
    return "not known" if value is None else f"{value:.{digits}f} {unit}"


def _settles(e: Estimate) -> str:
    when = "" if e.seconds_to_limit is None else f", limit in {format_duration(e.seconds_to_limit)}"
    return _band(e.settles_at_celsius, e.settles_at_sd_kelvin) + when


def _band(celsius: float | None, sd_kelvin: float | None) -> str:
    if celsius is None:
        return "not known"
    return f"{celsius:.0f}{'' if sd_kelvin is None else f' ± {2 * sd_kelvin:.0f}'} °C"


def _resistance(e: Estimate) -> str:
    if e.resistance_ohms is None:
        return "not known"
    way = f" ({e.resistance_basis.replace('_', ' ')})" if e.resistance_basis else ""
    return format_micro_ohms(e.resistance_ohms, e.resistance_sd_ohms) + way


def _against(e: Estimate) -> str:
    if e.baseline_ratio is None or e.baseline_ratio_sd is None:
        return "not known"
    since = "" if e.baseline_time is None else f" since {format_time(e.baseline_time)[:10]}"
    return f"{100 * (e.baseline_ratio - 1):+.0f} % ± {200 * e.baseline_ratio_sd:.0f}{since}"
