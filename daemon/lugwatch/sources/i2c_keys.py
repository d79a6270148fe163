"""What a configuration says of chips on I2C, and the chips made of it.

Not here: sources that are no chips (`registry`). May import: base, adc_registers, shunt_registers,
thermistor, i2c, i2c_chips, outside, config, clock, model.
"""

import threading
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, Field, field_validator, model_validator

from lugwatch.clock import Clock
from lugwatch.config import DEFAULT_I2C_BUS, ChannelSettings, Configuration, source_name
from lugwatch.sources import adc_registers, shunt_registers
from lugwatch.sources.base import CalibratedKeys
from lugwatch.sources.i2c import I2cChips
from lugwatch.sources.i2c_chips import Chip, ShuntAmplifier, ThermistorConverter, ThermistorInput
from lugwatch.sources.outside import Outside
from lugwatch.sources.thermistor import Curve, Divider, beta_curve, three_point_curve

_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_Finite = Annotated[float, Field(allow_inf_nan=False)]
_K = TypeVar("_K", bound=BaseModel)
# of the shunt's rating: more is no offset of an amplifier but a current
MOST_ZERO_RATIO = 0.05
# of a bead of the NTCLE100E3 kind (from memory); one that is clamped to metal warms itself less
STILL_AIR_MILLIWATTS_PER_KELVIN = 7.0


def _address(address: int, first: int, last: int) -> int:
    if not first <= address <= last:
        # datasheets and tools count in hexadecimal, and TOML hands over a plain number
        raise ValueError(f"{address:#04x} is none of its addresses, {first:#04x} to {last:#04x}")
    return address


class ShuntChipKeys(CalibratedKeys):
    """`source = "shunt_chip"`: a shunt and the chip that reads it."""

    chip: Literal["ina226", "ina228"]
    address: int
    bus: Annotated[str, Field(min_length=1, max_length=200)] = DEFAULT_I2C_BUS
    shunt_millivolts: _Positive  # as on its plate: so many millivolts ...
    shunt_amps: _Positive  # ... at so many ampere
    zero_date: date | None = None  # when `zero_amps` was found

    @field_validator("address")
    @classmethod
    def _possible(cls, address: int) -> int:
        return _address(address, 0x40, 0x4F)

    @model_validator(mode="after")
    def _belongs_together(self) -> "ShuntChipKeys":
        if self.shunt() is None:
            largest = max(c.full_scale_volts for c in shunt_registers.CHIPS[self.chip]) * 1e3
            raise ValueError(
                f"shunt_millivolts = {self.shunt_millivolts:g} is too much for an {self.chip}: "
                f"it reads {largest:.1f} mV, and {shunt_registers.HEADROOM:g} times the plate must fit"
            )
        if self.zero_date is not None and self.zero_amps is None:
            raise ValueError("zero_date without zero_amps: the date is that of the zero")
        if self.zero_amps is not None and abs(self.zero_amps) > MOST_ZERO_RATIO * self.shunt_amps:
            raise ValueError(
                f"zero_amps = {self.zero_amps:g} is more than {MOST_ZERO_RATIO:.0%} of the shunt: "
                "that is a current; find the zero with everything off"
            )
        return self

    def shunt(self) -> shunt_registers.ShuntChip | None:
        return shunt_registers.fitting(self.chip, self.shunt_millivolts / 1e3)


