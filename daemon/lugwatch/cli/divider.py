"""`lugwatch divider`: what a thermistor and a resistor make of each temperature."""

import click

from lugwatch.cli.options import json_option, put_json, put_table
from lugwatch.errors import UserError
from lugwatch.sources import adc_registers
from lugwatch.sources.thermistor import Curve, Divider, beta_curve, three_point_curve

CELSIUS = (-10.0, 10.0, 25.0, 40.0, 60.0, 80.0, 100.0, 125.0)


@click.command("divider")
@click.option("--series-ohms", type=float, required=True, help="The fixed resistor.")
@click.option("--supply-volts", type=float, default=3.3, show_default=True)
@click.option("--ohms-at-25", type=float, help="Of the thermistor at 25 °C.")
@click.option("--beta-kelvin", type=float, help="Of the thermistor, as its datasheet says.")
@click.option(
    "--point",
    "points",
    type=(float, float),
    multiple=True,
    help="Instead: °C and ohm of the datasheet's table, three times.",
)
@click.option(
    "--milliwatts-per-kelvin", type=float, default=7.0, show_default=True, help="Dissipation in still air."
)
@json_option
def command(
    series_ohms: float,
    supply_volts: float,
    ohms_at_25: float | None,
    beta_kelvin: float | None,
    points: tuple[tuple[float, float], ...],
    milliwatts_per_kelvin: float,
    as_json: bool,
) -> None:
    """Tell the voltage, the step and the self-heating of a thermistor divider at each temperature.

    The step is that of a 16-bit converter at ±4.096 V. lugwatch judges changes of a tenth of a kelvin: a step
    under 50 mK and a self-heating under 100 mK are good enough.
    """
    for name, value in (
        ("--series-ohms", series_ohms),
        ("--supply-volts", supply_volts),
        ("--milliwatts-per-kelvin", milliwatts_per_kelvin),
    ):
        if not 0 < value < 1e9:
            raise UserError(f"{name} {value:g} is no such value; give a number above 0")
    curve = _curve(ohms_at_25, beta_kelvin, points)
    rows = [_row(curve, series_ohms, supply_volts, milliwatts_per_kelvin, celsius) for celsius in CELSIUS]
    if as_json:
        put_json(rows)
        return
    header = ("°C", "thermistor", "at the input", "one step", "warms itself by")
    put_table(
        header,
        [
            (
                f"{r['celsius']:g}",
                f"{r['thermistor_ohms']:.0f} Ω",
                f"{r['input_volts']:.3f} V",
                f"{1e3 * r['step_kelvin']:.0f} mK",
                f"{1e3 * r['self_heating_kelvin']:.0f} mK",
            )
            for r in rows
        ],
    )


def _curve(
    ohms_at_25: float | None, beta_kelvin: float | None, points: tuple[tuple[float, float], ...]
) -> Curve:
    if points:
        if ohms_at_25 is not None or beta_kelvin is not None:
            raise UserError("--point or --ohms-at-25 with --beta-kelvin, not both")
        try:
            return three_point_curve(points)
        except ValueError as error:
            raise UserError(f"--point: {error}; copy three rows of the datasheet's table") from None
    if ohms_at_25 is None or beta_kelvin is None:
        raise UserError("say --ohms-at-25 and --beta-kelvin, or --point three times; the datasheet has them")
    if not (0 < ohms_at_25 < 1e9 and 1000 <= beta_kelvin <= 10_000):
        raise UserError("--ohms-at-25 is above 0 Ω and --beta-kelvin between 1000 and 10000 K")
    return beta_curve(ohms_at_25, beta_kelvin)


def _row(
    curve: Curve, series_ohms: float, supply_volts: float, milliwatts_per_kelvin: float, celsius: float
) -> dict[str, float]:
    divider = Divider(series_ohms=series_ohms, curve=curve)
    return {
        "celsius": celsius,
        "thermistor_ohms": curve.ohms(celsius),
        "input_volts": divider.input_volts(celsius, supply_volts),
        "step_kelvin": adc_registers.VOLTS_PER_CODE / divider.volts_per_kelvin(celsius, supply_volts),
        "self_heating_kelvin": divider.self_heating_kelvin(
            curve.ohms(celsius), supply_volts, milliwatts_per_kelvin
        ),
    }
