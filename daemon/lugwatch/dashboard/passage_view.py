"""Passages as JSON-ready objects: what ran and when, each joint's margin and change; two compared; a season.

A change is of the rise coefficient; its deviation is that of both passages together. Work on a joint in
between makes the two strangers: then no change is told, and why.
Pure but for `History`, which is handed in. May import: the rooms of the dashboard, store, model, units.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lugwatch.json_shapes import JsonObject
from lugwatch.model import (
    Boat,
    JointPassage,
    JournalEntry,
    JournalKind,
    LearnedShape,
    Passage,
    Watching,
)
from lugwatch.store.queries import Bucket, History
from lugwatch.units import format_time

SPELL_POINTS = 480
# pauses shorter than this share of a passage do not part two spells
SPELL_PAUSE_SHARE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How a rise moved from one passage to another: a ratio and its deviation, or why there is none."""

    ratio: float | None = None
    ratio_sd: float | None = None
    reason: str | None = None  # "first", "too_little", "work", "learned"


def spells(buckets: Sequence[Bucket], floor_amps: float, pause_ms: float) -> list[tuple[int, int]]:
    """When more than `floor_amps` flowed, either way: [start, end] in ms."""
    found: list[tuple[int, int]] = []
    for b in buckets:
        if max(abs(b.minimum), abs(b.maximum)) <= floor_amps:
            continue
        if found and b.time - found[-1][1] <= pause_ms:
            found[-1] = (found[-1][0], b.time)
        else:
            found.append((b.time, b.time))
    return found


def what_ran(
    history: History, boat: Boat, passage: Passage, watching: Watching, now: int
) -> list[JsonObject]:
    """Each current of the passage: how much, the most, and when it flowed."""
    start, end = passage.start_time, passage.end_time or now
    ran: list[JsonObject] = []
    for channel in boat.channels:
        told = passage.currents.get(channel.channel)
        if told is None:
            continue
        floor = watching.current_floor_ratio * (channel.rated_amps or told.max_amps)
        buckets = history.series(channel.channel, start, end, SPELL_POINTS)
        pause = max(3.0 * (end - start) / SPELL_POINTS, SPELL_PAUSE_SHARE * (end - start))
        ran.append(
            {
                "channel": channel.channel,
                "name": channel.name,
                "amp_hours": told.amp_hours,
                "max_amps": told.max_amps,
                "floor_amps": floor,
                "seconds_above": history.seconds_above(channel.channel, floor, start, end),
                "spells": [[format_time(a), format_time(b)] for a, b in spells(buckets, floor, pause)],
                "shares": [_shares(a, b, start, end) for a, b in spells(buckets, floor, pause)],
            }
        )
    return ran


def _shares(first: int, last: int, start: int, end: int) -> JsonObject:
    """Where a spell stands in its passage, in per cent, for drawing."""
    whole = max(1, end - start)
    left = 100.0 * (first - start) / whole
    return {"left": round(left, 2), "width": round(max(0.6, 100.0 * (last - first) / whole), 2)}


def change(
    this: JointPassage | None,
    that: JointPassage | None,
    *,
    worked_between: bool = False,
    learned_between: bool = False,
) -> Change:
    """How a joint's rise on `this` passage stands against `that` earlier one.

    Another shape measures with another rod: where it was learned anew between them, nothing can be said.
    """
    if this is None or this.rise_coefficient is None:
        return Change(reason="too_little")
    if that is None:
        return Change(reason="first")
    if that.rise_coefficient is None or that.rise_coefficient <= 0.0:
        return Change(reason="too_little")
    if worked_between:
        return Change(reason="work")
    if learned_between:
        return Change(reason="learned")
    ratio = this.rise_coefficient / that.rise_coefficient
    sd, that_sd = this.against_others_sd, that.against_others_sd
    if sd is None or that_sd is None or this.rise_coefficient <= 0.0:
        return Change(ratio=ratio)
    relative = math.hypot(sd / this.rise_coefficient, that_sd / that.rise_coefficient)
    return Change(ratio=ratio, ratio_sd=ratio * relative)


def before(passages: Sequence[Passage], passage: Passage, joint: str) -> Passage | None:
    """The last passage before this one that could tell the joint's rise."""
    earlier = [
        p
        for p in passages
        if p.start_time < passage.start_time
        and (found := p.joints.get(joint)) is not None
        and found.rise_coefficient is not None
    ]
    return earlier[-1] if earlier else None


def worked_on(entries: Sequence[JournalEntry], joint: str, start: int, end: int) -> bool:
    return any(e.joint == joint and e.kind is JournalKind.WORK and start <= e.time <= end for e in entries)