class AdcKeys(CalibratedKeys):
    """`source = "adc"`: a thermistor in a divider on one input of a converter."""

    chip: Literal["ads1115"] = "ads1115"
    address: int
    input: Annotated[int, Field(ge=0, lt=adc_registers.INPUTS)]
    bus: Annotated[str, Field(min_length=1, max_length=200)] = DEFAULT_I2C_BUS
    series_ohms: _Positive
    thermistor_to: Literal["ground", "supply"] = "ground"
    supply_volts: Annotated[float, Field(ge=2.0, le=4.0)] = 3.3
    supply_input: Annotated[int, Field(ge=0, lt=adc_registers.INPUTS)] | None = None
    ohms_at_25: _Positive | None = None
    beta_kelvin: Annotated[float, Field(ge=1000, le=10_000)] | None = None
    points: list[list[_Finite]] | None = None  # three of [°C, ohm]
    coefficients: list[_Finite] | None = None  # a, b, c, d of 1/T over ln(R / ohms_at_25)

    @field_validator("address")
    @classmethod
    def _possible(cls, address: int) -> int:
        return _address(address, 0x48, 0x4B)

    @field_validator("points")
    @classmethod
    def _three(cls, points: list[list[float]] | None) -> list[list[float]] | None:
        if points is not None and (len(points) != 3 or any(len(p) != 2 for p in points)):
            raise ValueError("three pairs of °C and ohm, as in [[0, 32554], [25, 10000], [85, 1070]]")
        return points

    @model_validator(mode="after")
    def _one_curve(self) -> "AdcKeys":
        said = [n for n in ("beta_kelvin", "points", "coefficients") if getattr(self, n) is not None]
        if len(said) != 1:
            have = " and ".join(said) if said else "none"
            raise ValueError(
                f"how it goes with temperature: one of beta_kelvin, points, coefficients ({have} said)"
            )
        if self.points is None and self.ohms_at_25 is None:
            raise ValueError(f"{said[0]} needs ohms_at_25")
        if self.coefficients is not None and len(self.coefficients) != 4:
            raise ValueError("coefficients are four numbers: a, b, c, d of 1/T over ln(R / ohms_at_25)")
        if self.supply_input == self.input:
            raise ValueError(f"supply_input = {self.supply_input} is the thermistor's own input")
        self.curve()
        return self

    def curve(self) -> Curve:
        """Raises ValueError for points that are no thermistor's."""
        if self.points is not None:
            return three_point_curve([(c, r) for c, r in self.points])
        assert self.ohms_at_25 is not None
        if self.coefficients is not None:
            a, b, c, d = self.coefficients
            return Curve(reference_ohms=self.ohms_at_25, coefficients=(a, b, c, d))
        assert self.beta_kelvin is not None
        return beta_curve(self.ohms_at_25, self.beta_kelvin)


def open_i2c(
    configuration: Configuration,
    channels: Sequence[ChannelSettings],
    clock: Clock,
    stop: threading.Event,
    outside: Outside,
) -> I2cChips:
    """All chips of one bus, shunts and converters alike."""
    shunts = [(c, _keys(c, ShuntChipKeys)) for c in channels if c.source == "shunt_chip"]
    dividers = [(c, _keys(c, AdcKeys)) for c in channels if c.source == "adc"]
    chips: list[Chip] = [_amplifier(c.channel, keys) for c, keys in shunts]
    by_address: dict[int, list[tuple[str, AdcKeys]]] = {}
    for settings, keys in dividers:
        by_address.setdefault(keys.address, []).append((settings.channel, keys))
    chips += [_converter(address, inputs, clock, stop) for address, inputs in by_address.items()]
    path = (shunts[0][1] if shunts else dividers[0][1]).bus
    return I2cChips(
        name=source_name(channels[0]) or "i2c",
        path=path,
        chips=chips,
        interval_seconds=configuration.boat.watching.interval_seconds,
        clock=clock,
        stop=stop,
        bus=outside.open_bus(path),
    )


def _amplifier(channel: str, keys: ShuntChipKeys) -> ShuntAmplifier:
    chip = keys.shunt()
    assert chip is not None  # the keys were checked
    ohms = keys.shunt_millivolts / 1e3 / keys.shunt_amps
    return ShuntAmplifier(
        channel=channel, address=keys.address, chip=chip, ohms=ohms, calibration=keys.calibration()
    )


def _converter(
    address: int, inputs: Sequence[tuple[str, AdcKeys]], clock: Clock, stop: threading.Event
) -> ThermistorConverter:
    first = inputs[0][1]
    return ThermistorConverter(
        address=address,
        inputs=[
            ThermistorInput(
                channel=channel,
                input_number=keys.input,
                divider=Divider(
                    series_ohms=keys.series_ohms,
                    curve=keys.curve(),
                    to_ground=keys.thermistor_to == "ground",
                ),
                calibration=keys.calibration(),
            )
            for channel, keys in inputs
        ],
        supply_volts=first.supply_volts,
        supply_input=first.supply_input,
        clock=clock,
        stop=stop,
    )


