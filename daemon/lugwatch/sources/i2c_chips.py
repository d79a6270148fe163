"""One chip on an I2C bus: set up, looked after, read. What goes wrong is a `Refused` for each channel.

Not here: the bus's own troubles and whose turn it is (`i2c`). May import: base, adc_registers,
shunt_registers, thermistor, clock, model.
"""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from lugwatch.clock import Clock
from lugwatch.model import FaultKind, Quantity
from lugwatch.sources import adc_registers as adc
from lugwatch.sources import shunt_registers as shunt
from lugwatch.sources.base import Calibration, Refused, measured
from lugwatch.sources.thermistor import Divider

Transfer = Callable[[int, bytes, int], bytes]  # address, what to write, how many bytes to read; OSError
Outcome = tuple[str, float | Refused]  # channel; °C or A

_READY_TRIES = 6
_SUPPLY_VOLTS = (2.0, 4.09)  # what a divider that fits the range can be fed with


class Chip(Protocol):
    """One chip; `set_up` is called when it first answers and whenever it has come back."""

    @property
    def address(self) -> int: ...

    @property
    def channels(self) -> Sequence[str]: ...

    def set_up(self, transfer: Transfer) -> Refused | None:
        """Check who it is and set it up. Raises OSError."""

    def read(self, transfer: Transfer) -> Sequence[Outcome]:
        """One outcome for each channel. Raises OSError; `Restarted` where its settings are gone."""


class RestartedError(Exception):
    """The chip answers and its settings are not ours: it restarted, or somebody else uses it."""


def _word(transfer: Transfer, address: int, register: int) -> int:
    return int.from_bytes(transfer(address, bytes([register]), 2), "big")


class ShuntAmplifier:
    """A shunt and the chip that reads it. ohms: of the shunt."""

    def __init__(
        self, *, channel: str, address: int, chip: shunt.ShuntChip, ohms: float, calibration: Calibration
    ) -> None:
        self.address = address
        self.channels = (channel,)
        self._chip = chip
        self._calibration = Calibration(scale=calibration.scale / ohms, offset=calibration.offset)

    def set_up(self, transfer: Transfer) -> Refused | None:
        maker = _word(transfer, self.address, self._chip.maker_register)
        wrong = shunt.check_identity(
            self._chip, maker, _word(transfer, self.address, self._chip.part_register)
        )
        if wrong is not None:
            return wrong
        for setting in self._chip.settings:
            transfer(self.address, bytes([setting.register]) + setting.word.to_bytes(2, "big"), 0)
        for setting in self._chip.settings:
            found = _word(transfer, self.address, setting.register)
            if found != setting.word:
                detail = f"it does not keep its settings: {found:04X}h where {setting.word:04X}h was written"
                return Refused(kind=FaultKind.MALFORMED, detail=detail)
        return None

    def read(self, transfer: Transfer) -> Sequence[Outcome]:
        return [(self.channels[0], self._value(transfer))]

    def _value(self, transfer: Transfer) -> float | Refused:
        chip = self._chip
        # before and after: what was measured in between was measured as it was set up
        self._expect_settings(transfer)
        fresh = _word(transfer, self.address, chip.ready_register) >> chip.ready_bit & 1
        data = transfer(self.address, bytes([chip.shunt_register]), chip.shunt_bytes)
        self._expect_settings(transfer)
        if not fresh:
            detail = f"{chip.name} answers and has measured nothing new"
            return Refused(kind=FaultKind.STALE, detail=detail)
        volts = shunt.shunt_volts(chip, data)
        if isinstance(volts, Refused):
            return volts
        return measured(volts, Quantity.AMPS, self._calibration)

    def _expect_settings(self, transfer: Transfer) -> None:
        for setting in self._chip.settings:
            found = _word(transfer, self.address, setting.register)
            if found != setting.word:
                how = "as at power-on" if found == setting.at_power_on else "not ours"
                raise RestartedError(
                    f"{self._chip.name} at {self.address:#04x}: settings {found:04X}h, {how}"
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermistorInput:
    """One input of a converter with a divider on it."""

    channel: str
    input_number: int
    divider: Divider
    calibration: Calibration


class ThermistorConverter:
    """A converter with thermistors on its inputs.

    supply_volts: of the dividers where it is not measured. supply_input: the input that measures it, through
    nothing, so that a sagging supply is no change of temperature.
    """

    def __init__(
        self,
        *,
        address: int,
        inputs: Sequence[ThermistorInput],
        supply_volts: float,
        supply_input: int | None,
        clock: Clock,
        stop: threading.Event,
    ) -> None:
        self.address = address
        self.channels = tuple(i.channel for i in inputs)
        self._inputs = tuple(inputs)
        self._supply_volts = supply_volts
        self._supply_input = supply_input
        self._clock = clock
        self._stop = stop

    def set_up(self, transfer: Transfer) -> Refused | None:
        low = _word(transfer, self.address, adc.LOW_THRESHOLD)
        return adc.check_identity(low, _word(transfer, self.address, adc.HIGH_THRESHOLD))

    def read(self, transfer: Transfer) -> Sequence[Outcome]:
        supply: float | Refused = self._supply_volts
        if self._supply_input is not None:
            supply = self._volts(transfer, self._supply_input)
            if not isinstance(supply, Refused) and not _SUPPLY_VOLTS[0] <= supply <= _SUPPLY_VOLTS[1]:
                detail = f"the dividers' supply reads {supply:.2f} V on input {self._supply_input}"
                supply = Refused(kind=FaultKind.STARVED, detail=detail)
        if isinstance(supply, Refused):
            return [(channel, supply) for channel in self.channels]
        return [(i.channel, self._celsius(transfer, i, supply)) for i in self._inputs]

    def _celsius(self, transfer: Transfer, one: ThermistorInput, supply_volts: float) -> float | Refused:
        volts = self._volts(transfer, one.input_number)
        celsius = volts if isinstance(volts, Refused) else one.divider.celsius(volts, supply_volts)
        if isinstance(celsius, Refused):
            return celsius
        return measured(celsius, Quantity.CELSIUS, one.calibration)

    def _volts(self, transfer: Transfer, input_number: int) -> float | Refused:
        """Convert one input: begin, wait until it is done, read, and see that it was this input."""
        transfer(self.address, adc.begin(input_number), 0)
        self._clock.wait(self._stop, adc.CONVERSION_SECONDS)
        for _ in range(_READY_TRIES):
            configuration = _word(transfer, self.address, adc.CONFIGURATION)
            if adc.is_done(configuration):
                break
            self._clock.wait(self._stop, (adc.LONGEST_SECONDS - adc.CONVERSION_SECONDS) / 2)
        else:
            detail = f"input {input_number} is not ready after {adc.LONGEST_SECONDS * 1e3:.0f} ms"
            return Refused(kind=FaultKind.TIMED_OUT, detail=detail)
        data = transfer(self.address, bytes([adc.CONVERSION]), 2)
        after = _word(transfer, self.address, adc.CONFIGURATION)
        if not (adc.is_ours(configuration, input_number) and adc.is_ours(after, input_number)):
            raise RestartedError(
                f"ads1115 at {self.address:#04x}: settings {after:04X}h after measuring input {input_number}"
            )
        return adc.input_volts(data)
