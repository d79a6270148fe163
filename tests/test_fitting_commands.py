"""`lugwatch fitting` where there is little to go by: one clear line, nothing lost; live checks; advice."""

import json
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import boats
from boats import joint
from fitting_boats import a_check, recorded
from histories import open_store
from lugwatch import config, fitting, fitting_advice, fitting_words
from lugwatch.cli import fitting_currents
from lugwatch.cli.fitting_shared import Desk
from lugwatch.cli.main import commands, main
from lugwatch.clock import ManualClock
from lugwatch.cold_check import Agreement, offsets
from lugwatch.current_check import StepVerdict
from lugwatch.errors import OperationFailed
from lugwatch.fitting import CheckKind, Outcome
from lugwatch.fitting_spans import BUCKET_SECONDS, Span, best_quiet, loaded_spans, quiet_spans, usable
from lugwatch.model import Channel, Part, PartKind, Quantity, Scan
from lugwatch.mounting import Chunk, Mounted, Place, judge
from lugwatch.sources.registry import check as source_mistakes
from lugwatch.store.queries import History
from lugwatch.store.writer import Store

START = boats.START_TIME
HOUR = 12  # buckets


def say(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, ["fitting", *map(str, words)])


def status(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str]:
    with pytest.raises(SystemExit) as ended:
        main(["fitting", *map(str, words)])
        raise SystemExit(0)
    code = ended.value.code
    return (code if isinstance(code, int) else 0), capsys.readouterr().err


# ---- bad input --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "holds no readings yet"),
        (["cold"], "holds no readings yet"),
        (["cold", "--from", "yesterday"], "is no time"),
        (["mounting"], "holds no readings yet"),
        (["zero", "nobody"], "there is no current 'nobody'"),
        (["zero", "--write"], "everything was off"),
        (["zero", "--live", "--from", "2026-05-03T10:00:00Z"], "leave --from out"),
        (["zero", "--live"], "nothing was recorded for 120 s"),
        (["sign", "alternator"], "Missing option '--amps'"),
        (["sign", "alternator", "--amps", "0"], "no such load"),
        (["sign", "alternator", "--amps", "inf"], "no such load"),
        (["sign", "bar", "--amps", "5"], "there is no current 'bar'"),
        (["named"], "say --all"),
        (["named", "bar", "--all"], "say --all"),
        (["named", "nobody"], "there is no probe 'nobody'"),
        (["named", "--all", "--by", " "], "is no name"),
        (["range", "--config", "nowhere.toml"], "no configuration at nowhere.toml"),
        (["zebra"], "No such command"),
    ],
)
def test_bad_input_is_one_clear_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    database = tmp_path / "boat.db"
    open_store(database).close()
    if not words:
        words = ["range"]
    code, err = status(capsys, *words, "--db", database)
    assert code in (1, 2) and said in err and len(err.strip().splitlines()) == 1


def test_without_files_it_says_what_it_needs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, err = status(capsys)
    assert code == 2 and "--config FILE or --db FILE" in err
    code, err = status(capsys, "--db", "none.db")
    assert code == 2 and "let `lugwatch watch` record first" in err and not Path("none.db").exists()


def test_a_boat_that_is_never_quiet_is_told_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [{"bar": 20.0, "air": 20.0, "alternator": 60.0 if n % 900 < 400 else 0.1} for n in range(1800)]
    recorded(tmp_path / "boat.db", rows, 20.0).close()
    code, err = status(capsys, "cold", "--db", tmp_path / "boat.db")
    assert code == 2 and "not quiet enough to tell" in err and "overnight" in err


def test_probes_without_any_current_are_not_called_quiet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded(tmp_path / "boat.db", [{"bar": 20.0, "air": 20.0}] * 900, 60.0).close()
    code, err = status(capsys, "cold", "--db", tmp_path / "boat.db")
    assert code == 2 and "nobody knows whether the boat was quiet" in err


# ---- live -------------------------------------------------------------------------------------------


class Switching(ManualClock):
    """Each wait lives through its seconds: a store that goes on being written, a load that comes on."""

    def __init__(self, store: Store, on_after_seconds: float, amps: float) -> None:
        super().__init__(0.0, START)
        self.store, self.on_after, self.amps = store, on_after_seconds, amps
        self.random = np.random.default_rng(5)

    def live(self, seconds: float) -> None:
        for _ in range(round(seconds)):
            self.advance(1.0)
            now = self.monotonic_seconds()
            amps = 0.4 + (self.amps if now >= self.on_after else 0.0) + self.random.normal(0.0, 0.1)
            values = (("bar", 20.0), ("air", 20.0), ("alternator", float(amps)))
            scan = Scan(values=values, monotonic_seconds=now, time=self.time())
            self.store.write([scan], monotonic_seconds=now, time=self.time())

    def wait(self, event: threading.Event, seconds: float) -> bool:
        self.live(seconds)
        return event.is_set()


