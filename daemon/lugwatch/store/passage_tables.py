"""The tables of passages: the last word on each stands there. May import: model, rows."""

import sqlite3
from collections.abc import Sequence

from lugwatch.model import Passage
from lugwatch.store import rows


def put(connection: sqlite3.Connection, passages: Sequence[Passage]) -> None:
    """Within the caller's transaction."""
    for passage in rows.latest_passages(passages):
        connection.execute(rows.UPSERT_PASSAGE, rows.passage_row(passage))
        for table in ("passage_current", "passage_joint"):
            connection.execute(f"DELETE FROM {table} WHERE passage_id = ?", (passage.passage_id,))
        connection.executemany(rows.INSERT_PASSAGE_CURRENT, rows.passage_current_rows(passage))
        connection.executemany(rows.INSERT_PASSAGE_JOINT, rows.passage_joint_rows(passage))
