"""Passages as the crew cuts them: decisions applied, in their order, over what was found from the current.

Found passages are never changed. A decision names one, notes something of it, splits it at a time, merges it
with its neighbour or undoes an earlier decision; the passages that stand are what is left when all that are
not undone have been applied. Not here: where decisions are kept (`store.passage_decisions`), figures of a
part from its readings (`store.passage_parts`), and what the watch makes of passages: creep and learning go
by what was found, so that no name and no cut changes what is alerted. May import: model, errors, units.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import pstdev

from lugwatch.errors import UserError
from lugwatch.model import CurrentPassage, JointPassage
from lugwatch.units import format_time

# The later part of passage 3, split by decision 4, is passage 4000003: never given twice, and 3 can be seen.
PART_NUMBERS = 1_000_000
# fewer estimates, each of half a minute, tell no end of a passage from the rest
FEWEST_ESTIMATES = 6
LONGEST_NAME = 80
LONGEST_NOTE = 2000


class Deed(StrEnum):
    """What a decision does."""

    NAME = "name"
    NOTE = "note"
    SPLIT = "split"
    MERGE = "merge"
    UNDO = "undo"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One decision of the crew; it is only ever added to, never changed."""

    decision_id: int
    time: int  # ms
    deed: Deed
    who: str
    passage_id: int  # as it stood then; of an undo that of what is undone
    words: str | None = None  # NAME, NOTE; "" takes it away
    cut_time: int | None = None  # SPLIT [ms]
    other_id: int | None = None  # MERGE: the neighbour that follows
    undone_id: int | None = None  # UNDO


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A found passage or a stretch of it; `end_time` None while current still flows."""

    found_id: int
    start_time: int
    end_time: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One passage as it stands: its pieces in their order, at least one."""

    passage_id: int
    pieces: tuple[Piece, ...]
    name: str | None = None
    note: str | None = None

    @property
    def start_time(self) -> int:
        return self.pieces[0].start_time

    @property
    def end_time(self) -> int | None:
        return self.pieces[-1].end_time


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """What stands after some decisions, in the order of time, and the decisions that could not be applied."""

    passages: tuple[Standing, ...]
    applied: tuple[Decision, ...]  # names, notes, splits and merges that count
    idle: tuple[Decision, ...]  # what they were about has gone, as after a clock was set right


def stand(found: Sequence[Piece], decisions: Iterable[Decision]) -> Stand:
    """Apply all decisions that are not undone to whole found passages, these in the order of time."""
    decided = sorted(decisions, key=lambda d: d.decision_id)
    undone = {d.undone_id for d in decided if d.deed is Deed.UNDO}
    passages = tuple(Standing(passage_id=piece.found_id, pieces=(piece,)) for piece in found)
    starts = {piece.found_id: piece.start_time for piece in found}
    applied: list[Decision] = []
    idle: list[Decision] = []
    for decision in decided:
        if decision.deed is Deed.UNDO or decision.decision_id in undone:
            continue
        try:
            passages = _apply(passages, decision, starts)
            applied.append(decision)
        except UserError:
            idle.append(decision)
    return Stand(passages=passages, applied=tuple(applied), idle=tuple(idle))


def check(found: Sequence[Piece], decisions: Sequence[Decision], new: Decision, now: int) -> None:
    """Raises UserError, one line, where `new` cannot be meant. `now` [ms]: where a passage under way ends."""
    before = stand(found, decisions)
    if new.deed is Deed.UNDO:
        _check_undo(found, decisions, new, before)
        return
    passage = _find(before.passages, new.passage_id)
    if (
        new.deed is Deed.SPLIT
        and passage.end_time is None
        and new.cut_time is not None
        and new.cut_time >= now
    ):
        raise UserError(f"{_outside(passage, new.cut_time)} {format_time(now)}, up to where it is known")
    _apply(before.passages, new, {piece.found_id: piece.start_time for piece in found})


def last_applied(found: Sequence[Piece], decisions: Sequence[Decision]) -> Decision:
    """What an undo without a number undoes. Raises UserError where there is nothing."""
    applied = stand(found, decisions).applied
    if not applied:
        raise UserError("there is nothing to undo: no passage was named, split or merged by hand")
    return applied[-1]