@pytest.mark.parametrize(("amps", "verdict"), [(20.0, StepVerdict.RIGHT), (-20.0, StepVerdict.REVERSED)])
def test_a_load_is_followed_beside_the_running_watch(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], amps: float, verdict: StepVerdict
) -> None:
    store = open_store(tmp_path / "boat.db", clock=ManualClock(0.0, START))
    clock = Switching(store, 60.0, amps)
    clock.live(5.0)
    desk = Desk(database=tmp_path / "boat.db", configuration=None)
    found, _ = fitting_currents.follow(desk, "alternator", 20.0, clock, threading.Event())
    assert (
        found is not None and found.verdict is verdict and found.change_amps == pytest.approx(amps, abs=0.3)
    )
    assert clock.monotonic_seconds() < 150.0
    assert "Never break the alternator's output" in capsys.readouterr().out
    store.close()


def test_a_load_that_never_comes_ends_after_ten_minutes(tmp_path: Path) -> None:
    store = open_store(tmp_path / "boat.db", clock=ManualClock(0.0, START))
    clock = Switching(store, 1e9, 0.0)
    clock.live(5.0)
    desk = Desk(database=tmp_path / "boat.db", configuration=None)
    found, _ = fitting_currents.follow(desk, "alternator", 20.0, clock, threading.Event(), quiet=True)
    assert found is not None and found.verdict is StepVerdict.NO_STEP
    assert 600.0 < clock.monotonic_seconds() < 620.0
    store.close()


def test_a_watch_that_stops_meanwhile_is_told(tmp_path: Path) -> None:
    store = open_store(tmp_path / "boat.db", clock=ManualClock(0.0, START))
    Switching(store, 1e9, 0.0).live(5.0)
    store.close()
    desk = Desk(database=tmp_path / "boat.db", configuration=None)
    with pytest.raises(OperationFailed, match="is `lugwatch watch` running"):
        clock = ManualClock(1000.0, START + 1_000_000)
        fitting_currents.follow(desk, "alternator", 20.0, clock, threading.Event(), quiet=True)


def test_a_zero_is_read_while_everything_is_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = open_store(tmp_path / "boat.db", clock=ManualClock(0.0, START))
    clock = Switching(store, 30.0, -0.4)  # what was on is off after half a minute
    clock.live(40.0)
    monkeypatch.setattr(fitting_currents, "clock_from_environment", lambda: clock)
    said = say("zero", "--live", "--json", "--db", tmp_path / "boat.db")
    assert said.exit_code == 0, said.output
    (check,) = json.loads(said.output)
    assert check["finding"] == "good" and check["low"] <= 0.0 <= check["high"]
    assert clock.monotonic_seconds() == pytest.approx(165.0)
    store.close()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(["cold", "zero", "sign", "range", "mounting", "named", "advice"]),
    st.lists(
        st.one_of(
            st.text(max_size=12),
            st.sampled_from(["--from", "--to", "--amps", "--by", "alternator", "bar", "--all", "--minutes"]),
            st.floats().map(str),
        ),
        max_size=5,
    ),
)
def test_whatever_is_typed_is_a_clear_line_and_loses_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, words: list[str]
) -> None:
    database = tmp_path / "boat.db"
    if not database.exists():
        recorded(database, [{"bar": 20.0, "air": 20.0, "alternator": 30.0}] * 30, 30.0).close()
    if not any(
        word.startswith("--c") or word.startswith("--li") for word in words
    ):  # no other file, no waiting
        code, err = status(capsys, command, *words, "--db", database)
        assert code in (0, 1, 2) and "Traceback" not in err
        assert code == 0 or (err.startswith("lugwatch: ") and len(err.splitlines()) == 1)
    with History.open(database) as history:
        assert history.count_readings() == 90


# ---- stretches --------------------------------------------------------------------------------------


def test_quiet_stretches_end_with_a_load_or_with_a_silent_shunt() -> None:
    load = np.full((20 * HOUR, 2), 0.01)
    load[5 * HOUR : 6 * HOUR, 0] = 0.5
    load[10 * HOUR : 10 * HOUR + 3] = np.nan  # a quarter of an hour of nothing
    load[16 * HOUR : 17 * HOUR, 1] = np.nan  # one shunt could hide a load
    found = quiet_spans(0.0, load)
    assert [(s.start_seconds / 3600.0, s.end_seconds / 3600.0) for s in found] == [(0, 5), (6, 16), (17, 20)]
    best = best_quiet(found)
    assert best is not None and (best.start_seconds, best.end_seconds) == (7 * 3600.0, 16 * 3600.0)
    assert usable(Span(start_seconds=0.0, end_seconds=3.9 * 3600.0)) is None
    assert best_quiet([]) is None


