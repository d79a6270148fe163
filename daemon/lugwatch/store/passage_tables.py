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


SELECT_RISES = (
    "SELECT passage_id, joint, rise_coefficient,"
    " coalesce(rise_coefficient_repeat_sd, rise_coefficient_sd) AS rise_coefficient_sd,"
    " (start_time + end_time) / 2 AS time FROM passage_joint"
    " JOIN passage USING (passage_id) WHERE end_time IS NOT NULL"
    " AND rise_coefficient IS NOT NULL AND rise_coefficient_sd IS NOT NULL AND start_time >"
    " (SELECT coalesce(max(time), start_time - 1) FROM learned_shape"
    "  WHERE learned_shape.joint = passage_joint.joint)"
    # below zero: imported, and judged elsewhere
    " AND passage_id > max((SELECT max(passage_id) FROM passage) - ?, 0) ORDER BY passage_id"
)
