"""The settings of chips on I2C: what is taken, each mistake in one line, what `check` makes of them."""

import json
import threading

import pytest
from click.testing import CliRunner

from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.errors import UserError
from lugwatch.sources import registry
from test_source_registry import CURRENT, ONEWIRE, PROBE, load, mistakes

CHIP = 'source = "shunt_chip"\nchip = "ina226"\naddress = 0x40\nshunt_millivolts = 50\nshunt_amps = 200\n'
ADC = 'source = "adc"\naddress = 0x48\ninput = 0\nseries_ohms = 10000\n'
AIR = PROBE.replace("lug", "air")
BETA = "ohms_at_25 = 10000\nbeta_kelvin = 3435\n"


@pytest.mark.parametrize(
    "text",
    [
        PROBE
        + ONEWIRE
        + CURRENT
        + CHIP
        + "rated_amps = 120\nzero_amps = 0.2\nzero_date = 2026-04-02\nscale = -1\n",
        PROBE + ADC + BETA,
        PROBE + ADC + "points = [[0, 32554], [25, 10000], [85, 1070]]\nsupply_input = 3\n",
        PROBE
        + ADC
        + "ohms_at_25 = 10000\ncoefficients = [3.354016e-3, 2.56985e-4, 2.620131e-6, 6.383091e-8]\n",
        PROBE + ADC + BETA + 'thermistor_to = "supply"\n' + CURRENT + CHIP.replace("ina226", "ina228"),
    ],
)
def test_right_ones(tmp_path, text: str) -> None:
    assert mistakes(tmp_path, text) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (CURRENT + CHIP.replace("ina226", "ina219"), ["chip = 'ina219'", "'ina226' or 'ina228'"]),
        (CURRENT + CHIP.replace("0x40", "0x48") + "address2 = 1\n", ["address2", "address"]),
        (CURRENT + CHIP.replace("0x40", "0x20"), ["address = 32", "0x20", "0x40 to 0x4f"]),
        (CURRENT + CHIP.replace("= 50", "= 75"), ["75 is too much for an ina226", "81.9 mV", "1.2 times"]),
        (CURRENT + CHIP + "zero_date = 2026-04-02\n", ["zero_date without zero_amps"]),
        (CURRENT + CHIP + "zero_amps = 30\n", ["zero_amps = 30", "that is a current"]),
        (CURRENT + CHIP + "rated_amps = 300\n", ["rated_amps = 300", "plate says 200 A", "common practice"]),
        (CURRENT + ADC + BETA, ["temperatures only", '"serial", "mqtt" or "shunt_chip"']),
        (PROBE + CHIP, ["measures currents only", '"onewire", "serial", "mqtt" or "adc"']),
        (PROBE + ADC, ["one of beta_kelvin, points, coefficients", "none said"]),
        (PROBE + ADC + "beta_kelvin = 3435\n", ["beta_kelvin needs ohms_at_25"]),
        (PROBE + ADC + BETA + "points = [[0, 3], [25, 2], [85, 1]]\n", ["beta_kelvin and points said"]),
        (PROBE + ADC + "points = [[0, 1000], [25, 10000], [85, 1070]]\n", ["warmer one with less ohms"]),
        (PROBE + ADC + "points = [[0, 1000]]\n", ["three pairs"]),
        (PROBE + ADC + BETA + "supply_input = 0\n", ["supply_input = 0", "own input"]),
        (PROBE + ADC.replace("input = 0", "input = 4") + BETA, ["input = 4", "less than 4"]),
        (
            PROBE + ADC + BETA + AIR + ADC + BETA,
            ['[[probe]] "air"', 'input = "0"', '[[probe]] "lug" has the same'],
        ),
        (
            PROBE + ADC + BETA + "supply_volts = 3\n" + AIR + ADC.replace("t = 0", "t = 1") + BETA,
            ['[[probe]] "air" supply', "share one supply"],
        ),
        (
            PROBE + ADC + BETA + CURRENT + CHIP.replace("0x40", "0x48"),
            ["address = 0x48", "chip of another kind"],
        ),
    ],
)  # fmt: skip
def test_mistakes(tmp_path, text: str, said: list[str]) -> None:
    text = text if "[[probe]]" in text else PROBE + ONEWIRE + text
    lines = mistakes(tmp_path, text)
    assert len(lines) == 1, lines
    for words in said:
        assert words in lines[0]
    assert "\n" not in lines[0]


