"""What the crew decides of passages, checked and written: by the page and by the command line alike.

May import: passage_cuts, errors, store rooms.
"""

import contextlib
from dataclasses import replace
from pathlib import Path

from lugwatch.errors import OperationFailed, UserError
from lugwatch.passage_cuts import Decision, Deed, check, last_applied, stand
from lugwatch.store import passage_parts
from lugwatch.store.crew import put_row
from lugwatch.store.queries import History

_INSERT = (
    "INSERT INTO passage_decision (time, deed, who, passage_id, words, cut_time, other_id, undone_id)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)
_KEEP = "INSERT INTO passage_part (passage_id, start_time, end_time, figures) VALUES (?, ?, ?, ?)"
# readings and estimates of a moment are in the file within a minute
_SETTLED_MS = 120_000


def decide(path: Path, new: Decision) -> Decision:
    """Write one decision; it with its number. Durable when this returns.

    Of an undo, `undone_id` None is the last decision that counts; `passage_id` is found by itself. A merge
    may name either neighbour first. Raises UserError, one line, where it cannot be meant; StoreFailed.
    """
    with History.open(path) as history:
        found = history.passages_found()
        before = history.passage_decisions()
        pieces = [passage_parts.whole(passage) for passage in found]
        if new.deed is Deed.UNDO:
            target = last_applied(pieces, before) if new.undone_id is None else None
            target = target or next((d for d in before if d.decision_id == new.undone_id), None)
            if target is not None:
                new = replace(new, undone_id=target.decision_id, passage_id=target.passage_id)
        if new.deed is Deed.MERGE and new.other_id is not None:
            order = {p.passage_id: n for n, p in enumerate(stand(pieces, before).passages)}
            if order.get(new.other_id, -1) < order.get(new.passage_id, -1) and new.other_id in order:
                new = replace(new, passage_id=new.other_id, other_id=new.passage_id)
        # the number that it will get does not matter for whether it can be
        check(pieces, before, replace(new, decision_id=_next(before)), history.newest())
        if new.deed is Deed.SPLIT:
            _check_readings(history, new)
    number = put_row(
        path,
        _INSERT,
        (
            new.time,
            new.deed.value,
            new.who,
            new.passage_id,
            new.words,
            new.cut_time,
            new.other_id,
            new.undone_id,
        ),
    )
    # what is decided stands, though its figures could not be kept now: they are worked out when asked for
    with contextlib.suppress(OperationFailed):
        _keep_figures(path)
    return replace(new, decision_id=number)


def _next(before: list[Decision]) -> int:
    return max((d.decision_id for d in before), default=0) + 1


def _check_readings(history: History, new: Decision) -> None:
    assert new.cut_time is not None
    passage = next(p for p in history.passages() if p.passage_id == new.passage_id)
    end = history.newest() if passage.end_time is None else passage.end_time
    for first, last in ((passage.start_time, new.cut_time), (new.cut_time, end)):
        if history.count_readings(first, last) == 0:
            raise UserError(
                f"passage {new.passage_id} has no readings left on one side of that time, "
                "so figures of its parts cannot be worked out"
            )


def _keep_figures(path: Path) -> None:
    """Work out and keep what parts tell that have ended, while their readings are there."""
    with History.open(path) as history:
        rows = history.part_figures_due(history.newest() - _SETTLED_MS)
    for row in rows:
        put_row(path, _KEEP, row)