def test_loads_are_taken_from_the_latest_with_what_is_around_them() -> None:
    load = np.full((40 * HOUR, 1), 0.01)
    for start in (5, 20, 21, 35):
        load[start * HOUR : start * HOUR + 6] = 0.4
    found = loaded_spans(0.0, load, 4.0 * 3600.0)
    hours = [(s.start_seconds / 3600.0, s.end_seconds / 3600.0) for s in found]
    assert hours == [(19.5, 22.0), (34.5, 36.0)]
    assert BUCKET_SECONDS == 300.0


def test_a_load_that_the_watch_began_in_is_what_was_recorded_of_it() -> None:
    """No half-empty bucket: rows of it would have no readings, and the whole load would be left out."""
    load = np.full((10 * HOUR, 2), np.nan)
    load[2 * HOUR : 4 * HOUR] = 0.4
    load[4 * HOUR + 3 : 6 * HOUR] = 0.4  # it was off for a quarter of an hour
    load[6 * HOUR : 8 * HOUR] = 0.01
    found = loaded_spans(0.0, load, 8.0 * 3600.0)
    minutes = [(s.start_seconds / 60.0, s.end_seconds / 60.0) for s in found]
    assert minutes == [(125.0, 235.0), (260.0, 390.0)]


# ---- what cannot be told ----------------------------------------------------------------------------


def night(count: int = 60, lag: float = 0.0, off: float = 0.0, seed: int = 0) -> np.ndarray:
    hours = np.arange(count) / 6.0
    noise = np.random.default_rng(seed).normal(0.0, 0.03, count)
    return 20.0 - 3.0 * np.sin((hours - lag) / 4.0) + off + noise


def test_of_two_probes_nobody_can_say_which_is_wrong() -> None:
    found = offsets({"air": night(), "bar": night(off=3.0, seed=1)}, "air", {"air": 0.5, "bar": 0.5})
    assert [f.verdict for f in found] == [Agreement.CANNOT_TELL] * 2 and found[1].why == "few"
    assert "hold both in one place" in fitting_words.probe_told(found[1])


def test_an_air_probe_that_is_off_is_named_itself() -> None:
    """The median stands still: three joints against their own air's probe."""
    names = ("bar", "fuse", "switch")
    celsius = {"air": night(off=2.0)} | {n: night(lag=0.2, seed=k + 1) for k, n in enumerate(names)}
    found = {f.probe: f for f in offsets(celsius, "air", dict.fromkeys(celsius, 0.5))}
    assert found["air"].verdict is Agreement.DISAGREES
    assert found["air"].offset_kelvin == pytest.approx(2.0, abs=0.3)
    assert all(found[n].verdict is Agreement.AGREES for n in names)


def test_without_an_air_probe_the_median_stands_for_it() -> None:
    names = ("bar", "fuse", "switch", "post")
    celsius = {n: night(lag=0.2, seed=k, off=2.0 * (n == "fuse")) for k, n in enumerate(names)}
    found = {f.probe: f.verdict for f in offsets(celsius, None, dict.fromkeys(celsius, 0.5))}
    assert found == dict.fromkeys(names, Agreement.AGREES) | {"fuse": Agreement.DISAGREES}


def test_an_hour_of_load_is_needed_for_a_mounting_check() -> None:
    flat = np.full(100, 20.0)
    chunk = Chunk(celsius={"bar": flat, "air": flat}, amps={"a": np.full(100, 50.0)})
    (found,) = judge([Place(joint="bar", probe="bar", current="a", air="air")], [chunk])
    assert found.verdict is Mounted.CANNOT_TELL and found.needs == "readings"
    assert "at least an hour" in fitting_words.mounting_told(found, {}, {})


def test_a_joint_alone_without_load_is_not_accused() -> None:
    random = np.random.default_rng(2)
    air = 20.0 + np.cumsum(random.normal(0.0, 0.01, 900))
    chunk = Chunk(celsius={"bar": air + random.normal(0, 0.02, 900), "air": air}, amps={"a": np.zeros(900)})
    (found,) = judge([Place(joint="bar", probe="bar", current="a", air="air")], [chunk])
    assert found.verdict is Mounted.CANNOT_TELL and found.needs == "load" and found.certainty is None


# ---- kept, resumed, advised -------------------------------------------------------------------------


def test_the_latest_check_counts_and_a_written_zero_makes_one_due_again() -> None:
    boat = boats.boat()
    checks = [
        a_check(CheckKind.ZERO, "alternator", Outcome.WRONG, 1),
        a_check(CheckKind.ZERO, "alternator", Outcome.GOOD, 2),
    ]
    zero = next(s for s in fitting.steps(boat, checks) if s.kind is CheckKind.ZERO)
    assert zero.is_done and zero.good == ("alternator",)
    checks.append(a_check(CheckKind.WRITTEN, "alternator", Outcome.GOOD, 3))
    zero = next(s for s in fitting.steps(boat, checks) if s.kind is CheckKind.ZERO)
    assert not zero.is_done and zero.missing == zero.outdated == ("alternator",)
    assert fitting.last_written(checks, ["alternator"]) == START
    assert fitting.last_written(checks, ["bar"]) is None


