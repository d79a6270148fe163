"""`lugwatch passages`: passages as they stand, and what the crew decides of them by hand."""

import textwrap
from pathlib import Path

import click

from lugwatch.cli.options import json_option, put_json, put_table, time_argument
from lugwatch.clock import clock_from_environment
from lugwatch.errors import UserError
from lugwatch.json_shapes import passage_decision_object, passage_object
from lugwatch.model import JointPassage, Passage, RiseUnknown
from lugwatch.passage_cuts import LONGEST_NAME, LONGEST_NOTE, Decision, Deed, one_line, stand
from lugwatch.store.passage_decisions import decide
from lugwatch.store.passage_parts import whole
from lugwatch.store.queries import History
from lugwatch.units import format_duration, format_time

_db_option = click.option(
    "--db",
    "database",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The database that `watch` or `replay` wrote. Required.",
)
_by_option = click.option("--by", "who", default="command line", show_default=True, help="Who does it.")
LONGEST_WHO = 60
WHY_NOT_TOLD = {
    RiseUnknown.TOO_LITTLE_LOAD: "not enough load to tell",
    RiseUnknown.NOT_LEARNED: "not told: how it warms was not learned yet",
    RiseUnknown.BEGUN_ANEW: "not enough load to tell since it began anew",
    RiseUnknown.UNTRACKED: "not told: no current or no air to tell it by",
}


@click.group("passages", invoke_without_command=True)
@_db_option
@json_option
def command(database: Path | None, as_json: bool) -> None:
    """Tell the passages of the history: when, how much current, how hot each joint got.

    They are found from the current. Name, split and merge them by hand with the commands below; each
    can be undone, and what was found stays in the database as it was found.
    """
    if click.get_current_context().invoked_subcommand is not None:
        return
    with History.open(_needed(database)) as history:
        passages = history.passages()
        names = {joint.joint: joint.name for joint in history.boat().joints}
    if as_json:
        put_json([passage_object(passage) for passage in passages])
        return
    if not passages:
        click.echo("No passage yet: no current has flowed for long enough.")
    for passage in passages:
        _tell(passage, names)


def _needed(database: Path | None) -> Path:
    context = click.get_current_context()
    while database is None and context.parent is not None:
        context = context.parent
        database = context.params.get("database")
    if database is None:
        raise UserError("passages needs --db FILE, the database that `watch` or `replay` wrote")
    return database


def _tell(passage: Passage, names: dict[str, str]) -> None:
    end = "under way" if passage.end_time is None else format_time(passage.end_time)
    length = (
        ""
        if passage.end_time is None
        else f" ({format_duration((passage.end_time - passage.start_time) / 1000)})"
    )
    named = "" if passage.name is None else f", {passage.name}"
    click.echo(
        f"Passage {passage.passage_id}{named}: {format_time(passage.start_time)} to {end}{length}, "
        f"{passage.amp_hours:.0f} Ah, at most {passage.max_amps:.0f} A"
    )
    if passage.found_ids:
        found = " and ".join(str(number) for number in passage.found_ids)
        merged = len(passage.found_ids) > 1
        click.echo(f"  by hand: {'passages' if merged else 'a part of passage'} {found} as found")
    if passage.note is not None:
        click.echo(textwrap.indent(textwrap.fill(passage.note, 96), "  "))
    hottest = sorted(passage.joints.items(), key=lambda item: item[1].max_celsius or -273.0, reverse=True)
    put_table(
        ("  joint", "hottest", "rise coefficient"),
        [(f"  {names.get(joint, joint)}", *_figures(figures)) for joint, figures in hottest],
    )
    click.echo()


def _figures(figures: JointPassage) -> tuple[str, str]:
    hottest = "no reading" if figures.max_celsius is None else f"{figures.max_celsius:.1f} °C"
    if figures.rise_coefficient is None or figures.rise_coefficient_sd is None:
        return hottest, WHY_NOT_TOLD[figures.rise_coefficient_reason or RiseUnknown.TOO_LITTLE_LOAD]
    return (
        hottest,
        f"{1000 * figures.rise_coefficient:.3f} ± {2000 * figures.rise_coefficient_sd:.3f} mK/A²",
    )


# ---- what the crew decides ------------------------------------------------------------------------


@command.command("name")
@click.argument("passage_id", type=int, metavar="N")
@click.argument("words")
@_by_option
@_db_option
def name(passage_id: int, words: str, who: str, database: Path | None) -> None:
    """Call passage N by a name; an empty one takes the name away."""
    told = one_line(words, "the name", LONGEST_NAME)
    done = _decide(database, who, Deed.NAME, passage_id, words=told)
    click.echo(f"Passage {passage_id} is called {told}. {_undo(done)}" if told else f"No name. {_undo(done)}")


