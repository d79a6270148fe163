"""A creep where it is lived with: pipeline, restart, store, command and page."""

import json
import math
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import boats
import histories
from creeps import JUNE, B, judge, passage, points
from lugwatch import anew, creep, passages, pipeline, snapshot
from lugwatch.cli.main import main
from lugwatch.clock import ManualClock
from lugwatch.creep import DAY_MS, Point
from lugwatch.dashboard.app import create_app
from lugwatch.json_shapes import creep_object
from lugwatch.model import (
    AlertChange,
    Condition,
    Creep,
    CreepVerdict,
    LearnedShape,
    Passage,
    Scan,
    Tick,
)
from lugwatch.replay import step_and_learn
from lugwatch.store.queries import History
from pages import InProcess, built_page

# ---- in the pipeline -------------------------------------------------------------------------


def with_passages(some: Sequence[Point], next_passage_id: int) -> pipeline.State:
    state = boats.begin(boats.boat())
    tracker = passages.Tracker(next_passage_id=next_passage_id)
    return pipeline.with_memory(state, state.book, tracker, {"bar": some})


def alert_changes(outputs: Sequence[object]) -> list[tuple[str, str]]:
    return [(o.change.value, o.alert.condition.value) for o in outputs if isinstance(o, AlertChange)]


def test_an_alert_is_raised_once_goes_on_and_ends_when_the_baseline_is_new() -> None:
    state = with_passages(points([1.0 + 0.04 * k for k in range(8)]), 9)
    state, outputs = anew.judge_creep(state, 10.0, JUNE + 15 * DAY_MS)
    assert alert_changes(outputs) == [("raised", "creeping")]
    state, outputs = anew.judge_creep(state, 20.0, JUNE + 16 * DAY_MS)
    assert alert_changes(outputs) == []
    state = replace(state, creep=creep.forget(state.creep, 0, 9))
    state, outputs = anew.judge_creep(state, 30.0, JUNE + 17 * DAY_MS)
    assert alert_changes(outputs) == [("rectified", "creeping")]
    assert [o.verdict for o in outputs if isinstance(o, Creep)] == [CreepVerdict.TOO_FEW_PASSAGES]
    assert not state.book.alerts, "a caution ends by itself"


def test_where_a_history_begins_outlives_a_restart() -> None:
    state = with_passages(points([1.0 + 0.04 * k for k in range(8)]), 9)
    state = replace(state, creep=creep.forget(state.creep, 0, 5))
    text = snapshot.to_text(state, 10.0, JUNE)
    # the store still has all eight
    resumed = snapshot.resume(
        with_passages(points([1.0 + 0.04 * k for k in range(8)]), 9), text, 11.0, JUNE + 1000
    )
    assert resumed.creep == state.creep
    assert [p.passage_id for p in resumed.creep.points[0]] == [5, 6, 7, 8]


def test_a_snapshot_from_before_counts_all_passages_of_the_store() -> None:
    document = json.loads(snapshot.to_text(boats.begin(boats.boat()), 10.0, JUNE))
    del document["joints"]["bar"]["creep_first_passage_id"]
    begun = with_passages(points([1.0] * 8), 9)
    assert len(snapshot.resume(begun, json.dumps(document), 11.0, JUNE + 1000).creep.points[0]) == 8


def voyages(growth_ratio: float, passages: int, seed: int) -> Iterator[Scan | Tick]:
    """Two hours of motoring every second day at changing currents; B of 20 K at 120 A when new.

    Two lags with copper's own warming, a cooling that differs by 2 % from day to day, a probe of 1/16 K.
    """
    random = np.random.default_rng(seed)
    step = 10.0
    for k in range(passages):
        start, air, cooling = k * 172_800.0, random.uniform(15, 25), 1.0 + 0.02 * random.standard_normal()
        fast = slow = amps = 0.0
        for i in range(round((7200 + 2700) / step)):
            if i % 60 == 0:
                amps = float(random.choice([60.0, 75.0, 90.0, 100.0]))
            now = amps if i * step < 7200 else 0.0
            heat = (now / 120.0) ** 2 * (1.0 + 0.00393 * (air + fast + slow - 20.0)) * cooling
            # all that is gained is made in the joint itself: 12 of the 20 K
            fast += ((12.0 + 20.0 * growth_ratio * k) * heat - fast) * (1.0 - math.exp(-step / 180.0))
            slow += (8.0 * heat - slow) * (1.0 - math.exp(-step / 2400.0))
            probe = round((air + fast + slow + 0.03 * random.standard_normal()) * 16) / 16
            yield boats.scan(start + i * step, bar=probe, air=round(air * 16) / 16, alternator=now)
            yield boats.tick(start + i * step)


