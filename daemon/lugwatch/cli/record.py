"""`lugwatch record`: what people did and what was found, in one file, out of one database into another."""

from collections.abc import Mapping
from pathlib import Path

import click

from lugwatch import __version__, config
from lugwatch.cli.options import db_option
from lugwatch.clock import clock_from_environment
from lugwatch.errors import UserError
from lugwatch.store import whole_record
from lugwatch.store.queries import History
from lugwatch.store.writer import Store

_WORDS = {
    "journal": "journal entries",
    "photos": "photos",
    "passages": "passages",
    "alerts": "alerts",
    "baselines": "baselines",
    "creeps": "judgements over passages",
    "proofs": "proof tests",
    "fitting_checks": "checks of the fitting",
}


@click.group("record")
def command() -> None:
    """The record of a boat without its readings: journal, photos, passages, alerts, proof tests and more.

    For another card, another computer or the next owner. Readings go with `export`, all of it with `backup`.
    """


@command.command("export")
@db_option
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="FILE.json, written whole."
)
def export(database: Path, out: Path) -> None:
    """Write the record to FILE.json. It may be done while the watch runs."""
    if out.suffix.lower() != ".json":
        raise UserError(f"--out {out}: a record is JSON; name it FILE.json")
    counts = whole_record.export(database, out, __version__)
    click.echo(f"{out}: {_told(counts)}")


@command.command("import")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@db_option
@click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The configuration: only for a database that is not there yet, which is then made.",
)
def import_(file: Path, database: Path, config_path: Path | None) -> None:
    """Read the record in FILE into the database: all of it, or nothing. What is there already is left alone.

    It is history: it resets no baseline, is not learned from and told to nobody.
    """
    record = whole_record.read(file)
    if config_path is not None and not database.exists():
        boat = config.load(config_path, lenient=True).boat
        Store.open(database, clock=clock_from_environment(), boat=boat, version=__version__).close()
    with History.open(database) as history:
        known = set(history.joint_ids())
    taken = whole_record.take_in(database, record)
    click.echo(f"{database}: {_told(taken.new)} of {record.boat} read in; {_there(taken.known)}")
    told = [entry.joint for entry in record.journal] + [alert.joint for alert in record.alerts]
    strange = {joint for joint in told if joint is not None} - known
    if strange:
        click.echo(f"Not configured here, so shown by their ids: {', '.join(sorted(strange))}")


def _told(counts: Mapping[str, int]) -> str:
    told = [f"{count} {_WORDS[part]}" for part, count in counts.items() if count]
    return ", ".join(told) or "nothing"


def _there(counts: Mapping[str, int]) -> str:
    all_of_them = sum(counts.values())
    return f"{all_of_them} were there already" if all_of_them else "nothing of it was there already"
