"""Proof tests on the page: begun, followed, ended, kept, compared, by the same functions as the command."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.dashboard.doors import write_lock
from lugwatch.dashboard.proof_follow import Follower
from lugwatch.store.queries import History
from lugwatch.store.trials import Outcome
from pages import InProcess, built_page
from proofs_fed import AMPS, BAD, SOUND, UNMEASURED, Fed


class Boat:
    """A page over readings that are fed by hand; `live` minutes pass for readings and clock alike."""

    def __init__(self, folder: Path) -> None:
        self.database = folder / "lugwatch.db"
        self.clock = ManualClock()
        self.fed = Fed(self.database, self.clock)
        self.restart()

    def restart(self, settings: Settings | None = None) -> None:
        """A new process of the page."""
        self.follower = Follower(self.database, self.clock)
        app = create_app(
            self.database, self.clock, settings or Settings(), follower=self.follower, built=built_page()
        )
        self.page = InProcess(app)

    def live(self, minutes: float, amps: float = 0.0, look: bool = True) -> None:
        while minutes > 0.0:
            step = min(minutes, 1.0)
            minutes -= step
            self.fed.feed(step, amps)
            self.clock.advance(60.0 * step)
            if look:
                self.follower.turn()

    def begin(self, *joints: str, **more: object) -> int:
        answer = self.page.tell("/api/proof_trial", {"joints": list(joints), "amps": 120.0, **more})
        assert answer.status_code == 202, answer.text
        return int(answer.json()["trial_id"])

    def trial(self) -> dict:  # type: ignore[type-arg]
        answer = self.page.get("/api/proof_trial")
        assert answer.status_code == 200, answer.text
        return answer.json()["trial"]  # type: ignore[no-any-return]

    def stage(self, joint: str = BAD) -> str:
        return next(str(j["stage"]) for j in self.trial()["joints"] if j["joint"] == joint)

    def history(self) -> History:
        return History.open(self.database)


@pytest.fixture
def boat(tmp_path: Path) -> Iterator[Boat]:
    boat = Boat(tmp_path)
    yield boat
    boat.fed.store.close()


def test_it_goes_from_rest_to_a_verdict_that_is_kept(boat: Boat) -> None:
    boat.live(1.0, 20.0)
    number = boat.begin(BAD, SOUND, note="remade, 20 N m", by="ana")
    assert boat.stage() == "flows", "current that was not preceded by rest"
    boat.live(2.0)
    assert boat.stage() == "resting"
    boat.live(4.0)
    assert boat.stage() == "rested"
    boat.live(1.5, AMPS)
    (bad, sound) = boat.trial()["joints"]
    assert bad["stage"] == "loaded" and bad["test"]["poor"] == "too_short"
    assert "keep the load on" in " ".join(bad["test"]["told"])
    boat.live(3.0, AMPS)
    (bad, sound) = boat.trial()["joints"]
    assert (bad["stage"], bad["test"]["verdict"]) == ("over", "bad"), "certain, as soon as it can be"
    assert (sound["stage"], sound["test"]["verdict"]) == ("loaded", "not_yet")
    assert [p["minutes"] for p in sound["course"]] == [1, 2, 3, 4]
    widths = [p["high_kelvin"] - p["low_kelvin"] for p in sound["course"]]
    assert widths == sorted(widths, reverse=True), "a forecast that narrows"
    boat.live(8.0, AMPS)
    ended = boat.trial()
    assert (ended["trial_id"], ended["outcome"]) == (number, "done")
    assert {k["joint"]: k["verdict"] for k in ended["kept"]} == {BAD: "bad", SOUND: "sound"}
    assert "ends warmer than" in ended["compared"][0]
    kept = boat.page.get("/api/proofs").json()
    assert [(k["note"], k["who"]) for k in kept] == [("remade, 20 N m", "ana")] * 2


def test_the_page_says_what_the_command_says(boat: Boat) -> None:
    boat.live(6.0)
    boat.begin(SOUND)
    boat.live(12.0, AMPS)
    (kept,) = boat.trial()["kept"]
    words = ["prove", SOUND, "--amps", "120", "--minutes", f"{kept['minutes']}", "--json", "--no-keep"]
    answer = CliRunner().invoke(commands, [*words, "--db", str(boat.database)])
    (told,) = json.loads(answer.output)
    for name in ("verdict", "time", "asked_kelvin", "asked_low_kelvin", "asked_high_kelvin", "tested_amps"):
        assert told[name] == kept[name], name
    listed = CliRunner().invoke(commands, ["proofs", SOUND, "--db", str(boat.database)]).output
    for line in kept["told"]:
        assert line in listed


def test_a_page_that_was_started_anew_goes_on_with_it(boat: Boat) -> None:
    boat.live(6.0)
    boat.begin(SOUND)
    boat.live(3.0, AMPS)
    boat.restart()
    boat.live(2.0, AMPS)
    assert [p["minutes"] for p in boat.trial()["joints"][0]["course"]] == [1, 2, 3, 4]
    # and one that was away until long after the load was off tells what the readings say
    boat.live(8.0, AMPS, look=False)
    boat.live(20.0, look=False)
    boat.restart()
    boat.follower.turn()
    ended = boat.trial()
    assert ended["outcome"] == "done" and [k["verdict"] for k in ended["kept"]] == ["sound"]


def test_two_pages_keep_it_once(boat: Boat) -> None:
    other = Follower(boat.database, boat.clock)
    boat.live(6.0)
    boat.begin(SOUND)
    boat.live(3.5, AMPS)
    other.turn()
    boat.live(12.0, AMPS, look=False)
    other.turn()
    boat.follower.turn()
    with boat.history() as history:
        assert len(history.proofs()) == 1


def test_a_load_that_goes_off_before_it_is_certain_ends_it(boat: Boat) -> None:
    boat.live(6.0)
    boat.begin(SOUND)
    boat.live(4.5, AMPS)
    boat.live(3.0)
    ended = boat.trial()
    assert ended["outcome"] == "done" and [k["verdict"] for k in ended["kept"]] == ["not_yet"]


def test_a_pump_that_ran_for_a_moment_is_no_test(boat: Boat) -> None:
    boat.live(6.0)
    boat.begin(SOUND)
    boat.live(0.5, AMPS)
    boat.live(4.0)
    assert boat.trial()["outcome"] is None and boat.stage(SOUND) == "resting"


def test_a_joint_at_its_limit_ends_it_at_once(boat: Boat) -> None:
    boat.live(6.0)
    boat.begin(BAD)
    boat.live(1.0, AMPS)
    boat.live(9.0, 2.2 * AMPS)
    ended = boat.trial()
    assert ended["outcome"] == "trouble" and ended["kept"] == []
    assert "its limit is 90 °C: stop the load now (lower the alternator's field first)" in ended["trouble"]


def test_nobody_watching_and_no_load_are_said(boat: Boat) -> None:
    boat.live(6.0)
    boat.begin(BAD)
    boat.clock.advance(150.0)
    boat.follower.turn()
    assert "is `lugwatch watch` running?" in boat.trial()["trouble"]
    boat.live(6.0)
    boat.fed.feed(2.5)  # what was not read meanwhile
    boat.begin(BAD)
    boat.live(31.0)
    assert "no load came on for 30 minutes" in boat.trial()["trouble"]


@pytest.mark.parametrize(("keep", "outcome", "count"), [(True, "stopped", 1), (False, "dropped", 0)])
def test_the_crew_ends_it(boat: Boat, keep: bool, outcome: str, count: int) -> None:
    boat.live(6.0)
    boat.begin(SOUND)
    boat.live(4.0, AMPS)
    assert boat.page.tell("/api/proof_trial/end", {"keep": keep}).status_code == 202
    assert boat.trial()["outcome"] == outcome
    assert len(boat.page.get("/api/proofs").json()) == count
    again = boat.page.tell("/api/proof_trial/end", {"keep": keep})
    assert again.status_code == 404 and again.json() == {"detail": "no test is under way"}


def test_a_load_of_the_record_is_judged(boat: Boat) -> None:
    boat.live(6.0)
    boat.live(10.0, AMPS)
    answer = boat.page.tell("/api/proofs", {"joints": [BAD, SOUND], "amps": 120})
    assert answer.status_code == 201, answer.text
    assert [k["verdict"] for k in answer.json()["kept"]] == ["bad", "sound"]
    late = {"joints": [BAD], "amps": 120, "from": "2027-01-01T00:00:00Z"}
    none = boat.page.tell("/api/proofs", late)
    assert none.status_code == 422 and "no test of bar_alternator" in none.json()["detail"]
    compared = boat.page.get("/api/proofs/compare?one=1&other=2").json()
    assert "(test 1) ends warmer than" in compared["told"] and compared["difference"]["low_kelvin"] > 0
    assert boat.page.get("/api/proofs/compare?one=1&other=9").status_code == 404
    page = boat.page.get("/proofs?one=1&other=2").text
    assert compared["told"] in page and 'id="proof-2"' in page


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"joints": ["nobody"]}, "there is no joint 'nobody'"),
        ({"joints": [UNMEASURED]}, "its current is not measured"),
        ({"joints": [BAD, BAD]}, "Joints: each one once"),
        ({"joints": []}, "joints: "),
        ({"joints": [BAD], "amps": -5}, "amps: "),
        ({"joints": [BAD], "minutes": 1e9}, "minutes: "),
        ({"joints": [BAD], "wrong": 1}, "wrong: "),
    ],
)
def test_what_is_wrong_is_one_line(boat: Boat, body: object, said: str) -> None:
    for path in ("/api/proof_trial", "/api/proofs"):
        answer = boat.page.tell(path, body)
        assert answer.status_code == 422, answer.text
        assert said in answer.json()["detail"] and "\n" not in answer.json()["detail"]
    with boat.history() as history:
        assert history.last_trial() is None and history.proofs() == []


def test_one_at_a_time(boat: Boat) -> None:
    boat.live(1.0)
    boat.begin(BAD)
    answer = boat.page.tell("/api/proof_trial", {"joints": [SOUND]})
    assert answer.status_code == 422
    assert answer.json()["detail"] == "a test of bar_alternator is under way; end that one first"


def test_it_is_begun_and_ended_behind_the_pass_phrase(boat: Boat, tmp_path: Path) -> None:
    lock = tmp_path / "phrase"
    write_lock(lock, "four words on paper")
    boat.restart(Settings(passphrase_file=lock))
    boat.live(1.0)
    for path, body in (
        ("/api/proof_trial", {"joints": [BAD]}),
        ("/api/proof_trial/end", {"keep": True}),
        ("/api/proofs", {"joints": [BAD]}),
    ):
        assert boat.page.tell(path, body).status_code == 401
    with boat.history() as history:
        assert history.last_trial() is None
    assert boat.page.get("/proofs").status_code == 200


def test_a_card_that_cannot_be_written_is_said_and_tried_again(
    boat: Boat, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lugwatch.dashboard import proof_follow
    from lugwatch.store.errors import StoreFailed

    def full(*_: object) -> bool:
        raise StoreFailed("cannot write lugwatch.db: disk full")

    boat.live(6.0)
    boat.begin(SOUND)
    monkeypatch.setattr(proof_follow, "end_trial", full)
    boat.live(12.0, AMPS)
    told = boat.page.get("/api/proof_trial").json()
    assert "disk full" in told["problem"] and told["trial"]["outcome"] is None
    monkeypatch.undo()
    boat.live(1.0, AMPS)
    assert boat.trial()["outcome"] == Outcome.DONE and len(boat.trial()["kept"]) == 1


def test_an_empty_boat_has_a_page(tmp_path: Path) -> None:
    page = InProcess(create_app(tmp_path / "none.db", ManualClock(), Settings(), built=built_page()))
    assert page.get("/proofs").status_code == 200
    assert page.get("/api/proofs").json() == [] and page.get("/api/proof_trial").json()["trial"] is None
