"""Options that several commands share, and how tables and JSON are put out."""

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from lugwatch.config import DEFAULT_NAME
from lugwatch.errors import UserError
from lugwatch.units import parse_time

_Command = Callable[..., Any]

config_option: Callable[[_Command], _Command] = click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path(DEFAULT_NAME),
    show_default=True,
    help="The configuration of your boat.",
)

db_option: Callable[[_Command], _Command] = click.option(
    "--db",
    "database",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The database that `watch` or `replay` wrote.",
)

json_option: Callable[[_Command], _Command] = click.option(
    "--json", "as_json", is_flag=True, help="One JSON document and nothing else."
)


def time_argument(text: str | None, option: str) -> int | None:
    """A time given on the command line as ms since 1970, or None."""
    if text is None:
        return None
    time = parse_time(text)
    if time is None:
        raise UserError(
            f"{option} {text!r} is no time; write it like 2026-05-03T14:30:00Z or as epoch seconds"
        )
    return time


def put_json(document: object) -> None:
    """One JSON document on standard output."""
    click.echo(json.dumps(document, allow_nan=False, ensure_ascii=False, indent=2))


def put_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Columns as wide as their widest cell; the last one may run on."""
    widths = [max(len(row[i]) for row in (header, *rows)) for i in range(len(header) - 1)]
    for row in (header, *rows):
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
        click.echo("  ".join([*cells, row[-1]]).rstrip())


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """A progress bar on standard error, where somebody can see it; call it with (done, total)."""
    shown = sys.stderr.isatty()
    with click.progressbar(length=1, label=label, file=sys.stderr, hidden=not shown) as bar:

        def show(done: int, total: int) -> None:
            bar.length = max(total, 1)
            bar.update(max(min(done, total) - bar.pos, 0))

        yield show
