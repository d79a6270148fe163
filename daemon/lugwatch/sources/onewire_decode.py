"""One-wire thermometers: bytes and file text to °C, ids to one spelling. Pure.

Not here: files and time (`onewire`). The kernel's own `YES` and `t=` are never believed: an all-zero
line passes its checksum, on `NO` the two lines of the file speak of different reads, and one kernel
lost the sign. Sources: DS18B20 datasheet (Maxim/Analog Devices, tables 1 to 3), DS18S20 datasheet,
Linux Documentation/w1/slaves/w1_therm.rst and drivers/w1/slaves/w1_therm.c.
May import: base, model.
"""

import re
from dataclasses import dataclass

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused

FAMILY_DS18S20 = 0x10
FAMILY_DS1825 = 0x3B
# DS18S20, DS1822, DS18B20, DS1825, DS28EA00: the thermometers of the kernel's w1_therm driver
FAMILIES = frozenset({FAMILY_DS18S20, 0x22, 0x28, FAMILY_DS1825, 0x42})

LOWEST_CELSIUS, HIGHEST_CELSIUS = -55.0, 125.0  # DS18B20 datasheet, operating range
_POWER_ON_RAW = 0x0550  # +85 °C, the register's content before a first conversion (table 1, note)
_STARVED_RAW = 0x07FF  # +127.94 °C: the conversion ran out of power (w1_therm.rst, `features`)
_POWER_ON_BYTE_6 = 0x0C  # reserved byte at power-on; a conversion rewrites it (w1_therm.rst, `features`)
# a released kernel printed negative raw values as unsigned ones: 65536 · 1000 / 16 too much
_LOST_SIGN_MILLICELSIUS = 4_096_000