@command.command("note")
@click.argument("passage_id", type=int, metavar="N")
@click.argument("words")
@_by_option
@_db_option
def note(passage_id: int, words: str, who: str, database: Path | None) -> None:
    """Keep a note with passage N, in place of the one it had; an empty one takes it away."""
    told = one_line(words, "the note", LONGEST_NOTE)
    done = _decide(database, who, Deed.NOTE, passage_id, words=told)
    click.echo(f"{'Noted.' if told else 'No note.'} {_undo(done)}")


@command.command("split")
@click.argument("passage_id", type=int, metavar="N")
@click.option("--at", required=True, help="Where: 2026-05-03T14:30:00Z or epoch seconds.")
@_by_option
@_db_option
def split(passage_id: int, at: str, who: str, database: Path | None) -> None:
    """Split passage N in two at a time within it; the earlier part keeps number, name and note.

    Figures of the parts are worked out of the readings. Alerts, journal and creep stay as they are.
    """
    done = _decide(database, who, Deed.SPLIT, passage_id, cut_time=time_argument(at, "--at"))
    assert done.cut_time is not None
    with History.open(_needed(database)) as history:
        later = next((p.passage_id for p in history.passages() if p.start_time >= done.cut_time), None)
    click.echo(
        f"Passage {passage_id} ends at {format_time(done.cut_time)}; what follows is passage {later}. "
        f"{_undo(done)}"
    )


@command.command("merge")
@click.argument("passage_id", type=int, metavar="N")
@click.argument("other_id", type=int, metavar="M")
@_by_option
@_db_option
def merge(passage_id: int, other_id: int, who: str, database: Path | None) -> None:
    """Make one passage of N and M, which are neighbours; it has the number of the earlier one."""
    done = _decide(database, who, Deed.MERGE, passage_id, other_id=other_id)
    click.echo(f"Passage {done.other_id} is part of passage {done.passage_id} now. {_undo(done)}")


@command.command("undo")
@click.argument("decision_id", type=int, metavar="[D]", required=False)
@_by_option
@_db_option
def undo(decision_id: int | None, who: str, database: Path | None) -> None:
    """Undo decision D of `lugwatch passages decisions`, or the last one."""
    done = _decide(database, who, Deed.UNDO, 0, undone_id=decision_id)
    click.echo(f"Decision {done.undone_id} is undone; passages are as they would be without it.")


@command.command("decisions")
@_db_option
@json_option
def decisions(database: Path | None, as_json: bool) -> None:
    """List every decision on passages, oldest first: who decided what, and whether it counts."""
    with History.open(_needed(database)) as history:
        decided = history.passage_decisions()
        counts = stand([whole(p) for p in history.passages_found()], decided)
    if as_json:
        put_json([passage_decision_object(d) for d in decided])
        return
    if not decided:
        click.echo("Nothing was decided by hand; passages are as they were found.")
    undone = {d.undone_id for d in decided}
    idle = {d.decision_id for d in counts.idle}
    for d in decided:
        end = (
            "; undone"
            if d.decision_id in undone
            else "; of no effect: what it was about is gone"
            if d.decision_id in idle
            else ""
        )
        click.echo(f"{d.decision_id}  {format_time(d.time // 1000 * 1000)}  {_sentence(d)} ({d.who}){end}")


def _decide(
    database: Path | None,
    who: str,
    deed: Deed,
    passage_id: int,
    *,
    words: str | None = None,
    cut_time: int | None = None,
    other_id: int | None = None,
    undone_id: int | None = None,
) -> Decision:
    by = one_line(who, "--by", LONGEST_WHO)
    if not by:
        raise UserError(f"--by {who!r} is no name; give one of 1 to {LONGEST_WHO} characters")
    new = Decision(
        decision_id=0,
        time=clock_from_environment().time(),
        deed=deed,
        who=by,
        passage_id=passage_id,
        words=words,
        cut_time=cut_time,
        other_id=other_id,
        undone_id=undone_id,
    )
    return decide(_needed(database), new)


def _undo(done: Decision) -> str:
    return f"Undo it with `lugwatch passages undo {done.decision_id}`."


def _sentence(d: Decision) -> str:
    match d.deed:
        case Deed.NAME:
            return f"passage {d.passage_id}: " + (f"called {d.words}" if d.words else "its name taken away")
        case Deed.NOTE:
            return f"passage {d.passage_id}: " + (f"noted: {d.words}" if d.words else "its note taken away")
        case Deed.SPLIT:
            assert d.cut_time is not None
            return f"passage {d.passage_id}: split at {format_time(d.cut_time)}"
        case Deed.MERGE:
            return f"passage {d.passage_id}: merged with {d.other_id}"
        case Deed.UNDO:
            return f"passage {d.passage_id}: decision {d.undone_id} undone"
