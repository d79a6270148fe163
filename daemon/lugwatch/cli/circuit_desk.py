"""What `lugwatch circuit` and `lugwatch init` share: asking on a terminal, answers by options, writing.

Not a command. May import: everything below `cli`.
"""

import sys
import textwrap
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from pathlib import Path
from typing import Any

import click

from lugwatch import circuit_edit, circuit_questions, config, config_edit
from lugwatch.circuit_questions import KINDS, Answers, Standing
from lugwatch.cli.circuit_answers import keep_answers, read_answers
from lugwatch.clock import clock_from_environment
from lugwatch.dashboard.circuit import Bar, Line, Shown, circuit
from lugwatch.errors import ConfigurationError, UserError
from lugwatch.model import Boat, Part, PartKind
from lugwatch.sources import registry

Ask = Callable[[str], str]
_Command = Callable[..., Any]
INTRODUCTION = (
    "The circuit, for the drawing on the page. Enter takes what stands in [ ], - is none, "
    "? explains, < goes back. Ctrl-C leaves: every answer is kept, and `lugwatch circuit` goes on."
)
_SHORT = "Enter: as in [ ]; -: none; <: back; Ctrl-C: leave, answers are kept."

_GIVES = (PartKind.ALTERNATOR, PartKind.CHARGER, PartKind.BATTERY)

