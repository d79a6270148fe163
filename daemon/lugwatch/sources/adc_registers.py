"""A four-input converter of the ADS1115 kind by its registers. Pure.

Register map, words and the time of a conversion: SBAS444, tables of the configuration register. Each input is
asked for by itself (single shot), so no value can be the one of the input before.
Not here: the bus (`i2c_bus`), thermistors (`thermistor`). May import: base, model.
"""

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused

CONVERSION, CONFIGURATION, LOW_THRESHOLD, HIGH_THRESHOLD = 0x00, 0x01, 0x02, 0x03
POWER_ON = 0x8583
THRESHOLDS = (0x8000, 0x7FFF)  # at power-on, and never changed by us: the nearest this chip has to a name
INPUTS = 4
VOLTS_PER_CODE = 125e-6  # ±4.096 V: the range that a 3.3 V divider fits into
LARGEST_CODE = 0x7FFF
# 32 conversions a second, ±10 % as the internal oscillator is
CONVERSION_SECONDS, LONGEST_SECONDS = 1 / 32, 1.2 / 32
_BEGIN_OR_DONE = 0x8000  # written: begin; read: nothing is being converted
_NOISE_CODES = 40  # below zero by offset and noise, 5 mV


def word(input_number: int) -> int:
    """The configuration that converts this input against ground once, without its top bit.

    Inputs 0 to 3 are codes 100 to 111 of bits 14-12; ±4.096 V is 001 of bits 11-9; single shot is bit 8; 32 a
    second is 010 of bits 7-5; the comparator is off (11 of bits 1-0).
    """
    return (0b100 + input_number) << 12 | 0b001 << 9 | 1 << 8 | 0b010 << 5 | 0b00011


def begin(input_number: int) -> bytes:
    """The bytes that begin a conversion."""
    return bytes([CONFIGURATION]) + (_BEGIN_OR_DONE | word(input_number)).to_bytes(2, "big")


def is_done(configuration: int) -> bool:
    return bool(configuration & _BEGIN_OR_DONE)


def is_ours(configuration: int, input_number: int) -> bool:
    """Whether the chip still stands as it was set for this input: nobody else spoke to it, no restart."""
    return configuration & ~_BEGIN_OR_DONE == word(input_number)


def check_identity(low: int, high: int) -> Refused | None:
    """Whether this can be the converter; it has no name of its own, only thresholds nobody uses."""
    if (low, high) == THRESHOLDS:
        return None
    detail = f"not an ads1115 as it powers on: thresholds {low:04X}h, {high:04X}h instead of 8000h, 7FFFh"
    return Refused(kind=FaultKind.WRONG_CHIP, detail=detail)


def input_volts(data: bytes) -> float | Refused:
    """Volts at an input against ground; the ends of the range and clear negatives are no measurement."""
    code = int.from_bytes(data, "big", signed=True)
    if code >= LARGEST_CODE:
        return Refused(kind=FaultKind.CLIPPED, detail="more than 4.096 V at the input")
    if code < -_NOISE_CODES:
        detail = f"{code * VOLTS_PER_CODE:.3f} V at an input that cannot be below ground"
        return Refused(kind=FaultKind.MALFORMED, detail=detail)
    return code * VOLTS_PER_CODE
