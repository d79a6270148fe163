"""`lugwatch journal`: what was done to joints and found on them."""

import textwrap
from dataclasses import dataclass
from pathlib import Path

import click

from lugwatch import __version__, config
from lugwatch.cli.options import db_option, json_option, put_json, time_argument
from lugwatch.clock import clock_from_environment
from lugwatch.errors import UserError
from lugwatch.intake import COLDEST_CELSIUS, HOTTEST_CELSIUS, LARGEST_AMPS
from lugwatch.json_shapes import journal_entry_object
from lugwatch.model import JournalEntry, JournalKind
from lugwatch.resistance import LEAST_AMPS, MOST_VOLTS
from lugwatch.store.crew import put_journal_entry
from lugwatch.store.queries import History
from lugwatch.store.writer import Store
from lugwatch.units import format_micro_ohms, format_time, parse_number

# More across a joint, and it melts (Holm; see `resistance`).
LARGEST_MILLIVOLTS = 1000.0 * MOST_VOLTS
# Less than any bolted joint of boat size has: a slip of the unit (common practice, no source).
SMALLEST_OHMS = 0.1e-6
LONGEST_NOTE = 2000


@click.group("journal")
def command() -> None:
    """Write down work on a joint and what was measured on it, and read it again.

    What is written here counts: after work a joint is learned anew. Work on joints only with the
    circuit dead and the battery isolated.
    """


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """What was given on the command line."""

    joint: str | None
    work: str | None
    good: bool
    millivolts: str | None
    amps: str | None
    celsius: str | None
    note: str | None


@command.command("add")
@click.argument("joint", required=False)
@click.option("--work", help="It was opened, cleaned, retightened, a part changed: what was done, in words.")
@click.option("--good", is_flag=True, help="Good as it is: its baseline begins anew, its shape is kept.")
@click.option("--millivolts", help="Voltage measured across it while current flowed [mV]; needs --amps.")
@click.option("--amps", help="The current that flowed then [A].")
@click.option("--celsius", help="The temperature of the joint then [°C], if it was measured.")
@click.option("--note", help="Words; alone, or beside --good or --millivolts. Without a JOINT: of the boat.")
@click.option("--at", help="When it was: 2026-05-03T14:30:00Z or epoch seconds. Left out: now.")
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
    who: str,
    database: Path,
    config_path: Path | None,
) -> None:
    """Write one entry about JOINT. A running watch takes it in within seconds.

    --work: baseline and thermal shape of this joint begin anew, from the next load on; alerts that
    compared it with what it was are over. --good: the same of its baseline alone. --millivolts: the
    joint's resistance is followed from it, once its warming is known.
    """
    told = _Told(
        joint=joint, work=work, good=good, millivolts=millivolts, amps=amps, celsius=celsius, note=note
    )
    kind = _kind(told)
    clock = clock_from_environment()
    when = time_argument(at, "--at")
    volts, amperes, degrees = _measured(told, kind)
    entry = JournalEntry(
        entry_id=0,
        joint=joint,
        time=clock.time() if when is None else when,
        kind=kind,
        note=_words(told, kind),
        who=_line(who, "--by"),
        volts=volts,
        amps=amperes,
        celsius=degrees,
    )
    if config_path is not None and not database.exists():
        boat = config.load(config_path, lenient=True).boat
        _know(joint, [j.joint for j in boat.joints], config_path)
        Store.open(database, clock=clock, boat=boat, version=__version__).close()
    with History.open(database) as history:
        _know(joint, history.joint_ids(), database)
    number = put_journal_entry(database, entry)
    click.echo(f"Entry {number} of the journal: {_sentence(entry, {})}")


def _kind(told: _Told) -> JournalKind:
    given = {
        JournalKind.WORK: told.work is not None,
        JournalKind.GOOD: told.good,
        JournalKind.MILLIVOLTS: told.millivolts is not None,
    }
    kinds = [kind for kind, is_given in given.items() if is_given]
    if len(kinds) > 1:
        raise UserError("one entry says one thing: --work, --good or --millivolts; write two entries")
    if not kinds and told.note is None:
        raise UserError("nothing to write: give --work TEXT, --good, --millivolts and --amps, or --note TEXT")
    kind = kinds[0] if kinds else JournalKind.NOTE
    if kind is JournalKind.WORK and told.note is not None:
        raise UserError("--work has its own words; leave --note out")
    if kind is not JournalKind.NOTE and told.joint is None:
        raise UserError(f"--{kind.value} is said of a joint: give its id before the options")
    if kind is not JournalKind.MILLIVOLTS and (told.amps is not None or told.celsius is not None):
        raise UserError("--amps and --celsius go with --millivolts; give the voltage too")
    return kind


