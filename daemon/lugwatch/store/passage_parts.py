"""Passages as they stand, with their figures: those of a part are worked out of its readings and estimates.

A whole found passage keeps the figures that it was closed with. Of a part, ampere-hours are its share of
those, by the integral of its readings, so that parts add up to the whole; its rise is that of the whole by
how the estimates within it stand to those at the end. A part's figures are kept when it is cut
(`passage_part`), since readings go and estimates are thinned. May import: model, passage_cuts,
passage_doubt, passage_rise, passages, runs.
"""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace

import numpy as np

from lugwatch.model import CurrentPassage, JointPassage, Passage, RiseUnknown, Watching
from lugwatch.passage_cuts import (
    Decision,
    Deed,
    Piece,
    Standing,
    joined_currents,
    joined_joints,
    part_rise,
    stand,
)
from lugwatch.passage_doubt import TOLD_RATIO
from lugwatch.passage_rise import LEAST_LOADED_SECONDS
from lugwatch.passages import joint_passage
from lugwatch.store import runs
from lugwatch.store.runs import Fetch, Run

# Between two readings farther apart nothing is known to have flowed; only shares rest on it.
LONGEST_STEP_MS = 120_000
UNRATED_AMPS = 100.0  # full scale of a shunt that says none


def decisions(rows: Sequence[sqlite3.Row]) -> list[Decision]:
    return [Decision(**{**dict(row), "deed": Deed(row["deed"])}) for row in rows]


def whole(passage: Passage) -> Piece:
    return Piece(found_id=passage.passage_id, start_time=passage.start_time, end_time=passage.end_time)


def standing(fetch: Fetch, found: Sequence[Passage], decided: Sequence[Decision]) -> list[Passage]:
    """Passages as they stand, oldest first; those that nobody cut are those found."""
    by_id = {passage.passage_id: passage for passage in found}
    stands = stand([whole(passage) for passage in found], decided).passages
    with fetch.moment():
        return [_passage(fetch, by_id, its) for its in stands]


def newest(fetch: Fetch) -> int:
    """Up to where the history is known [ms], 0: nowhere."""
    found = fetch("SELECT time FROM batch ORDER BY batch_id DESC LIMIT 1")
    return int(found[0][0]) if found else 0


def due(
    fetch: Fetch, found: Sequence[Passage], decided: Sequence[Decision], before: int
) -> list[tuple[int, int, int, str]]:
    """Rows of `passage_part` for parts that ended `before` [ms] and are not kept yet."""
    by_id = {passage.passage_id: passage for passage in found}
    rows = []
    with fetch.moment():
        for its in stand([whole(passage) for passage in found], decided).passages:
            for piece in its.pieces:
                of = by_id[piece.found_id]
                if piece == whole(of) or piece.end_time is None or piece.end_time > before:
                    continue
                if _kept(fetch, piece) is None:
                    told = figures_text(*worked_out(fetch, of, piece))
                    rows.append((piece.found_id, piece.start_time, piece.end_time, told))
    return rows


def worked_out(
    fetch: Fetch, found: Passage, piece: Piece
) -> tuple[dict[str, CurrentPassage], dict[str, JointPassage]]:
    """Currents and joints of a part, from its readings; currents without any are absent."""
    until = newest(fetch)
    first, last = piece.start_time, until if piece.end_time is None else piece.end_time
    end = until if found.end_time is None else found.end_time
    ids = {channel: number for number, channel in runs.channel_ids(fetch).items()}
    flows = runs.runs(fetch, [ids[c] for c in found.currents if c in ids], found.start_time, end)
    currents: dict[str, CurrentPassage] = {}
    for channel, told in found.currents.items():
        run = flows.get(ids.get(channel, -1))
        inside = None if run is None else _within(run, first, last)
        if run is None or inside is None:
            continue
        charge, all_charge = _charge(run, first, last), _charge(run, found.start_time, end)
        amp_hours = charge / 3.6e6
        if found.end_time is not None and all_charge > 0.0:
            amp_hours = told.amp_hours * charge / all_charge
        currents[channel] = CurrentPassage(amp_hours=amp_hours, max_amps=float(np.abs(inside.values).max()))
    return currents, _joints(fetch, found, ids, first, last, end)


