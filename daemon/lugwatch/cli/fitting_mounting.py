"""`lugwatch fitting mounting`: does each probe answer to load as its twins do?"""

from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

import click

from lugwatch import fitting_words, mounting
from lugwatch.cli.fitting_shared import (
    Desk,
    by_option,
    config_option,
    db_option,
    keep,
    keep_option,
    name_of,
    put_caution,
    put_findings,
    window,
)
from lugwatch.cli.options import json_option, put_json, time_argument
from lugwatch.clock import clock_from_environment
from lugwatch.errors import UserError
from lugwatch.fitting import CheckKind, FittingCheck, Outcome
from lugwatch.fitting_spans import LOADED_RATIO, Span, loaded_spans
from lugwatch.json_shapes import fitting_check_object
from lugwatch.model import Boat, Joint
from lugwatch.mounting import ROW_SECONDS, Chunk, Mounted, Mounting, Place
from lugwatch.store import fitting_readings
from lugwatch.store.queries import History
from lugwatch.units import format_duration, format_time

MOST_HOURS = 8.0  # of load that is looked at, the latest
_WELL_READ = 0.75  # of the channels that the best load has
_OUTCOMES = {Mounted.SOUND: Outcome.GOOD, Mounted.CANNOT_TELL: Outcome.CANNOT_TELL}


@click.command("mounting")
@db_option
@config_option
@click.option("--from", "start", help="Only load after this time: since a probe was pressed on again, say.")
@keep_option
@by_option
@json_option
def command(
    database: Path | None, config_path: Path | None, start: str | None, keep_it: bool, who: str, as_json: bool
) -> None:
    """Tell of each joint whether its probe answers to its current: fallen off, badly pressed, swapped.

    It takes the last eight hours with load of the last 14 days. Two probes swapped between joints of one
    current answer alike: only a finger tells those.
    """
    desk, by, clock = Desk.of(database, config_path), name_of(who), clock_from_environment()
    with History.open(desk.database) as history:
        boat = desk.boat(history)
        searched = window(history, time_argument(start, "--from"), None)
        spans, found = judge(history, boat, searched)
    names = {j.joint: j.name for j in boat.joints}
    currents = {c.channel: c.name for c in boat.channels}
    checks = [_check(m, names, currents, spans, clock.time(), by) for m in found]
    if keep_it:
        checks = keep(desk, checks)
    if as_json:
        put_json(
            {
                "spans": [
                    [format_time(round(1e3 * t)) for t in (s.start_seconds, s.end_seconds)] for s in spans
                ],
                "joints": [asdict(m) | {"verdict": m.verdict.value} for m in found],
                "checks": [fitting_check_object(c) for c in checks],
            }
        )
        return
    total = format_duration(sum(s.seconds for s in spans))
    first, last = (format_time(round(1e3 * t) // 60_000 * 60_000)
                   for t in (spans[0].start_seconds, spans[-1].end_seconds))  # fmt: skip
    click.echo(f"By {total} with load between {first} and {last}:")
    put_findings([(names[c.subject], c.subject, c.text) for c in checks])
    put_caution(fitting_words.CAUTION)


def judge(history: History, boat: Boat, searched: tuple[float, float]) -> tuple[list[Span], list[Mounting]]:
    """Which hours were looked at, and one verdict a joint. Raises UserError where there was no load."""
    load = fitting_readings.load(history, boat, *searched)
    ratings = fitting_readings.heat_ratings(boat)
    spans = (
        loaded_spans(load.first_seconds, load.against(ratings), 3600.0 * MOST_HOURS) if load.currents else []
    )
    spans = [
        Span(start_seconds=max(s.start_seconds, searched[0]), end_seconds=min(s.end_seconds, searched[1]))
        for s in spans
    ]
    if not spans:
        raise UserError(
            f"{history.path}: no load in that time (a current of {100 * LOADED_RATIO:.0f} % of its shunt or "
            "more); motor for two hours with loads switched on and off"
        )
    wanted = _channels(boat)
    read = [fitting_readings.rows(history, wanted, span, ROW_SECONDS)[0] for span in spans]
    # as the boat is now: what the latest load that was read well has, and the loads before that have it all
    most = max(len(found) for found in read)
    latest = max(n for n, found in enumerate(read) if len(found) >= _WELL_READ * most)
    whole = set(read[latest])
    kept = [n for n, found in enumerate(read) if whole <= found.keys()]
    spans, read = [spans[n] for n in kept], [read[n] for n in kept]
    places = [_place(j, whole) for j in boat.joints if j.probe in whole]
    chunks = [
        Chunk(
            celsius={n: v for n, v in found.items() if n in whole and n not in load.currents},
            amps={n: v for n, v in found.items() if n in whole and n in load.currents},
        )
        for found in read
    ]
    judged = {m.joint: m for m in mounting.judge(places, chunks)} if places else {}
    silent = Mounting(joint="", verdict=Mounted.CANNOT_TELL, needs="readings")
    return spans, [judged.get(j.joint, replace(silent, joint=j.joint)) for j in boat.joints]


def _channels(boat: Boat) -> list[str]:
    wanted = [c for j in boat.joints for c in (j.probe, j.air, j.current) if c is not None]
    return list(dict.fromkeys(wanted))


def _place(joint: Joint, whole: set[str]) -> Place:
    return Place(
        joint=joint.joint,
        probe=joint.probe,
        current=joint.current if joint.current in whole else None,
        air=joint.air if joint.air in whole else None,
        neighbours=joint.neighbours,
    )


def _check(
    found: Mounting,
    names: dict[str, str],
    currents: dict[str, str],
    spans: Sequence[Span],
    now: int,
    who: str,
) -> FittingCheck:
    return FittingCheck(
        check_id=0,
        time=now,
        kind=CheckKind.MOUNTING,
        subject=found.joint,
        outcome=_OUTCOMES.get(found.verdict, Outcome.WRONG),
        finding=found.verdict.value,
        text=fitting_words.mounting_told(found, names, currents),
        value=found.swing_kelvin,
        unit=None if found.swing_kelvin is None else "K",
        start_time=round(1e3 * spans[0].start_seconds),
        end_time=round(1e3 * spans[-1].end_seconds),
        who=who,
    )
