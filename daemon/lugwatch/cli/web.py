"""`lugwatch web`: the dashboard, in its own process."""

from dataclasses import replace
from pathlib import Path

import click

from lugwatch import config
from lugwatch.cli.options import config_option
from lugwatch.clock import clock_from_environment


@click.command("web")
@config_option
@click.option("--port", type=click.IntRange(0, 65535), help="Instead of the configured port.")
def command(config_path: Path, port: int | None) -> None:
    """Serve the page: is everything all right, each joint, the last hours.

    Reads the database that `watch` writes; may be stopped and started at any time.
    """
    from lugwatch.dashboard.serve import serve

    configuration = config.load(config_path)
    if port is not None:
        configuration = replace(configuration, web_port=port)
    serve(configuration, clock_from_environment(), lambda url: click.echo(f"The page is at {url}"))