def test_what_cannot_be_told_yet_holds_up_nothing() -> None:
    boat = boats.boat()
    checks = [
        a_check(kind, subject, Outcome.GOOD, 1)
        for kind in (CheckKind.NAMED, CheckKind.COLD)
        for subject in ("bar", "air")
    ]
    checks += [a_check(CheckKind.COLD, "bar", Outcome.CANNOT_TELL, 2)]
    after = fitting.following(fitting.steps(boat, checks))
    assert after is not None and after.kind is CheckKind.ZERO
    checks += [a_check(kind, "alternator", Outcome.GOOD, 3)
               for kind in (CheckKind.ZERO, CheckKind.SIGN, CheckKind.RANGE)]  # fmt: skip
    checks += [a_check(CheckKind.MOUNTING, "bar", Outcome.GOOD, 4)]
    last = fitting.following(fitting.steps(boat, checks))
    assert last is not None and last.kind is CheckKind.COLD and last.untold == ("bar",)
    checks += [a_check(CheckKind.COLD, "bar", Outcome.GOOD, 5)]
    assert fitting.following(fitting.steps(boat, checks)) is None


def test_what_was_kept_is_there_after_a_restart(tmp_path: Path) -> None:
    database = tmp_path / "boat.db"
    recorded(database, [{"bar": 20.0, "air": 20.0, "alternator": 30.0}] * 400, 30.0).close()
    assert say("named", "bar", "--db", database, "--by", "ana").exit_code == 0
    assert say("range", "--db", database).exit_code == 0
    open_store(database).close()
    told = json.loads(say("--json", "--db", database).output)
    assert told["next"] == "named"
    assert next(s for s in told["steps"] if s["kind"] == "named")["missing"] == ["air"]
    checks = {(c["kind"], c["subject"]): c for c in told["checks"]}
    assert checks["named", "bar"]["who"] == "ana"
    assert checks["range", "alternator"]["value"] == pytest.approx(30.0)
    assert say("range", "--no-keep", "--db", database).exit_code == 0
    with History.open(database) as history:
        assert len(history.fitting_checks()) == 2


def test_advice_goes_by_the_square_of_the_current() -> None:
    boat = boats.boat(joint("bar"), joint("fuse"), joint("tail", current="house", air=None))
    house = Channel(channel="house", quantity=Quantity.AMPS, name="House", source=None, rated_amps=100.0)
    winch = replace(house, channel="winch", name="Windlass")
    boat = replace(boat, channels=(*boat.channels, house, winch))
    parts = [
        Part(name="Main fuse", kind=PartKind.FUSE, joints=("fuse",)),
        Part(name="Bar", kind=PartKind.BAR, joints=("bar",)),
    ]
    found = fitting_advice.advise(boat, parts, {"alternator": 95.0, "house": 40.0, "winch": 110.0})
    assert [(s.kind, s.about) for s in found] == [
        ("none", "Windlass"),
        ("other_end", "Main fuse"),
        ("air", "Tail"),
        ("twin", "Tail"),
    ]
    assert found[1].amps == 95.0 and found[1].measured
    few = fitting_advice.advise(boat, parts, {"alternator": 10.0, "house": 10.0, "winch": 10.0})
    assert few == []
    rated = fitting_advice.advise(boat, parts, {})
    assert rated[0].amps == 120.0 and not rated[0].measured


def test_offsets_are_settings_of_every_source(tmp_path: Path) -> None:
    text = (
        '[boat]\nname = "x"\n[[probe]]\nid = "bar"\nsource = "onewire"\naddress = "28-0123456789ab"\n'
        "offset_kelvin = -0.5\noffset_date = 2026-05-03\n"
        '[[current]]\nid = "a"\nsource = "serial"\ndevice = "/dev/x"\ntransducer = "A"\n'
        'zero_amps = 0.3\nzero_date = 2026-05-03\n{more}[[joint]]\nid = "bar"\nname = "Bar"\n'
        'probe = "bar"\ncurrent = "a"\nair = "none"\n'
    )
    path = tmp_path / "lugwatch.toml"
    path.write_text(text.replace("{more}", ""), encoding="utf-8")
    assert source_mistakes(config.load(path)) == []
    path.write_text(text.replace("{more}", "offset_date = 2026-05-03\n"), encoding="utf-8")
    (mistake,) = source_mistakes(config.load(path))
    assert "offset_date" in mistake and "zero_amps" in mistake
