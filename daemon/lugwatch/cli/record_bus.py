"""`lugwatch record-bus`: what passes on the buses, written down for a bug report."""

import signal
import threading
from pathlib import Path
from types import FrameType

import click

from lugwatch import config
from lugwatch.cli.options import config_option
from lugwatch.clock import clock_from_environment
from lugwatch.errors import ConfigurationError, UserError
from lugwatch.sources import registry
from lugwatch.sources.bus_log import Writer
from lugwatch.sources.bus_recording import Recorder
from lugwatch.units import format_duration
from lugwatch.watching import only_instance


@click.command("record-bus")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@config_option
@click.option(
    "--for", "seconds", type=click.FloatRange(min=1, max=86_400), default=600.0, show_default=True,
    help="Seconds after which it ends.",
)  # fmt: skip
@click.option(
    "--megabytes", type=click.FloatRange(min=0.1, max=2000), default=20.0, show_default=True,
    help="Size at which it ends.",
)  # fmt: skip
@click.option(
    "--unmasked", is_flag=True, help="Keep positions, tracks and names in NMEA sentences: they are yours."
)
def command(file: Path, config_path: Path, seconds: float, megabytes: float, unmasked: bool) -> None:
    """Write what passes on serial lines, one-wire and I2C to FILE, for a bug report.

    The buses are read by the drivers of the watch, so stop `lugwatch watch` first. Ends by itself, or with
    Ctrl-C; FILE has its name when it is whole. It is text, packed: look at it with `zcat FILE | less` before
    you send it. `lugwatch replay-bus FILE` plays it back.
    """
    configuration = config.load(config_path)
    if mistakes := registry.check(configuration):
        raise ConfigurationError(str(config_path), mistakes)
    clock, stop = clock_from_environment(), threading.Event()

    def ask_to_stop(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    with only_instance(configuration.database):
        recorder = Recorder(configuration, clock, stop, masked=not unmasked)
        names = [source.name for source in recorder.heading.sources]
        if not names:
            raise UserError(
                f"{config_path}: no channel on a serial line, one-wire or I2C; MQTT is not recorded"
            )
        writer = Writer(file, recorder.heading, most_bytes=round(megabytes * 1e6))
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, ask_to_stop)
        click.echo(
            f"recording {', '.join(names)} for {format_duration(seconds)}; Ctrl-C ends it sooner", err=True
        )
        for name in recorder.left_out:
            click.echo(f"{name} is not recorded: write it down at the broker", err=True)
        began = clock.monotonic_seconds()
        over = threading.Event()

        def end_in_time() -> None:
            # of the boat's clock, so that the demo's runs as its own
            if not clock.wait(over, seconds):
                over.set()
                stop.set()

        timer = threading.Thread(target=end_in_time, name="end", daemon=True)
        timer.start()
        try:
            why, failures = recorder.run(writer)
            writer.close("time" if over.is_set() else why)
        finally:
            over.set()
            recorder.close()
            writer.abandon()
    lasted = format_duration(clock.monotonic_seconds() - began)
    click.echo(f"{file}: {lasted}, {writer.polls} polls, {writer.size_bytes / 1e3:.0f} kB")
    if why == "size":
        click.echo(f"it ended because {megabytes:g} MB are full; --megabytes gives it more", err=True)
    for name, readings in recorder.came.items():
        click.echo(f"  {name}: {readings} readings")
    for failure in failures:
        click.echo(f"a driver failed: {failure}; what it was reading is in the file", err=True)
