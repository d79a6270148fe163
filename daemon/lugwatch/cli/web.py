"""`lugwatch web`: the dashboard, in its own process."""

from dataclasses import replace
from pathlib import Path

import click

from lugwatch import config
from lugwatch.cli.options import config_option
from lugwatch.clock import clock_from_environment
from lugwatch.errors import UserError

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command("web")
@config_option
@click.option("--port", type=click.IntRange(0, 65535), help="Instead of the configured port.")
@click.option("--certificate", type=_FILE, help="PEM, with its chain: speak TLS with it.")
@click.option("--key", type=_FILE, help="PEM of its private key; left out: in the same file.")
def command(config_path: Path, port: int | None, certificate: Path | None, key: Path | None) -> None:
    """Serve the page: is everything all right, each joint, the last hours.

    Reads the database that `watch` writes; may be stopped and started at any time.
    """
    from lugwatch.dashboard.serve import serve

    configuration = config.load(config_path)
    if port is not None:
        configuration = replace(configuration, web_port=port)
    if key is not None and certificate is None:
        raise UserError("--key stands without --certificate; name both")
    if certificate is not None:
        page = replace(configuration.page, certificate_file=certificate, key_file=key)
        configuration = replace(configuration, page=page)
    serve(configuration, clock_from_environment(), lambda url: click.echo(f"The page is at {url}"))
