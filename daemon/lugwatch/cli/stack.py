"""`lugwatch stack`: what a joint should measure, and what a part in the current's way does to it."""

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from lugwatch import stack_words
from lugwatch.cli.options import json_option, put_json, put_table
from lugwatch.errors import OperationFailed, UserError
from lugwatch.stack import DIAMETER_MM, HARDWARE_METALS, Expected, Part, Stack, Surface
from lugwatch.stack_drawing import draw
from lugwatch.stack_words import AIR_CELSIUS, BAR_METALS, LEAST_TORQUE, MOST_TORQUE

_Read = TypeVar("_Read")


@click.command("stack")
@click.option(
    "--lug", "lugs", multiple=True, required=True, metavar="MM2:AMPS", help="Nearest the bar first."
)
@click.option("--stud", type=click.Choice(list(DIAMETER_MM)), default="M8", show_default=True)
@click.option("--torque-newton-metres", type=float, help="Left out: what such a stud usually takes.")
@click.option("--surface", type=click.Choice([s.value for s in Surface]), default="bright", show_default=True)
@click.option("--bar", "bar_metal", type=click.Choice(BAR_METALS), default="copper", show_default=True)
@click.option("--bar-mm", default="25x5", show_default=True, help="Width x thickness.")
@click.option(
    "--through",
    "parts",
    type=click.Choice([p.value for p in Part]),
    multiple=True,
    help="What has got between the first lug and the bar, from the bar up.",
)
@click.option("--hardware", type=click.Choice(HARDWARE_METALS), default="stainless 304", show_default=True)
@click.option("--air-celsius", type=float, default=AIR_CELSIUS, show_default=True)
@click.option(
    "--drawing", type=click.Path(path_type=Path, dir_okay=False), help="Write a cross-section, SVG."
)
@json_option
def command(
    lugs: tuple[str, ...],
    stud: str,
    torque_newton_metres: float | None,
    surface: str,
    bar_metal: str,
    bar_mm: str,
    parts: tuple[str, ...],
    hardware: str,
    air_celsius: float,
    drawing: Path | None,
    as_json: bool,
) -> None:
    """Tell what a bolted joint should measure in micro-ohms and how warm it should run.

    lugwatch stack --lug 50:150 --stud M8 --through washer

    Describe it from bar to nut. What lies in the current's way (--through) is compared with the same
    joint without it.
    """
    if torque_newton_metres is not None and not LEAST_TORQUE <= torque_newton_metres <= MOST_TORQUE:
        raise UserError(f"--torque-newton-metres {torque_newton_metres:g}: give 0.1 to 200 N m")
    if not -40 <= air_celsius <= 90:
        raise UserError(f"--air-celsius {air_celsius:g}: give −40 to 90 °C")
    width, thickness = _said(f"--bar-mm {bar_mm!r}", stack_words.bar, bar_mm)
    stack = Stack(
        lugs=tuple(_said(f"--lug {text!r}", stack_words.lug, text) for text in lugs),
        stud=stud,
        torque_newton_metres=torque_newton_metres,
        surface=Surface(surface),
        bar_metal=bar_metal,
        bar_width_mm=width,
        bar_thickness_mm=thickness,
        in_path=tuple(Part(part) for part in parts),
        hardware_metal=hardware,
    )
    found = stack_words.find(stack, air_celsius)
    if drawing is not None:
        title = f"{stud}, {stack_words.amps(stack)}: {stack_words.micro_ohms(found.expected)}"
        try:
            drawing.write_text(draw(stack, title), encoding="utf-8")
        except OSError as error:
            raise OperationFailed(f"cannot write {drawing}: {error.strerror}") from None
    if as_json:
        documents = {"stack": _object(stack, found.expected), "direct": _object(stack, found.direct)}
        put_json({**documents, "advice": stack_words.advice(stack)})
        return
    put_table(stack_words.ROWS_HEADER, stack_words.rows(found.expected))
    click.echo()
    for line in stack_words.lines(found):
        click.echo(line)
    click.echo()
    for line in stack_words.advice(stack):
        click.echo(f"- {line}")


def _said(where: str, read: Callable[[str], _Read], text: str) -> _Read:
    try:
        return read(text)
    except ValueError as error:
        raise UserError(f"{where}: {error}") from None


def _object(stack: Stack, found: Expected) -> dict[str, object]:
    return {
        "current_amps": stack.amps,
        "clamp_newtons": found.clamp_newtons,
        "resistance_ohms": found.resistance_ohms,
        "resistance_low_ohms": found.low_ohms,
        "resistance_high_ohms": found.high_ohms,
        "crimp_ohms": found.crimp_ohms,
        "contact_share_ratio": found.contact_share,
        "rise_kelvin": found.rise_kelvin,
        "rise_low_kelvin": found.low_kelvin,
        "rise_high_kelvin": found.high_kelvin,
        "cable_rise_kelvin": found.cable_kelvin,
        "layers": [
            {"what": x.what, "contact": x.contact, "resistance_ohms": x.ohms, "current_amps": x.amps}
            for x in found.layers
        ],
    }
