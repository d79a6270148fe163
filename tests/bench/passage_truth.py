"""Whether what passages tell of joints' rises contains the truth: whole passages, parts of them, two merged.

Seasons of short and long passages of sister boats go through `replay` into a database of the product's own;
the crew then splits each passage in its middle and merges neighbours. What is told of each joint is held
against the plant, settled at the means of that stretch as the heat of the joint's own current weighs them:
what its own current adds, less what its neighbours bring of that (`truth.rise_coefficients`, row 1).
"""

import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from plant_scatter import draughts_of
from recordings import DAY_MS, PLANT_STEP_SECONDS, START_TIME
from setting import Line, Setting, kept, note, simulator_digest, spread
from truth import rise_coefficients
from watched import boat_of

from lugwatch.clock import ManualClock
from lugwatch.model import JointPassage
from lugwatch.passage_cuts import Decision, Deed
from lugwatch.replay import replay
from lugwatch.simulator.boat import JOINTS, make_boat
from lugwatch.simulator.electrics import CURRENTS
from lugwatch.simulator.plant import Floats
from lugwatch.simulator.record import NIGHT_STEP_SECONDS, record
from lugwatch.simulator.scenarios import anchored_night, healthy_passage
from lugwatch.simulator.simulation import PlantState, Simulation
from lugwatch.store.passage_decisions import decide
from lugwatch.store.queries import History
from lugwatch.store.recording import Row
from lugwatch.store.writer import Store

# not the demo's, 7
BOATS = (1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13, 14, 15)
QUICK_BOATS = (2, 9)
# of each season; shapes are learned on the first ones, and joints in bursts later than others
HOURS = ((2.0, 2.0, 2.0, 3.0, 5.0), (3.0, 4.0, 2.0, 5.0, 3.0), (5.0, 2.0, 3.0, 2.0, 4.0))
ROW_SECONDS = 10.0
AFTER_HOURS = 0.8  # the recorder stays on, so that the passage ends
NORMAL_95 = 1.96
LOW_PERCENT, HIGH_PERCENT = 93.0, 97.0
KINDS = {
    "bar_inverter": "in bursts",
    "inverter_positive": "in bursts",
    "bar_house": "hardly loaded",
    "alternator_output": "with a machine's body behind",
    "battery_positive": "with a machine's body behind",
}
STEADY = "steady"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lived:
    """One passage of a season: what was seen, with the hour after it, and what was."""

    hours: float
    seed: int
    before: PlantState | None
    times: np.ndarray[tuple[int], np.dtype[np.int64]]
    values: Floats  # rows × channels, with the hour after
    amps: Floats  # rows × currents, of the passage alone
    air_celsius: Floats
    draught: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One joint on one stretch, in K/A²; rise None: not told, and why."""

    joint: str
    boat_seed: int
    what: str  # "passages", "parts", "merged"
    rise: float | None
    sd: float | None
    reason: str | None
    true: float  # NaN: no current flowed

    @property
    def kind(self) -> str:
        return KINDS.get(self.joint, STEADY)


def season(boat_seed: int, hours: Sequence[float]) -> list[Lived]:
    """Healthy passages, one a day, the boat's warmth carried over."""
    boat, previous = make_boat(boat_seed), None
    found: list[Lived] = []
    for number, length in enumerate(hours):
        seed, time = 1000 * boat_seed + 300 + number, START_TIME + number * DAY_MS
        scenario, before = healthy_passage(seed, length), previous
        evening = anchored_night(scenario, AFTER_HOURS)
        night = anchored_night(evening, 24.0 - AFTER_HOURS - length)
        parts = []
        for part, part_seed, step, plant_step in (
            (scenario, seed, ROW_SECONDS, PLANT_STEP_SECONDS),
            (evening, seed + 500_000, ROW_SECONDS, PLANT_STEP_SECONDS),
            (night, seed + 600_000, 3600.0, NIGHT_STEP_SECONDS),
        ):
            parts.append(
                record(
                    boat,
                    part,
                    seed=part_seed,
                    start_time=time,
                    step_seconds=step,
                    previous=previous,
                    plant_step_seconds=plant_step,
                )
            )
            previous, time = parts[-1].state, parts[-1].end_time
        rows = [*parts[0].rows, *parts[1].rows]
        values = [[np.nan if (v := row.values[c]) is None else v for c in boat.channels] for row in rows]
        found.append(
            Lived(
                hours=length,
                seed=seed,
                before=before,
                times=np.array([row.time for row in rows], dtype=np.int64),
                values=np.array(values),
                amps=parts[0].truth.amps,
                air_celsius=parts[0].truth.air_celsius,
                draught=draughts_of(boat, scenario, seed, before, ROW_SECONDS),
            )
        )
    return found