_READ_LINE = re.compile(r"((?:[0-9a-fA-F]{2} ){9}): crc=[0-9a-fA-F]{2} (YES|NO)")
_VALUE_LINE = re.compile(r"((?:[0-9a-fA-F]{2} ){9})t=-?[0-9]{1,9}")
_MILLICELSIUS = re.compile(r"-?[0-9]{1,9}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """One decoded temperature.

    `doubt` is set where the value is also what a failure looks like and no byte tells them apart;
    then only the values before it can.
    """

    celsius: float
    resolution_bits: int | None  # None: the file does not say
    doubt: FaultKind | None = None


def crc8(data: bytes) -> int:
    """CRC-8 of the one-wire bus: x⁸+x⁵+x⁴+1, reflected (8Ch), start 0 (Maxim application note 27)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def decode_w1_slave(data: bytes, family: int) -> Conversion | Refused:
    """The text of a probe's `w1_slave` file -> °C, or why not."""
    text = _complete_text(data)
    if isinstance(text, Refused):
        return text
    lines = text.split("\n")[:-1]
    if len(lines) != 2:
        return _malformed(f"{len(lines)} line(s) instead of 2")
    read, value = _READ_LINE.fullmatch(lines[0]), _VALUE_LINE.fullmatch(lines[1])
    if read is None:
        return _malformed(f"first line {lines[0][:60]!r}")
    scratchpad = bytes.fromhex(read[1])
    decoded = decode_scratchpad(scratchpad, family)
    if isinstance(decoded, Refused):
        return decoded
    if read[2] == "NO":
        return Refused(kind=FaultKind.BAD_CHECKSUM, detail="the kernel refused the checksum")
    if value is None:
        return _malformed(f"second line {lines[1][:60]!r}")
    if bytes.fromhex(value[1]) != scratchpad:
        return _malformed("the two lines hold different bytes")
    return decoded


def decode_scratchpad(scratchpad: bytes, family: int) -> Conversion | Refused:
    """Nine bytes as the probe sent them -> °C, or why not.

    DS18B20 datasheet figure 8: temperature low, high, TH, TL, configuration, FFh, reserved, 10h, CRC.
    """
    if len(scratchpad) != 9:
        return _malformed(f"{len(scratchpad)} bytes instead of 9")
    if not any(scratchpad):
        return Refused(kind=FaultKind.SHORTED, detail="all bytes are zero: data line held low")
    if all(byte == 0xFF for byte in scratchpad):
        return Refused(kind=FaultKind.NO_ANSWER, detail="all bits are one: nothing answered")
    if crc8(scratchpad[:8]) != scratchpad[8]:
        detail = f"checksum {scratchpad[8]:02x}, the bytes give {crc8(scratchpad[:8]):02x}"
        return Refused(kind=FaultKind.BAD_CHECKSUM, detail=detail)
    if family == FAMILY_DS18S20:
        return _ds18s20(scratchpad)
    return _ds18b20(scratchpad, family)


def _ds18b20(scratchpad: bytes, family: int) -> Conversion | Refused:
    """raw · 2⁻⁴ K (table 1); configuration 0 R1 R0 1 1111b (figure 10), lowest bits undefined."""
    raw = int.from_bytes(scratchpad[:2], "little", signed=True)
    configuration = scratchpad[4]
    # DS1825: the low four bits are its address pins; the top bit is set by thermocouple chips
    fixed = 0x90 if family == FAMILY_DS1825 else 0x9F
    if configuration & fixed != 0x1F & fixed:
        return _malformed(f"configuration byte {configuration:02x} is none of this kind of probe")
    bits = ((configuration & 0x60) >> 5) + 9
    if scratchpad[6] == _POWER_ON_BYTE_6 and raw == _POWER_ON_RAW:
        detail = "power-on pattern (85 °C with byte 6 = 0c): the probe restarted and has not measured"
        return Refused(kind=FaultKind.NO_CONVERSION, detail=detail)
    if scratchpad[6] == _POWER_ON_BYTE_6 and raw == _STARVED_RAW:
        detail = "127.94 °C with byte 6 = 0c: the conversion ran out of power"
        return Refused(kind=FaultKind.STARVED, detail=detail)
    raw &= ~((1 << (12 - bits)) - 1)
    return _in_range(Conversion(celsius=raw / 16.0, resolution_bits=bits))


def _ds18s20(scratchpad: bytes) -> Conversion | Refused:
    """Half degrees, refined by the counter left over.

    T = TEMP_READ − 0.25 + (COUNT_PER_C − COUNT_REMAIN) / COUNT_PER_C with TEMP_READ the register
    without its half-degree bit (DS18S20 datasheet, equation 1). At power-on (00AAh, remain 0Ch) this
    is exactly 85 °C, as a true 85.0 is too: hence the doubt.
    """
    raw = int.from_bytes(scratchpad[:2], "little", signed=True)
    remain, per_degree = scratchpad[6], scratchpad[7]
    if per_degree == 0 or remain > per_degree:
        return _malformed(f"counter {remain} of {per_degree} per degree")
    celsius = (raw >> 1) - 0.25 + (per_degree - remain) / per_degree
    power_on = raw == 0x00AA and remain == _POWER_ON_BYTE_6
    doubt = FaultKind.NO_CONVERSION if power_on else None
    return _in_range(Conversion(celsius=celsius, resolution_bits=9, doubt=doubt))


def decode_temperature(data: bytes, family: int) -> Conversion | Refused:
    """The text of a probe's bare `temperature` file [m°C] -> °C, or why not.

    The file has neither checksum nor byte 6, so three values stay in doubt: 85000, 0 and −62.
    """
    text = _complete_text(data)
    if isinstance(text, Refused):
        return text
    line = text.removesuffix("\n")
    if _MILLICELSIUS.fullmatch(line) is None:
        return _malformed(f"{line[:60]!r} is no whole number of m°C")
    raw_millicelsius = int(line)
    if 0 <= _LOST_SIGN_MILLICELSIUS - raw_millicelsius <= -LOWEST_CELSIUS * 1000:
        raw_millicelsius -= _LOST_SIGN_MILLICELSIUS
    if raw_millicelsius == 127_937:
        detail = "127.94 °C: the conversion ran out of power"
        return Refused(kind=FaultKind.STARVED, detail=detail)
    celsius = raw_millicelsius / 1000.0
    if family != FAMILY_DS18S20:
        celsius = round(celsius * 16.0) / 16.0  # the kernel cut the fourth decimal off
    doubts = {85_000: FaultKind.NO_CONVERSION, 0: FaultKind.SHORTED, -62: FaultKind.NO_ANSWER}
    doubt = doubts.get(raw_millicelsius)
    return _in_range(Conversion(celsius=celsius, resolution_bits=None, doubt=doubt))


def _complete_text(data: bytes) -> str | Refused:
    """ASCII text that ends in a line end. The kernel answers an empty file when a conversion failed."""
    if not data.strip():
        return Refused(kind=FaultKind.EMPTY, detail="the file opened and held nothing")
    if not data.isascii():
        return _malformed("bytes that are not text")
    if not data.endswith(b"\n"):
        return _malformed("cut off before the end of its last line")
    return data.decode("ascii")


def _in_range(conversion: Conversion) -> Conversion | Refused:
    if LOWEST_CELSIUS <= conversion.celsius <= HIGHEST_CELSIUS:
        return conversion
    detail = f"{conversion.celsius:g} °C; the part measures {LOWEST_CELSIUS:g} to {HIGHEST_CELSIUS:g} °C"
    return Refused(kind=FaultKind.OUT_OF_RANGE, detail=detail)


def _malformed(detail: str) -> Refused:
    return Refused(kind=FaultKind.MALFORMED, detail=detail)


# ---- ids ---------------------------------------------------------------------------------------


def normalise_id(text: str) -> str | None:
    """One spelling of a thermometer's id: family, hyphen, 12 digits, as the kernel names the folder.

    Also taken: upper case; a dot and the bytes in bus order (`28.AB2143050000`); either with the
    checksum byte behind; 16 digits in bus order with their checksum. None for anything else, for other
    families and for a checksum that does not fit.
    """
    text = text.strip().lower()
    matched = re.fullmatch(r"([0-9a-f]{2})([-.]?)([0-9a-f]{12})([0-9a-f]{2})?", text)
    if matched is None:
        return None
    family_text, separator, serial_text, checksum_text = matched.groups()
    serial = bytes.fromhex(serial_text)
    if separator == "-":
        serial = serial[::-1]  # the kernel prints the number, highest digits first
    elif not separator and checksum_text is None:
        return None  # 14 bare digits: no telling which way round
    address = bytes.fromhex(family_text) + serial
    if address[0] not in FAMILIES or not any(serial):
        return None
    if checksum_text is not None and crc8(address) != int(checksum_text, 16):
        return None
    return f"{family_text}-{serial[::-1].hex()}"


def family_of(address: str) -> int:
    """The family code of a normalised id."""
    return int(address[:2], 16)