answers_option: Callable[[_Command], _Command] = click.option(
    "--answers",
    "answers_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Answers from a file (TOML), nothing is asked; what it leaves out takes its default.",
)
part_option: Callable[[_Command], _Command] = click.option(
    "--part",
    "parts_said",
    multiple=True,
    metavar="KIND:NAME[=JOINT,...]",
    help="A part and the joints on it, nothing is asked; may be given several times.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """A configuration that is to get its circuit."""

    path: Path
    text: str  # without a byte order mark
    mark: str
    known: Standing
    mistakes: tuple[str, ...]  # of its sources, that are there already: a probe yet to be found, say

    @classmethod
    def of(cls, path: Path) -> "Desk":
        """Raises UserError where the configuration is not there or does not hold."""
        configuration = config.load(path)
        text = path.read_bytes().decode("utf-8")
        mark = "\ufeff" if text.startswith("\ufeff") else ""
        text = text.removeprefix(mark)
        tables = tomllib.loads(text).get("joint", [])
        standing = configuration.page.parts
        names = {part.name.casefold() for part in standing}
        idle = [part for part in circuit_edit.waiting(text) if part.name.casefold() not in names]
        known = Standing(
            boat=configuration.boat,
            parts=(*standing, *idle),
            bare=frozenset(t["id"] for t in tables if "neighbours" not in t),
            has_history=configuration.database.exists(),
        )
        mistakes = tuple(registry.check(configuration))
        return cls(path=path, text=text, mark=mark, known=known, mistakes=mistakes)

    @property
    def answers_path(self) -> Path:
        return self.path.with_name(f"{self.path.name}.answers")

    def written(self, answers: Answers) -> tuple[str, Boat, tuple[Part, ...]]:
        """The text as it would be, checked as `lugwatch check` does, and what it says. Raises UserError."""
        text = circuit_edit.wired(self.text, circuit_questions.wiring(self.known, answers))
        configuration = config.of_text(self.path, text)
        mistakes = registry.check(configuration)
        if set(mistakes) - set(self.mistakes):
            raise ConfigurationError(str(self.path), mistakes)
        return text, configuration.boat, configuration.page.parts

    def write(self, text: str) -> None:
        """Raises OperationFailed with the file untouched; an unchanged text is not written."""
        if text == self.text:
            click.echo(f"{self.path} says so already; nothing was written.")
            return
        if self.path.read_bytes().decode("utf-8") != self.mark + self.text:
            raise UserError(
                f"{self.path} was changed by somebody else meanwhile; ask again with `lugwatch circuit`"
            )
        kept = config_edit.write(self.path, self.mark + text, clock_from_environment().time())
        click.echo(f"{self.path}: the circuit is in it; as it was: {kept.name}")
        for mistake in self.mistakes:
            _put(f"Still to be put right, as before: {mistake}")
        click.echo("Where the watch or the page runs, restart it: until then it draws as before.")


def on_terminal() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


# ---- without questions -------------------------------------------------------------------------------


def scripted(desk: Desk, answers_path: Path | None, parts_said: Sequence[str]) -> Answers:
    """Answers of a file and of options; what they leave out takes its default. Raises UserError."""
    # nobody looks at what is usual on other boats, so only what file and names tell is taken
    known = replace(desk.known, offers_usual=False)
    answers = Answers() if answers_path is None else read_answers(answers_path, known)
    for said in parts_said:
        _part_option(said, answers, known)
    while (question := circuit_questions.next_question(known, answers)) is not None:
        circuit_questions.take(question, "", known, answers)
    return answers


def _part_option(said: str, answers: Answers, known: Standing) -> None:
    name, _, on = said.partition("=")
    word, colon, name = name.partition(":")
    kinds = ", ".join(kind.value for kind in KINDS)
    if not colon or word not in {kind.value for kind in KINDS}:
        raise UserError(f"--part {said!r}: write KIND:NAME or KIND:NAME=JOINT,JOINT; kinds are {kinds}")
    kind, name = PartKind(word), name.strip()
    before = answers.parts.get(kind, [])
    answers.parts[kind] = circuit_questions.checked_names(kind, [*before, name], answers)
    joints = [j.joint for j in known.boat.joints]
    for joint in (j.strip() for j in on.split(",") if j.strip()):
        if joint not in joints:
            raise UserError(f"--part {said!r}: {joint!r} is no joint; there are {', '.join(joints[:8])}")
        if joint in answers.places:
            raise UserError(f"--part {said!r}: {joint!r} sits on {answers.places[joint]!r} already")
        answers.places[joint] = name


# ---- on a terminal -----------------------------------------------------------------------------------


def asked(desk: Desk, ask: Ask, *, anew: bool = False) -> bool:
    """Ask what is not answered, show what would be drawn, and write it; True when it was written.

    Raises OperationFailed, UserError; Ctrl-C and the end of the input leave with the answers kept.
    """
    answers = _gone_on_with(desk, anew)
    try:
        while True:
            _ask_all(desk, answers, ask)
            text, boat, parts = desk.written(answers)
            click.echo()
            for line in drawn(boat, parts):
                click.echo(line)
            agreed = _agreed(ask, f"Write this to {desk.path}")
            if agreed is not None:
                break
            _back(desk, answers)
    except (KeyboardInterrupt, EOFError, click.Abort):
        click.echo()
        # once more, as it may have come in the middle of keeping
        if answers.count and keep_answers(desk.answers_path, answers):
            count = f"{answers.count} answers are" if answers.count > 1 else "1 answer is"
            click.echo(
                f"{count} kept in {desk.answers_path}; `lugwatch circuit --config {desk.path}` goes on."
            )
        else:
            click.echo(
                f"Nothing was answered, nothing changed; `lugwatch circuit --config {desk.path}` asks again."
            )
        raise click.Abort from None
    if not agreed:
        click.echo(f"Nothing was written; your answers are in {desk.answers_path}:")
        click.echo("`lugwatch circuit` shows this again, with --anew it asks all again.")
        return False
    desk.write(text)
    desk.answers_path.unlink(missing_ok=True)
    return True


def _gone_on_with(desk: Desk, anew: bool) -> Answers:
    if anew or not desk.answers_path.exists():
        _put(INTRODUCTION)
        return Answers()
    left: list[str] = []
    answers = read_answers(desk.answers_path, desk.known, left=left)
    _put(f"Going on with {_count(answers)} of {desk.answers_path} (--anew asks all again). {_SHORT}")
    for mistake in left:
        _put(f"Left out, and asked again: {mistake}")
    return answers


def _count(answers: Answers) -> str:
    return "1 answer" if answers.count == 1 else f"{answers.count} answers"


def _ask_all(desk: Desk, answers: Answers, ask: Ask) -> None:
    listed: tuple[str, ...] = ()
    can_keep = True
    while (question := circuit_questions.next_question(desk.known, answers)) is not None:
        if question.choices and question.choices != listed:
            click.echo()
            _put_choices(question.choices)
            listed = question.choices
        typed = _typed(ask, f"{question.text} [{question.default}]: ")
        if typed is None:
            continue
        if typed == "?":
            _put(f"{question.help} {_SHORT}")
            listed = ()
        elif typed == "<":
            _back(desk, answers)
        else:
            try:
                circuit_questions.take(question, typed, desk.known, answers)
            except UserError as error:
                click.echo(f"  {error}")
                continue
        if not keep_answers(desk.answers_path, answers) and can_keep:
            can_keep = False
            click.echo(f"  {desk.answers_path} cannot be written: answers are only kept until you leave")


def _back(desk: Desk, answers: Answers) -> None:
    asked_so_far = circuit_questions.questions(desk.known, answers)
    earlier = list(takewhile(lambda q: circuit_questions.is_answered(q, answers), asked_so_far))
    if not earlier:
        click.echo("  this is the first question")
        return
    circuit_questions.forget(earlier[-1], answers)


def _typed(ask: Ask, prompt: str) -> str | None:
    """None where what came is no text."""
    try:
        return ask(prompt).strip()
    except UnicodeDecodeError:
        click.echo("  that is no UTF-8 text; once more")
        return None


def _agreed(ask: Ask, text: str) -> bool | None:
    """None: back to the last question."""
    while True:
        typed = _typed(ask, f"{text} [yes]: ")
        if typed is None:
            continue
        if typed.casefold() in ("", "y", "yes"):
            return True
        if typed.casefold() in ("n", "no", "-"):
            return False
        if typed == "<":
            return None
        click.echo("  yes, no, or < to go back")


def _put(text: str) -> None:
    click.echo(textwrap.fill(text, 100, subsequent_indent="  "))


def _put_choices(choices: Sequence[str]) -> None:
    """Numbered, none of them over two rows."""
    listed = [f"{n} {choice}".replace(" ", "\u00a0") for n, choice in enumerate(choices, 1)]
    click.echo(textwrap.fill("   ".join(listed), 100).replace("\u00a0", " "))


# ---- the circuit in words ----------------------------------------------------------------------------


def drawn(boat: Boat, parts: Sequence[Part]) -> list[str]:
    """What the page will draw, a line for each conductor."""
    names = {j.joint: j.name for j in boat.joints}
    told = []
    for bar in circuit(boat, parts):
        told.append("Lines of their own:" if bar.name is None else f"{bar.name}:")
        told += [
            textwrap.fill(_line(line, bar, names), 100, initial_indent="  ", subsequent_indent="      ")
            for line in bar.lines
        ]
    return told


def _line(line: Line, bar: Bar, names: dict[str, str]) -> str:
    steps = [f"({step.name})" if isinstance(step, Shown) else names[step] for step in line.steps]
    stud = [] if line.stud is None else [names[line.stud]]
    end = [] if line.end is None else [f"({line.end.name})"]
    # as the page does it: a machine that gives stands first
    gives = line.into or (bar.name is None and line.end is not None and line.end.kind in _GIVES)
    way = [*end, *steps, *stud] if gives else [*stud, *steps, *end]
    word = "" if bar.name is None else "in: " if line.into else "out: "
    return word + " → ".join(way)
