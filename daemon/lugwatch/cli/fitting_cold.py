"""`lugwatch fitting cold`: do all probes agree after hours without current?"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import click

from lugwatch import cold_check, config_edit, fitting, fitting_words
from lugwatch.cli.fitting_shared import (
    Desk,
    by_option,
    config_option,
    date_of,
    db_option,
    keep,
    keep_option,
    name_of,
    offer,
    put_caution,
    put_findings,
    window,
)
from lugwatch.cli.options import json_option, put_json, time_argument
from lugwatch.clock import clock_from_environment
from lugwatch.cold_check import ROW_SECONDS, Agreement, ProbeOffset
from lugwatch.errors import UserError
from lugwatch.fitting import CheckKind, FittingCheck, Outcome
from lugwatch.fitting_spans import LEAST_SECONDS, QUIET_RATIO, SETTLE_SECONDS, Span, best_quiet, quiet_spans
from lugwatch.json_shapes import fitting_check_object
from lugwatch.model import Boat, Quantity
from lugwatch.mounting import Mounted
from lugwatch.store import fitting_readings
from lugwatch.store.queries import History
from lugwatch.units import format_duration, format_time

# ± of a DS18B20 from −10 to 85 °C (its datasheet); of others by common practice, no source
ONEWIRE_KELVIN, OTHER_KELVIN = 0.5, 1.0
_ONEWIRE_STEP_KELVIN, _OTHER_STEP_KELVIN = 0.0625, 0.01
_OUTCOMES = {
    Agreement.AGREES: Outcome.GOOD,
    Agreement.DISAGREES: Outcome.WRONG,
    Agreement.CANNOT_TELL: Outcome.CANNOT_TELL,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Space:
    """One air and the probes in it, judged. silent: those without enough readings in the stretch."""

    name: str
    drift_kelvin_per_hour: float
    probes: tuple[ProbeOffset, ...]
    silent: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cold:
    """What was found, in which stretch, and how quiet it was."""

    span: Span
    most_loaded: tuple[str, float] | None
    unmeasured: tuple[str, ...]  # currents that were never read: nobody knows what flowed there
    spaces: tuple[Space, ...]


@click.command("cold")
@db_option
@config_option
@click.option("--from", "start", help="Look for a quiet stretch from this time on.")
@click.option("--to", "end", help="And up to this one. Left out: the last 14 days of the record.")
@click.option("--write", is_flag=True, help="Put the offsets into the configuration.")
@keep_option
@by_option
@json_option
def command(
    database: Path | None, config_path: Path | None, start: str | None, end: str | None,
    write: bool, keep_it: bool, who: str, as_json: bool,
) -> None:  # fmt: skip
    """Compare all probes after hours without current, by their spaces; name those that are off.

    It finds the quiet stretch itself: the latest of ten hours or so, else the longest of at least four.
    """
    desk, by, clock = Desk.of(database, config_path), name_of(who), clock_from_environment()
    with History.open(desk.database) as history:
        boat, checks = desk.boat(history), history.fitting_checks()
        since = _since(history, boat, checks, time_argument(start, "--from"))
        found = judge(history, boat, window(history, since, time_argument(end, "--to")))
    kept = [_check(offset, found, clock.time(), by) for space in found.spaces for offset in space.probes]
    if keep_it:
        kept = keep(desk, kept)
    if as_json:
        put_json(_object(found, kept))
    else:
        tell(found, boat)
    doubted = _misplaced(boat, checks) & {p.probe for s in found.spaces for p in s.probes if _is_sure(p)}
    changes = offsets_to_write(desk, found, doubted)
    if doubted and not as_json:
        click.echo(
            f"\nNo offset is offered for {', '.join(sorted(doubted))}: not where the file says (mounting)."
        )
    offer(desk, changes, write=write, who=by, quiet=as_json)
    if not as_json:
        put_caution(fitting_words.CAUTION)


def _since(history: History, boat: Boat, checks: Sequence[FittingCheck], asked: int | None) -> int | None:
    """Not before the watch began with the offsets that were written last: they would be taken off twice."""
    written = fitting.last_written(
        checks, [c.channel for c in boat.channels if c.quantity is Quantity.CELSIUS]
    )
    if written is None:
        return asked
    booted = history.first_boot_since(written)
    if booted is None:
        raise UserError(
            f"offsets were written on {format_time(written // 1000 * 1000)} and the watch was not started "
            "since: restart it, and let the boat lie quiet again"
        )
    return booted if asked is None else max(asked, booted)


def judge(history: History, boat: Boat, searched: tuple[float, float]) -> Cold:
    """Raises UserError, one line, where the boat was not quiet for long enough."""
    load = fitting_readings.load(history, boat, *searched)
    if not load.currents:
        raise UserError(
            f"{history.path}: no current was read in that time, so nobody knows whether the boat was quiet"
        )
    spans = quiet_spans(load.first_seconds, load.against(fitting_readings.heat_ratings(boat)))
    span = best_quiet(spans)
    if span is None:
        longest = max((s.seconds for s in spans), default=0.0)
        raise UserError(
            f"not quiet enough to tell: {format_duration(SETTLE_SECONDS + LEAST_SECONDS)} with every current "
            f"below {100 * QUIET_RATIO:.0f} % of its rating are needed, the longest was "
            f"{format_duration(longest)}; let the boat lie overnight with the watch running"
        )
    accuracy = {c.channel: ONEWIRE_KELVIN if c.source == "onewire" else OTHER_KELVIN for c in boat.channels}
    spaces = []
    for air, names in _by_air(boat).items():
        celsius, silent = fitting_readings.rows(history, names, span, ROW_SECONDS)
        if celsius:
            spaces.append(
                Space(
                    name=air or "no air configured",
                    drift_kelvin_per_hour=cold_check.drift_kelvin_per_hour(list(celsius.values())),
                    probes=tuple(cold_check.offsets(celsius, air if air in celsius else None, accuracy)),
                    silent=silent,
                )
            )
    if not spaces:
        raise UserError(f"{history.path}: no probe was read all through {_span_told(span)}")
    return Cold(span=span, most_loaded=load.most_amps(span), unmeasured=load.silent, spaces=tuple(spaces))


def _by_air(boat: Boat) -> dict[str | None, list[str]]:
    """Probes by the air that they are in; an air's own probe is one of them."""
    names = {c.channel: c.name for c in boat.channels}
    spaces: dict[str | None, list[str]] = {}
    for joint in boat.joints:
        members = spaces.setdefault(joint.air, [] if joint.air is None else [joint.air])
        if joint.probe not in members:
            members.append(joint.probe)
    known = {name for members in spaces.values() for name in members}
    others = [c.channel for c in boat.channels if c.quantity is Quantity.CELSIUS and c.channel not in known]
    if others:
        spaces.setdefault(None, []).extend(others)
    assert names.keys() >= known
    return spaces


