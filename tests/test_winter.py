"""Which joint first in the winter: the rule, what it asks for, its material; command, page and sheet."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from boats import boat as a_boat
from boats import joint as a_joint
from creeps import judge, points
from histories import START_TIME, estimate, open_store, passage, put
from lugwatch import winter, winter_words
from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.dashboard.winter_view import winter_record
from lugwatch.model import CreepVerdict, JournalEntry, JournalKind
from lugwatch.stack import Lug, Part, Stack
from lugwatch.store.crew import put_journal_entry
from lugwatch.store.queries import History
from lugwatch.thermal import settling_celsius
from lugwatch.winter import DAY_MS, Grade, Kind, Margin, Standing, Trend, Work
from pages import InProcess, built_page

STEADY = judge(points([1.0, 1.01, 0.99, 1.0, 1.01, 1.0, 0.99]))
CREEPING = judge(points([1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]))
FEW = judge(points([1.0, 1.1]))
STACK = Stack(lugs=(Lug(cable_mm2=50.0, amps=100.0), Lug(cable_mm2=16.0, amps=20.0)), stud="M10")


def standing(
    joint: str = "bar",
    *,
    creep: object = STEADY,
    ratio: float | None = 1.0,
    ratio_sd: float | None = 0.03,
    settles: float | None = 60.0,
    sd: float = 3.0,
    days: float | None = 100.0,
) -> Standing:
    margin = None
    if settles is not None:
        margin = Margin(
            rated_amps=120.0, limit_celsius=90.0, settles_celsius=settles, settles_sd_kelvin=sd,
            surroundings_celsius=30.0, surroundings_time=START_TIME, judged_time=START_TIME,
        )  # fmt: skip
    trend = Trend(creep=creep, ratio=ratio, ratio_sd=ratio_sd)  # type: ignore[arg-type]
    return Standing(joint=joint, trend=trend, margin=margin, worked_days=days)


# ---- the rule -------------------------------------------------------------------------------

creeps = st.sampled_from([None, STEADY, CREEPING, FEW, replace(STEADY, verdict=CreepVerdict.UNSURE)])
standings = st.builds(
    standing,
    creep=creeps,
    ratio=st.none() | st.floats(0.5, 30.0),
    ratio_sd=st.floats(0.0, 0.5),
    settles=st.none() | st.floats(10.0, 300.0),
    sd=st.floats(0.0, 40.0),
    days=st.none() | st.floats(0.0, 10_000.0),
)


def ranks_first(worse: Standing, other: Standing) -> bool:
    """Also where it came last, so nothing but the rule can put it first."""
    return winter.ranked([other, worse])[0] is worse or winter._order(worse) == winter._order(other)


@given(standings, st.floats(0.0, 10.0))
def test_a_worse_ratio_never_ranks_lower(it: Standing, more: float) -> None:
    if it.trend.ratio is not None:
        assert ranks_first(replace(it, trend=replace(it.trend, ratio=it.trend.ratio + more)), it)


@given(standings, st.floats(0.0, 2.0))
def test_a_worse_creep_never_ranks_lower(it: Standing, more: float) -> None:
    creep = it.trend.creep
    if creep is not None and creep.gain_ratio is not None:
        grown = replace(creep, gain_ratio=creep.gain_ratio + more)
        assert ranks_first(replace(it, trend=replace(it.trend, creep=grown)), it)
    if creep is not None:
        creeping = replace(creep, verdict=CreepVerdict.CREEPING)
        assert ranks_first(replace(it, trend=replace(it.trend, creep=creeping)), it)


@given(standings, st.floats(0.0, 100.0))
def test_a_smaller_margin_and_older_work_never_rank_lower(it: Standing, more: float) -> None:
    if it.margin is not None:
        hotter = replace(it.margin, settles_celsius=it.margin.settles_celsius + more)
        assert ranks_first(replace(it, margin=hotter), it)
    if it.worked_days is not None:
        assert ranks_first(replace(it, worked_days=it.worked_days + 50.0 * more), it)


@given(st.lists(standings, max_size=8))
def test_ranking_keeps_every_joint_and_says_something_of_each(many: list[Standing]) -> None:
    ranked = winter.ranked(many)
    assert sorted(map(id, ranked)) == sorted(map(id, many))
    assert [max(s.grades) for s in ranked] == sorted((max(s.grades) for s in many), reverse=True)
    for s in ranked:
        sentence = winter_words.why(s)
        assert sentence.endswith(".") and sentence.count(". ") == 0 and "nan" not in sentence
        work = winter.works(s, None)
        assert work and (work == (Work.LEAVE,)) == (set(s.grades) == {Grade.WELL})


@pytest.mark.parametrize(
    ("it", "grades"),
    [
        (standing(), (Grade.WELL, Grade.WELL, Grade.WELL)),
        (standing(creep=CREEPING, settles=85.0, days=800.0), (Grade.ACT, Grade.LOOK, Grade.LOOK)),
        # 1.20 - 2·0.03 is above what the watch warns of, 1.14 - 2·0.03 is above where it stops
        (standing(ratio=1.2, settles=91.0, days=None), (Grade.ACT, Grade.ACT, Grade.UNKNOWN)),
        (standing(ratio=1.14, settles=70.0, sd=11.0), (Grade.LOOK, Grade.LOOK, Grade.WELL)),
        (standing(creep=None, ratio=None, settles=None), (Grade.UNKNOWN, Grade.UNKNOWN, Grade.WELL)),
        (standing(creep=FEW, ratio_sd=0.2), (Grade.UNKNOWN, Grade.WELL, Grade.WELL)),
        (standing(creep=FEW), (Grade.WELL, Grade.WELL, Grade.WELL)),
    ],
)
def test_grades(it: Standing, grades: tuple[Grade, ...]) -> None:
    assert it.grades == grades


def test_what_is_suggested() -> None:
    assert winter.works(standing(), STACK) == (Work.LEAVE,)
    steel = replace(STACK, in_path=(Part.WASHER,))
    assert winter.works(standing(), steel) == (Work.REPLACE_HARDWARE, Work.REMAKE, Work.PROVE)
    assert winter.works(standing(creep=CREEPING), STACK) == (Work.MEASURE, Work.REMAKE, Work.PROVE)
    hot = winter.works(standing(settles=95.0), STACK)
    assert hot == (Work.MEASURE, Work.CHECK_RATING, Work.INSPECT, Work.RETORQUE)
    assert winter.works(standing(days=3000.0), STACK) == (Work.INSPECT, Work.RETORQUE)
    assert set(winter_words.WORKS) == set(winter_words.SHORT) == set(Work)


@given(st.floats(0.0, 45.0), st.floats(0.0, 45.0), st.floats(1e-4, 1e-2))
def test_other_surroundings_agree_with_the_settling_temperature(one: float, other: float, b: float) -> None:
    """Against `thermal.settling_celsius`, which the watch goes by, of the same joint in both."""
    here, there = (float(settling_celsius(a, b, 100.0**2)[0]) for a in (one, other))  # type: ignore[arg-type]
    assert winter.settles_elsewhere(here, one, other) == pytest.approx(there, rel=1e-9)


# ---- material -------------------------------------------------------------------------------


def test_material_is_drawn_from_the_stack() -> None:
    told = [winter_words.material(m) for m in winter.materials(a_joint("bar"), STACK)]
    assert told == [
        "1 × tinned copper lug, 50 mm², hole for M10",
        "cable, for a new end, 50 mm²: length unknown, measure it",
        "1 × heat-shrink with adhesive, for 50 mm² cable, about 13 mm over its insulation",
        "1 × tinned copper lug, 16 mm², hole for M10",
        "cable, for a new end, 16 mm²: length unknown, measure it",
        "1 × heat-shrink with adhesive, for 16 mm² cable, about 8 mm over its insulation",
        "1 × flat washer, M10",
        "1 × lock washer, M10",
        "1 × nut, M10",
    ]


def test_material_is_said_to_be_unknown_where_it_is() -> None:
    nothing = winter.materials(a_joint("bar"), None)
    assert {m.kind for m in nothing} == set(Kind)
    assert all(m.size is None and m.count is None and m.source is None for m in nothing)
    assert all(winter_words.material(m).endswith("size unknown") for m in nothing)
    half = a_joint("bar", cable_mm2=(50.0, 50.0), facts={"stud": "M8, brass", "torque_newton_metres": 9})
    (lug, *_, nut) = winter.materials(half, None)
    assert (lug.size, lug.count, lug.source) == ("50 mm², hole for M8", 2, "configuration")
    assert (nut.size, nut.source) == ("M8", "configuration")
    assert winter.torque_newton_metres(half, None) == (9.0, "configuration")
    assert winter.torque_newton_metres(a_joint("bar"), None) == (None, None)
    strange = winter.materials(a_joint("bar", cable_mm2=(50.0,), facts={"stud": "half an inch"}), None)
    assert strange[0].size == "50 mm², hole not known" and strange[-1].size is None


def test_to_buy_counts_what_is_made_anew_and_nothing_else() -> None:
    needed = winter.materials(a_joint("bar"), STACK)
    bought = winter.to_buy([((Work.REMAKE,), needed), ((Work.REMAKE,), needed), ((Work.INSPECT,), needed)])
    counts = {(m.kind, m.size): m.count for m in bought}
    assert counts[Kind.LUG, "50 mm², hole for M10"] == 2 and counts[Kind.NUT, "M10"] == 2
    assert counts[Kind.CABLE, "16 mm²"] is None
    assert winter.to_buy([((Work.LEAVE,), needed)]) == []


# ---- a history ------------------------------------------------------------------------------

SETTLES = {"fuse": (50.0, 2.0), "bar": (81.0, 2.0), "post": (50.0, 2.0)}


@pytest.fixture
def laid_up(tmp_path: Path) -> Iterator[Path]:
    """Three joints, one passage in warm surroundings, then a cold winter without load."""
    path, clock = tmp_path / "a.db", ManualClock(time=START_TIME)
    boat = a_boat(*(a_joint(j) for j in SETTLES))
    passage_end = START_TIME + 3_600_000
    with open_store(path, clock=clock, boat=boat) as store:
        told = [
            estimate(passage_end, j, settles_at_rated_celsius=at, settles_at_rated_sd_kelvin=sd,
                     reference_celsius=40.0, baseline_ratio=1.0, baseline_ratio_sd=0.02)
            for j, (at, sd) in SETTLES.items()
        ]  # fmt: skip
        put(store, [passage(1, end_time=passage_end), *told], time=passage_end)
        cold = START_TIME + 60 * DAY_MS
        silent = [
            estimate(cold, j, settles_at_rated_celsius=None, settles_at_rated_sd_kelvin=None,
                     reference_celsius=5.0, baseline_ratio=None, baseline_ratio_sd=None)
            for j in SETTLES
        ]  # fmt: skip
        put(store, silent, time=cold)
    yield path


def work(path: Path, joint: str, time: int, kind: JournalKind = JournalKind.WORK) -> None:
    entry = JournalEntry(entry_id=0, joint=joint, time=time, kind=kind, note="<b>cleaned</b>", who="crew")
    put_journal_entry(path, entry)


def record(path: Path, now: int) -> dict[str, dict[str, object]]:
    with History.open(path) as history:
        found = winter_record(history, {}, now)
    rows = found["joints"]
    assert isinstance(rows, list)
    return {row["joint"]: row for row in rows}


def test_a_boat_that_is_laid_up_is_judged_by_its_last_passage(laid_up: Path) -> None:
    now = START_TIME + 100 * DAY_MS
    work(laid_up, "post", START_TIME - 900 * DAY_MS)
    work(laid_up, "fuse", START_TIME - 10 * DAY_MS, JournalKind.GOOD)
    rows = record(laid_up, now)
    assert list(rows) == ["bar", "post", "fuse"]
    margin = rows["bar"]["margin"]
    assert isinstance(margin, dict)
    assert (margin["settles_at_rated_celsius"], margin["surroundings_celsius"]) == (pytest.approx(81.0), 40.0)
    assert margin["margin_kelvin"] == pytest.approx(9.0) and margin["rated_amps"] == 120.0
    assert rows["post"]["last_work"] == {
        "grade": "look", "age_days": pytest.approx(1000.0), "time": "2023-12-10T20:26:40Z", "kind": "work",
        "note": "<b>cleaned</b>", "who": "crew",
    }  # fmt: skip
    assert [w["work"] for w in rows["fuse"]["works"]] == ["leave"]  # type: ignore[index, attr-defined]


def test_nothing_from_before_work_is_held_against_a_joint(laid_up: Path) -> None:
    work(laid_up, "bar", START_TIME + 30 * DAY_MS)
    row = record(laid_up, START_TIME + 100 * DAY_MS)["bar"]
    for matter, key in (("margin", "margin_kelvin"), ("trend", "baseline_ratio")):
        found = row[matter]
        assert isinstance(found, dict) and found[key] is None and found["grade"] == "not known"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, [str(w) for w in words])


def test_the_command_in_words_and_json(laid_up: Path) -> None:
    told = run("winter", "--db", laid_up)
    assert told.exit_code == 0, told.output
    for words in ("1. Bar: look", "Isolate the battery", "let it cool", "licensed marine electrician",
                  "tinned copper lug: size unknown", "give --config FILE", "- nothing"):  # fmt: skip
        assert words in told.output, words
    found = json.loads(run("winter", "--db", laid_up, "--json").output)
    assert [row["rank"] for row in found["joints"]] == [1, 2, 3]
    assert len(found["cautions"]) == 4
    both = run("winter", "--db", laid_up, "--json", "-o", "-")
    assert "--json and --out" in str(both.exception)


def test_the_sheet_holds_no_script_and_what_was_written_is_text(laid_up: Path) -> None:
    built_page()
    stacks = {"bar": replace(STACK, in_path=(Part.WASHER,))}
    client = InProcess(create_app(laid_up, ManualClock(time=START_TIME), Settings(stacks=stacks)))
    answer = client.get("/winter")
    assert answer.status_code == 200 and answer.headers["content-security-policy"].startswith(
        "default-src 'none'; style-src 'sha256-"
    )
    assert not re.search(r"<(script|link|img|iframe)|src=|href=|url\(", answer.text)
    for words in ("Plan for the winter", "1 × tinned copper lug, 16 mm², hole for M10", "Isolate the battery",
                  "Take what stands in the current&#39;s path out of it"):  # fmt: skip
        assert words in answer.text, words
    assert (
        client.get("/api/winter").json()["to_buy"][0]["text"] == "1 × tinned copper lug, 16 mm², hole for M10"
    )
    assert 'href="/winter"' in client.get("/watchman").text and 'href="/winter"' in client.get("/season").text
    written = run("winter", "--db", laid_up, "-o", "-").output
    assert written.startswith("<!doctype html>") and "size unknown" in written
    empty = InProcess(create_app(laid_up.parent / "none.db", ManualClock()))
    assert empty.get("/winter").status_code == empty.get("/api/winter").status_code == 404
