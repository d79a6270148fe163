"""Commands as a person types them: exit status, one clear line, JSON that is JSON."""

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lugwatch.cli.main import main
from lugwatch.units import parse_time

CONFIG = """
[boat]
name = "Grey Plover"
[[probe]]
id = "bar"
[[probe]]
id = "air"
[[current]]
id = "alternator"
rated_amps = 120
[[joint]]
id = "bar"
name = "Bus bar, alternator stud"
probe = "bar"
current = "alternator"
air = "air"
"""


class Spoken:
    """What a command said and how it ended."""

    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err


def say(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> Spoken:
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
        raise SystemExit(0)
    captured = capsys.readouterr()
    code = ended.value.code
    return Spoken(code if isinstance(code, int) else 0, captured.out, captured.err)


@pytest.fixture
def boat(tmp_path: Path) -> Path:
    path = tmp_path / "lugwatch.toml"
    path.write_text(CONFIG, encoding="utf-8")
    return path


def recording(folder: Path, rows: Iterator[str] | list[str], header: str = "time,bar,air,alternator") -> Path:
    path = folder / "passage.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def motoring(hours: float = 1.5) -> list[str]:
    rows = []
    for k in range(round(hours * 360)):
        bar = 20.0 + 11.0 * (1.0 - 2.0 ** (-k / 60.0))
        rows.append(f"{1_780_000_000 + 10 * k},{bar:.4f},20.0,90.0")
    return rows


@pytest.fixture
def history(tmp_path: Path, boat: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    database = tmp_path / "history.db"
    spoken = say(capsys, "replay", recording(tmp_path, motoring()), "--config", boat, "--db", database)
    assert spoken.status == 0, spoken.err
    assert "540 rows in" in spoken.out
    return database


JOINT_KEYS = {
    "joint", "time", "state", "probe_celsius", "reference_celsius", "rise_kelvin", "current_amps",
    "rise_coefficient", "rise_coefficient_sd", "resistance_ohms", "resistance_sd_ohms",
    "resistance_basis", "baseline_ratio", "baseline_ratio_sd", "settles_at_celsius",
    "settles_at_rated_celsius", "seconds_to_limit",
}  # fmt: skip


def test_joints_as_json_has_every_key_and_no_sentinel(
    history: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(word: str) -> Any:
        raise AssertionError(f"{word} is no JSON")

    spoken = say(capsys, "joints", "--db", history, "--json")
    assert spoken.status == 0 and spoken.err == ""
    (joint,) = json.loads(spoken.out, parse_constant=refuse)
    assert joint.keys() >= JOINT_KEYS
    assert joint["current_amps"] == 90.0 and joint["rise_coefficient"] > 0.0
    assert parse_time(joint["time"]) is not None and joint["time"].endswith("Z")


def test_joints_at_a_time_are_as_they_were(history: Path, capsys: pytest.CaptureFixture[str]) -> None:
    early = json.loads(say(capsys, "joints", "--db", history, "--json", "--at", "1780000060").out)
    late = json.loads(say(capsys, "joints", "--db", history, "--json").out)
    assert early[0]["probe_celsius"] < 22.0 < late[0]["probe_celsius"]
    assert json.loads(say(capsys, "joints", "--db", history, "--json", "--at", "1000").out) == []


def test_words_carry_units_and_what_is_not_known_says_so(
    history: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = say(capsys, "joints", "--db", history).out
    assert "Bus bar, alternator stud" in told and "°C" in told and "90 A" in told
    assert "not known" in told  # no way to ohms in this version
    passages = say(capsys, "passages", "--db", history).out
    assert "Ah" in passages and "mK/A²" in passages
    assert say(capsys, "alerts", "--db", history).out == "There has been no alert.\n"


def test_an_export_replays_to_the_same_answers(
    history: Path, boat: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, again = tmp_path / "out.csv", tmp_path / "again.db"
    assert say(capsys, "export", "--db", history, "--out", out).status == 0
    assert say(capsys, "replay", out, "--config", boat, "--db", again).status == 0
    for command in ("joints", "alerts", "passages"):
        first = say(capsys, command, "--db", history, "--json").out
        assert first == say(capsys, command, "--db", again, "--json").out


def test_a_season_in_two_recordings_goes_on_where_it_stopped(
    boat: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    database, rows = tmp_path / "season.db", motoring(3.0)
    (tmp_path / "later").mkdir()
    first = recording(tmp_path, rows[:600])
    second = recording(tmp_path / "later", rows[600:])
    for part in (first, second):
        assert say(capsys, "replay", part, "--config", boat, "--db", database).status == 0
    passages = json.loads(say(capsys, "passages", "--db", database, "--json").out)
    assert len(passages) == 1
    assert passages[0]["amp_hours"] == pytest.approx(270.0, rel=0.01)


def test_a_backup_is_a_whole_history(
    history: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "copy.db"
    assert say(capsys, "backup", "--db", history, "--out", copy).status == 0
    assert (
        say(capsys, "joints", "--db", copy, "--json").out
        == say(capsys, "joints", "--db", history, "--json").out
    )
    assert sqlite3.connect(copy).execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["joints"], "--db"),
        (["joints", "--db", "nowhere.db"], "nowhere.db"),
        (["joints", "--db", "passage.csv"], "passage.csv"),
        (["joints", "--db", "history.db", "--at", "yesterday"], "yesterday"),
        (["alerts", "--db", "."], "."),
        (["replay", "nowhere.csv", "--db", "x.db"], "nowhere.csv"),
        (["replay", "passage.csv", "--config", "none.toml", "--db", "x.db"], "none.toml"),
        (["replay", "passage.csv", "--db", "passage.csv"], "passage.csv"),
        (["export", "--db", "history.db", "--out", "x.xlsx"], "x.xlsx"),
        (["export", "--db", "history.db", "--out", "x.csv", "--from", "nan"], "nan"),
        (["backup", "--db", "history.db", "--out", "history.db"], "history.db"),
        (["check", "--config", "passage.csv"], "passage.csv"),
        (["frobnicate"], "frobnicate"),
        (["joints", "--colour"], "--colour"),
    ],
)
def test_wrong_input_is_one_clear_line_and_exit_2(
    arguments: list[str], says: str, history: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(history.parent)
    before = {p.name: p.read_bytes() for p in history.parent.iterdir() if p.suffix in (".db", ".csv")}
    spoken = say(capsys, *arguments)
    assert spoken.status == 2, spoken.err
    assert says in spoken.err and "Traceback" not in spoken.err
    assert spoken.err.startswith("lugwatch: ") and spoken.err.count("\n") == 1
    assert spoken.out == ""
    after = {p.name: p.read_bytes() for p in history.parent.iterdir() if p.suffix in (".db", ".csv")}
    assert after == before


def test_check_tells_the_limits_and_every_missing_source(
    boat: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoken = say(capsys, "check", "--config", boat)
    assert spoken.status == 2
    assert spoken.err.count("source") >= 3, "each channel without one is named"
    text = CONFIG.replace(
        'id = "bar"\n[[', 'id = "bar"\nsource = "onewire"\naddress = "28-0000054321ab"\n[[', 1
    )
    text = text.replace('id = "air"', 'id = "air"\nsource = "onewire"\naddress = "28-000005432177"')
    text = text.replace('id = "alternator"\nrated', 'id = "alternator"\nsource = "serial"\n'
                        'device = "/dev/node"\ntransducer = "ALT"\nrated')  # fmt: skip
    boat.write_text(text, encoding="utf-8")
    spoken = say(capsys, "check", "--config", boat)
    assert spoken.status == 0, spoken.err
    assert "75 °C" in spoken.out and "nothing is said of the cable" in spoken.out
    assert "in air of 20 °C (none was read yet)" in spoken.out
    assert "no baseline yet" in spoken.out and "alarm: at 75 °C" in spoken.out
    spoken = say(capsys, "check", "--config", boat, "--hardware")
    assert spoken.status == 1
    assert "3 of 3 channels gave no reading" in spoken.err


ODD_CELLS = ["", "nan", "inf", "1e999", "23,5", "text", "3.40E+38", "-400", "\x00", "２３"]


@given(
    rows=st.lists(
        st.lists(st.sampled_from([*ODD_CELLS, "20.0", "21.5", "90"]), min_size=0, max_size=5), max_size=12
    )
)
@settings(
    max_examples=60, deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
def test_no_recording_however_odd_ends_in_a_traceback(
    rows: list[list[str]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("odd")
    (folder / "lugwatch.toml").write_text(CONFIG, encoding="utf-8")
    lines = [",".join([str(1_780_000_000 + 10 * k), *cells]) for k, cells in enumerate(rows)]
    path = recording(folder, lines)
    from lugwatch.cli.main import commands

    result: Result = CliRunner().invoke(
        commands,
        ["replay", str(path), "--config", str(folder / "lugwatch.toml"), "--db", str(folder / "x.db")],
    )
    assert result.exception is None, result.exception
