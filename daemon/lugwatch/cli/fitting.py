"""`lugwatch fitting`: from a bag of probes to trust. What is done, what is left, what to do next."""

import textwrap
from dataclasses import asdict
from pathlib import Path

import click

from lugwatch import fitting as steps_of_fitting
from lugwatch import fitting_advice, fitting_words
from lugwatch.cli import fitting_cold, fitting_currents, fitting_mounting
from lugwatch.cli.fitting_shared import (
    Desk,
    by_option,
    config_option,
    db_option,
    keep,
    name_of,
    put_caution,
    subjects,
    window,
)
from lugwatch.cli.options import json_option, put_json, put_table
from lugwatch.clock import clock_from_environment
from lugwatch.errors import UserError
from lugwatch.fitting import CheckKind, FittingCheck, Outcome
from lugwatch.json_shapes import fitting_check_object
from lugwatch.model import Quantity
from lugwatch.store import fitting_readings
from lugwatch.store.queries import History
from lugwatch.units import format_time


@click.group("fitting", invoke_without_command=True)
@db_option
@config_option
@json_option
def command(database: Path | None, config_path: Path | None, as_json: bool) -> None:
    """Tell what of the fitting is done, what is left, and what to do next.

    Leave it and come back whenever you like: every check is kept with its date. The steps: names by a
    finger, a cold check of all probes, zero, sign and range of each shunt, the mounting of each probe.
    """
    if click.get_current_context().invoked_subcommand is not None:
        return
    desk = Desk.of(database, config_path)
    with History.open(desk.database) as history:
        boat, checks = desk.boat(history), history.fitting_checks()
    steps = steps_of_fitting.steps(boat, checks)
    standing = steps_of_fitting.latest(checks)
    following = steps_of_fitting.following(steps)
    if as_json:
        put_json(
            {
                "steps": [asdict(s) | {"kind": s.kind.value, "is_done": s.is_done} for s in steps],
                "next": None if following is None else following.kind.value,
                "checks": [fitting_check_object(check) for check in standing.values()],
            }
        )
        return
    put_table(
        ("step", "what holds when it is done", "how it stands"),
        [
            (fitting_words.title(s.kind), fitting_words.purpose(s.kind), fitting_words.step_line(s))
            for s in steps
        ],
    )
    wrong = [c for (kind, _), c in standing.items() if c.outcome is Outcome.WRONG and _counts(c, steps)]
    if wrong:
        click.echo("\nTo be put right:")
    for check in wrong:
        when = format_time(check.time // 60_000 * 60_000)
        line = f"{check.subject}, {fitting_words.title(check.kind)} of {when}: {check.text}"
        click.echo(textwrap.fill(line, 100, initial_indent="  ", subsequent_indent="    "))
    click.echo()
    if following is None:
        click.echo("All is checked. After work on a probe or shunt check it again; proof tests come next.")
    else:
        told = f"Next, {fitting_words.title(following.kind)}: {fitting_words.what_next(following)}."
        click.echo(textwrap.fill(told, 100))
    put_caution(fitting_words.CAUTION)


def _counts(check: FittingCheck, steps: list[steps_of_fitting.StepLeft]) -> bool:
    return any(check.kind is s.kind and check.subject in s.wrong for s in steps)


@command.command("named")
@click.argument("probes", nargs=-1)
@click.option("--all", "every", is_flag=True, help="All of them.")
@db_option
@config_option
@by_option
def named(
    probes: tuple[str, ...], every: bool, database: Path | None, config_path: Path | None, who: str
) -> None:
    """Keep that PROBES were warmed with a finger (`lugwatch probes`) and are where the file says."""
    desk, by, clock = Desk.of(database, config_path), name_of(who), clock_from_environment()
    if bool(probes) == every:
        raise UserError("name the probes that you have warmed, or say --all")
    with History.open(desk.database) as history:
        boat = desk.boat(history)
    known = steps_of_fitting.subjects(boat, CheckKind.NAMED)
    chosen = subjects(boat, known, probes, "probe")
    keep(
        desk,
        [
            FittingCheck(
                check_id=0, time=clock.time(), kind=CheckKind.NAMED, subject=probe, outcome=Outcome.GOOD,
                finding="named", text="warmed with a finger: where the file says", who=by,
            )
            for probe in chosen
        ],
    )  # fmt: skip
    click.echo(f"Kept: {len(chosen)} of {len(known)} probes are where the file says.")


@command.command("advice")
@db_option
@config_option
@click.option("--last", type=click.IntRange(min=1), default=5, show_default=True, help="Tell so many.")
@json_option
def advice(database: Path | None, config_path: Path | None, last: int, as_json: bool) -> None:
    """Tell where another probe would earn most: heavy circuits, missing twins, missing airs."""
    desk = Desk.of(database, config_path)
    with History.open(desk.database) as history:
        boat = desk.boat(history)
        heaviest: dict[str, float] = {}
        if history.data_span() is not None:
            load = fitting_readings.load(history, boat, *window(history, None, None))
            told = {name: load.longest_amps(name) for name in load.currents}
            heaviest = {name: known[0] for name, known in told.items() if known is not None}
    parts = () if desk.configuration is None else desk.configuration.page.parts
    found = fitting_advice.advise(boat, parts, heaviest)[:last]
    if as_json:
        put_json([asdict(s) for s in found])
        return
    if not found:
        click.echo("Nothing that stands out: every circuit of 30 A and more has its joints, twins and air.")
    for number, s in enumerate(found, start=1):
        carries = (
            "current unknown"
            if s.amps is None
            else f"{s.amps:.0f} A" + ("" if s.measured else " by its rating")
        )
        line = f"{number}. {s.about} ({carries}): {s.text}."
        click.echo(textwrap.fill(line, 100, subsequent_indent="   "))
    if desk.configuration is None or not parts:
        click.echo(
            "With [[part]] in the configuration it also knows fuses, switches and machines with one probe."
        )
    if not any(c.quantity is Quantity.AMPS for c in boat.channels):
        click.echo("No current is measured: a shunt on the battery is worth more than any probe.")
    put_caution(fitting_words.CAUTION)


for part in (
    fitting_cold.command,
    fitting_currents.zero,
    fitting_currents.sign,
    fitting_currents.in_range,
    fitting_mounting.command,
):
    command.add_command(part)