def times_learned(shapes: Sequence[LearnedShape], joint: str, passage: Passage) -> int:
    """How often the joint's shape had been learned when the passage ended: by which its rise is told."""
    own = [s for s in shapes if s.joint == joint]
    return len(own) if passage.end_time is None else sum(1 for s in own if s.time <= passage.end_time)


def joint_rows(
    boat: Boat,
    passages: Sequence[Passage],
    passage: Passage,
    entries: Sequence[JournalEntry],
    shapes: Sequence[LearnedShape] = (),
) -> list[JsonObject]:
    """Each joint of the passage, that with the least margin first; those without a reading last."""
    rows: list[JsonObject] = []
    for joint in boat.joints:
        this = passage.joints.get(joint.joint)
        if this is None:
            continue
        last = before(passages, passage, joint.joint)
        worked = last is not None and worked_on(entries, joint.joint, last.start_time, passage.start_time)
        learned = last is not None and times_learned(shapes, joint.joint, last) != times_learned(
            shapes, joint.joint, passage
        )
        moved = change(
            this,
            last.joints[joint.joint] if last else None,
            worked_between=worked,
            learned_between=learned,
        )
        rows.append(
            {
                "joint": joint.joint,
                "name": joint.name,
                "limit_celsius": joint.limit_celsius,
                "max_celsius": this.max_celsius,
                "margin_kelvin": None if this.max_celsius is None else joint.limit_celsius - this.max_celsius,
                "rise_coefficient": this.rise_coefficient,
                "rise_coefficient_sd": this.rise_coefficient_sd,
                "rise_coefficient_reason": this.rise_coefficient_reason,
                **change_object(moved),
            }
        )
    rows.sort(key=lambda row: math.inf if row["margin_kelvin"] is None else float(str(row["margin_kelvin"])))
    return rows


def change_object(moved: Change) -> JsonObject:
    return {
        "change_ratio": moved.ratio,
        "change_ratio_sd": moved.ratio_sd,
        "change_reason": moved.reason,
    }


def compared(
    boat: Boat,
    this: Passage,
    that: Passage,
    entries: Sequence[JournalEntry],
    shapes: Sequence[LearnedShape] = (),
) -> list[JsonObject]:
    """Joints of two passages side by side, in the boat's order; a change is from the earlier to the later."""
    first, second = sorted((this, that), key=lambda p: p.start_time)
    rows: list[JsonObject] = []
    for joint in boat.joints:
        a, b = this.joints.get(joint.joint), that.joints.get(joint.joint)
        if a is None and b is None:
            continue
        worked = worked_on(entries, joint.joint, first.start_time, second.start_time)
        moved = change(
            second.joints.get(joint.joint),
            first.joints.get(joint.joint),
            worked_between=worked,
            learned_between=times_learned(shapes, joint.joint, first)
            != times_learned(shapes, joint.joint, second),
        )
        rows.append(
            {
                "joint": joint.joint,
                "name": joint.name,
                "this": _figures(a),
                "that": _figures(b),
                **change_object(moved),
            }
        )
    return rows


def _figures(found: JointPassage | None) -> JsonObject:
    return {
        "max_celsius": found.max_celsius if found else None,
        "rise_coefficient": found.rise_coefficient if found else None,
        "rise_coefficient_sd": found.rise_coefficient_sd if found else None,
        "rise_coefficient_reason": found.rise_coefficient_reason if found else None,
    }


def season(
    boat: Boat,
    passages: Sequence[Passage],
    entries: Sequence[JournalEntry],
    shapes: Sequence[LearnedShape] = (),
) -> list[JsonObject]:
    """Each joint over all passages, against its first that could tell since the last work on it and since
    its shape was last learned."""
    rows: list[JsonObject] = []
    for joint in boat.joints:
        first: JointPassage | None = None
        last_time: int | None = None
        learned = 0
        cells: list[JsonObject] = []
        for passage in passages:
            found = passage.joints.get(joint.joint)
            worked = last_time is not None and worked_on(entries, joint.joint, last_time, passage.start_time)
            last_time = passage.start_time
            times = times_learned(shapes, joint.joint, passage)
            if worked or times != learned:
                first = None
            learned = times
            known = found is not None and found.rise_coefficient is not None
            moved = change(found, first) if first is not None else Change()
            if known and first is None:
                first, moved = found, Change(ratio=1.0)
            cells.append(
                {
                    "passage_id": passage.passage_id,
                    "time": format_time(passage.start_time),
                    "max_celsius": found.max_celsius if found else None,
                    "ratio": moved.ratio if known else None,
                    "ratio_sd": moved.ratio_sd if known else None,
                    "worked_before": worked,
                }
            )
        rows.append({"joint": joint.joint, "name": joint.name, "cells": cells})
    return rows