def figures_text(currents: Mapping[str, CurrentPassage], joints: Mapping[str, JointPassage]) -> str:
    """As `passage_part` keeps them."""
    return json.dumps(
        {
            "currents": {name: asdict(figures) for name, figures in currents.items()},
            "joints": {name: asdict(figures) for name, figures in joints.items()},
        },
        allow_nan=False,
    )


def seconds_above(fetch: Fetch, channel: str, floor_amps: float, start: int, end: int) -> float | None:
    """How long more than `floor_amps` flowed, either way, from `start` to `end` [ms]; None: not known."""
    ids = {name: number for number, name in runs.channel_ids(fetch).items()}
    run = runs.runs(fetch, [ids[channel]], start, end).get(ids[channel]) if channel in ids else None
    if run is None:
        return None
    steps = np.diff(run.times)
    counted = (steps <= LONGEST_STEP_MS) & (np.abs(run.values[:-1]) > floor_amps)
    return float(steps[counted].sum()) / 1000.0


def _passage(fetch: Fetch, by_id: Mapping[int, Passage], its: Standing) -> Passage:
    first = by_id[its.pieces[0].found_id]
    if its.pieces == (whole(first),):
        return replace(first, name=its.name, note=its.note)
    parts = [_figures(fetch, by_id[piece.found_id], piece) for piece in its.pieces]
    currents = joined_currents([currents for currents, _ in parts])
    main = max(
        currents.values(), key=lambda c: c.amp_hours, default=CurrentPassage(amp_hours=0.0, max_amps=0.0)
    )
    return Passage(
        passage_id=its.passage_id,
        start_time=its.start_time,
        end_time=its.end_time,
        amp_hours=main.amp_hours,
        max_amps=main.max_amps,
        currents=currents,
        joints=joined_joints([joints for _, joints in parts]) if len(parts) > 1 else parts[0][1],
        name=its.name,
        note=its.note,
        found_ids=tuple(dict.fromkeys(piece.found_id for piece in its.pieces)),
    )


def _figures(
    fetch: Fetch, found: Passage, piece: Piece
) -> tuple[Mapping[str, CurrentPassage], Mapping[str, JointPassage]]:
    if piece == whole(found):
        return found.currents, found.joints
    kept = _kept(fetch, piece)
    if kept is None:
        return worked_out(fetch, found, piece)
    told = json.loads(kept)
    return (
        {name: CurrentPassage(**figures) for name, figures in told["currents"].items()},
        {name: joint_passage(figures) for name, figures in told["joints"].items()},
    )


def _kept(fetch: Fetch, piece: Piece) -> str | None:
    if piece.end_time is None:
        return None
    found = fetch(
        "SELECT figures FROM passage_part WHERE passage_id = ? AND start_time = ? AND end_time = ?"
        " ORDER BY part_id DESC LIMIT 1",
        piece.found_id,
        piece.start_time,
        piece.end_time,
    )
    return str(found[0][0]) if found else None


def _joints(
    fetch: Fetch, found: Passage, ids: Mapping[str, int], first: int, last: int, end: int
) -> dict[str, JointPassage]:
    """Of each joint of the found passage, which ends at `end`: the hottest of its readings, and its rise."""
    rows = {row["joint"]: row for row in fetch("SELECT joint_id, joint, probe, current FROM joint")}
    probes = {
        joint: ids[row["probe"]]
        for joint, row in rows.items()
        if joint in found.joints and row["probe"] in ids
    }
    read = runs.runs(fetch, sorted(set(probes.values())), first, last)
    joints: dict[str, JointPassage] = {}
    for joint, told in found.joints.items():
        run = read.get(probes.get(joint, -1))
        hottest = None if run is None else float(run.values.max())
        part = replace(told, max_celsius=hottest)
        if joint in rows and told.rise_coefficient is not None:
            part = _told_of_part(fetch, found, part, rows[joint], first, last, end)
        joints[joint] = part
    return joints


