"""Proof tests that the page follows while the load is on: a row each, so that a restart loses none.

What such a test found is kept as every other (`store.proofs`). May import: proving, store rooms.
"""

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from lugwatch.proving import ProofTest
from lugwatch.store.crew import BUSY_SECONDS, put_row
from lugwatch.store.errors import store_failed
from lugwatch.store.migrations import migrate
from lugwatch.store.opening import check_ours, connect_writing
from lugwatch.store.proofs import INSERT_PROOF, proof_row

_INSERT = "INSERT INTO proof_trial (time, wanted) VALUES (?, ?)"
_OPEN = "SELECT 1 FROM proof_trial WHERE trial_id = ? AND over_time IS NULL"
_END = "UPDATE proof_trial SET over_time = ?, outcome = ?, trouble = ?, proofs = ? WHERE trial_id = ?"


class Outcome(StrEnum):
    """How a test that was followed came to its end."""

    DONE = "done"  # certain, or it had run its time
    STOPPED = "stopped"  # by the crew, and kept as far as it was
    DROPPED = "dropped"  # by the crew, nothing kept
    TROUBLE = "trouble"  # it had to end


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialRow:
    """One row. wanted: JSON of what was asked for; outcome None: under way."""

    trial_id: int
    time: int
    wanted: str
    over_time: int | None
    outcome: Outcome | None
    trouble: str | None
    proofs: tuple[int, ...]  # numbers of the tests that were kept


def put_trial(path: Path, time: int, wanted: str) -> int:
    """A test begins; its number. Durable when this returns. Raises UserError or StoreFailed."""
    return put_row(path, _INSERT, (time, wanted))


def end_trial(
    path: Path, trial_id: int, time: int, outcome: Outcome, trouble: str | None, tests: Sequence[ProofTest]
) -> bool:
    """It is over, and `tests` are kept, all or nothing; False if somebody else had ended it.

    Raises UserError or StoreFailed.
    """
    check_ours(path, new_allowed=False)
    try:
        connection = connect_writing(path, busy_seconds=BUSY_SECONDS)
        try:
            migrate(connection)
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("BEGIN IMMEDIATE")
            if connection.execute(_OPEN, (trial_id,)).fetchone() is None:
                connection.execute("ROLLBACK")
                return False
            numbers = [connection.execute(INSERT_PROOF, proof_row(t)).lastrowid for t in tests]
            connection.execute(_END, (time, outcome.value, trouble, json.dumps(numbers), trial_id))
            connection.execute("COMMIT")
            return True
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise store_failed(path, error) from error


def from_row(row: sqlite3.Row) -> TrialRow:
    """A row of `proof_trial`."""
    return TrialRow(
        **{
            **dict(row),
            "outcome": None if row["outcome"] is None else Outcome(row["outcome"]),
            "proofs": tuple(json.loads(row["proofs"])),
        }
    )
