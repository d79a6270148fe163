"""`lugwatch watch`: the daemon."""

import logging
from pathlib import Path

import click

from lugwatch import config, watching
from lugwatch.cli.options import config_option
from lugwatch.clock import clock_from_environment


@click.command("watch")
@config_option
@click.option("--verbose", is_flag=True, help="Say more on standard error.")
def command(config_path: Path, verbose: bool) -> None:
    """Watch the joints until told to stop: read, judge, record, warn.

    Starts before probes, broker or the right time are there, and goes on without them.
    """
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING,
        format="%(levelname)s %(threadName)s: %(message)s",
    )
    watching.watch(config.load(config_path), clock_from_environment())
