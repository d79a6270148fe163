"""What the commands of `lugwatch fitting` share: files, times, keeping what was found, writing offsets.

Not a command. May import: everything below `cli`.
"""

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import click

from lugwatch import config, config_edit
from lugwatch.clock import Clock, clock_from_environment
from lugwatch.config import DEFAULT_NAME, Configuration
from lugwatch.errors import ConfigurationError, OperationFailed, UserError
from lugwatch.fitting import CheckKind, FittingCheck, Outcome
from lugwatch.model import Boat
from lugwatch.sources import registry
from lugwatch.store.fitting_checks import put_check
from lugwatch.store.queries import History
from lugwatch.units import format_time

SEARCHED_DAYS = 14.0
OLDEST_LIVE_SECONDS = 120.0
LONGEST_WHO = 60
_Command = Callable[..., Any]

config_option: Callable[[_Command], _Command] = click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help=f"The configuration of your boat. Left out: {DEFAULT_NAME}, if it is there.",
)
db_option: Callable[[_Command], _Command] = click.option(
    "--db",
    "database",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The database that `watch` writes. Left out: that of the configuration.",
)
keep_option: Callable[[_Command], _Command] = click.option(
    "--keep/--no-keep",
    "keep_it",
    default=True,
    show_default=True,
    help="Keep what was found in the database.",
)
by_option: Callable[[_Command], _Command] = click.option(
    "--by", "who", default="crew", show_default=True, help="Who does it."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """Where a command works: the database, and the configuration where there is one."""

    database: Path
    configuration: Configuration | None

    @classmethod
    def of(cls, database: Path | None, config_path: Path | None) -> "Desk":
        """Raises UserError where neither leads to a database. Options of the group serve its commands."""
        context = click.get_current_context()
        while context.parent is not None:
            context = context.parent
            database = database or context.params.get("database")
            config_path = config_path or context.params.get("config_path")
        path = config_path or Path(DEFAULT_NAME)
        configuration = None
        if config_path is not None or path.exists():
            configuration = config.load(path)
            mistakes = registry.check(configuration)
            if mistakes:
                raise ConfigurationError(str(path), mistakes)
        if database is None and configuration is None:
            raise UserError("fitting needs --config FILE or --db FILE, the database that `watch` writes")
        chosen = database if database is not None or configuration is None else configuration.database
        assert chosen is not None
        if not chosen.exists():
            raise UserError(
                f"{chosen} is not there yet: let `lugwatch watch` record first, and leave it running"
            )
        return cls(database=chosen, configuration=configuration)

    def boat(self, history: History) -> Boat:
        """As configured now; the history knows the boat that was watched, and not all of that."""
        return history.boat() if self.configuration is None else self.configuration.boat

    def needs_configuration(self, why: str) -> Configuration:
        if self.configuration is None:
            raise UserError(f"{why} needs the configuration: name it with --config FILE")
        return self.configuration


def name_of(who: str) -> str:
    told = " ".join(who.split())
    if not told or len(told) > LONGEST_WHO:
        raise UserError(f"--by {who!r} is no name; give one of 1 to {LONGEST_WHO} characters")
    return told


def window(
    history: History, start: int | None, end: int | None, days: float = SEARCHED_DAYS
) -> tuple[float, float]:
    """From and to [s] that is looked at: what was asked for, else the last days of the record."""
    span = history.data_span()
    if span is None:
        raise UserError(f"{history.path}: holds no readings yet; let `lugwatch watch` record first")
    last = span[1] if end is None else min(end, span[1])
    first = max(span[0], last - round(days * 86.4e6)) if start is None else max(start, span[0])
    if first >= last:
        raise UserError(
            f"{history.path}: no readings in that time; it has "
            f"{format_time(span[0])} to {format_time(span[1])}"
        )
    return first / 1e3, last / 1e3


def subjects(boat: Boat, known: Sequence[str], asked: Sequence[str], what: str) -> list[str]:
    """Those asked for, or all; raises UserError for one that is not there."""
    for name in asked:
        if name not in known:
            raise UserError(
                f"there is no {what} {name!r} on {boat.name}; there are {', '.join(known) or 'none'}"
            )
    return [name for name in known if name in asked] if asked else list(known)


def keep(desk: Desk, checks: Sequence[FittingCheck]) -> list[FittingCheck]:
    """Each with its number."""
    return [replace(check, check_id=put_check(desk.database, check)) for check in checks]


def recording_now(history: History, clock: Clock) -> None:
    """Raises OperationFailed where no watch writes."""
    last = history.last_batch()
    if last is None or clock.time() - last[0] > 1e3 * OLDEST_LIVE_SECONDS:
        raise OperationFailed(
            f"{history.path}: nothing was recorded for {OLDEST_LIVE_SECONDS:g} s; "
            "is `lugwatch watch` running?"
        )


def offer(desk: Desk, changes: Sequence[config_edit.Change], *, write: bool, who: str, quiet: bool) -> None:
    """Tell the lines for the configuration; with `write` put them in and keep that this was done.

    Raises UserError or OperationFailed with the file untouched.
    """
    if not changes:
        if write:
            raise UserError("nothing to write: no figure is known well enough and far enough from nothing")
        return
    if not write:
        if not quiet:
            click.echo("\nFor the configuration (or again with --write):")
            for change in changes:
                click.echo(f'  [[{change.table}]] "{change.name}"')
                for line in config_edit.lines(change):
                    click.echo(f"    {line}")
        return
    path = desk.needs_configuration("--write").path
    clock = clock_from_environment()
    text = path.read_bytes().decode("utf-8")
    mark = "\ufeff" if text.startswith("\ufeff") else ""  # as some editors write it; it stays
    new = mark + config_edit.changed(text.removeprefix(mark), list(changes))
    kept = config_edit.write(path, new, clock.time())
    for change in changes:
        told = ", ".join(config_edit.lines(change))
        put_check(
            desk.database,
            FittingCheck(
                check_id=0, time=clock.time(), kind=CheckKind.WRITTEN, subject=change.name,
                outcome=Outcome.GOOD, finding="written", text=told, who=who,
            ),
        )  # fmt: skip
    if not quiet:
        click.echo(f"\n{path}: {len(changes)} of its tables changed; as it was: {kept.name}")
        click.echo("Restart the watch now (systemctl restart lugwatch-watch): until then it reads as before.")


def date_of(seconds: float) -> date:
    """The UTC date of a time [s since 1970]."""
    return datetime.fromtimestamp(seconds, UTC).date()


def put_findings(rows: Sequence[tuple[str, str, str]]) -> None:
    """Name, id and what was found, each on lines of its own that fit a narrow window."""
    for name, subject, text in rows:
        told = f"{name} ({subject}): {text}"
        click.echo(textwrap.fill(told, 100, initial_indent="  ", subsequent_indent="      "))


def put_caution(text: str) -> None:
    click.echo()
    click.echo(textwrap.fill(text, 100))
