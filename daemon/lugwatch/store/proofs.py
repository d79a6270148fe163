"""Proof tests that are kept: written by whoever ran one, read by everybody. Kept for ever.

May import: model, proving, store rooms.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, fields
from pathlib import Path

from lugwatch.proof import Poor, Verdict
from lugwatch.proving import AgainstCable, ProofTest
from lugwatch.store import rows
from lugwatch.store.crew import put_row

_FIELDS = tuple(f.name for f in fields(ProofTest) if f.name != "proof_id")
INSERT_PROOF = f"INSERT INTO proof_test ({', '.join(_FIELDS)}) VALUES ({', '.join('?' * len(_FIELDS))})"


def put_proof(path: Path, test: ProofTest) -> int:
    """Keep one test; its number. Durable when this returns. Raises UserError or StoreFailed."""
    return put_row(path, INSERT_PROOF, proof_row(test))


def proof_row(test: ProofTest) -> rows.Row:
    """One test as `INSERT_PROOF` takes it."""
    values = asdict(test)
    words = {"verdict": test.verdict.value, "against_cable": test.against_cable.value}
    words["poor"] = None if test.poor is None else test.poor.value  # type: ignore[assignment]
    return tuple({**values, **words}[name] for name in _FIELDS)


def from_rows(found: Sequence[sqlite3.Row]) -> list[ProofTest]:
    """Rows of `proof_test` as tests."""
    return [
        ProofTest(
            **{
                **dict(row),
                "verdict": Verdict(row["verdict"]),
                "poor": None if row["poor"] is None else Poor(row["poor"]),
                "against_cable": AgainstCable(row["against_cable"]),
            }
        )
        for row in found
    ]
