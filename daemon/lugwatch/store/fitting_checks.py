"""Checks of the fitting that are kept: written by whoever ran one, read by everybody. Kept for ever.

May import: fitting, store rooms.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, fields
from pathlib import Path

from lugwatch.fitting import CheckKind, FittingCheck, Outcome
from lugwatch.store.crew import put_row

_FIELDS = tuple(f.name for f in fields(FittingCheck) if f.name != "check_id")
# above zero, as entries of the journal (`rows`)
_INSERT = (
    f"INSERT INTO fitting_check (check_id, {', '.join(_FIELDS)}) VALUES"
    f" ((SELECT max(coalesce(max(check_id), 0), 0) + 1 FROM fitting_check), {', '.join('?' * len(_FIELDS))})"
)


def put_check(path: Path, check: FittingCheck) -> int:
    """Keep one check; its number. Durable when this returns. Raises UserError or StoreFailed."""
    values = asdict(check) | {"kind": check.kind.value, "outcome": check.outcome.value}
    return put_row(path, _INSERT, tuple(values[name] for name in _FIELDS))


def from_rows(found: Sequence[sqlite3.Row]) -> list[FittingCheck]:
    """Rows of `fitting_check` as checks."""
    return [
        FittingCheck(**{**dict(row), "kind": CheckKind(row["kind"]), "outcome": Outcome(row["outcome"])})
        for row in found
    ]
