"""`lugwatch restore`: a backup in the database's place, while no watch runs."""

import os
from pathlib import Path

import click

from lugwatch import config
from lugwatch.cli.options import progress
from lugwatch.clock import SystemClock
from lugwatch.config import DEFAULT_NAME
from lugwatch.errors import UserError
from lugwatch.store import archive
from lugwatch.store.restoring import restore
from lugwatch.units import format_time
from lugwatch.watching import only_instance

_file = click.Path(path_type=Path, dir_okay=False)


@click.command("restore")
@click.argument("backup", type=click.Path(path_type=Path))
@click.option("--config", "config_path", type=_file, help=f"The configuration.  [default: {DEFAULT_NAME}]")
@click.option("--db", "database", type=_file, help="The database to put it in place of, of whatever boat.")
def command(backup: Path, config_path: Path | None, database: Path | None) -> None:
    """Put a backup in the database's place; stop the watch first.

    BACKUP is one file, or a folder of backups, of which the newest of your boat is taken. It is checked
    before anything is changed, and what was there before is kept beside the database. The configuration
    is left alone.
    """
    if database is not None and config_path is not None:
        raise UserError("--db names the database itself; leave out --config")
    slug = None
    if database is None:
        configuration = config.load(config_path or Path(DEFAULT_NAME))
        database, slug = configuration.database, configuration.boat.slug
        config_path = configuration.path
    backup = _newest(backup, slug)
    if not database.parent.is_dir():
        raise UserError(f"{database}: the folder {database.parent} is not there; make it first")
    with only_instance(database):
        _give_back(database.with_name(f"{database.name}.lock"))
        with progress("copying") as show:
            done = restore(backup, database, clock=SystemClock(), slug=slug, progress=show)
    reach = done.reach
    to = (
        f"reaches to {format_time(reach.time // 1000 * 1000)}, boot {reach.boot_id}"
        if reach.time
        else "empty"
    )
    click.echo(f"{database}: put back from {backup} ({to}), checked")
    if done.aside is not None:
        click.echo(f"what was there before is kept as {done.aside}")
    then = backup.with_suffix(".toml")
    if config_path is not None and then.is_file() and then.read_bytes() != config_path.read_bytes():
        click.echo(f"{config_path} was left as it is; that of the backup, {then}, says something else")


def _newest(backup: Path, slug: str | None) -> Path:
    if not backup.is_dir():
        return backup
    if slug is None:
        raise UserError(f"{backup}: is a folder; name one backup in it")
    found = archive.backups(backup, slug)
    if not found:
        raise UserError(f'{backup}: there is no backup of the boat "{slug}" in it; name the file')
    return found[-1].path


def _give_back(lock: Path) -> None:
    """A lock that root made would keep the watch's own user out."""
    if os.geteuid() == 0 and lock.exists():
        folder = lock.parent.stat()
        os.chown(lock, folder.st_uid, folder.st_gid)
