"""`lugwatch export`: readings, in the recording format."""

from pathlib import Path

import click

from lugwatch.cli.options import db_option, progress, time_argument
from lugwatch.errors import UserError
from lugwatch.store.queries import History
from lugwatch.store.recording import write_recording


@click.command("export")
@db_option
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="FILE.csv")
@click.option("--from", "start", help="First time: 2026-05-03T14:30:00Z or epoch seconds.")
@click.option("--to", "end", help="Last time.")
def command(database: Path, out: Path, start: str | None, end: str | None) -> None:
    """Write the readings to FILE.csv, as `replay` reads them; a round trip loses nothing."""
    if out.suffix.lower() != ".csv":
        raise UserError(f"--out {out}: only .csv is built into this version; name it FILE.csv")
    first, last = time_argument(start, "--from"), time_argument(end, "--to")
    with History.open(database) as history:
        total = history.count_readings(first, last)
        with progress("exporting") as show:
            count = write_recording(history, out, first, last, lambda done: show(done, total))
    click.echo(f"{count} readings in {out}")
