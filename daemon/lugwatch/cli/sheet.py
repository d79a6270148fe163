"""`lugwatch sheet`: a joint, a passage or the boat on one sheet, to print, keep or hand over."""

import contextlib
import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from lugwatch import config
from lugwatch.cli.options import db_option
from lugwatch.clock import clock_from_environment
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Part, Watching
from lugwatch.stack import Stack
from lugwatch.store.queries import History

if TYPE_CHECKING:
    from lugwatch.dashboard.record_sheet import Sheets

_out = click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path, dir_okay=False, allow_dash=True),
    help="FILE.html, or - for standard output. Left out: named after what it is of, in this folder.",
)

_config = click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The configuration, for the joint from bar to nut ([joint.stack]); the database does not hold it.",
)


@click.group("sheet")
def command() -> None:
    """Write one sheet as one HTML file: no script, nothing from elsewhere, made to be printed on A4.

    It holds what is known, with deviations, dates and sources, and says what is not known. For an
    electrician, a surveyor, an insurer, or the boat's own folder.
    """


@click.command("report")
@click.argument("what")
@db_option
@_config
@_out
def report(what: str, database: Path, config_path: Path | None, out: Path | None) -> None:
    """The sheet of WHAT, a joint or the number of a passage; `lugwatch sheet` in short."""
    with History.open(database) as history:
        is_joint = any(j.joint == what for j in history.boat().joints)
    if is_joint or not what.removeprefix("-").isdigit():
        _joint(what, database, config_path, out)
    else:
        _passage(what, database, out)


@command.command("joint")
@click.argument("joint")
@db_option
@_config
@_out
def joint_sheet(joint: str, database: Path, config_path: Path | None, out: Path | None) -> None:
    """JOINT: what it is, its baseline, how it stands, its passages, alerts, journal and proof tests."""
    _joint(joint, database, config_path, out)


@command.command("passage")
@click.argument("passage")
@db_option
@_out
def passage_sheet(passage: str, database: Path, out: Path | None) -> None:
    """PASSAGE, by its number: what ran, how hot each joint got, what moved, alerts and journal."""
    _passage(passage, database, out)


def _joint(joint: str, database: Path, config_path: Path | None, out: Path | None) -> None:
    stacks = None if config_path is None else config.load(config_path).page.stacks
    with History.open(database) as history:
        known = [j.joint for j in history.boat().joints]
    if joint not in known:
        raise UserError(f"there is no joint {joint!r} in {database}; there are {', '.join(known) or 'none'}")
    write_sheet(sheets(database, stacks=stacks).joint(joint), database, out, f"sheet-joint-{joint}")


def _passage(passage: str, database: Path, out: Path | None) -> None:
    with History.open(database) as history:
        known = [p.passage_id for p in history.passages()]
    if not re.fullmatch(r"-?[0-9]{1,12}", passage) or int(passage) not in known:
        told = "none yet" if not known else f"{known[0]} to {known[-1]}; `lugwatch passages` lists them"
        raise UserError(f"there is no passage {passage!r} in {database}; there are {told}")
    write_sheet(sheets(database).passage(int(passage)), database, out, f"sheet-passage-{passage}")


@command.command("boat")
@db_option
@click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The configuration, for the names of parts in the circuit; the database does not hold these.",
)
@_out
def boat_sheet(database: Path, config_path: Path | None, out: Path | None) -> None:
    """The whole boat: circuit, every joint and how much it can carry, open alerts, what is not known."""
    parts = () if config_path is None else tuple(config.load(config_path).page.parts)
    with History.open(database) as history:
        history.boat()
    write_sheet(sheets(database, parts).boat(), database, out, "sheet-boat")


def sheets(
    database: Path, parts: tuple[Part, ...] = (), stacks: Mapping[str, Stack] | None = None
) -> "Sheets":
    """What makes the sheets of this database; parts and stacks are the configuration's."""
    # the dashboard's rooms are loaded only when a sheet is made
    from lugwatch.dashboard.look import Look
    from lugwatch.dashboard.record_sheet import Sheets

    look = Look(
        database=database,
        clock=clock_from_environment(),
        watching=Watching(),
        temperature_unit="celsius",
        parts=parts,
        stacks=stacks or {},
    )
    return Sheets.of(look)


def write_sheet(sheet: str | None, database: Path, out: Path | None, name: str) -> None:
    """Puts the sheet where it is asked for, whole or not at all."""
    if sheet is None:
        raise OperationFailed(f"{database} changed while it was read; try again")
    if out is not None and str(out) == "-":
        click.echo(sheet, nl=False)
        return
    path = out if out is not None else Path(f"{name}.html")
    if path.suffix.lower() not in (".html", ".htm"):
        raise UserError(f"--out {path}: a sheet is HTML; name it FILE.html, or - for standard output")
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_text(sheet, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise OperationFailed(f"cannot write {path}: {error.strerror}") from None
    click.echo(f"{path}: {len(sheet.encode()) / 1000:.0f} kB; open it in a browser and print it")
