"""`lugwatch circuit`: asks what the joints sit on and puts it into the configuration, for the drawing."""

from pathlib import Path

import click

from lugwatch.cli import circuit_desk
from lugwatch.cli.circuit_desk import Desk, answers_option, part_option
from lugwatch.cli.options import config_option
from lugwatch.errors import UserError


@click.command("circuit")
@config_option
@answers_option
@part_option
@click.option("--dry-run", is_flag=True, help="Tell what would be drawn and write nothing.")
@click.option("--anew", is_flag=True, help="Ask all again, whatever was answered before.")
def command(
    config_path: Path, answers_path: Path | None, parts_said: tuple[str, ...], dry_run: bool, anew: bool
) -> None:
    """Ask for batteries, fuses, switches, bars and machines, and which joint sits on which.

    They become [[part]] tables in the configuration, for the drawing on the page and `lugwatch fitting
    advice`. Leave with Ctrl-C whenever you like: answers are kept beside the configuration and the same
    command goes on. Everything else in the file stays, comments too, and the file as it was is kept.
    """
    desk = Desk.of(config_path)
    if answers_path is None and not parts_said and not dry_run:
        if not circuit_desk.on_terminal():
            raise UserError(
                "circuit asks on a terminal; without one give --answers FILE or --part KIND:NAME=JOINT"
            )
        circuit_desk.asked(desk, input, anew=anew)
        return
    text, boat, parts = desk.written(circuit_desk.scripted(desk, answers_path, parts_said))
    for line in circuit_desk.drawn(boat, parts):
        click.echo(line)
    if not dry_run:
        desk.write(text)