def ending_at(passage: Standing) -> str:
    return "still under way" if passage.end_time is None else format_time(passage.end_time)


# ---- words ------------------------------------------------------------------------------------


def one_line(text: str, label: str, longest: int) -> str:
    """Words on one line, "" for none. Raises UserError for what cannot be shown or is too long."""
    words = " ".join(text.split())
    if words and not words.isprintable():
        raise UserError(f"{label} holds characters that cannot be shown; write plain text")
    if len(words) > longest:
        raise UserError(f"{label} is {len(words)} characters long; at most {longest}")
    return words


# ---- figures ----------------------------------------------------------------------------------


def together(figures: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """One value and deviation of several (value, sd), each weighed by 1/sd²; None of none.

    The deviation is that of their mixture, so what several parts err alike is not averaged away, and a joint
    that changed between them has a wide one.
    """
    known = [(value, sd) for value, sd in figures if sd > 0.0]
    if not known:
        return None
    weights = [1.0 / sd**2 for _, sd in known]
    whole = math.fsum(weights)
    mean = math.fsum(w * value for w, (value, _) in zip(weights, known, strict=True)) / whole
    spread = math.fsum(
        w * (sd**2 + (value - mean) ** 2) for w, (value, sd) in zip(weights, known, strict=True)
    )
    return mean, math.sqrt(spread / whole)


def part_rise(
    found: tuple[float, float], whole: Sequence[float], part: Sequence[float]
) -> tuple[float, float] | None:
    """Rise and deviation of a part, from those of the found passage and what was estimated meanwhile.

    found: (value, sd), which tell a joint as it is at the passage's end (`passage_rise`); whole, part:
    estimates of the found passage in the order of time, and those within the part. Estimates follow and may
    err alike by more than passages scatter, so only how they stand to each other is taken: the part's mean
    against that of the last third. How each wanders is in the deviation. None: too few, or none positive.
    """
    last = list(whole[-max(1, len(whole) // 3) :])
    if len(whole) < FEWEST_ESTIMATES or not part or found[0] <= 0.0:
        return None
    mean, end = math.fsum(part) / len(part), math.fsum(last) / len(last)
    if mean <= 0.0 or end <= 0.0:
        return None
    value = found[0] * mean / end
    relative = math.hypot(found[1] / found[0], pstdev(part, mean) / mean, pstdev(last, end) / end)
    return value, value * relative


def joined_joints(parts: Sequence[Mapping[str, JointPassage]]) -> dict[str, JointPassage]:
    """Each joint over several parts: the hottest of them, and its rises together."""
    found: dict[str, JointPassage] = {}
    for joint in dict.fromkeys(joint for part in parts for joint in part):
        its = [part[joint] for part in parts if joint in part]
        known = [
            (j.rise_coefficient, j.rise_coefficient_sd, j.against_others_sd or j.rise_coefficient_sd)
            for j in its
            if j.rise_coefficient is not None and j.rise_coefficient_sd is not None
        ]
        rise = together([(value, sd) for value, sd, _ in known])
        repeats = any(j.rise_coefficient_repeat_sd is not None for j in its)
        against = together([(value, sd) for value, _, sd in known]) if repeats else None
        reasons = [j.rise_coefficient_reason for j in its if j.rise_coefficient_reason is not None]
        found[joint] = JointPassage(
            max_celsius=max((j.max_celsius for j in its if j.max_celsius is not None), default=None),
            rise_coefficient=None if rise is None else rise[0],
            rise_coefficient_sd=None if rise is None else rise[1],
            rise_coefficient_repeat_sd=None if rise is None or against is None else against[1],
            rise_coefficient_reason=reasons[-1] if rise is None and reasons else None,
        )
    return found


def joined_currents(parts: Sequence[Mapping[str, CurrentPassage]]) -> dict[str, CurrentPassage]:
    """Each current over several parts: ampere-hours added, the highest peak."""
    return {
        channel: CurrentPassage(
            amp_hours=math.fsum(part[channel].amp_hours for part in parts if channel in part),
            max_amps=max(part[channel].max_amps for part in parts if channel in part),
        )
        for channel in dict.fromkeys(channel for part in parts for channel in part)
    }


# ---- how each deed changes what stands ----------------------------------------------------------


def _apply(
    passages: tuple[Standing, ...], decision: Decision, starts: Mapping[int, int]
) -> tuple[Standing, ...]:
    this = _find(passages, decision.passage_id)
    place = passages.index(this)
    match decision.deed:
        case Deed.NAME:
            return _with(passages, place, 1, replace(this, name=decision.words or None))
        case Deed.NOTE:
            return _with(passages, place, 1, replace(this, note=decision.words or None))
        case Deed.SPLIT:
            return _with(passages, place, 1, *_split(this, decision, starts))
        case Deed.MERGE:
            assert decision.other_id is not None
            other = _find(passages, decision.other_id)
            if passages.index(other) != place + 1:
                near = [
                    str(p.passage_id)
                    for p in (*passages[max(0, place - 1) : place], *passages[place + 1 : place + 2])
                ]
                raise UserError(
                    f"passages {this.passage_id} and {other.passage_id} are not neighbours; "
                    f"next to {this.passage_id} is {' and '.join(near) or 'none'}"
                )
            return _with(passages, place, 2, _merged(this, other))
        case Deed.UNDO:
            raise AssertionError("an undo is not applied, it takes away")


def _with(passages: tuple[Standing, ...], place: int, count: int, *instead: Standing) -> tuple[Standing, ...]:
    return (*passages[:place], *instead, *passages[place + count :])


def _split(this: Standing, decision: Decision, starts: Mapping[int, int]) -> tuple[Standing, Standing]:
    at = decision.cut_time
    assert at is not None
    if at <= this.start_time or (this.end_time is not None and at >= this.end_time):
        raise UserError(f"{_outside(this, at)} {ending_at(this)}")
    before = tuple(p for p in this.pieces if p.end_time is not None and p.end_time <= at)
    after = tuple(p for p in this.pieces if p.start_time >= at)
    for piece in this.pieces:
        if piece.start_time < at and (piece.end_time is None or piece.end_time > at):
            before += (replace(piece, end_time=at),)
            after = (replace(piece, start_time=at), *after)
    first = after[0]
    # one that begins where it was found has its own number back
    whole = starts.get(first.found_id) == first.start_time
    number = first.found_id if whole else decision.decision_id * PART_NUMBERS + first.found_id
    return replace(this, pieces=before), Standing(passage_id=number, pieces=after)


def _merged(this: Standing, other: Standing) -> Standing:
    last, first = this.pieces[-1], other.pieces[0]
    pieces = (*this.pieces, *other.pieces)
    if last.found_id == first.found_id:  # two parts of one: the cut between them goes
        pieces = (*this.pieces[:-1], replace(last, end_time=first.end_time), *other.pieces[1:])
    notes = [note for note in (this.note, other.note) if note]
    return replace(this, pieces=pieces, name=this.name or other.name, note=" / ".join(notes) or None)


def _check_undo(found: Sequence[Piece], decisions: Sequence[Decision], new: Decision, before: Stand) -> None:
    target = next((d for d in decisions if d.decision_id == new.undone_id), None)
    if target is None:
        raise UserError(f"there is no decision {new.undone_id}; `lugwatch passages decisions` lists them")
    if target.deed is Deed.UNDO:
        raise UserError(f"decision {target.decision_id} is an undo; do again what it undid")
    if any(d.undone_id == target.decision_id for d in decisions):
        raise UserError(f"decision {target.decision_id} is undone already")
    idle = {d.decision_id for d in before.idle}
    resting = [d for d in stand(found, [*decisions, new]).idle if d.decision_id not in idle]
    if resting:
        raise UserError(
            f"decision {resting[-1].decision_id} ({resting[-1].deed.value}) rests on decision "
            f"{target.decision_id}; undo {resting[-1].decision_id} first"
        )


def _find(passages: Sequence[Standing], passage_id: int) -> Standing:
    for passage in passages:
        if passage.passage_id == passage_id:
            return passage
    ids = [str(p.passage_id) for p in passages]
    known = ", ".join(ids[-8:]) or "none"
    raise UserError(
        f"there is no passage {passage_id}; {'the last are' if len(ids) > 8 else 'there are'} {known}"
    )


def _outside(passage: Standing, at: int) -> str:
    return (
        f"{format_time(at)} is not within passage {passage.passage_id}; give a time after "
        f"{format_time(passage.start_time)} and before"
    )