def _words(told: _Told, kind: JournalKind) -> str | None:
    text = told.work if kind is JournalKind.WORK else told.note
    return None if text is None else _line(text, "--work" if kind is JournalKind.WORK else "--note")


def _line(text: str, option: str) -> str:
    words = " ".join(text.split())
    if not words:
        raise UserError(f"{option} is empty; say it in words")
    if not words.isprintable():
        raise UserError(f"{option} holds characters that cannot be shown; write plain text")
    if len(words) > LONGEST_NOTE:
        raise UserError(f"{option} is {len(words)} characters long; at most {LONGEST_NOTE}, or two entries")
    return words


def _measured(told: _Told, kind: JournalKind) -> tuple[float | None, float | None, float | None]:
    """Volts, amperes and °C of a measurement; refuses what no joint can have shown."""
    if kind is not JournalKind.MILLIVOLTS or told.millivolts is None:
        return None, None, None
    if told.amps is None:
        raise UserError("--millivolts needs --amps, the current that flowed while it was measured")
    millivolts = _number(told.millivolts, "--millivolts", "mV")
    amps = _number(told.amps, "--amps", "A")
    if not 0.0 < millivolts <= LARGEST_MILLIVOLTS:
        raise UserError(
            f"--millivolts {told.millivolts}: a joint under load shows more than 0 and at most "
            f"{LARGEST_MILLIVOLTS:g} mV; leave the sign out and check the meter's range"
        )
    if not LEAST_AMPS <= amps <= LARGEST_AMPS:
        raise UserError(
            f"--amps {told.amps}: at least {LEAST_AMPS:g} and at most {LARGEST_AMPS:g} A must flow "
            "to measure a joint; leave the sign out"
        )
    if millivolts / 1000.0 / amps < SMALLEST_OHMS:
        raise UserError(
            f"--millivolts {told.millivolts} at {amps:g} A is less than any bolted joint shows; "
            "give the voltage in millivolts"
        )
    if told.celsius is None:
        return millivolts / 1000.0, amps, None
    celsius = _number(told.celsius, "--celsius", "°C")
    if not COLDEST_CELSIUS <= celsius <= HOTTEST_CELSIUS:
        raise UserError(
            f"--celsius {told.celsius}: give the joint's temperature in °C, "
            f"{COLDEST_CELSIUS:g} to {HOTTEST_CELSIUS:g}"
        )
    return millivolts / 1000.0, amps, celsius


def _number(text: str, option: str, unit: str) -> float:
    value = parse_number(text)
    if value is None:
        raise UserError(f"{option} {text!r} is no number; give {unit} with a decimal point, as in 4.5")
    return value


def _know(joint: str | None, known: list[str], where: Path) -> None:
    if joint is not None and joint not in known:
        raise UserError(f"{where}: there is no joint {joint!r}; it knows {', '.join(known) or 'none yet'}")


@command.command("list")
@click.argument("joint", required=False)
@db_option
@json_option
def list_(joint: str | None, database: Path, as_json: bool) -> None:
    """Read the journal, all of it or what is about JOINT, in the order in which things were done."""
    with History.open(database) as history:
        _know(joint, history.joint_ids(), database)
        entries = history.journal(joint)
        names = {j.joint: j.name for j in history.boat().joints}
    if as_json:
        put_json([journal_entry_object(entry) for entry in entries])
        return
    if not entries:
        click.echo("Nothing is written in the journal yet.")
    for entry in entries:
        click.echo(f"{entry.entry_id}  {format_time(entry.time // 1000 * 1000)}  {_sentence(entry, names)}")
        if entry.note is not None:
            click.echo(textwrap.indent(textwrap.fill(entry.note, 96), "    "))


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


def _measurement(entry: JournalEntry) -> str:
    if entry.volts is None or entry.amps is None:
        return "measured"
    at = "" if entry.celsius is None else f" and {entry.celsius:g} °C"
    ohms = format_micro_ohms(entry.volts / entry.amps)
    return f"{1000.0 * entry.volts:g} mV at {entry.amps:g} A{at}, {ohms} as it was"
