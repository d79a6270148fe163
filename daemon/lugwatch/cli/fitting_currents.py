"""`lugwatch fitting zero`, `sign` and `range`: what each shunt says, of nothing and of a known load."""

import threading
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import click

from lugwatch import config_edit, current_check, fitting, fitting_words
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
    recording_now,
    subjects,
    window,
)
from lugwatch.cli.options import json_option, put_json, time_argument
from lugwatch.clock import Clock, clock_from_environment
from lugwatch.current_check import RangeVerdict, Step, StepVerdict, Zero, ZeroVerdict
from lugwatch.errors import OperationFailed, UserError
from lugwatch.fitting import CheckKind, FittingCheck, Outcome
from lugwatch.fitting_spans import quiet_spans
from lugwatch.json_shapes import fitting_check_object
from lugwatch.model import Boat, Quantity
from lugwatch.store import fitting_readings
from lugwatch.store.queries import History
from lugwatch.units import format_time

LOOK_SECONDS = 5.0
WAIT_MINUTES = 10.0  # for a load to be switched on
RECENT_MINUTES = 30.0  # of history that `sign` looks into
_LEAST_ZERO_SECONDS = 1800.0  # of quiet that the history must hold, if nobody says that all was off
_ZERO_OUTCOMES = {ZeroVerdict.GOOD: Outcome.GOOD, ZeroVerdict.OFF: Outcome.WRONG}
_STEP_OUTCOMES = {
    StepVerdict.RIGHT: Outcome.GOOD,
    StepVerdict.REVERSED: Outcome.WRONG,
    StepVerdict.WRONG_SIZE: Outcome.WRONG,
    StepVerdict.NO_STEP: Outcome.CANNOT_TELL,
}


def _currents(boat: Boat) -> list[str]:
    return [c.channel for c in boat.channels if c.quantity is Quantity.AMPS]


@click.command("zero")
@click.argument("currents", nargs=-1)
@db_option
@config_option
@click.option(
    "--live", is_flag=True, help="Everything is off now: read for some minutes beside the running watch."
)
@click.option("--from", "start", help="Everything was off from this time on …")
@click.option(
    "--minutes", type=click.FloatRange(0.5, 720.0), default=2.0, show_default=True, help="… for so long."
)
@click.option("--write", is_flag=True, help="Put the zeros into the configuration.")
@keep_option
@by_option
@json_option
def zero(
    currents: tuple[str, ...], database: Path | None, config_path: Path | None, live: bool, start: str | None,
    minutes: float, write: bool, keep_it: bool, who: str, as_json: bool,
) -> None:  # fmt: skip
    """Tell what CURRENTS (or all) say when nothing flows: mean, interval, scatter.

    Say so with --live or --from when everything is switched off. Without either it takes the quietest half
    hour of the last 14 days of each current that flows one way only (`one_way`); of others nobody can know.
    """
    desk, by, clock = Desk.of(database, config_path), name_of(who), clock_from_environment()
    since = time_argument(start, "--from")
    if live and since is not None:
        raise UserError("--live reads from now on; leave --from out, or leave --live out")
    if write and not live and since is None:
        raise UserError("--write needs to know that everything was off: say --live or --from as well")
    with History.open(desk.database) as history:
        boat, checks = desk.boat(history), history.fitting_checks()
    asked = subjects(boat, _currents(boat), currents, "current")
    if live:
        since = _wait(desk, clock, minutes, quiet=as_json)
    with History.open(desk.database) as history:
        told = _zeros(history, boat, asked, since, minutes, fitting.last_written(checks, asked))
    now = clock.time()
    ratings = fitting_readings.ratings(boat)
    kept = [_zero_check(name, found, span, ratings[name], now, by) for name, found, span in told]
    if keep_it:
        kept = keep(desk, kept)
    names = {c.channel: c.name for c in boat.channels}
    if as_json:
        put_json([fitting_check_object(c) for c in kept])
    else:
        put_findings([(names[c.subject], c.subject, c.text) for c in kept])
    changes = _zeros_to_write(desk, told)
    offer(desk, changes if since is not None else [], write=write, who=by, quiet=as_json)
    if not as_json:
        put_caution(fitting_words.CAUTION)


def _wait(desk: Desk, clock: Clock, minutes: float, *, quiet: bool) -> int:
    """From when on [ms] readings count, once they are there."""
    with History.open(desk.database) as history:
        recording_now(history, clock)
    began = clock.time()
    if not quiet:
        click.echo(f"Leave everything off for {minutes:g} min …")
    clock.wait(threading.Event(), 60.0 * minutes + LOOK_SECONDS)
    with History.open(desk.database) as history:
        recording_now(history, clock)
    return began


_Told = tuple[str, Zero | None, tuple[float, float] | None]


