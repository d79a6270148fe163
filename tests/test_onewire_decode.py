"""One-wire text and bytes to °C: the datasheet's table, real dumps and everything that looks like one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused
from lugwatch.sources.onewire_decode import (
    Conversion,
    crc8,
    decode_scratchpad,
    decode_temperature,
    decode_w1_slave,
    normalise_id,
)

B20, S20, DS1825 = 0x28, 0x10, 0x3B


def w1_slave(line: str, yes: bool = True, t: str = "0") -> bytes:
    checksum = crc8(bytes.fromhex(line)[:8])
    word = "YES" if yes else "NO"
    return f"{line} : crc={checksum:02x} {word}\n{line} t={t}\n".encode()


def scratchpad(raw: int, configuration: int = 0x7F, byte_6: int = 0x10) -> bytes:
    data = (raw & 0xFFFF).to_bytes(2, "little") + bytes([0x4B, 0x46, configuration, 0xFF, byte_6, 0x10])
    return data + bytes([crc8(data)])


def test_crc8_of_the_published_strings():
    # the check string of the CRC catalogue (CRC-8/MAXIM-DOW), and the id of Maxim application note 27
    assert crc8(b"123456789") == 0xA1
    assert crc8(bytes.fromhex("021cb801000000")) == 0xA2
    assert crc8(bytes.fromhex("021cb801000000a2")) == 0


@pytest.mark.parametrize(
    ("raw", "celsius"),
    [  # DS18B20 datasheet, table 1
        (0x07D0, 125.0),
        (0x0550, 85.0),
        (0x0191, 25.0625),
        (0x00A2, 10.125),
        (0x0008, 0.5),
        (0x0000, 0.0),
        (0xFFF8, -0.5),
        (0xFF5E, -10.125),
        (0xFE6F, -25.0625),
        (0xFC90, -55.0),
    ],
)
def test_the_datasheets_table(raw, celsius):
    assert decode_scratchpad(scratchpad(raw), B20) == Conversion(celsius=celsius, resolution_bits=12)
    # the kernel prints the same numbers cut off toward zero (w1_therm.c)
    millicelsius = int(celsius * 1000)
    bare = decode_temperature(f"{millicelsius}\n".encode(), B20)
    assert isinstance(bare, Conversion) and bare.celsius == celsius


@pytest.mark.parametrize(
    ("line", "celsius", "bits"),
    [
        ("72 01 4b 46 7f ff 0e 10 57", 23.125, 12),  # real dumps, as published by their owners
        ("9d 01 4b 46 7f ff 03 10 57", 25.8125, 12),
        ("a1 01 4b 46 7f ff 0f 10 d9", 26.0625, 12),
        ("98 01 4b 46 7f ff 08 10 22", 25.5, 12),
        ("50 05 4b 46 7f ff 10 10 bd", 85.0, 12),  # F2: true 85
        ("4f 05 4b 46 7f ff 01 10 3b", 84.9375, 12),  # F3
        ("00 00 4b 46 7f ff 10 10 69", 0.0, 12),  # F6: true freezing point
        ("5e ff 4b 46 7f ff 02 10 b6", -10.125, 12),  # F8
        ("78 01 4b 46 1f ff 08 10 c1", 23.5, 9),  # F9
    ],
)
def test_true_readings(line, celsius, bits):
    # whatever t= says: one kernel lost the sign and printed 4085875
    for t in ("85000", "4085875"):
        decoded = decode_w1_slave(w1_slave(line, t=t), B20)
        assert decoded == Conversion(celsius=celsius, resolution_bits=bits)


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("50 05 4b 46 7f ff 0c 10 1c", FaultKind.NO_CONVERSION),  # F1
        ("ff 07 4b 46 7f ff 0c 10 a6", FaultKind.STARVED),  # F4
        ("00 00 00 00 00 00 00 00 00", FaultKind.SHORTED),  # F5: its checksum is right
        ("ff ff ff ff ff ff ff ff ff", FaultKind.NO_ANSWER),  # F7
        ("7d 01 4b 46 7f ff 0c 10 57", FaultKind.BAD_CHECKSUM),  # YES was invented; bytes give 3c
    ],
)
def test_patterns_that_are_no_temperature(line, kind):
    decoded = decode_w1_slave(w1_slave(line, t="21000"), B20)
    assert isinstance(decoded, Refused) and decoded.kind is kind and decoded.detail


GOOD = "72 01 4b 46 7f ff 0e 10 57"


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"", FaultKind.EMPTY),  # F10
        (b"\n", FaultKind.EMPTY),
        (f"{GOOD} : crc=57 YES\n".encode(), FaultKind.MALFORMED),
        (f"{GOOD} : crc=57 YES\n{GOOD}\n".encode(), FaultKind.MALFORMED),
        (f"{GOOD} : crc=57 YES\n{GOOD} t=\n".encode(), FaultKind.MALFORMED),
        (f"{GOOD} : crc=57 YES\n{GOOD} t=231".encode(), FaultKind.MALFORMED),
        (f"{GOOD} : crc=57 NO\n{GOOD} t=23125\n".encode(), FaultKind.BAD_CHECKSUM),
        # on NO the second line shows the last good bytes: they must not be used
        (
            f"72 01 4b 46 7f ff 0e 10 56 : crc=57 NO\n{GOOD} t=23125\n".encode(),
            FaultKind.BAD_CHECKSUM,
        ),
        (
            f"{GOOD} : crc=57 YES\n9d 01 4b 46 7f ff 03 10 57 t=25812\n".encode(),
            FaultKind.MALFORMED,
        ),
        (b"\xff\xfe\x00", FaultKind.MALFORMED),
        (b"zz 01 4b 46 7f ff 0e 10 57 : crc=57 YES\nx\n", FaultKind.MALFORMED),
    ],
)
def test_files_that_are_not_whole(data, kind):
    decoded = decode_w1_slave(data, B20)
    assert isinstance(decoded, Refused) and decoded.kind is kind


@pytest.mark.parametrize(
    ("configuration", "bits", "step"), [(0x1F, 9, 0.5), (0x3F, 10, 0.25), (0x5F, 11, 0.125)]
)
def test_undefined_low_bits_are_masked(configuration, bits, step):
    dirty = decode_scratchpad(scratchpad(0x0197, configuration), B20)  # 25.4375 with all low bits set
    assert isinstance(dirty, Conversion)
    assert dirty.resolution_bits == bits
    assert dirty.celsius == 25.4375 // step * step


def test_impossible_configuration_byte_is_refused():
    refused = decode_scratchpad(scratchpad(0x0191, 0x00), B20)
    assert isinstance(refused, Refused) and refused.kind is FaultKind.MALFORMED
    # DS1825: the low bits are its address pins; a thermocouple chip of that family sets the top bit
    assert isinstance(decode_scratchpad(scratchpad(0x0191, 0x75), DS1825), Conversion)
    assert isinstance(decode_scratchpad(scratchpad(0x0191, 0xF5), DS1825), Refused)


@pytest.mark.parametrize("raw", [0x07FF, 0x07D1, 0xFC8F])
def test_out_of_range(raw):
    refused = decode_scratchpad(scratchpad(raw, byte_6=0x01), B20)
    assert isinstance(refused, Refused) and refused.kind is FaultKind.OUT_OF_RANGE


@pytest.mark.parametrize(
    ("raw", "remain", "celsius"),
    [  # DS18S20 datasheet, table 2 with the counter of equation 1 where both agree (remain 0Ch)
        (0x0032, 0x0C, 25.0),
        (0x0000, 0x0C, 0.0),
        (0xFFCE, 0x0C, -25.0),
        (0xFF92, 0x0C, -55.0),
        (0x0032, 0x04, 25.5),
    ],
)
def test_ds18s20(raw, remain, celsius):
    data = (raw).to_bytes(2, "little") + bytes([0x4B, 0x46, 0xFF, 0xFF, remain, 0x10])
    data += bytes([crc8(data)])
    assert decode_scratchpad(data, S20) == Conversion(celsius=celsius, resolution_bits=9)


def test_ds18s20_at_power_on_is_in_doubt():
    data = bytes.fromhex("aa004b46ffff0c10")
    decoded = decode_scratchpad(data + bytes([crc8(data)]), S20)
    assert decoded == Conversion(celsius=85.0, resolution_bits=9, doubt=FaultKind.NO_CONVERSION)


@pytest.mark.parametrize(
    ("data", "outcome"),
    [
        (b"23125\n", 23.125),
        (b"25062\n", 25.0625),
        (b"-10125\n", -10.125),
        (b"4085875\n", -10.125),  # the kernel that lost the sign
        (b"85000\n", FaultKind.NO_CONVERSION),
        (b"0\n", FaultKind.SHORTED),
        (b"-62\n", FaultKind.NO_ANSWER),
    ],
)
def test_bare_temperature(data, outcome):
    decoded = decode_temperature(data, B20)
    assert isinstance(decoded, Conversion)
    assert outcome == (decoded.doubt if decoded.doubt else decoded.celsius)


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"", FaultKind.EMPTY),
        (b"\n", FaultKind.EMPTY),
        (b"23125", FaultKind.MALFORMED),
        (b"23.1\n", FaultKind.MALFORMED),
        (b"nan\n", FaultKind.MALFORMED),
        (b"127937\n", FaultKind.STARVED),
        (b"125062\n", FaultKind.OUT_OF_RANGE),
        (b"-99000\n", FaultKind.OUT_OF_RANGE),
    ],
)
def test_bare_temperature_refused(data, kind):
    refused = decode_temperature(data, B20)
    assert isinstance(refused, Refused) and refused.kind is kind


@given(st.integers(-880, 2000), st.sampled_from([0x1F, 0x3F, 0x5F, 0x7F]))
def test_every_raw_value_comes_back(raw, configuration):
    decoded = decode_scratchpad(scratchpad(raw, configuration, byte_6=0x01), B20)
    assert isinstance(decoded, Conversion)
    assert 0 <= raw / 16 - decoded.celsius < 0.5


@given(st.integers(-880, 2000), st.integers(0, 71))
def test_every_single_flipped_bit_is_refused(raw, bit):
    broken = bytearray(scratchpad(raw, byte_6=0x01))
    broken[bit // 8] ^= 1 << (bit % 8)
    refused = decode_scratchpad(bytes(broken), B20)
    assert isinstance(refused, Refused) and refused.kind is FaultKind.BAD_CHECKSUM


@given(st.binary(max_size=120))
def test_no_bytes_raise(data):
    decode_w1_slave(data, B20)
    decode_temperature(data, B20)
    decode_scratchpad(data, S20)


@pytest.mark.parametrize(
    "text",
    [
        "28-0000054321ab",
        "28-0000054321AB",
        " 28-0000054321ab ",
        "28.AB2143050000",
        f"28.AB2143050000{crc8(bytes.fromhex('28ab2143050000')):02X}",
        f"28-0000054321ab{crc8(bytes.fromhex('28ab2143050000')):02x}",
        f"28AB2143050000{crc8(bytes.fromhex('28ab2143050000')):02X}",
    ],
)
def test_spellings_of_one_id(text):
    assert normalise_id(text) == "28-0000054321ab"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "00-200000000000",
        "00-c00000000000",
        "w1_bus_master1",
        "28-000000000000",
        "29-0000054321ab",
        "28-0000054321a",
        "28-0000054321ab00",  # checksum does not fit
        "28ab2143050000",  # no telling which way round
        "22737",
        "5.43e14",
    ],
)
def test_what_is_no_id(text):
    assert normalise_id(text) is None
