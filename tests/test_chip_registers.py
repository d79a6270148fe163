"""Bytes of shunt amplifiers, converters and thermistors against the worked examples of their datasheets."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.model import FaultKind
from lugwatch.sources import adc_registers as adc
from lugwatch.sources import shunt_registers as shunt
from lugwatch.sources.base import Refused
from lugwatch.sources.thermistor import Curve, Divider, beta_curve, three_point_curve

# NTCLE100E3 (document 29049), 10 kohm, B25/85 = 3977 K: the maker's four terms, and its table [°C, ohm]
FOUR_TERMS = Curve(reference_ohms=10_000, coefficients=(3.354016e-3, 2.569850e-4, 2.620131e-6, 6.383091e-8))
TABLE = [
    (-40, 332094), (-20, 96358), (-10, 55046), (0, 32554), (10, 19872), (15, 15698), (20, 12488), (25, 10000),
    (30, 8059), (40, 5330), (50, 3606), (60, 2490), (70, 1753), (80, 1256), (85, 1070), (100, 677.3),
    (125, 338.7),
]  # fmt: skip


def test_a_226_reads_the_worked_example_of_its_datasheet() -> None:
    # SBOS547, table 1: 10 A through 2 mohm is 20 mV, code 1F40h
    volts = shunt.shunt_volts(shunt.INA226, bytes.fromhex("1F40"))
    assert volts == pytest.approx(0.020, rel=1e-12)
    assert isinstance(volts, float) and volts / 0.002 == pytest.approx(10.0)
    # ±81.92 mV; -80 mV is 8300h (from memory, recomputed)
    assert shunt.INA226.full_scale_volts == pytest.approx(0.08192, rel=1e-4)
    assert shunt.shunt_volts(shunt.INA226, bytes.fromhex("8300")) == pytest.approx(-0.080)


def test_a_228_reads_the_worked_examples_of_its_datasheet() -> None:
    # SLYS023A, table 8-4: 6 A through 16.2 mohm is 97.2 mV, code 311040; and its two's complement B4100h
    code = 311040
    volts = shunt.shunt_volts(shunt.INA228, (code << 4).to_bytes(3, "big"))
    assert volts == pytest.approx(0.0972, rel=1e-12)
    assert isinstance(volts, float) and volts / 0.0162 == pytest.approx(6.0)
    data = (0xB4100 << 4).to_bytes(3, "big")
    assert shunt.shunt_code(shunt.INA228, data) == -311040
    assert shunt.shunt_volts(shunt.INA228, data) == pytest.approx(-0.0972)
    assert shunt.INA228.full_scale_volts == pytest.approx(0.16384, rel=1e-4)
    assert shunt.INA228_NARROW.full_scale_volts == pytest.approx(0.04096, rel=1e-4)


@pytest.mark.parametrize(
    ("chip", "data"),
    [(shunt.INA226, "7FFF"), (shunt.INA226, "8000"), (shunt.INA226, "8001"),
     (shunt.INA228, "7FFFF0"), (shunt.INA228, "800000")],
)  # fmt: skip
def test_the_end_of_a_range_is_no_current(chip: shunt.ShuntChip, data: str) -> None:
    refused = shunt.shunt_volts(chip, bytes.fromhex(data))
    assert isinstance(refused, Refused) and refused.kind is FaultKind.CLIPPED


def test_settings_are_the_words_of_the_register_maps() -> None:
    # SBOS547: bits 14-12 are 100; mean of 128 (100), 1.1 ms (100) twice, shunt over and over (101)
    assert shunt.INA226.settings[0].word == 0b0_100_100_100_100_101
    # SLYS021: shunt over and over (1010), 1052 us (101) three times, mean of 256 (101)
    assert shunt.INA228.settings[1].word == 0b1010_101_101_101_101
    assert shunt.INA228_NARROW.settings[0].word == 1 << 4


@pytest.mark.parametrize(
    ("name", "millivolts", "chip"),
    [("ina226", 50, shunt.INA226), ("ina226", 60, shunt.INA226), ("ina226", 75, None), ("ina226", 150, None),
     ("ina228", 30, shunt.INA228_NARROW), ("ina228", 50, shunt.INA228), ("ina228", 100, shunt.INA228),
     ("ina228", 150, None)],
)  # fmt: skip
def test_the_finest_range_that_holds_the_shunt_is_taken(
    name: str, millivolts: float, chip: shunt.ShuntChip | None
) -> None:
    assert shunt.fitting(name, millivolts / 1e3) is chip


def test_another_chip_is_known_by_its_identity() -> None:
    assert shunt.check_identity(shunt.INA226, 0x5449, 0x2260) is None
    assert shunt.check_identity(shunt.INA228, 0x5449, 0x2281) is None
    for maker, part in [(0x5449, 0x2281), (0xFFFF, 0xFFFF), (0, 0), (0x5449, 0x2270)]:
        refused = shunt.check_identity(shunt.INA226, maker, part)
        assert refused is not None and refused.kind is FaultKind.WRONG_CHIP


def test_the_converter_counts_in_the_steps_of_its_data_format_table() -> None:
    # SBAS444, data format: one code is full scale / 2^15
    assert adc.input_volts(bytes.fromhex("0001")) == pytest.approx(4.096 / 32768)
    assert adc.input_volts(bytes.fromhex("0000")) == 0.0
    assert adc.input_volts(bytes.fromhex("FFFF")) == pytest.approx(-125e-6)
    over, under = adc.input_volts(bytes.fromhex("7FFF")), adc.input_volts(bytes.fromhex("8000"))
    assert isinstance(over, Refused) and over.kind is FaultKind.CLIPPED
    assert isinstance(under, Refused) and under.kind is FaultKind.MALFORMED


def test_a_configuration_read_for_data_is_refused() -> None:
    # a pointer left on the wrong register answers with the top bit set: clearly below ground
    for number in range(adc.INPUTS):
        refused = adc.input_volts(adc.begin(number)[1:])
        assert isinstance(refused, Refused) and refused.kind is FaultKind.MALFORMED


def test_the_makers_coefficients_give_the_makers_table() -> None:
    for celsius, ohms in TABLE:
        # ohms are printed with four digits, from memory; coefficients and table agree to 0.02 K
        assert FOUR_TERMS.celsius(ohms) == pytest.approx(celsius, abs=0.03)


def test_the_two_point_equation_errs_as_known() -> None:
    plain = beta_curve(10_000, 3977)
    errors = {celsius: plain.celsius(ohms) - celsius for celsius, ohms in TABLE}
    known = {0: 0.76, 20: 0.12, 25: 0.0, 50: -0.31, 60: -0.31, 100: 0.39, 125: 1.40}
    for celsius, error in known.items():
        assert errors[celsius] == pytest.approx(error, abs=0.02), celsius


def test_three_points_do_better_than_two() -> None:
    points = [(celsius, float(ohms)) for celsius, ohms in TABLE if celsius in (0, 25, 85)]
    curve = three_point_curve(points)
    for celsius, ohms in TABLE:
        if 0 <= celsius <= 100:
            assert curve.celsius(ohms) == pytest.approx(celsius, abs=0.06)
    # of the NCP15XH103 table of the kernel's driver: a, b, c as recomputed with numpy
    other = three_point_curve([(0, 28674), (25, 10000), (85, 1454)])
    assert other.coefficients == pytest.approx((6.70378e-4, 2.91355e-4, 0.0, 2.01444e-10), rel=2e-4)


@pytest.mark.parametrize(
    "points",
    [
        [(0, 1000), (25, 2000), (85, 3000)],
        [(25, 10000), (25, 9000), (85, 1070)],
        [(0, -1), (25, -2), (50, -3)],
    ],
)
def test_points_of_no_thermistor_are_refused(points: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="three points"):
        three_point_curve(points)


@pytest.mark.parametrize(
    ("celsius", "volts"), [(0, 2.4467), (25, 1.65), (50, 0.9604), (85, 0.4189), (100, 0.2973)]
)
def test_a_divider_gives_the_temperature_of_its_voltage(celsius: float, volts: float) -> None:
    # NCP15XH103 ohms of the kernel's ntc driver, 10 kohm up to 3.3 V
    ohms = {0: 28674, 25: 10000, 50: 4105, 85: 1454, 100: 990}[int(celsius)]
    curve = Curve(reference_ohms=ohms, coefficients=(1 / (celsius + 273.15), 2.9e-4, 0, 0))
    found = Divider(series_ohms=10_000, curve=curve).celsius(volts, 3.3)
    assert found == pytest.approx(celsius, abs=0.02)
    turned = Divider(series_ohms=10_000, curve=curve, to_ground=False).celsius(3.3 - volts, 3.3)
    assert turned == pytest.approx(celsius, abs=0.02)


@pytest.mark.parametrize(
    ("volts", "supply", "kind"),
    [(3.3, 3.3, FaultKind.OPEN), (3.29, 3.3, FaultKind.OPEN), (3.4, 3.3, FaultKind.OPEN),
     (0.0, 3.3, FaultKind.SHORTED), (-0.004, 3.3, FaultKind.SHORTED),
     (0.01, 3.3, FaultKind.SHORTED), (0.2, 0.3, FaultKind.STARVED)],
)  # fmt: skip
def test_broken_and_shorted_wires_are_no_temperatures(volts: float, supply: float, kind: FaultKind) -> None:
    found = Divider(series_ohms=10_000, curve=FOUR_TERMS).celsius(volts, supply)
    assert isinstance(found, Refused) and found.kind is kind


def test_a_divider_warms_itself_as_worked() -> None:
    # 10 kohm in a 10 kohm divider at 3.3 V: 0.272 mW; 7 mW/K (datasheet, from memory): 0.039 K
    divider = Divider(series_ohms=10_000, curve=FOUR_TERMS)
    assert divider.self_heating_kelvin(10_000, 3.3, 7.0) == pytest.approx(0.039, abs=0.0005)


@given(st.floats(-1.0, 5.0), st.floats(-1.0, 5.0))
def test_no_voltage_makes_a_divider_fail_or_answer_nonsense(volts: float, supply: float) -> None:
    for to_ground in (True, False):
        found = Divider(series_ohms=10_000, curve=FOUR_TERMS, to_ground=to_ground).celsius(volts, supply)
        assert isinstance(found, Refused) or (math.isfinite(found) and -70 < found < 250)


def test_warmer_is_always_less_ohms() -> None:
    ohms = np.geomspace(100, 400_000, 200)
    for curve in (
        FOUR_TERMS,
        beta_curve(10_000, 3435),
        three_point_curve([(0, 32554), (25, 10000), (85, 1070)]),
    ):
        celsius = [curve.celsius(float(r)) for r in ohms]
        assert all(np.diff(celsius) < 0)