def _zeros(
    history: History, boat: Boat, asked: Sequence[str], since: int | None, minutes: float, written: int | None
) -> list[_Told]:
    ratings = fitting_readings.ratings(boat)
    found: list[_Told] = []
    for name in asked:
        if since is not None:
            span: tuple[float, float] | None = (since / 1e3, since / 1e3 + 60.0 * minutes)
        else:
            span = _quietest(history, boat, name, written)
        if span is None:
            found.append((name, None, None))
            continue
        _, amps = fitting_readings.readings(history, name, *span)
        found.append((name, current_check.zero(amps, ratings[name]), span))
    return found


def _quietest(history: History, boat: Boat, name: str, written: int | None) -> tuple[float, float] | None:
    """The latest half hour and more of a one-way current in which it hardly moved; None: nobody can know."""
    channel = next(c for c in boat.channels if c.channel == name)
    if not channel.one_way:
        return None
    searched = window(history, written, None)
    load = fitting_readings.load(history, boat, *searched)
    if name not in load.currents:
        return None
    column = load.currents.index(name)
    share = load.against(fitting_readings.ratings(boat))[:, column : column + 1]
    spans = [s for s in quiet_spans(load.first_seconds, share) if s.seconds >= _LEAST_ZERO_SECONDS + 600.0]
    if not spans:
        return None
    # the last half hour but five minutes: an engine may be started within a bucket
    end = spans[-1].end_seconds - 300.0
    return end - _LEAST_ZERO_SECONDS, end


def _zero_check(
    name: str, found: Zero | None, span: tuple[float, float] | None, rated: float, now: int, who: str
) -> FittingCheck:
    text = fitting_words.zero_told(found, rated)
    if found is None and span is None:
        text = "cannot tell: something may have flowed at any time; switch all off and say --live"
    return FittingCheck(
        check_id=0,
        time=now,
        kind=CheckKind.ZERO,
        subject=name,
        outcome=Outcome.CANNOT_TELL
        if found is None
        else _ZERO_OUTCOMES.get(found.verdict, Outcome.CANNOT_TELL),
        finding="cannot_tell" if found is None else found.verdict.value,
        text=text,
        value=None if found is None else found.mean_amps,
        low=None if found is None else found.low_amps,
        high=None if found is None else found.high_amps,
        unit=None if found is None else "A",
        start_time=None if span is None else round(1e3 * span[0]),
        end_time=None if span is None else round(1e3 * span[1]),
        who=who,
    )


def _zeros_to_write(desk: Desk, told: Sequence[_Told]) -> list[config_edit.Change]:
    if desk.configuration is None:
        return []
    settings = {c.channel: c for c in desk.configuration.channels}
    changes = []
    for name, found, span in told:
        known = found is not None and found.verdict in (ZeroVerdict.GOOD, ZeroVerdict.OFF)
        if not known or found is None or span is None or found.low_amps <= 0.0 <= found.high_amps:
            continue
        if name not in settings or settings[name].source is None:
            continue
        before = settings[name].keys.get("zero_amps")
        amps = (float(before) if isinstance(before, (int, float)) else 0.0) + found.mean_amps
        changes.append(
            config_edit.Change(
                table="current",
                name=name,
                keys={"zero_amps": round(amps, 3), "zero_date": date_of(span[1])},
                note="with everything off",
            )
        )
    return changes


@click.command("sign")
@click.argument("current")
@click.option(
    "--amps", type=float, required=True,
    help="About what the load draws; negative where the reading should fall, as a load on a battery's shunt "
    "that counts charge as positive.",
)  # fmt: skip
@db_option
@config_option
@click.option("--live", is_flag=True, help="Switch it on when told to, beside the running watch.")
@click.option(
    "--from", "start", help="It was switched on after this time. Left out: in the last 30 minutes recorded."
)
@keep_option
@by_option
@json_option
def sign(
    current: str, amps: float, database: Path | None, config_path: Path | None, live: bool, start: str | None,
    keep_it: bool, who: str, as_json: bool,
) -> None:  # fmt: skip
    """Switch on a known load of about N A: did CURRENT go the right way, and by about so much?"""
    if not 0.1 <= abs(amps) < 1e4:
        raise UserError(
            f"--amps {amps:g} is no such load; give 0.1 to 10000 A, negative where it should fall"
        )
    desk, by, clock = Desk.of(database, config_path), name_of(who), clock_from_environment()
    since = time_argument(start, "--from")
    if live and since is not None:
        raise UserError("--live follows what happens now; leave --from out, or leave --live out")
    with History.open(desk.database) as history:
        boat = desk.boat(history)
        subjects(boat, _currents(boat), [current], "current")
    if live:
        found, span = follow(desk, current, amps, clock, threading.Event(), quiet=as_json)
    else:
        with History.open(desk.database) as history:
            first, last = window(history, since, None, days=RECENT_MINUTES / 1440.0)
            span = (first, min(last, first + 60.0 * RECENT_MINUTES) if since is not None else last)
            found = current_check.step(*fitting_readings.readings(history, current, *span), amps)
    check = _sign_check(current, found, amps, span, clock.time(), by)
    if keep_it:
        (check,) = keep(desk, [check])
    if as_json:
        step = None if found is None else asdict(found) | {"verdict": found.verdict.value, "at_seconds": None}
        put_json({"check": fitting_check_object(check), "expected_amps": amps, "step": step})
        return
    name = next(c.name for c in boat.channels if c.channel == current)
    put_findings([(name, current, check.text)])
    put_caution(fitting_words.LOAD_CAUTION)