def true_rises(boat_seed: int, lived: Lived, first: int, last: int, neighbour_weight: Floats) -> Floats:
    """The plant's own rise of each joint over rows first to last (joints,) [K/A²]; NaN: no current."""
    boat, watched = make_boat(boat_seed), boat_of(boat_seed)
    simulation = Simulation(boat, healthy_passage(lived.seed, lived.hours), seed=1, previous=lived.before)
    full_scale = {c.channel: c.rated_amps or 0.0 for c in watched.channels}
    amps, air, draught = (a[first:last] for a in (lived.amps, lived.air_celsius, lived.draught))
    found = np.full(len(JOINTS), np.nan)
    for row, joint in enumerate(JOINTS):
        current = CURRENTS.index(joint.current)
        floor = watched.watching.current_floor_ratio * full_scale[joint.current]
        loaded = np.abs(amps[:, current]) >= floor
        if not loaded.any():
            continue
        weight = np.where(loaded, amps[:, current] ** 2, 0.0)
        weight = weight / weight.sum()
        rms = np.sqrt(weight @ amps**2)
        rms[current] = np.sqrt(np.mean(amps[loaded, current] ** 2))
        found[row] = rise_coefficients(simulation, rms, weight @ air, weight @ draught, neighbour_weight)[
            1, row
        ]
    return found


def tell(setting: Setting, boat_seed: int) -> list[Told]:
    """What a season's passages say of each joint, whole, split and merged."""
    hours = HOURS[boat_seed % len(HOURS)]
    key = (simulator_digest(), "passage truth", boat_seed, hours)
    lived = kept(setting.cache, key, lambda: season(boat_seed, hours))
    with tempfile.TemporaryDirectory() as name:
        database = Path(name) / "lugwatch.db"
        replayed(database, boat_seed, lived)
        return [*found(database, boat_seed, lived), *by_hand(database, boat_seed, lived)]


def replayed(database: Path, boat_seed: int, lived: Sequence[Lived]) -> None:
    """The season through the product, into a new database."""
    boat, clock = boat_of(boat_seed), ManualClock(0.0, START_TIME)
    with Store.open(database, clock=clock, boat=boat, version="bench") as store:
        replay(_rows(boat_seed, lived), boat, store, held_until=None)


def _rows(boat_seed: int, lived: Sequence[Lived]) -> Iterator[Row]:
    channels = make_boat(boat_seed).channels
    line = 1
    for part in lived:
        for time, values in zip(part.times.tolist(), part.values.tolist(), strict=True):
            line += 1
            read = [(c, v) for c, v in zip(channels, values, strict=True) if v == v]
            yield Row(line=line, time=time, readings=read, refused=[])


def _weights(history: History, until: int) -> Floats:
    """Neighbours' weight of each joint in the shape by which a passage that ended at `until` was told."""
    found = np.zeros(len(JOINTS))
    for row, joint in enumerate(JOINTS):
        known = [s for s in history.learned_shapes() if s.joint == joint.joint and s.time <= until]
        found[row] = max(known, key=lambda s: s.time).neighbour_weight if known else 0.5
    return found


def found(database: Path, boat_seed: int, lived: Sequence[Lived]) -> list[Told]:
    """What each passage tells as it was found."""
    with History.open(database) as history:
        told: list[Told] = []
        for passage, part in zip(history.passages(), lived, strict=True):
            weights = _weights(history, passage.end_time or 0)
            true = true_rises(boat_seed, part, 0, len(part.amps), weights)
            told += [_told(j.joint, boat_seed, "passages", passage.joints.get(j.joint), true[row])
                     for row, j in enumerate(JOINTS)]  # fmt: skip
        return told


