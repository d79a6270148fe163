"""`lugwatch try-alerts`: one marked test through every way out, and what came of it."""

from collections.abc import Iterator
from pathlib import Path

import click

from lugwatch import config
from lugwatch.cli.options import config_option, json_option, put_json
from lugwatch.clock import SystemClock
from lugwatch.config import Configuration
from lugwatch.errors import OperationFailed, UserError
from lugwatch.publishers import mqtt_echo, trial
from lugwatch.publishers.trial import Outcome


@click.command("try-alerts")
@config_option
@click.option("--button", is_flag=True, help="Also wait for the silence button to be pressed.")
@json_option
def command(config_path: Path, button: bool, as_json: bool) -> None:
    """Send one test through every way out, end to end, and tell what arrived and how long it took.

    Nothing of it looks like an alert, and a running watch is not disturbed; pins and serial ports that it
    holds cannot be tried meanwhile. Exit status 1 if any way failed.
    """
    configuration = config.load(config_path)
    found = []
    for outcome in _outcomes(configuration, button):
        found.append(outcome)
        if not as_json:
            click.echo(_line(outcome))
    if not found:
        raise UserError(
            f"{config_path}: no way out but the page is configured; "
            "add [mqtt], [push], [buzzer], [lamp] or [nmea_alerts]"
        )
    if as_json:
        put_json(
            [
                {"way": o.way, "arrived": o.good, "seconds": round(o.seconds, 3), "text": o.words}
                for o in found
            ]
        )
    failed = [outcome.way for outcome in found if not outcome.good]
    if failed:
        raise OperationFailed(f"{len(failed)} of {len(found)} ways out failed: {'; '.join(failed)}")


def _outcomes(configuration: Configuration, button: bool) -> Iterator[Outcome]:
    clock = SystemClock()
    if configuration.mqtt is not None:
        try:
            yield mqtt_echo.try_mqtt(configuration.mqtt, configuration.boat.slug, clock)
        except UserError as error:
            yield Outcome(way=mqtt_echo.WAY, good=False, words=str(error), seconds=0.0)
    yield from trial.try_all(configuration.ways_out, configuration.boat.name, clock, button=button)


def _line(outcome: Outcome) -> str:
    verdict = "ok    " if outcome.good else "FAILED"
    took = f" ({outcome.seconds:.2f} s)" if outcome.good else ""
    return f"{verdict}  {outcome.way}: {outcome.words}{took}"
