"""From a bag of probes to the sheet for the surveyor: one owner's season, through commands and the page."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lugwatch import config
from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.units import format_time
from owners_season import Afloat
from pages import InProcess, built_page

pytestmark = pytest.mark.slow

SWAPPED = ("bar_inverter", "switch_battery")
FALLEN = "negative_engine"
COUNTERFEIT, OFFSET_KELVIN = "bar_house", 2.0
KNOWN_AMPS = 60.0
BAD, BAD_RATIO = "bar_inverter", 3.0  # a steel washer between lug and bar
PROOF_AMPS = 120.0
WORK = "steel washer taken out from under the lug, faces cleaned, 24 N m <b>checked</b>"


class Season:
    """What was found at each stage; lived once, asked by each test."""

    def __init__(self, folder: Path) -> None:
        boat = Afloat(folder=folder, seed=2, fallen={FALLEN}, counterfeit_kelvin={COUNTERFEIT: OFFSET_KELVIN})
        self.boat = boat
        self._fit_badly()
        self.first = self._check_the_fitting(0)
        self.cold = boat.fit("cold", "--write")
        self._put_right()
        second = boat.time
        boat.motor()
        boat.load_inverter(KNOWN_AMPS)
        self.second = self._check_the_fitting(second)
        for _ in range(2):
            boat.lie_at_anchor()
            boat.motor()
        self.quiet_alerts: list[dict[str, Any]] = boat.answer("alerts")
        self._go_bad()
        self._remake()

    def _fit_badly(self) -> None:
        boat = self.boat
        boat.swap_in_file(*SWAPPED)
        topic = 'topic = "wheatear/power/inverter"\n'
        boat.edit(topic, f"{topic}scale = -1\n")
        boat.motor()
        boat.lie_at_anchor(13.0, watching=True)
        self.morning = boat.time
        boat.load_inverter(KNOWN_AMPS)

    def _check_the_fitting(self, since: int) -> dict[str, Any]:
        since = max(since, self.morning)
        mounting = ("mounting", "--from", format_time(since)) if since > self.morning else ("mounting",)
        when = ("--from", format_time(self.boat.time - 1_790_000))
        return {
            "sign": self.boat.fit("sign", "inverter", "--amps", KNOWN_AMPS, *when)["check"],
            "mounting": {joint["joint"]: joint for joint in self.boat.fit(*mounting)["joints"]},
        }

    def _put_right(self) -> None:
        boat = self.boat
        boat.swap_in_file(*SWAPPED)
        boat.edit("scale = -1\n", "")
        boat.fallen.clear()
        for joint in (*SWAPPED, FALLEN):
            told = boat.say("journal", "add", joint, "--work", "its probe was not on it", "--at", self._now())
            assert told.exit_code == 0, told.output
        assert "14 of 14" in boat.say("fitting", "named", "--all", "--config", boat.configuration).output

    def _go_bad(self) -> None:
        boat = self.boat
        boat.lie_at_anchor()
        boat.ratios[BAD] = BAD_RATIO
        self.went_bad = boat.time
        boat.motor()
        self.bad_alerts: list[dict[str, Any]] = boat.answer("alerts", "--from", format_time(self.went_bad))
        boat.load_inverter(PROOF_AMPS)
        self.proof_before = boat.answer("prove", BAD, "--amps", 150, "--note", "as found")

    def _remake(self) -> None:
        boat = self.boat
        told = boat.say("journal", "add", BAD, "--work", WORK, "--at", self._now(), "--by", "Ilse")
        assert told.exit_code == 0, told.output
        self.worked = boat.time
        boat.lie_at_anchor()
        del boat.ratios[BAD]
        boat.load_inverter(PROOF_AMPS)
        self.proof_after = boat.say("prove", BAD, "--amps", 150, "--note", "remade")
        boat.motor()
        boat.lie_at_anchor()
        boat.motor()
        self.last_alerts: list[dict[str, Any]] = boat.answer("alerts", "--from", format_time(self.worked))
        self.joints = {joint["joint"]: joint for joint in boat.answer("joints")}

    def _now(self) -> str:
        return format_time(self.boat.time - 1000)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Season]:
    yield Season(tmp_path_factory.mktemp("season"))


def test_what_was_fitted_wrong_is_named(season: Season) -> None:
    mounting = season.first["mounting"]
    assert {mounting[joint]["verdict"] for joint in SWAPPED} == {"swapped"}
    assert mounting[SWAPPED[0]]["perhaps_with"] == SWAPPED[1]
    assert mounting[FALLEN]["verdict"] == "fallen_off"
    others = {joint["verdict"] for name, joint in mounting.items() if name not in (*SWAPPED, FALLEN)}
    assert others <= {"sound", "cannot_tell"}
    cold = {check["subject"]: check["finding"] for check in season.cold["checks"]}
    assert {probe for probe, finding in cold.items() if finding == "disagrees"} == {COUNTERFEIT}
    assert season.first["sign"]["finding"] == "reversed"


def test_put_right_it_holds(season: Season) -> None:
    assert {joint["verdict"] for joint in season.second["mounting"].values()} <= {"sound", "cannot_tell"}
    assert season.second["sign"]["finding"] == "right"
    probe = next(p for p in config.load(season.boat.configuration).boat.channels if p.channel == COUNTERFEIT)
    text = season.boat.configuration.read_text(encoding="utf-8")
    written = re.search(rf'id = "{probe.channel}"[^\[]*?offset_kelvin = (-?[\d.]+)', text)
    assert written is not None and float(written[1]) == pytest.approx(-OFFSET_KELVIN, abs=0.5)


def test_sound_passages_are_quiet(season: Season) -> None:
    assert season.quiet_alerts == []


def test_the_bad_joint_is_said_early_and_nobody_else(season: Season) -> None:
    assert {(a["condition"], a["joint"]) for a in season.bad_alerts} == {("warming", BAD)}
    (alert,) = season.bad_alerts
    assert alert["worst_celsius"] < 45.0, "long before any limit of 90 °C"
    assert "against its baseline" in alert["text"]
    for caution in ("Never break the alternator's output", "circuit dead", "licensed marine electrician"):
        assert caution in alert["advice"]


def test_the_joint_is_proved_before_and_after(season: Season) -> None:
    (before,) = season.proof_before
    assert before["joint"] == BAD
    assert season.proof_after.exit_code == 0, season.proof_after.output
    assert "the test of" in season.proof_after.output and "circuit dead" in season.proof_after.output
    kept = season.boat.answer("proofs")
    assert [proof["note"] for proof in kept if proof["joint"] == BAD] == ["as found", "remade"]


def test_after_the_work_it_is_learned_anew_and_not_accused(season: Season) -> None:
    assert season.last_alerts == []
    (alert,) = season.boat.answer("alerts", "--joint", BAD)
    assert alert["state"] == "rectified-unacknowledged", "over, and nobody was there to say that it was seen"
    work = season.boat.answer("journal", "list", BAD)[-1]
    assert (work["note"], work["who"]) == (WORK, "Ilse")


def test_the_season_is_on_its_sheets(season: Season, tmp_path: Path) -> None:
    for what in (("boat",), ("joint", BAD), ("passage", 5)):
        out = tmp_path / f"{what[0]}.html"
        told = season.boat.say("sheet", *what, "--out", out)
        assert told.exit_code == 0, told.output
        text = out.read_text(encoding="utf-8")
        assert "<script" not in text and "<b>checked" not in text and "licensed" in text
        assert "Bus bar, inverter stud" in text
    joint = (tmp_path / "joint.html").read_text(encoding="utf-8")
    assert "steel washer taken out" in joint and "as found" in joint and "remade" in joint


def test_the_plan_for_the_winter_knows_what_was_done(season: Season) -> None:
    plan = season.boat.answer("winter", "--config", season.boat.configuration)
    joints = {joint["joint"]: joint for joint in plan["joints"]}
    assert len(joints) == 12 and all(joint["why"] for joint in joints.values())
    assert "no work on it is written" in joints["bar_battery"]["why"]
    assert "no work on it is written" not in joints[BAD]["why"]


def test_the_page_tells_the_same(season: Season) -> None:
    clock = ManualClock(0.0, season.boat.time)
    page = InProcess(create_app(season.boat.database, clock, Settings(), built=built_page()))
    entries = page.get("/api/journal").json()
    assert WORK in [entry["note"] for entry in entries]
    alerts = page.get("/api/alerts").json()
    assert ("warming", BAD) in [(a["condition"], a["joint"]) for a in alerts]
