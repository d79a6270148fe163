"""Packed readings: every bit comes back, and a sensor's readings take less than a byte."""

import struct
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lugwatch.store.blocks import (
    STEPS_PER_UNIT,
    BlockDamaged,
    pack_times,
    pack_values,
    unpack_times,
    unpack_values,
)

START = 1_780_000_000_000


def bits(values: object) -> list[int]:
    return np.asarray(values, np.float64).view(np.int64).tolist()


FINITE = st.floats(allow_nan=False, allow_infinity=False)


@settings(derandomize=True, max_examples=300, deadline=None)
@given(st.lists(FINITE, min_size=1, max_size=60))
def test_any_values_come_back_bit_by_bit(values: list[float]) -> None:
    assert bits(unpack_values(pack_values(values))) == bits(values)


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.lists(st.integers(-(2**30), 2**30), min_size=1, max_size=60), st.sampled_from(STEPS_PER_UNIT))
def test_values_in_steps_come_back_bit_by_bit(steps: list[int], per_unit: int) -> None:
    values = [step / per_unit for step in steps]
    assert bits(unpack_values(pack_values(values))) == bits(values)


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.lists(st.integers(-(2**44), 2**44), min_size=1, max_size=60))
def test_any_times_come_back(times: list[int]) -> None:
    assert unpack_times(pack_times(times, START), START).tolist() == times


@pytest.mark.parametrize(
    "values",
    [
        [0.0, -0.0, 0.0],
        [5e-324, -5e-324],
        [1.7976931348623157e308, 1.0],
        [0.1 + 0.2] * 50 + [0.3] * 50,  # in no step, and few of them
        [float(2**53), float(2**53) + 2.0],
        [85.0],
    ],
    ids=["signed zeros", "subnormal", "largest", "listed", "beyond whole numbers", "one"],
)
def test_values_at_the_edges(values: list[float]) -> None:
    assert bits(unpack_values(pack_values(values))) == bits(values)


def test_a_decimal_is_the_double_that_its_text_is_read_as() -> None:
    values = [float(f"{n / 100:.2f}") for n in range(-20_000, 20_000, 7)]
    assert bits(unpack_values(pack_values(values))) == bits(values)
    assert pack_values(values)[1] == STEPS_PER_UNIT.index(100)


def test_an_hour_of_a_quiet_probe_takes_a_third_of_a_byte_a_reading() -> None:
    """Noise of half a step (a DS18B20's is about that): entropy of its differences is some 2 bits."""
    chance = np.random.default_rng(3)
    probe = np.round((40.0 + np.linspace(0, 5, 720) + chance.normal(0, 0.03, 720)) * 16) / 16
    assert len(pack_values(probe.tolist())) < 0.33 * 720
    assert len(pack_values([23.0625] * 720)) < 20
    assert len(pack_times([START + 5000 * i for i in range(720)], START)) < 20
    assert struct.calcsize("d") * 720 > 5000  # beside that: as doubles, without their times


def test_a_kind_of_a_newer_version_is_refused() -> None:
    body = b"\x09" + pack_values([1.0, 2.0])[1:-4]
    with pytest.raises(BlockDamaged, match="newer lugwatch"):
        unpack_values(body + zlib.crc32(body).to_bytes(4, "little"))


def test_a_block_with_one_wrong_bit_is_never_taken_for_readings() -> None:
    packed, times = pack_values([21.5, 21.5625, 21.625]), pack_times([START, START + 5], START)
    for whole, unpack in ((packed, unpack_values), (times, lambda block: unpack_times(block, START))):
        for place in range(len(whole)):
            wrong = bytearray(whole)
            wrong[place] ^= 1 << place % 8
            with pytest.raises(BlockDamaged, match="salvage"):
                unpack(bytes(wrong))