def mistakes(configuration: Configuration, valid: Sequence[tuple[ChannelSettings, BaseModel]]) -> list[str]:
    """What one channel on a bus cannot know of another, or of the current's rating."""
    lines: list[str] = []
    at: dict[tuple[str, int], tuple[ChannelSettings, AdcKeys | ShuntChipKeys]] = {}
    rated: Mapping[str, float | None] = {c.channel: c.rated_amps for c in configuration.boat.channels}
    for settings, keys in valid:
        if not isinstance(keys, AdcKeys | ShuntChipKeys):
            continue
        first, first_keys = at.setdefault((keys.bus, keys.address), (settings, keys))
        if type(first_keys) is not type(keys):
            lines.append(
                f"{settings.where} address = {keys.address:#04x}: {first.where} has a chip of another kind"
            )
        elif isinstance(keys, AdcKeys) and isinstance(first_keys, AdcKeys):
            lines += _two_supplies(settings, keys, first, first_keys)
        if isinstance(keys, ShuntChipKeys):
            lines += _beyond_shunt(settings, keys, rated.get(settings.channel))
    return lines


def _two_supplies(
    settings: ChannelSettings, keys: AdcKeys, first: ChannelSettings, first_keys: AdcKeys
) -> list[str]:
    if (keys.supply_volts, keys.supply_input) == (first_keys.supply_volts, first_keys.supply_input):
        return []
    return [
        f"{settings.where} supply: {first.where} on the same chip says another supply_volts or supply_input; "
        "the dividers of one chip share one supply"
    ]


def _beyond_shunt(settings: ChannelSettings, keys: ShuntChipKeys, rated_amps: float | None) -> list[str]:
    """A rating that the shunt's plate or the chip's range cannot carry."""
    if rated_amps is None or rated_amps <= keys.shunt_amps:
        return []
    return [
        f"{settings.where} rated_amps = {rated_amps:g}: the shunt's plate says {keys.shunt_amps:g} A; "
        "for hours it should carry two thirds of that (common practice)"
    ]


def range_words(keys: ShuntChipKeys) -> str:
    """How far and how finely this shunt is read, for `check`."""
    chip = keys.shunt()
    assert chip is not None
    ohms = keys.shunt_millivolts / 1e3 / keys.shunt_amps
    amps, step = chip.full_scale_volts / ohms, chip.volts_per_code / ohms
    zero = ""
    if keys.zero_amps is not None:
        when = "" if keys.zero_date is None else f" found on {keys.zero_date.isoformat()}"
        zero = f", zero {keys.zero_amps:g} A{when}"
    return f"{ohms * 1e6:g} µΩ on {keys.chip}: reads ±{amps:.0f} A in steps of {step * 1e3:.2g} mA{zero}"


def divider_words(keys: AdcKeys) -> str:
    """How fine a divider is and what it makes of itself at 25 and 85 °C, for `check`."""
    divider = Divider(series_ohms=keys.series_ohms, curve=keys.curve())
    parts = []
    for celsius in (25.0, 85.0):
        volts = divider.input_volts(celsius, keys.supply_volts)
        step_kelvin = adc_registers.VOLTS_PER_CODE / divider.volts_per_kelvin(celsius, keys.supply_volts)
        heat_kelvin = divider.self_heating_kelvin(
            divider.curve.ohms(celsius), keys.supply_volts, STILL_AIR_MILLIWATTS_PER_KELVIN
        )
        parts.append(
            f"{celsius:g} °C: {volts:.2f} V, {step_kelvin * 1e3:.0f} mK a step, "
            f"warms itself {heat_kelvin * 1e3:.0f} mK"
        )
    return "; ".join(parts) + f" in still air ({STILL_AIR_MILLIWATTS_PER_KELVIN:g} mW/K)"


def _keys(settings: ChannelSettings, model: type[_K]) -> _K:
    keys: Mapping[str, Any] = settings.keys
    return model.model_validate(dict(keys))
