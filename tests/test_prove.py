"""A proof test from the history and live, on an invented boat: the outcome of common practice."""

import json
import math
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from boats import joint as a_joint
from lugwatch import proof_words, proving
from lugwatch.cli.main import commands
from lugwatch.cli.prove import follow
from lugwatch.clock import ManualClock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Joint
from lugwatch.proof import Poor, Verdict
from lugwatch.proof_trial import Wanted
from lugwatch.proving import AgainstCable, ProofTest, Stretch
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.faults import PlantFault, Trouble
from lugwatch.simulator.record import record, write_recording_csv
from lugwatch.simulator.scenarios import Scenario
from lugwatch.store.queries import History
from lugwatch.units import parse_time

REST_SECONDS, LOAD_SECONDS = 600.0, 1260.0
BEFORE, AFTER = parse_time("2026-05-03T10:00:00Z"), parse_time("2026-05-04T10:00:00Z")
JOINT = "bar_inverter"
AMPS = 90.0


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, [str(w) for w in words])


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two evenings at anchor with the inverter on: steel hardware in the way of one lug, then remade."""
    folder = tmp_path_factory.mktemp("proof")
    boat = make_boat(4)
    path = folder / "boat.toml"
    path.write_text(configuration_text(boat, folder, ("127.0.0.1", 1883)), encoding="utf-8")
    channels = [p.channel for p in (*boat.probes, *boat.shunts)]
    database = folder / "boat.db"
    previous = None
    assert BEFORE is not None and AFTER is not None
    for start, times in ((BEFORE, 20.0), (AFTER, 1.0)):
        scenario = Scenario(
            name="proof",
            duration_seconds=REST_SECONDS + LOAD_SECONDS,
            house_amps=((0.0, 4.0),),
            inverter_amps=((0.0, 0.0), (REST_SECONDS, AMPS)),
            faults=(PlantFault(kind=Trouble.RESISTANCE_STEP, where=JOINT, start_seconds=0.0, size=times),),
        )
        recorded = record(boat, scenario, seed=9, start_time=start, previous=previous)
        csv = folder / f"{start}.csv"
        write_recording_csv(csv, recorded.rows, channels)
        answer = run("replay", csv, "--config", path, "--db", database)
        assert answer.exit_code == 0, answer.output
    return database


def test_the_outcome_of_common_practice(database: Path) -> None:
    """Through steel hardware tens of kelvin hotter at an alternator's current; landed directly no warmer.

    Common practice, no published source: the same cable landed directly is the warmest thing there.
    """
    answer = run(
        "prove", JOINT, "--db", database, "--amps", "150", "--from", "2026-05-03T09:00:00Z", "--json"
    )
    assert answer.exit_code == 0, answer.output
    (bad,) = json.loads(answer.output)
    assert bad["time"] == "2026-05-03T10:10:05Z" and bad["poor"] is None
    assert bad["verdict"] == "bad" and bad["against_cable"] == "warmer"
    assert bad["asked_low_kelvin"] > bad["cable_kelvin"] + 20.0
    text = run("prove", JOINT, "--db", database, "--amps", "150", "--no-keep").output
    (good,) = json.loads(run("prove", JOINT, "--db", database, "--amps", "150", "--json").output)
    assert good["time"] == "2026-05-04T10:10:05Z" and good["poor"] is None
    assert good["verdict"] in ("sound", "not_yet", "doubtful")
    assert good["asked_kelvin"] < bad["asked_low_kelvin"]
    assert good["against_cable"] in ("no_warmer", "not_yet")
    # before and after, without being asked
    assert "this test ends cooler than the test of 2026-05-03T10:10:05Z by" in text
    assert "circuit dead" in text


def test_what_was_kept_is_told_again(database: Path) -> None:
    said = run("prove", JOINT, "--db", database, "--note", "remade, 20 N m", "--by", "ana")
    assert said.exit_code == 0, said.output
    kept = json.loads(run("proofs", JOINT, "--db", database, "--json").output)
    assert kept[-1]["note"] == "remade, 20 N m" and kept[-1]["who"] == "ana"
    text = run("proofs", "--db", database).output
    assert "ana: remade, 20 N m" in text and "10:10:05Z" in text
    assert json.loads(run("proofs", "bar_battery", "--db", database, "--json").output) == []
    numbers = [t["proof_id"] for t in kept]
    assert numbers == sorted(set(numbers))


def test_joints_are_compared_under_the_same_load(database: Path) -> None:
    answer = run(
        "prove", JOINT, "inverter_positive", "--db", database, "--from", "2026-05-03T09:00:00Z", "--no-keep"
    )
    assert answer.exit_code == 0, answer.output
    assert "ends warmer than Inverter, positive terminal by" in answer.output


def test_a_sound_joint_beside_a_bad_one_is_not_called_bad(database: Path) -> None:
    answer = run("prove", "bar_battery", "--db", database, "--from", "2026-05-03T09:00:00Z", "--no-keep")
    assert "Bus bar, inverter stud, on the same metal, is warmer" in answer.output
    assert "doubtful" in answer.output and "bad:" not in answer.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nobody"], "there is no joint 'nobody'"),
        ([JOINT, "--amps", "0"], "--amps 0"),
        ([JOINT, "--minutes", "-1"], "--minutes -1"),
        ([JOINT, "--from", "soon"], "'soon' is no time"),
        ([JOINT, "--from", "2026-06-01T00:00:00Z"], "no test of bar_inverter in the 24 hours from there"),
        ([JOINT, "--amps", "900"], "at least 30 %"),
        ([JOINT, "--live", "--from", "2026-05-03T09:00:00Z"], "leave --from out"),
    ],
)
def test_what_is_wrong_is_one_line(database: Path, words: list[str], said: str) -> None:
    answer = run("prove", *words, "--db", database)
    assert isinstance(answer.exception, UserError), answer.output
    assert said in str(answer.exception) and "\n" not in str(answer.exception)


# ---- live ------------------------------------------------------------------------------------------


def wanted(**changes: object) -> Wanted:
    values = {
        "joints": (JOINT,),
        "amps": 150.0,
        "minutes": 10.0,
        "allowed_kelvin": 5.0,
        "note": None,
        "who": "crew",
    }
    return Wanted(**{**values, **changes})  # type: ignore[arg-type]


def end_of(database: Path) -> int:
    with History.open(database) as history:
        last = history.last_batch()
    assert last is not None
    return last[0]


def test_live_ends_as_soon_as_the_verdict_is_certain(
    database: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clock = ManualClock(time=end_of(database))
    tests = follow(database, wanted(minutes=15.0), clock, threading.Event())
    assert [t.verdict for t in tests] == [Verdict.BAD]
    said = capsys.readouterr().out
    assert "above its surroundings" in said and "A joint that was loaded stays hot" in said


def test_live_beside_no_watch_is_said(database: Path) -> None:
    clock = ManualClock(time=end_of(database) + 600_000)
    with pytest.raises(OperationFailed, match="is `lugwatch watch` running"):
        follow(database, wanted(), clock, threading.Event())


def test_live_stops_at_the_limit(database: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = ManualClock(time=end_of(database))
    found = History.boat

    def low_limits(history: History):  # type: ignore[no-untyped-def]
        boat = found(history)
        return replace(boat, joints=tuple(replace(j, limit_celsius=20.0) for j in boat.joints))

    monkeypatch.setattr(History, "boat", low_limits)
    with pytest.raises(OperationFailed, match=r"its limit is 20 °C: stop the load now"):
        follow(database, wanted(), clock, threading.Event())


# ---- what is a test --------------------------------------------------------------------------------


def amps_of(*pieces: tuple[float, float]) -> list[tuple[int, float]]:
    """Pieces of (minutes, ampere), a reading every 5 s."""
    series, seconds = [], 0.0
    for minutes, amps in pieces:
        for _ in range(round(minutes * 12)):
            series.append((round(seconds * 1e3), amps))
            seconds += 5.0
    return series


@pytest.mark.parametrize(
    ("pieces", "minutes"),
    [
        (((6, 0), (10, 90)), [10]),
        (((6, 5), (10, -90), (6, 0), (4, 50)), [10, 4]),
        (((6, 0), (3, 90), (0.5, 0), (3, 90), (6, 0)), [6.5]),  # a short lull ends no test
        (((3, 0), (10, 90)), []),  # not rested
        (((10, 90), (3, 0), (10, 90)), []),
        (((6, 25), (10, 90)), []),  # a fifth of the rated current is no rest
        (((10, 90),), []),  # nobody saw it begin
        (((6, 0), (10, 30)), []),
        ((), []),
    ],
)
def test_a_load_after_rest_is_a_test(pieces: tuple[tuple[float, float], ...], minutes: list[float]) -> None:
    found = proving.loads(amps_of(*pieces), 120.0)
    assert [round(s.minutes, 0) for s in found] == pytest.approx(minutes, abs=0.6)


def test_the_latest_that_says_something_is_taken() -> None:
    short, long = Stretch(began=10**7, ended=10**7 + 60_000), Stretch(began=0, ended=600_000)
    assert proving.worth([long, short]) is long
    assert proving.worth([short]) is short
    assert proving.worth([]) is None


def one_joint(**changes: object) -> Joint:
    return a_joint("bar", cable_mm2=(50.0,), **changes)


def proved(
    rise: float, *, drift: float = 0.0, gap: bool = False, joint: Joint | None = None, asked: float = 100.0
) -> ProofTest:
    """A joint with τ 200 s and 1500 s at 100 A for fifteen minutes; drift: K/min before the load."""
    t = np.arange(-900.0, 901.0, 5.0)
    on = np.maximum(t, 0.0)
    shape = 0.7 * -np.expm1(-on / 200.0) + 0.3 * -np.expm1(-on / 1500.0)
    celsius = 22.0 + rise * shape - drift * np.minimum(t, 0.0) / 60.0
    times = (1_780_000_000_000 + t * 1e3).astype(int)
    amps = list(zip(times.tolist(), np.where(t > 0, 100.0, 0.0).tolist(), strict=True))
    probe = list(zip(times.tolist(), celsius.tolist(), strict=True))
    air = list(zip(times.tolist(), np.full(len(t), 22.0).tolist(), strict=True))
    if gap:
        probe = [row for row in probe if not 30_000 < row[0] - 1_780_000_000_000 < 600_000]
        probe.append((times.tolist()[-1] + 5_000, math.nan))
    return proving.judge(
        joint or one_joint(),
        Stretch(began=times.tolist()[181], ended=times.tolist()[-1]),
        probe,
        air,
        amps,
        asked_amps=asked,
        allowed_kelvin=40.0,
    )


def test_a_joint_that_still_cools_is_no_start() -> None:
    assert proved(15.0).poor is None
    poor = proved(15.0, drift=0.5)
    assert (poor.verdict, poor.poor) == (Verdict.POOR_TEST, Poor.NOT_RESTED)
    assert "let it rest" in proof_words.verdict(poor)
    assert poor.against_cable is AgainstCable.NOT_KNOWN


def test_a_gap_in_the_middle_does_no_harm() -> None:
    whole, holed = proved(15.0), proved(15.0, gap=True)
    assert holed.poor is None and holed.tested_low_kelvin is not None and holed.tested_high_kelvin is not None
    assert holed.tested_low_kelvin < 15.0 * 1.06 < holed.tested_high_kelvin
    assert whole.tested_kelvin == pytest.approx(holed.tested_kelvin, rel=0.1)


def test_the_cable_is_that_of_the_conductor_table_in_still_air() -> None:
    # 50 mm² class 5 at 100 A makes 3.86 W/m at 20 °C (IEC 60228); 14 mm of it shed some 0.4 W/(m K) in still
    # air, 10 W/(m² K) of free convection and radiation (held against published formulas in test_fin)
    rise = proving.cable_rise_kelvin(50.0, 100.0, 20.0)
    assert rise is not None and 8.0 < rise < 11.0
    assert proving.cable_rise_kelvin(1.5, 500.0, 20.0) is None


def test_differences_know_when_they_are_certain() -> None:
    bad, good = proved(60.0), proved(12.0)
    apart = proving.difference(bad, good)
    assert apart is not None and apart.certain and apart.low_kelvin < 48.0 < apart.high_kelvin
    same = proving.difference(good, proved(12.5))
    assert same is not None and not same.certain
    assert proving.difference(good, proved(15.0, drift=0.5)) is None
    # at another current by its square
    other = proving.difference(proved(12.0, asked=100.0), proved(12.0, asked=150.0))
    assert other is not None and abs(other.kelvin) < 3.0
    assert "ends cooler than the old one by" in proof_words.compared(
        "this", "the old one", proving.difference(good, bad)
    )
    assert "alike" in proof_words.compared("this", "that", same)


def test_the_allowed_rise_is_that_of_the_limit_in_standard_air() -> None:
    # IEC 60947-1 table 2 counts rises over 40 °C: 105 °C is the 65 K of a tinned terminal
    assert proving.allowed_rise_kelvin(one_joint(limit_celsius=105.0)) == 65.0