def by_hand(database: Path, boat_seed: int, lived: Sequence[Lived]) -> list[Told]:
    """Each passage split in its middle; then these undone, and the last two merged."""
    told: list[Told] = []
    with History.open(database) as history:
        passages = history.passages_found()
        weights = [_weights(history, p.end_time or 0) for p in passages]
    middles = [(p.start_time + (p.end_time or p.start_time)) // 2 for p in passages]
    splits = [_decide(database, Deed.SPLIT, p.passage_id, cut_time=at)
              for p, at in zip(passages, middles, strict=True)]  # fmt: skip
    with History.open(database) as history:
        halves = history.passages()
    for number, part in enumerate(lived):
        cut = int(np.searchsorted(part.times, middles[number]))
        for half, (first, last) in zip(halves[2 * number :], ((0, cut), (cut, len(part.amps))), strict=False):
            true = true_rises(boat_seed, part, first, last, weights[number])
            told += [_told(j.joint, boat_seed, "parts", half.joints.get(j.joint), true[row])
                     for row, j in enumerate(JOINTS)]  # fmt: skip
    for split in splits:
        _decide(database, Deed.UNDO, 0, undone_id=split.decision_id)
    _decide(database, Deed.MERGE, passages[-2].passage_id, other_id=passages[-1].passage_id)
    with History.open(database) as history:
        merged = history.passages()[-1]
    both = [
        true_rises(boat_seed, p, 0, len(p.amps), w) for p, w in list(zip(lived, weights, strict=True))[-2:]
    ]
    true = np.mean(both, axis=0)
    told += [_told(j.joint, boat_seed, "merged", merged.joints.get(j.joint), true[row])
             for row, j in enumerate(JOINTS)]  # fmt: skip
    return told


def _decide(database: Path, deed: Deed, passage_id: int, **more: int) -> Decision:
    new = Decision(decision_id=0, time=START_TIME, deed=deed, who="bench", passage_id=passage_id, **more)  # type: ignore[arg-type]
    return decide(database, new)


def _told(joint: str, boat_seed: int, what: str, said: JointPassage | None, true: float) -> Told:
    return Told(
        joint=joint,
        boat_seed=boat_seed,
        what=what,
        rise=None if said is None else said.rise_coefficient,
        sd=None if said is None else said.rise_coefficient_sd,
        reason=None if said is None else said.rise_coefficient_reason,
        true=float(true),
    )


def passages(setting: Setting) -> list[Line]:
    """How often what a passage tells of a joint's rise contains the plant's truth, by kind of joint."""
    boats = QUICK_BOATS if setting.quick else BOATS
    found: list[Told] = [t for part in spread(tell, [(setting, seed) for seed in boats]) for t in part]
    lines = []
    for what, name in (
        ("passages", "passages"),
        ("parts", "halves, split by hand"),
        ("merged", "two, merged by hand"),
    ):
        these = [t for t in found if t.what == what]
        lines.append(coverage(f"{name}: intervals that hold the truth", these))
        kinds = sorted({t.kind for t in these})
        lines += [note(f"  {kind}", told_in_words([t for t in these if t.kind == kind])) for kind in kinds]
        reasons = Counter(str(t.reason) for t in these if t.rise is None)
        lines.append(note("  not told", ", ".join(f"{n} × {r}" for r, n in reasons.most_common()) or "none"))
    return lines


def shares(told: Sequence[Told]) -> Floats:
    """(told, 2): error and deviation as shares of what is told."""
    return np.array(
        [((t.rise - t.true) / t.rise, t.sd / t.rise)
         for t in told if t.rise is not None and t.sd is not None and t.true == t.true]
    ).reshape(-1, 2)  # fmt: skip


def percent_covered(told: Sequence[Told]) -> float:
    """How many 95 % intervals hold the truth."""
    errors = shares(told)
    return 100.0 * float(np.mean(np.abs(errors[:, 0]) <= NORMAL_95 * errors[:, 1]))


def coverage(what: str, told: Sequence[Told]) -> Line:
    percent = percent_covered(told)
    return Line(
        what=what,
        target=f"{LOW_PERCENT:g} to {HIGH_PERCENT:g} %",
        reached=f"{percent:.1f} % of {len(shares(told))}",
        met=LOW_PERCENT <= percent <= HIGH_PERCENT,
    )


def told_in_words(told: Sequence[Told]) -> str:
    errors = shares(told)
    if not len(errors):
        return f"none told of {len(told)}"
    return (
        f"{percent_covered(told):.0f} % of {len(errors)} told ({len(told)} asked), error mean "
        f"{100 * np.mean(errors[:, 0]):+.0f} %, rms {100 * np.sqrt(np.mean(errors[:, 0] ** 2)):.0f} %, "
        f"said {100 * np.median(errors[:, 1]):.0f} %"
    )
