"""`lugwatch backup`: a consistent copy while the daemon runs."""

from pathlib import Path

import click

from lugwatch.cli.options import db_option, progress
from lugwatch.store.backup import backup


@click.command("backup")
@db_option
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="The copy.")
def command(database: Path, out: Path) -> None:
    """Copy the database while the watch goes on, and check the copy before it gets its name."""
    with progress("copying") as show:
        backup(database, out, show)
    click.echo(f"{out}: {out.stat().st_size / 1e6:.1f} MB, checked")
