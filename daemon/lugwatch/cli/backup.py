"""`lugwatch backup`: a checked copy while the daemon runs, into a folder of backups or to one file."""

from pathlib import Path

import click

from lugwatch import config
from lugwatch.cli.options import progress
from lugwatch.clock import clock_from_environment
from lugwatch.config import DEFAULT_NAME
from lugwatch.errors import OperationFailed, UserError
from lugwatch.keeping import Archive
from lugwatch.store import archive
from lugwatch.store.backup import backup
from lugwatch.store.backup_note import BackupNote, reach_of, write_backup_note, write_backup_trouble
from lugwatch.store.disks import megabytes

_file = click.Path(path_type=Path, dir_okay=False)


@click.command("backup")
@click.option("--config", "config_path", type=_file, help=f"The configuration.  [default: {DEFAULT_NAME}]")
@click.option("--to", "folder", type=click.Path(path_type=Path), help="A folder, instead of [backup] folder.")
@click.option("--keep", type=click.IntRange(1, 1000), help="How many stay there, instead of [backup] keep.")
@click.option("--if-due", is_flag=True, help="For a timer: only if its disk is there and a day has passed.")
@click.option("--db", "database", type=_file, help="A database without its configuration; with --out.")
@click.option("--out", type=_file, help="The one file to copy it to; an earlier backup there is replaced.")
def command(
    config_path: Path | None,
    folder: Path | None,
    keep: int | None,
    if_due: bool,
    database: Path | None,
    out: Path | None,
) -> None:
    """Copy the database while the watch goes on, and check the copy before it gets its name.

    Into a folder: numbered, with the configuration beside it, and the oldest beyond the number to keep go.
    Put it on another disk than the database's, and that disk ashore now and then.
    """
    if database is not None or out is not None:
        if database is None or out is None:
            raise UserError("--db FILE and --out FILE go together; without them --config FILE and a folder")
        if config_path is not None or folder is not None or keep is not None or if_due:
            raise UserError("--db and --out copy to one file; leave out --config, --to, --keep and --if-due")
        _to_file(database, out)
        return
    configuration = config.load(config_path or Path(DEFAULT_NAME))
    settings = _settings(configuration, folder, keep)
    if if_due and not _can_and_must(settings, configuration.database):
        return
    try:
        with progress("copying") as show:
            made = archive.make(
                settings, configuration.database, configuration.path, configuration.boat.slug, show
            )
    except (UserError, OperationFailed) as error:
        if folder is None:  # another folder for once says nothing of the usual one
            write_backup_trouble(configuration.database, str(error), clock_from_environment().time())
        raise
    gone = f"; {made.removed} older removed, {settings.keep} are kept" if made.removed else ""
    click.echo(f"{made.path}: {megabytes(made.size_bytes)}, checked, the configuration beside it{gone}")
    for caution in made.cautions:
        click.echo(f"caution: {caution}", err=True)


def _to_file(database: Path, out: Path) -> None:
    with progress("copying") as show:
        backup(database, out, show)
    size_bytes = out.stat().st_size
    reach = reach_of(out)
    note = BackupNote(
        time=reach.time or clock_from_environment().time(),
        file=str(out.resolve()),
        size_bytes=size_bytes,
        boot_id=reach.boot_id,
        boot_started_time=reach.boot_started_time,
    )
    write_backup_note(database, note)
    click.echo(f"{out}: {megabytes(size_bytes)}, checked")


def _settings(configuration: config.Configuration, folder: Path | None, keep: int | None) -> Archive:
    said = configuration.archive
    if folder is None and said is None:
        raise UserError(
            f"{configuration.path}: says no folder for backups; name one with --to, or under [backup] folder"
        )
    usual = said or Archive(folder=folder or Path())
    return Archive(folder=folder or usual.folder, keep=keep or usual.keep, daily=usual.daily)


def _can_and_must(settings: Archive, database: Path) -> bool:
    """What a timer asks each hour. That the disk is away is no failure: it is noted for the page."""
    if not settings.daily:
        click.echo("nothing to do: [backup] daily is false")
        return False
    if not database.exists():
        click.echo(f"nothing to do: {database} is not there yet")
        return False
    if not archive.is_due(settings, database):
        click.echo("nothing to do: the last backup is of today")
        return False
    reason = archive.why_not_daily(settings, database)
    if reason is not None:
        write_backup_trouble(database, reason, clock_from_environment().time())
        click.echo(reason)
    return reason is None
