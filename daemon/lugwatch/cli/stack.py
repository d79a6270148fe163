"""`lugwatch stack`: what a joint should measure, and what a part in the current's way does to it."""

from dataclasses import replace
from pathlib import Path

import click

from lugwatch.cli.options import json_option, put_json, put_table
from lugwatch.errors import OperationFailed, UserError
from lugwatch.materials import IEC_60228_OHMS_PER_KM, RISE_LIMITS
from lugwatch.stack import (
    DIAMETER_MM,
    HARDWARE_METALS,
    MOST_LUGS,
    USUAL_TORQUE_NEWTON_METRES,
    Expected,
    Lug,
    Part,
    Stack,
    Surface,
    expect,
)
from lugwatch.stack_drawing import draw
from lugwatch.units import parse_number

BAR_METALS = ("copper", "brass, 63 % copper", "brass, 58 % copper", "aluminium")
AIR_CELSIUS = 30.0


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
    if torque_newton_metres is not None and not 0.1 <= torque_newton_metres <= 200:
        raise UserError(f"--torque-newton-metres {torque_newton_metres:g}: give 0.1 to 200 N m")
    if not -40 <= air_celsius <= 90:
        raise UserError(f"--air-celsius {air_celsius:g}: give −40 to 90 °C")
    width, thickness = _bar(bar_mm)
    stack = Stack(
        lugs=tuple(_lug(text) for text in lugs),
        stud=stud,
        torque_newton_metres=torque_newton_metres,
        surface=Surface(surface),
        bar_metal=bar_metal,
        bar_width_mm=width,
        bar_thickness_mm=thickness,
        in_path=tuple(Part(part) for part in parts),
        hardware_metal=hardware,
    )
    direct = expect(replace(stack, in_path=()), air_celsius)
    found = expect(stack, air_celsius) if parts else direct
    if drawing is not None:
        title = f"{stud}, {_amps(stack)}: {_micro_ohms(found)}"
        try:
            drawing.write_text(draw(stack, title), encoding="utf-8")
        except OSError as error:
            raise OperationFailed(f"cannot write {drawing}: {error.strerror}") from None
    if as_json:
        documents = {"stack": _object(stack, found), "direct": _object(stack, direct)}
        put_json({**documents, "advice": _advice(stack)})
        return
    _tell(stack, found, direct)
    for line in _advice(stack):
        click.echo(f"- {line}")


def _lug(text: str) -> Lug:
    size, _, amps = text.partition(":")
    mm2, current = parse_number(size), parse_number(amps)
    least, most = min(IEC_60228_OHMS_PER_KM), max(IEC_60228_OHMS_PER_KM)
    if mm2 is None or current is None or not least <= mm2 <= most or not 0 <= current <= 2000:
        raise UserError(
            f"--lug {text!r}: write the copper of its cable ({least:g} to {most:g} mm²) and its current "
            "in A, as 50:150"
        )
    return Lug(cable_mm2=mm2, amps=current)


def _bar(text: str) -> tuple[float, float]:
    width, _, thickness = text.lower().partition("x")
    numbers = parse_number(width), parse_number(thickness)
    if numbers[0] is None or numbers[1] is None or not all(1 <= n <= 300 for n in numbers if n is not None):
        raise UserError(f"--bar-mm {text!r}: write width and thickness in mm, as 25x5")
    return numbers[0], numbers[1]


def _amps(stack: Stack) -> str:
    return f"{stack.amps:g} A"


def _micro_ohms(found: Expected) -> str:
    figures = (found.resistance_ohms, found.low_ohms, found.high_ohms)
    middle, low, high = (f"{1e6 * ohms:.2g}" if ohms < 99.5e-6 else f"{1e6 * ohms:.0f}" for ohms in figures)
    return f"{middle} µΩ ({low} to {high})"


def _kelvin(found: Expected) -> str:
    low, middle, high = (
        "without end" if k is None else f"{k:.0f} K"
        for k in (found.low_kelvin, found.rise_kelvin, found.high_kelvin)
    )
    return f"{middle} ({low} to {high})"


def _tell(stack: Stack, found: Expected, direct: Expected) -> None:
    rows = [
        (
            layer.what,
            "contact" if layer.contact else "metal",
            f"{layer.ohms * 1e6:.2g} µΩ" if layer.ohms < 99.5e-6 else f"{layer.ohms * 1e6:.0f} µΩ",
            f"{layer.amps:g} A",
            f"{layer.amps**2 * layer.ohms:.2g} W",
        )
        for layer in found.layers
    ]
    put_table(("from the top lug to the bar", "", "median", "carries", "makes"), rows)
    click.echo()
    click.echo(f"clamped with {found.clamp_newtons / 1e3:.1f} kN by {stack.torque:g} N m on {stack.stud}")
    click.echo(f"resistance: {_micro_ohms(found)} at 20 °C, {found.contact_share:.0%} of it in contacts")
    click.echo(
        f"measured from the cable's copper it is some {found.crimp_ohms * 1e6:.0f} µΩ more, for lug and crimp"
    )
    click.echo(f"rise at {_amps(stack)}: {_kelvin(found)}; 95 %, torque, faces and air together")
    if found is not direct:
        parts = ", ".join(part.value.replace("_", " ") for part in stack.in_path)
        click.echo(f"the same without the {parts}: {_micro_ohms(direct)}, rise {_kelvin(direct)}")
    if found.cable_kelvin is None:
        click.echo("its cable cannot carry that current at all")
    else:
        click.echo(f"its warmest cable by itself: {found.cable_kelvin:.0f} K; a sound joint is no warmer")
    limit = next(x for x in RISE_LIMITS if "tinned" in x.what)
    allowed = f"{limit.rise_kelvin:.0f} K over 40 °C on a {limit.what} ({limit.source})"
    click.echo(f"allowed: {allowed}, or the cable's class")
    click.echo()


def _advice(stack: Stack) -> list[str]:
    """Order, number, washers, torque: each with where it is from."""
    lines = []
    if stack.in_path:
        lines.append(
            "take it out of the current's way: lug on bar, bare metal on bare metal (common practice)"
        )
    sizes = [lug.cable_mm2 for lug in stack.lugs]
    if sizes != sorted(sizes, reverse=True):
        lines.append("put the largest lug nearest the bar (common practice, no source)")
    if len(sizes) > MOST_LUGS:
        lines.append(f"{len(sizes)} lugs on one stud: no more than {MOST_LUGS} (ABYC E-11, as reported)")
    lines.append("flat washer only under the lock washer, on top of the lugs (common practice, no source)")
    usual = USUAL_TORQUE_NEWTON_METRES[stack.stud]
    lines.append(
        f"torque: as the maker of the stud says; {usual:g} N m is usual for {stack.stud} of brass "
        "or stainless (common practice, no source)"
    )
    lines.append("work on it only with the circuit dead and the battery isolated; local codes come first")
    return lines


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
