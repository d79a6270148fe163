"""`lugwatch export`: readings in the recording format, or the days of a boat for a fleet."""

from pathlib import Path

import click

from lugwatch.cli.options import db_option, progress, time_argument
from lugwatch.errors import UserError
from lugwatch.store.columnar import write_parquet
from lugwatch.store.fleet import write_days
from lugwatch.store.queries import History
from lugwatch.store.recording import Layout, write_recording


@click.command("export")
@db_option
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    help="FILE.csv or FILE.parquet; with --days a folder.",
)
@click.option("--from", "start", help="First time: 2026-05-03T14:30:00Z or epoch seconds.")
@click.option("--to", "end", help="Last time.")
@click.option("--units", is_flag=True, help="CSV: a unit behind each name of the header; replay reads it.")
@click.option(
    "--decimal-comma",
    is_flag=True,
    help="CSV for a spreadsheet that wants 1,5 and semicolons, with units; replay does not read it.",
)
@click.option(
    "--days",
    "by_days",
    is_flag=True,
    help="Parquet by boat and day into a folder of many boats: readings, passages, alerts.",
)
@click.option("--boat", help="With --days: what the boat is called there, if two have one name.")
def command(
    database: Path,
    out: Path,
    start: str | None,
    end: str | None,
    units: bool,
    decimal_comma: bool,
    by_days: bool,
    boat: str | None,
) -> None:
    """Write the readings to FILE.csv or FILE.parquet, as `replay` reads them; a round trip loses nothing.

    Times are UTC, temperatures in °C, currents in A.
    """
    first, last = time_argument(start, "--from"), time_argument(end, "--to")
    kind = out.suffix.lower()
    if boat is not None and not by_days:
        raise UserError("--boat goes with --days")
    if (units or decimal_comma) and (by_days or kind != ".csv"):
        raise UserError(
            "--units and --decimal-comma go with --out FILE.csv; Parquet holds units and plain numbers"
        )
    if not by_days and kind not in (".csv", ".parquet"):
        raise UserError(f"--out {out}: name it FILE.csv or FILE.parquet, or give a folder and --days")
    with History.open(database) as history:
        total = history.count_readings(first, last)
        with progress("exporting") as show:

            def told(done: int) -> None:
                show(done, total)

            if by_days:
                written = write_days(history, out, boat=boat, start=first, end=last, progress=told)
                said = (
                    f"{written.readings} readings, {written.passages} passages and {written.alerts} alerts"
                    f" of {written.boat} in {out}, {written.days} days"
                )
            elif kind == ".parquet":
                said = f"{write_parquet(history, out, first, last, told)} readings in {out}"
            else:
                layout = Layout(units=units or decimal_comma, decimal_comma=decimal_comma)
                said = f"{write_recording(history, out, first, last, told, layout)} readings in {out}"
    click.echo(said)
