"""`lugwatch salvage`: what can be read of a damaged database."""

from pathlib import Path

import click

from lugwatch.store.damage import salvage


@click.command("salvage")
@click.argument("damaged", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="A new database.")
def command(damaged: Path, out: Path) -> None:
    """Get out of a damaged database what can be read, into a new one that every command reads.

    DAMAGED is left as it is. Take it from a copy if the card is failing.
    """
    found = salvage(damaged, out, lambda table: click.echo(f"reading {table}", err=True))
    for table, count in found.rows.items():
        said = "; some of it cannot be read" if table in found.damaged else ""
        click.echo(f"{table}: {count} rows{said}")
    click.echo(f"{out}: written; look at it with `lugwatch passages --db {out}` or `lugwatch export`")