@pytest.mark.slow
@pytest.mark.parametrize(("growth_ratio", "expected"), [(0.05, 1), (0.0, 0)])
def test_a_watch_finds_a_creep_and_leaves_a_sound_joint_alone(growth_ratio: float, expected: int) -> None:
    state, outputs = boats.begin(boats.boat()), list[object]()
    for event in voyages(growth_ratio, 12, seed=31):
        state, more = step_and_learn(state, event)
        outputs += more
    creeps = [o for o in outputs if isinstance(o, Creep)]
    said = [o for o in outputs if isinstance(o, AlertChange) and o.alert.condition is Condition.CREEPING]
    assert len(said) == expected
    assert creeps[-1].passages_count == 10, "without the two from which the shape was learned"
    if said:
        at = next(o for o in creeps if o.verdict is CreepVerdict.CREEPING)
        assert at.passages_count <= 8
        assert creeps[-1].gain_ratio == pytest.approx(9 * growth_ratio, rel=0.3)
    else:
        assert creeps[-1].gain_ratio == pytest.approx(0.0, abs=0.05)


# ---- store, command, page --------------------------------------------------------------------


def creeping_database(path: Path) -> Creep:
    got = judge(points([1.0 + 0.03 * k for k in range(8)]))
    with histories.open_store(path) as store:
        older = judge(points([1.0] * 3))
        histories.put(store, [older, got])
    return got


def test_the_last_judgement_comes_back_as_it_went_in(tmp_path: Path) -> None:
    got = creeping_database(tmp_path / "a.db")
    with History.open(tmp_path / "a.db") as history:
        assert history.creeps() == [got]


def test_a_history_of_an_older_version_holds_none_and_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    creeping_database(path)
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TABLE creep")
    connection.close()
    with History.open(path) as history:
        assert history.creeps() == []


def test_passages_of_a_history_count_from_when_the_shape_was_learned(tmp_path: Path) -> None:
    def ended(k: int, rise: float | None) -> Passage:
        start = JUNE + k * DAY_MS
        made = passage(k, rise, end_time=start + 7_200_000)
        return replace(made, start_time=start)

    shape = LearnedShape(
        joint="bar", time=JUNE + 2 * DAY_MS + 8_000_000, tau_fast_seconds=200.0, tau_slow_seconds=2000.0,
        fast_weight=0.4, neighbour_weight=0.0, tau_fast_ratio_sd=0.2, tau_slow_ratio_sd=0.2,
        windows_count=1000, stage=2, log_likelihood_gain=0.1,
    )  # fmt: skip
    with histories.open_store(tmp_path / "a.db") as store:
        open_one = replace(passage(6, B, end_time=None), start_time=JUNE + 6 * DAY_MS)
        histories.put(
            store, [ended(1, B), ended(2, B), ended(3, B), ended(4, None), ended(5, 1.1 * B), open_one]
        )
        assert [p.passage_id for p in store.load_rises()["bar"]] == [1, 2, 3, 5]
        histories.put(store, [shape])
        found = store.load_rises()["bar"]
    assert [p.passage_id for p in found] == [3, 5]
    assert found[1].time == JUNE + 5 * DAY_MS + 3_600_000
    assert found[1].rise_coefficient == pytest.approx(1.1 * B)


def test_the_command_tells_a_line_a_joint(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.db"
    creeping_database(path)
    main(["creep", "--db", str(path)])
    told = capsys.readouterr().out
    assert "creeping" in told and "+21 % over 8 passages since 3 June (95 %:" in told
    assert "+50 % against its baseline by about" in told


def test_the_command_gives_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.db"
    got = creeping_database(path)
    main(["creep", "bar", "--db", str(path), "--json"])
    (found,) = json.loads(capsys.readouterr().out)
    assert found == json.loads(json.dumps(creep_object(got)))
    assert found["verdict"] == "creeping" and found["first_time"] == "2026-06-03T00:00:00Z"


def test_an_unknown_joint_is_one_line_and_status_two(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.db"
    creeping_database(path)
    with pytest.raises(SystemExit) as left:
        main(["creep", "nowhere", "--db", str(path)])
    assert left.value.code == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "nowhere" in error and "bar" in error


def test_the_page_shows_it_and_the_json_is_the_commands(tmp_path: Path) -> None:
    built_page()
    path = tmp_path / "a.db"
    client = InProcess(create_app(path, ManualClock()))
    assert client.get("/api/creep").json() == []
    got = creeping_database(path)
    (found,) = client.get("/api/creep").json()
    assert creep_object(got).items() <= found.items()
    assert found["name"] == "Bar"
    assert found["told"].startswith("creeping: +21 % over 8 passages since 3 June")
    page = client.get("/passages").text
    assert "From passage to passage" in page and "+21 % over 8 passages since 3 June" in page
