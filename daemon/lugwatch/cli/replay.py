"""`lugwatch replay`: a recording through the same pipeline as `watch`."""

import time
from pathlib import Path

import click

from lugwatch import __version__, config
from lugwatch.cli.options import config_option, db_option, progress
from lugwatch.clock import ManualClock
from lugwatch.replay import replay
from lugwatch.store.columnar import ParquetRecording
from lugwatch.store.opened_recording import open_any_recording
from lugwatch.store.queries import History
from lugwatch.store.recording import Recording
from lugwatch.store.writer import Store


@click.command("replay")
@click.argument("recording", type=click.Path(path_type=Path))
@config_option
@db_option
def command(recording: Path, config_path: Path, database: Path) -> None:
    """Run RECORDING (.csv or .parquet) through the watch as fast as possible and write the same database.

    First row: `time`, then one column per probe (°C) or current (A) by its id. Rows that the database
    already holds are skipped, so running it twice changes nothing; a later recording goes on where
    the last one ended.
    """
    configuration = config.load(config_path, lenient=True)
    for warning in configuration.warnings:
        click.echo(f"warning: {config_path}: {warning}; ignored", err=True)
    rows = open_any_recording(recording, configuration.boat)
    _warn_of_columns(rows)
    held_until = _held_until(database)
    started = time.perf_counter()
    store = Store.open(database, clock=ManualClock(0.0, 0), boat=configuration.boat, version=__version__)
    try:
        with progress("replaying") as show:
            done = replay(
                rows,
                configuration.boat,
                store,
                held_until=held_until,
                progress=lambda: show(rows.position_bytes, rows.size_bytes),
            )
    finally:
        store.close()
    seconds = time.perf_counter() - started
    click.echo(f"{done.rows} rows in {seconds:.1f} s ({done.rows / max(seconds, 1e-9):.0f} rows/s)")
    if done.already_held:
        click.echo(f"{done.already_held} rows were in {database} already and were skipped")
    _tell_counts(rows)


def _held_until(database: Path) -> int | None:
    if not database.exists():
        return None
    with History.open(database) as history:
        last = history.last_batch()
    return None if last is None else last[0]


def _warn_of_columns(rows: Recording | ParquetRecording) -> None:
    for column in rows.unknown_columns:
        click.echo(f"warning: column {column!r} is in no [[probe]] or [[current]]; skipped", err=True)
    for channel in rows.missing_channels:
        click.echo(f"warning: {channel!r} has no column; never read", err=True)


def _tell_counts(rows: Recording | ParquetRecording) -> None:
    for line in rows.counts.lines():
        click.echo(line, err=True)