def follow(
    desk: Desk, current: str, amps: float, clock: Clock, stop: threading.Event, *, quiet: bool = False
) -> tuple[Step | None, tuple[float, float]]:
    """Look every five seconds until the load is there and its level known, or time is up."""
    with History.open(desk.database) as history:
        recording_now(history, clock)
        latest = history.latest_readings().get(current)
    if not quiet:
        says = "nothing yet" if latest is None else f"{latest[1]:.2f} A"
        click.echo(fitting_words.LOAD_CAUTION)
        click.echo(f"It says {says}. Wait half a minute, then switch the load of about {abs(amps):g} A on …")
    began = clock.time() / 1e3
    while True:
        stopped = clock.wait(stop, LOOK_SECONDS)
        now = clock.time() / 1e3
        with History.open(desk.database) as history:
            recording_now(history, clock)
            found = current_check.step(*fitting_readings.readings(history, current, began, now), amps)
        moved = found is not None and found.verdict is not StepVerdict.NO_STEP
        if moved or stopped or now - began > 60.0 * WAIT_MINUTES:
            return found, (began, now)


def _sign_check(
    current: str, found: Step | None, amps: float, span: tuple[float, float], now: int, who: str
) -> FittingCheck:
    return FittingCheck(
        check_id=0,
        time=now,
        kind=CheckKind.SIGN,
        subject=current,
        outcome=Outcome.CANNOT_TELL if found is None else _STEP_OUTCOMES[found.verdict],
        finding="cannot_tell" if found is None else found.verdict.value,
        text=fitting_words.step_told(found, amps),
        value=None if found is None else found.change_amps,
        low=None if found is None else found.low_amps,
        high=None if found is None else found.high_amps,
        unit=None if found is None or found.change_amps is None else "A",
        start_time=round(1e3 * span[0]),
        end_time=round(1e3 * span[1]),
        who=who,
    )


@click.command("range")
@db_option
@config_option
@click.option("--from", "start", help="From this time on. Left out: the last 14 days of the record.")
@keep_option
@by_option
@json_option
def in_range(
    database: Path | None, config_path: Path | None, start: str | None, keep_it: bool, who: str, as_json: bool
) -> None:
    """Tell what flowed through each shunt against its rating, and one-way currents that read negative."""
    desk, by, clock = Desk.of(database, config_path), name_of(who), clock_from_environment()
    with History.open(desk.database) as history:
        boat = desk.boat(history)
        if not _currents(boat):
            raise OperationFailed(f"{boat.name} measures no current")
        searched = window(history, time_argument(start, "--from"), None)
        load = fitting_readings.load(history, boat, *searched)
    ratings = fitting_readings.ratings(boat)
    checks = []
    for channel in (c for c in boat.channels if c.quantity is Quantity.AMPS):
        checks.append(
            _range_check(channel.channel, channel.one_way, load, ratings, searched, clock.time(), by)
        )
    if keep_it:
        checks = keep(desk, checks)
    if as_json:
        put_json([fitting_check_object(c) for c in checks])
        return
    names = {c.channel: c.name for c in boat.channels}
    first, last = (format_time(round(1e3 * t) // 60_000 * 60_000) for t in searched)
    click.echo(f"From {first} to {last}:")
    put_findings([(names[c.subject], c.subject, c.text) for c in checks])


def _range_check(
    name: str, one_way: bool, load: fitting_readings.Load, ratings: dict[str, float],
    searched: tuple[float, float], now: int, who: str,
) -> FittingCheck:  # fmt: skip
    known = load.longest_amps(name) if name in load.currents else None
    backwards = load.most_backwards_amps(name) if known is not None and one_way else 0.0
    if known is None:
        outcome, finding, text = Outcome.CANNOT_TELL, "cannot_tell", "cannot tell: it was never read"
    elif backwards > current_check.MOST_ZERO_RATIO * ratings[name]:
        outcome, finding = Outcome.WRONG, "reversed"
        text = fitting_words.backwards_told(backwards)
    else:
        verdict = current_check.in_range(*known, ratings[name])
        outcome = Outcome.GOOD if verdict is RangeVerdict.GOOD else Outcome.WRONG
        finding, text = verdict.value, fitting_words.range_told(verdict, *known, ratings[name])
    return FittingCheck(
        check_id=0, time=now, kind=CheckKind.RANGE, subject=name, outcome=outcome, finding=finding, text=text,
        value=None if known is None else known[0], unit=None if known is None else "A",
        start_time=round(1e3 * searched[0]), end_time=round(1e3 * searched[1]), who=who,
    )  # fmt: skip
