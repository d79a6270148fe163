"""`lugwatch init`: looks for what is attached and writes a first configuration."""

import threading
from pathlib import Path

import click

from lugwatch import first_text
from lugwatch.cli import circuit_desk
from lugwatch.cli.circuit_desk import Desk, answers_option, part_option
from lugwatch.cli.options import config_option
from lugwatch.clock import clock_from_environment
from lugwatch.errors import OperationFailed, UserError
from lugwatch.sources.finding import Found, find_chips, find_onewire, find_serial

ONEWIRE, SERIAL, DEVICES = Path("/sys/bus/w1/devices"), Path("/dev/serial/by-id"), Path("/dev")


@click.command("init")
@config_option
@click.option("--boat", default="My boat", show_default=True, help="Her name.")
@click.option("--onewire", type=click.Path(path_type=Path), default=ONEWIRE, show_default=True)
@click.option("--serial", type=click.Path(path_type=Path), default=SERIAL, show_default=True)
@click.option("--devices", type=click.Path(path_type=Path), default=DEVICES, show_default=True)
@answers_option
@part_option
@click.option("--ask/--no-ask", default=True, help="On a terminal, ask for the circuit.", show_default=True)
def command(
    config_path: Path, boat: str, onewire: Path, serial: Path, devices: Path,
    answers_path: Path | None, parts_said: tuple[str, ...], ask: bool,
) -> None:  # fmt: skip
    """Look for probes, nodes and chips, and write a commented configuration that loads.

    Nothing is changed on any device, and a configuration that is there is never written over. What was in the
    way of finding more is said, with what to try. Then, on a terminal, it asks for the circuit, as
    `lugwatch circuit` does at any time.
    """
    if not 1 <= len(boat) <= 80 or any(ord(c) < 32 for c in boat):
        raise UserError("--boat: a name of 1 to 80 letters on one line")
    if config_path.exists():
        raise UserError(
            f"{config_path} is there already; name another with --config, or move it away first; "
            "`lugwatch circuit` asks for the circuit of one that is there"
        )
    found = Found()
    find_onewire(onewire, found)
    find_serial(serial, found, clock_from_environment(), threading.Event())
    find_chips(sorted(devices.glob("i2c-*")), found)
    text = first_text.text(boat, found)
    try:
        with config_path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise OperationFailed(
            f"cannot write {config_path}: {error.strerror}; does the folder exist?"
        ) from None
    click.echo(
        f"{config_path}: {_count(len(found.onewire), 'one-wire probe')}, "
        f"{_count(len(found.transducers), 'value')} on serial lines, "
        f"{_count(len(found.chips), 'chip')} on I2C"
    )
    for note in found.notes:
        click.echo(f"- {note}")
    if answers_path is not None or parts_said:
        desk = Desk.of(config_path)
        drawn, _, _ = desk.written(circuit_desk.scripted(desk, answers_path, parts_said))
        desk.write(drawn)
    elif ask and circuit_desk.on_terminal():
        click.echo()
        circuit_desk.asked(Desk.of(config_path), input)
    click.echo(
        "Next: `lugwatch probes` to see which probe is which, then edit the file, then `lugwatch check`; "
        "with `lugwatch watch` running `lugwatch fitting` leads on."
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
