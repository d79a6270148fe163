"""`lugwatch winter`: which joints to work on while the boat is laid up, in which order, with what."""

import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from lugwatch import config
from lugwatch.cli.options import db_option, json_option, put_json
from lugwatch.cli.sheet import sheets, write_sheet
from lugwatch.clock import clock_from_environment
from lugwatch.errors import UserError
from lugwatch.stack import Stack
from lugwatch.store.queries import History

_WIDTH = 96


@click.command("winter")
@db_option
@click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The configuration, for [joint.stack]: lugs, stud and washers are not in the database.",
)
@json_option
@click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path, dir_okay=False, allow_dash=True),
    help="FILE.html, or - for standard output: the same as one sheet to print.",
)
def command(database: Path, config_path: Path | None, as_json: bool, out: Path | None) -> None:
    """Rank all joints by trend, margin to their limit and age of the last work; say what to do, with what.

    The worst of the three comes first, then their sum. Ages are counted to now. Work on joints only with
    the circuit dead and the battery isolated; local codes and a licensed electrician have the last word.
    """
    if as_json and out is not None:
        raise UserError("--json and --out are two answers; ask for one")
    stacks: Mapping[str, Stack] = {} if config_path is None else config.load(config_path).page.stacks
    if out is not None:
        write_sheet(sheets(database, stacks=stacks).winter(), database, out, "plan-winter")
        return
    from lugwatch.dashboard.winter_view import winter_record

    with History.open(database) as history:
        record = winter_record(history, stacks, clock_from_environment().time())
    if as_json:
        put_json(record)
        return
    _told(record, config_path is None)


def _told(record: Any, without_config: bool) -> None:
    click.echo(f"{record['boat']}, plan for the winter, {record['time']}")
    for row in record["joints"]:
        click.echo(f"\n{row['rank']}. {row['name']}: {row['grade']}")
        _line(row["why"], "   ")
        _line("Do: " + "; ".join(w["short"] for w in row["works"]) + ".", "   ")
        if row["works"][0]["work"] != "leave":
            torque = row["torque_newton_metres"]
            told = "unknown" if torque is None else f"{torque:g} N m ({row['torque_source']})"
            needed = "; ".join(m["text"] for m in row["materials"])
            anew = any(w["work"] == "remake" for w in row["works"])
            _line(f"Torque: {told}. Material{'' if anew else ', should it be opened'}: {needed}.", "   ")
    click.echo("\nWhat is meant:")
    said: dict[str, str] = {w["short"]: w["text"] for row in record["joints"] for w in row["works"]}
    for short, text in said.items():
        _line(f"{short}: {text}", "- ")
    click.echo("\nTo buy, for the joints that are to be made anew:")
    for m in record["to_buy"]:
        _line(m["text"] + (f" ({m['source']})" if m["source"] else ""), "- ")
    if not record["to_buy"]:
        click.echo("- nothing")
    if without_config:
        click.echo("Lugs, studs and washers stand in [joint.stack]: give --config FILE.")
    click.echo("\nCautions:")
    for caution in record["cautions"]:
        _line(caution, "- ")


def _line(text: str, lead: str) -> None:
    click.echo(
        textwrap.fill(
            text,
            _WIDTH,
            initial_indent=lead,
            subsequent_indent=" " * len(lead),
            break_long_words=False,
            break_on_hyphens=False,
        )
    )
