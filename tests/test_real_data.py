"""The main job on measured data that nobody here made, through the `replay` command.

Figures: README.md in tests/data; the expected numbers were recomputed from the files themselves.
"""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from data import convert
from lugwatch.cli.main import commands

DATA = Path(__file__).parent / "data"
CELLS = DATA / "electrothermal-30q"
HEATERS = DATA / "heater-step"


def run(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(commands, [str(a) for a in arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result


def replayed(kind: str, source: Path, folder: Path) -> tuple[Path, Result]:
    recording, database = folder / f"{source.stem}.csv", folder / f"{source.stem}.db"
    getattr(convert, kind)(source, recording)
    return database, run("replay", recording, "--config", DATA / f"{kind}.toml", "--db", database)


def told(command: str, database: Path, *more: str) -> Any:
    return json.loads(run(command, "--db", database, "--json", *more).stdout)


def cell_joint(run_name: str, folder: Path) -> dict[str, Any]:
    database, _ = replayed("cell", CELLS / f"Q30_{run_name}.csv", folder)
    joint: dict[str, Any] = told("joints", database)[0]
    return joint


@pytest.mark.parametrize("rate", ["1C", "3C", "4C"])
def test_the_third_cell_is_the_warmer_one_where_it_is_known_to_be(rate: str, tmp_path: Path) -> None:
    """S003 heats 3.5 to 6 % more per ∫I²dt than S001; what settles is not known to better than tens of
    per cent from a run of one time constant, and the deviation must say so."""
    one = cell_joint(f"S001_{rate}", tmp_path)
    three = cell_joint(f"S003_{rate}", tmp_path)
    difference = three["rise_coefficient"] - one["rise_coefficient"]
    together = one["rise_coefficient_sd"] + three["rise_coefficient_sd"]
    assert abs(difference) < together, "a difference of 5 % cannot be certain from these runs"
    for joint in (one, three):
        assert 0.05 < joint["rise_coefficient_sd"] / joint["rise_coefficient"] < 0.35


def test_one_cell_at_four_currents_is_one_joint_within_its_deviation(tmp_path: Path) -> None:
    """16-fold in I²: rise per ∫I²dt varies by at most 3.7 % within S001. Half-way through each run, before
    the emptying cell's resistance climbs, the rise coefficients must agree within two deviations."""
    joints = []
    for rate, seconds in (("1C", 3548), ("2C", 1768), ("3C", 1171), ("4C", 871)):
        database, _ = replayed("cell", CELLS / f"Q30_S001_{rate}.csv", tmp_path)
        joints.append(told("joints", database, "--at", str(seconds // 2))[0])
    for a in joints:
        for b in joints:
            gap = abs(a["rise_coefficient"] - b["rise_coefficient"])
            assert gap < 2.0 * (a["rise_coefficient_sd"] + b["rise_coefficient_sd"])


def test_a_hot_cell_is_announced_before_it_is_hot(tmp_path: Path) -> None:
    database, _ = replayed("cell", CELLS / "Q30_S001_4C.csv", tmp_path)
    alerts = told("alerts", database)
    assert [a["condition"] for a in alerts] == ["heading_hot"]
    # a warning at first; in the end five minutes or less were left
    assert alerts[0]["category"] == "alarm"
    at_alert = told("joints", database, "--at", alerts[0]["raised_time"])[0]
    # it ends at 63.9 °C with the cell empty; without the warning nobody would have known at 31 °C
    assert at_alert["probe_celsius"] < 45.0
    passage = told("passages", database)[0]
    assert passage["joints"]["cell"]["max_celsius"] == pytest.approx(63.91, abs=0.1)
    # 12 A for 871 s is 2.9 Ah: the cell's 3 Ah
    assert passage["amp_hours"] == pytest.approx(2.9, abs=0.05)
    assert passage["max_amps"] == pytest.approx(12.0, abs=0.2)


def test_the_overflow_of_a_logger_is_refused_and_named(tmp_path: Path) -> None:
    database, result = replayed("cell", CELLS / "Q30_S002_1C.csv", tmp_path)
    assert "3.40E+38" in result.stderr
    assert "line 2" in result.stderr
    passage = told("passages", database)[0]
    assert passage["max_amps"] < 3.5
    assert passage["amp_hours"] == pytest.approx(2.95, abs=0.05)


def test_the_step_of_a_heater_settles_where_it_is_known_to_settle(tmp_path: Path) -> None:
    """First order plus dead time on this file: 39.06 K above 22.84 °C (recomputed, rmse 0.18 K)."""
    database, _ = replayed("heater", HEATERS / "tclab_step_test.csv", tmp_path)
    first, second = told("joints", database)
    gap = abs(first["settles_at_celsius"] - (22.84 + 39.06))
    assert gap < 2.0 * first["settles_at_sd_kelvin"]
    assert gap < 6.0
    # 11.92 K of rise, all of it from the neighbour: no figure may be invented for it
    assert second["probe_celsius"] > 33.0
    assert second["rise_coefficient"] is None
    assert second["resistance_ohms"] is None
    assert second["settles_at_celsius"] is None
    assert second["reason"] == "not enough current now to judge"
    assert told("alerts", database) == []


def test_the_same_recording_gives_the_same_answer_twice(tmp_path: Path) -> None:
    answers = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        database, _ = replayed("cell", CELLS / "Q30_S003_4C.csv", tmp_path / name)
        answers.append([told(c, database) for c in ("joints", "alerts", "passages")])
        # and once more into the same database: nothing changes
        again = run(
            "replay", tmp_path / name / "Q30_S003_4C.csv",
            "--config", DATA / "cell.toml", "--db", database,
        )  # fmt: skip
        assert "868 rows were in" in again.stdout
        answers.append([told(c, database) for c in ("joints", "alerts", "passages")])
    assert all(answer == answers[0] for answer in answers)