def _span_told(span: Span) -> str:
    first, last = (
        format_time(round(1e3 * t) // 60_000 * 60_000) for t in (span.start_seconds, span.end_seconds)
    )
    return f"{first} to {last}"


def tell(found: Cold, boat: Boat) -> None:
    """The whole answer, as the command says it."""
    names = {c.channel: c.name for c in boat.channels}
    click.echo(
        f"Quiet stretch: {_span_told(found.span)} ({format_duration(found.span.seconds)}, "
        "the first hour left out)"
    )
    if found.most_loaded is not None:
        click.echo(f"  at most {found.most_loaded[1]:.1f} A flowed ({names[found.most_loaded[0]]})")
    for current in found.unmeasured:
        click.echo(f"  {names[current]} was not read: what flowed there is not known")
    for space in found.spaces:
        title = names.get(space.name, space.name)
        click.echo(f"\n{title}: at its fastest it moved by {space.drift_kelvin_per_hour:+.2f} K an hour")
        rows = [(names[p.probe], p.probe, fitting_words.probe_told(p)) for p in space.probes]
        rows += [(names[n], n, "cannot tell: not read all through the stretch") for n in space.silent]
        put_findings(rows)


def _check(offset: ProbeOffset, found: Cold, now: int, who: str) -> FittingCheck:
    return FittingCheck(
        check_id=0,
        time=now,
        kind=CheckKind.COLD,
        subject=offset.probe,
        outcome=_OUTCOMES[offset.verdict],
        finding=offset.verdict.value,
        text=fitting_words.probe_told(offset),
        value=offset.offset_kelvin,
        low=offset.low_kelvin,
        high=offset.high_kelvin,
        unit="K",
        start_time=round(1e3 * found.span.start_seconds),
        end_time=round(1e3 * found.span.end_seconds),
        who=who,
    )


def _is_sure(offset: ProbeOffset) -> bool:
    """Surely not nothing, and known well enough to be taken off."""
    return offset.verdict is not Agreement.CANNOT_TELL and not offset.low_kelvin <= 0.0 <= offset.high_kelvin


def _misplaced(boat: Boat, checks: Sequence[FittingCheck]) -> set[str]:
    """Probes that the last mounting check found in another place than the file says."""
    standing = fitting.latest(checks)
    wrong = (Mounted.SWAPPED.value, Mounted.FALLEN_OFF.value)
    return {
        j.probe
        for j in boat.joints
        if (c := standing.get((CheckKind.MOUNTING, j.joint))) is not None and c.finding in wrong
    }


def offsets_to_write(desk: Desk, found: Cold, doubted: set[str]) -> list[config_edit.Change]:
    """For every probe whose offset is surely not nothing: what it has now, less what was found."""
    if desk.configuration is None:
        return []
    settings = {c.channel: c for c in desk.configuration.channels}
    changes = []
    for offset in (p for space in found.spaces for p in space.probes):
        if (
            not _is_sure(offset)
            or offset.probe in doubted
            or offset.probe not in settings
            or settings[offset.probe].source is None
        ):
            continue
        keys: Mapping[str, object] = settings[offset.probe].keys
        step = _ONEWIRE_STEP_KELVIN if settings[offset.probe].source == "onewire" else _OTHER_STEP_KELVIN
        before = keys.get("offset_kelvin")
        kelvin = (float(before) if isinstance(before, (int, float)) else 0.0) - offset.offset_kelvin
        # in the sensor's own steps, so that the history packs its readings as tightly as before
        changes.append(
            config_edit.Change(
                table="probe",
                name=offset.probe,
                keys={
                    "offset_kelvin": round(kelvin / step) * step,
                    "offset_date": date_of(found.span.end_seconds),
                },
                note="cold check",
            )
        )
    return changes


def _object(found: Cold, kept: Sequence[FittingCheck]) -> dict[str, object]:
    return {
        "start_time": format_time(round(1e3 * found.span.start_seconds)),
        "end_time": format_time(round(1e3 * found.span.end_seconds)),
        "most_loaded_current": None if found.most_loaded is None else found.most_loaded[0],
        "most_loaded_amps": None if found.most_loaded is None else found.most_loaded[1],
        "unmeasured_currents": list(found.unmeasured),
        "spaces": [
            {
                "air": space.name,
                "drift_kelvin_per_hour": space.drift_kelvin_per_hour,
                "probes": [asdict(p) | {"verdict": p.verdict.value} for p in space.probes],
                "silent": list(space.silent),
            }
            for space in found.spaces
        ],
        "checks": [fitting_check_object(check) for check in kept],
    }
