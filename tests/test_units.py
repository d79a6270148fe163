"""Numbers and times as text."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.units import format_duration, format_micro_ohms, format_time, parse_number, parse_time


@pytest.mark.parametrize(
    ("text", "value"),
    [("12.5", 12.5), ("-3", -3.0), (".5", 0.5), ("+1e3", 1000.0), ("5.", 5.0), ("0", 0.0)],
)
def test_plain_numbers_are_read(text: str, value: float) -> None:
    assert parse_number(text) == value


@pytest.mark.parametrize(
    "text",
    ["nan", "inf", "-inf", "1e999", "2_3.5", "１２", "", " 1", "1 ", "0x10", "1,5", "1e", "--1", "Infinity"],
)
def test_what_float_takes_and_no_sensor_sends_is_refused(text: str) -> None:  # C13
    assert parse_number(text) is None


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e90, max_value=1e90))
def test_every_finite_number_survives_its_own_text(value: float) -> None:
    assert parse_number(repr(value)) == value


@pytest.mark.parametrize(
    ("text", "time"),
    [
        ("2026-05-03T14:30:00Z", 1_777_818_600_000),
        ("2026-05-03T16:30:00+02:00", 1_777_818_600_000),
        ("2026-05-03 14:30:00.250Z", 1_777_818_600_250),
        ("1777818600", 1_777_818_600_000),
        ("0", 0),
        ("12.5", 12_500),
    ],
)
def test_times_with_a_zone_or_in_epoch_seconds_are_read(text: str, time: int) -> None:
    assert parse_time(text) == time


@pytest.mark.parametrize(
    "text", ["2026-05-03T14:30:00", "yesterday", "", "2026-05-03", "nan", "14:30", "2026-13-03T14:30:00Z"]
)
def test_times_without_a_zone_are_refused(text: str) -> None:
    assert parse_time(text) is None


@given(st.integers(min_value=0, max_value=4_000_000_000_000))
def test_every_time_survives_its_own_text(time: int) -> None:
    assert parse_time(format_time(time)) == time


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(40, "40 s"), (725, "12 min"), (7800, "2 h 10 min"), (7200, "2 h"), (273_600, "3 d 4 h")],
)
def test_durations_read_as_people_say_them(seconds: float, text: str) -> None:
    assert format_duration(seconds) == text


@pytest.mark.parametrize(
    ("ohms", "sd", "text"),
    [
        (85e-6, 19e-6, "85 µΩ ± 38"),
        (487e-6, 156e-6, "490 µΩ ± 310"),
        (4512e-6, 800e-6, "4500 µΩ ± 1600"),
        (52e-6, 1.3e-6, "52.0 µΩ ± 2.6"),
        (85e-6, 0.0, "85 µΩ"),
    ],
)
def test_a_resistance_is_written_no_finer_than_it_is_known(ohms: float, sd: float, text: str) -> None:
    assert format_micro_ohms(ohms, sd) == text


def test_a_joint_is_written_in_micro_ohms() -> None:
    assert format_micro_ohms(85e-6) == "85 µΩ"
    assert format_micro_ohms(6.33e-6) == "6.3 µΩ"
    assert not math.isnan(float(format_micro_ohms(1e-4).split()[0]))
