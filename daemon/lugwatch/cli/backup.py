"""`lugwatch backup`: a consistent copy while the daemon runs."""

from pathlib import Path

import click

from lugwatch.cli.options import db_option, progress
from lugwatch.clock import clock_from_environment
from lugwatch.store.backup import backup
from lugwatch.store.backup_note import BackupNote, write_backup_note


@click.command("backup")
@db_option
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="The copy.")
def command(database: Path, out: Path) -> None:
    """Copy the database while the watch goes on, and check the copy before it gets its name."""
    with progress("copying") as show:
        backup(database, out, show)
    size = out.stat().st_size
    now = clock_from_environment().time()
    write_backup_note(database, BackupNote(time=now, file=str(out.resolve()), size_bytes=size))
    click.echo(f"{out}: {size / 1e6:.1f} MB, checked")
