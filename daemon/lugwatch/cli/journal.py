"""`lugwatch journal`: what was done to joints and found on them."""

import textwrap
from pathlib import Path

import click

from lugwatch import __version__, config
from lugwatch.cli.options import db_option, json_option, put_json, time_argument
from lugwatch.clock import clock_from_environment
from lugwatch.entry_rules import Told, entry_of, know
from lugwatch.json_shapes import journal_object
from lugwatch.model import JournalEntry, JournalKind
from lugwatch.photo_file import read_picture
from lugwatch.store.photos import put_entry_with_photos, put_photos
from lugwatch.store.queries import History
from lugwatch.store.writer import Store
from lugwatch.units import format_micro_ohms, format_time


@click.group("journal")
def command() -> None:
    """Write down work on a joint and what was measured on it, and read it again.

    What is written here counts: after work a joint is learned anew. Work on joints only with the
    circuit dead and the battery isolated.
    """


@command.command("add")
@click.argument("joint", required=False)
@click.option("--work", help="It was opened, cleaned, retightened, a part changed: what was done, in words.")
@click.option("--good", is_flag=True, help="Good as it is: its baseline begins anew, its shape is kept.")
@click.option("--millivolts", help="Voltage measured across it while current flowed [mV]; needs --amps.")
@click.option("--amps", help="The current that flowed then [A].")
@click.option("--celsius", help="The temperature of the joint then [°C], if it was measured.")
@click.option("--note", help="Words; alone, or beside --good or --millivolts. Without a JOINT: of the boat.")
@click.option("--at", help="When it was: 2026-05-03T14:30:00Z or epoch seconds. Left out: now.")
@click.option(
    "--photo",
    "photos",
    multiple=True,
    type=click.Path(path_type=Path),
    help="JPEG, PNG or WebP; may be given again. Kept smaller, without place, time or anything but pixels.",
)
@click.option("--by", "who", default="crew", show_default=True, help="Who did it.")
@db_option
@click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The configuration: only for a database that is not there yet, which is then made.",
)
def add(
    joint: str | None,
    work: str | None,
    good: bool,
    millivolts: str | None,
    amps: str | None,
    celsius: str | None,
    note: str | None,
    at: str | None,
    photos: tuple[Path, ...],
    who: str,
    database: Path,
    config_path: Path | None,
) -> None:
    """Write one entry about JOINT. A running watch takes it in within seconds.

    --work: baseline and thermal shape of this joint begin anew, from the next load on; alerts that
    compared it with what it was are over. --good: the same of its baseline alone. --millivolts: the
    joint's resistance is followed from it, once its warming is known.
    """
    clock = clock_from_environment()
    when = time_argument(at, "--at")
    told = Told(
        joint=joint,
        work=work,
        good=good,
        millivolts=millivolts,
        amps=amps,
        celsius=celsius,
        note=note,
        who=who,
    )
    entry = entry_of(told, clock.time() if when is None else when, "--{}".format)
    if config_path is not None and not database.exists():
        boat = config.load(config_path, lenient=True).boat
        know(joint, [j.joint for j in boat.joints], config_path)
        Store.open(database, clock=clock, boat=boat, version=__version__).close()
    with History.open(database) as history:
        know(joint, history.joint_ids(), database)
    number = put_entry_with_photos(database, entry, [read_picture(photo) for photo in photos])
    with_photos = f", {_photos(len(photos))}" if photos else ""
    click.echo(f"Entry {number} of the journal: {_sentence(entry, {})}{with_photos}")


@command.command("photo")
@click.argument("entry", type=click.IntRange(min=1, max=2**63 - 1))
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path(path_type=Path))
@db_option
def photo(entry: int, files: tuple[Path, ...], database: Path) -> None:
    """Add photos to ENTRY of the journal: JPEG, PNG or WebP.

    Each is made anew from its pixels, at most 1600 of them long and 600 kB, so nothing of where and when
    it was taken is kept. All of them are added, or none.
    """
    put_photos(database, entry, [read_picture(file) for file in files])
    click.echo(f"Entry {entry} of the journal: {_photos(len(files))} added")


@command.command("list")
@click.argument("joint", required=False)
@db_option
@json_option
def list_(joint: str | None, database: Path, as_json: bool) -> None:
    """Read the journal, all of it or what is about JOINT, in the order in which things were done."""
    with History.open(database) as history:
        know(joint, history.joint_ids(), database)
        entries = history.journal(joint)
        photos = history.photos()
        names = {j.joint: j.name for j in history.boat().joints}
    if as_json:
        put_json([journal_object(entry, photos) for entry in entries])
        return
    if not entries:
        click.echo("Nothing is written in the journal yet.")
    for entry in entries:
        click.echo(f"{entry.entry_id}  {format_time(entry.time // 1000 * 1000)}  {_sentence(entry, names)}")
        if entry.note is not None:
            click.echo(textwrap.indent(textwrap.fill(entry.note, 96), "    "))
        if entry.entry_id in photos:
            click.echo(f"    {_photos(len(photos[entry.entry_id]))}")


def _sentence(entry: JournalEntry, names: dict[str, str]) -> str:
    of = "the boat" if entry.joint is None else names.get(entry.joint, entry.joint)
    match entry.kind:
        case JournalKind.WORK:
            what = "worked on; learned anew from the next load on"
        case JournalKind.GOOD:
            what = "good as it is; its baseline begins anew"
        case JournalKind.MILLIVOLTS:
            what = _measurement(entry)
        case JournalKind.NOTE:
            what = "a note"
    return f"{of}: {what} ({entry.who})"


def _photos(count: int) -> str:
    return "1 photo" if count == 1 else f"{count} photos"


def _measurement(entry: JournalEntry) -> str:
    if entry.volts is None or entry.amps is None:
        return "measured"
    at = "" if entry.celsius is None else f" and {entry.celsius:g} °C"
    ohms = format_micro_ohms(entry.volts / entry.amps)
    return f"{1000.0 * entry.volts:g} mV at {entry.amps:g} A{at}, {ohms} as it was"
