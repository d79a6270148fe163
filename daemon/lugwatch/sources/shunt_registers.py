"""Shunt amplifiers by their registers: who they are, how they are set up, bytes -> volts. Pure.

The shunt's voltage is read and never the chip's own current register: that one is scaled by a calibration
which is lost in a supply dip, and then says 0 A with a straight face.
Not here: the bus (`i2c_bus`), which chip hangs where (`i2c`). May import: base, model.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused

MAKER = 0x5449  # "TI", the maker's word of both families


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One configuration register and what must stand in it."""

    register: int
    word: int
    at_power_on: int  # what stands there after a restart, for telling one from noise


@dataclass(frozen=True, slots=True, kw_only=True)
class ShuntChip:
    """A family of shunt amplifiers, in one range.

    full_scale_volts: what the largest code stands for. updated_seconds: time of one averaged conversion.
    """

    name: str
    maker_register: int
    part_register: int
    part: int  # the upper twelve bits; the lowest four are the revision
    settings: tuple[Setting, ...]
    ready_register: int
    ready_bit: int  # set when a conversion has ended since this register was last read
    shunt_register: int
    shunt_bytes: int
    unused_bits: int  # below the value
    volts_per_code: float
    updated_seconds: float

    @property
    def largest_code(self) -> int:
        return (1 << (8 * self.shunt_bytes - self.unused_bits - 1)) - 1

    @property
    def full_scale_volts(self) -> float:
        return self.largest_code * self.volts_per_code


# SBOS547, register maps: configuration 00h (power-on 4127h; bits 14-12 read 100), shunt voltage 01h,
# mask/enable 06h (conversion ready is bit 3), maker FEh, part FFh. Set: mean of 128 conversions of the
# shunt alone, 1.1 ms each, over and over.
INA226 = ShuntChip(
    name="ina226",
    maker_register=0xFE,
    part_register=0xFF,
    part=0x226,
    settings=(Setting(register=0x00, word=0x4925, at_power_on=0x4127),),
    ready_register=0x06,
    ready_bit=3,
    shunt_register=0x01,
    shunt_bytes=2,
    unused_bits=0,
    volts_per_code=2.5e-6,
    updated_seconds=128 * 1.1e-3,
)


def _ina228(*, name: str, narrow: bool) -> ShuntChip:
    # SLYS021, register maps: configuration 00h (range is bit 4), conversions 01h (power-on FB68h), shunt
    # voltage 04h (20 bits of 24), diagnostics 0Bh (conversion ready is bit 1), maker 3Eh, part 3Fh. Set: mean
    # of 256 conversions of the shunt alone, 1.05 ms each, over and over.
    return ShuntChip(
        name=name,
        maker_register=0x3E,
        part_register=0x3F,
        part=0x228,
        settings=(
            Setting(register=0x00, word=0x0010 if narrow else 0x0000, at_power_on=0x0000),
            Setting(register=0x01, word=0xAB6D, at_power_on=0xFB68),
        ),
        ready_register=0x0B,
        ready_bit=1,
        shunt_register=0x04,
        shunt_bytes=3,
        unused_bits=4,
        volts_per_code=78.125e-9 if narrow else 312.5e-9,
        updated_seconds=256 * 1.052e-3,
    )


INA228 = _ina228(name="ina228", narrow=False)
INA228_NARROW = _ina228(name="ina228", narrow=True)
CHIPS: Mapping[str, tuple[ShuntChip, ...]] = {"ina226": (INA226,), "ina228": (INA228_NARROW, INA228)}
HEADROOM = 1.2  # of the shunt's rating that must fit: a starter or a charger goes beyond the plate


def fitting(name: str, shunt_volts: float) -> ShuntChip | None:
    """The finest range of this chip that holds a shunt of so many volts at its rating, or none."""
    return next((c for c in CHIPS[name] if c.full_scale_volts >= HEADROOM * shunt_volts), None)


def check_identity(chip: ShuntChip, maker: int, part: int) -> Refused | None:
    """Whether this is the chip it is said to be; a wrong address gives numbers too."""
    if maker == MAKER and part >> 4 == chip.part:
        return None
    detail = (
        f"not an {chip.name}: maker {maker:04X}h, part {part:04X}h instead of {MAKER:04X}h, {chip.part:03X}xh"
    )
    return Refused(kind=FaultKind.WRONG_CHIP, detail=detail)


def shunt_code(chip: ShuntChip, data: bytes) -> int:
    """The signed code in the bytes of the shunt register, highest byte first."""
    return int.from_bytes(data, "big", signed=True) >> chip.unused_bits


def shunt_volts(chip: ShuntChip, data: bytes) -> float | Refused:
    """Volts over the shunt; the end of the range is no measurement."""
    code = shunt_code(chip, data)
    if not -chip.largest_code < code < chip.largest_code:
        detail = f"{code * chip.volts_per_code * 1e3:.2f} mV is the end of the range of {chip.name}"
        return Refused(kind=FaultKind.CLIPPED, detail=detail)
    return code * chip.volts_per_code