def _told_of_part(
    fetch: Fetch, found: Passage, told: JointPassage, joint: sqlite3.Row, first: int, last: int, end: int
) -> JointPassage:
    """`told` of the found passage, whose rise is known, as it is of the part from `first` to `last`."""
    nothing = replace(told, rise_coefficient=None, rise_coefficient_sd=None, rise_coefficient_repeat_sd=None)
    learned = _learned(fetch, joint["joint"], found.start_time, end)
    if last <= learned:
        return replace(nothing, rise_coefficient_reason=RiseUnknown.NOT_LEARNED)
    too_little = replace(nothing, rise_coefficient_reason=RiseUnknown.TOO_LITTLE_LOAD)
    seconds = _loaded_seconds(fetch, joint["current"], max(first, learned), last)
    if seconds is not None and seconds < LEAST_LOADED_SECONDS:
        return too_little
    # those of before are of another shape, and an estimate tells of what came before it, so one of the
    # very beginning is not of this part
    estimates = _rises(fetch, joint["joint_id"], max(found.start_time, learned), end)
    inside = [value for time, value in estimates if first < time <= last]
    whole_course = [value for _, value in estimates]
    assert told.rise_coefficient is not None
    rises = [
        None if sd is None else part_rise((told.rise_coefficient, sd), whole_course, inside)
        for sd in (told.rise_coefficient_sd, told.against_others_sd)
    ]
    if rises[0] is None or rises[0][1] >= TOLD_RATIO * rises[0][0]:
        return too_little
    return replace(
        told,
        rise_coefficient=rises[0][0],
        rise_coefficient_sd=rises[0][1],
        rise_coefficient_repeat_sd=None if rises[1] is None else rises[1][1],
    )


def _learned(fetch: Fetch, joint: str, start: int, end: int) -> int:
    """When the joint's shape was last learned between two times [ms]; `start`: not at all."""
    if not fetch("SELECT 1 FROM sqlite_master WHERE name = 'learned_shape'"):
        return start
    found = fetch(
        "SELECT coalesce(max(time), ?) FROM learned_shape WHERE joint = ? AND time > ? AND time <= ?",
        *(start, joint, start, end),
    )
    return int(found[0][0])


def _loaded_seconds(fetch: Fetch, current: str | None, start: int, end: int) -> float | None:
    """For how long enough flowed to estimate from, as far as that is known; None: it is not."""
    if current is None:
        return None
    rated = fetch("SELECT rated_amps FROM channel WHERE channel = ?", current)
    full_scale = (rated[0][0] if rated else None) or UNRATED_AMPS
    return seconds_above(fetch, current, Watching().current_floor_ratio * full_scale, start, end)


def _rises(fetch: Fetch, joint_id: int, start: int, end: int) -> list[tuple[int, float]]:
    """Times and rise coefficients that were estimated, in the order of time."""
    tables = ("estimate_kept", "estimate") if runs.places(fetch).packed else ("estimate",)
    found = [
        (int(row[0]), float(row[1]))
        for table in tables
        for row in fetch(
            f"SELECT time, rise_coefficient FROM {table} WHERE joint_id = ?"
            " AND time > ? AND time <= ? AND rise_coefficient IS NOT NULL",
            joint_id,
            start,
            end,
        )
    ]
    return sorted(found)


def _within(run: Run, first: int, last: int) -> Run | None:
    inside = (run.times >= first) & (run.times <= last)
    return Run(run.times[inside], run.values[inside]) if inside.any() else None


def _charge(run: Run, first: int, last: int) -> float:
    """∫ |I| dt from `first` to `last` [A ms]; between readings the current is a straight line in its size."""
    steps = np.diff(run.times).astype(np.float64)
    size = np.abs(run.values)
    areas = np.where(steps <= LONGEST_STEP_MS, steps * 0.5 * (size[:-1] + size[1:]), 0.0)
    so_far = np.concatenate(([0.0], np.cumsum(areas)))
    low, high = np.interp((first, last), run.times.astype(np.float64), so_far)
    return float(high - low)