def test_all_chips_of_a_bus_are_one_source_and_another_bus_another(tmp_path) -> None:
    text = (
        PROBE
        + ADC
        + BETA
        + CURRENT
        + CHIP
        + CURRENT.replace("alternator", "house")
        + CHIP
        + 'bus = "/dev/i2c-3"\n'
    )
    configuration = load(tmp_path, text)
    assert registry.check(configuration) == []
    sources = registry.open_all(configuration, ManualClock(), threading.Event())
    assert [s.name for s in sources] == ["i2c /dev/i2c-1", "i2c /dev/i2c-3"]
    assert {c.source for c in configuration.boat.channels} == {"i2c /dev/i2c-1", "i2c /dev/i2c-3"}
    for source in sources:
        source.close()


def test_check_says_what_the_chips_make_of_shunt_and_divider(tmp_path) -> None:
    load(tmp_path, PROBE + ADC + BETA + CURRENT + CHIP + "zero_amps = 0.2\nzero_date = 2026-04-02\n")
    answer = CliRunner().invoke(commands, ["check", "--config", str(tmp_path / "boat.toml")])
    assert answer.exit_code == 0, answer.output
    # 50 mV at 200 A is 250 uohm; 81.92 mV / 250 uohm = 327.7 A; 2.5 uV / 250 uohm = 10 mA
    assert "250 µΩ on ina226: reads ±328 A in steps of 10 mA, zero 0.2 A found on 2026-04-02" in answer.output
    # at 25 °C half the supply; self-heating 0.272 mW / 7 mW/K
    assert "25 °C: 1.65 V, 4 mK a step, warms itself 39 mK" in answer.output


def test_divider_tells_voltages_steps_and_self_heating() -> None:
    words = ["divider", "--series-ohms", "10000", "--json"]
    for celsius, ohms in ((0, 32554), (25, 10000), (85, 1070)):  # NTCLE100E3 table
        words += ["--point", str(celsius), str(ohms)]
    answer = CliRunner().invoke(commands, words)
    assert answer.exit_code == 0, answer.output
    rows = {row["celsius"]: row for row in json.loads(answer.output)}
    assert rows[25.0]["input_volts"] == pytest.approx(1.65, abs=1e-3)
    assert rows[25.0]["self_heating_kelvin"] == pytest.approx(0.0389, abs=2e-4)
    assert rows[60.0]["thermistor_ohms"] == pytest.approx(2490, rel=2e-3)
    assert rows[25.0]["step_kelvin"] < rows[100.0]["step_kelvin"] < 0.04
    text = CliRunner().invoke(commands, [*words[:3], "--ohms-at-25", "10000", "--beta-kelvin", "3977"]).output
    assert "1.650 V" in text and "39 mK" in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--series-ohms", "0", "--ohms-at-25", "1", "--beta-kelvin", "3000"], "--series-ohms 0"),
        (["--series-ohms", "1000"], "say --ohms-at-25 and --beta-kelvin"),
        (
            ["--series-ohms", "1000", "--ohms-at-25", "1000", "--beta-kelvin", "10"],
            "between 1000 and 10000 K",
        ),
        (["--series-ohms", "1000", "--point", "1", "2"], "three points"),
        (["--series-ohms", "1", "--point", "1", "2", "--beta-kelvin", "3000"], "not both"),
    ],
)
def test_divider_says_what_is_wrong_in_one_line(words: list[str], said: str) -> None:
    answer = CliRunner().invoke(commands, ["divider", *words])
    assert isinstance(answer.exception, UserError)
    assert said in str(answer.exception) and "\n" not in str(answer.exception)
