"""`lugwatch demo`: an invented boat on an invented passage."""

from pathlib import Path

import click


@click.command("demo")
@click.option(
    "--speed",
    type=click.FloatRange(1.0, 400.0),
    default=60.0,
    show_default=True,
    help="How many times faster than real time.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8037,
    show_default=True,
    help="Of the page; 0: any free one.",
)
@click.option(
    "--dir",
    "directory",
    type=click.Path(path_type=Path, file_okay=False),
    help="Keep the database, configuration and devices here; else they go when the demo ends.",
)
@click.option("--no-browser", is_flag=True, help="Do not open the page.")
@click.option("--for", "seconds", type=click.FloatRange(1.0), help="End by itself after this many seconds.")
def command(speed: float, port: int, directory: Path | None, no_browser: bool, seconds: float | None) -> None:
    """Watch an invented boat motor for ninety minutes while one of her joints goes bad.

    Her probes, shunt node and inverter are read through the real drivers by the real daemon; the page
    and a private broker run beside it. Ctrl-C ends it and leaves nothing behind.
    """
    from lugwatch.demo import demo

    demo(speed=speed, port=port, directory=directory, browser=not no_browser, seconds=seconds)
