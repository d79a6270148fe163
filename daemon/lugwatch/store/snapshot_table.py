"""The table `snapshot`: the core's state as it was last written, packed. May import: nothing of ours."""

import sqlite3
import zlib

SELECT = (
    "SELECT batch.boot_id, snapshot.time, snapshot.body, snapshot.packed"
    " FROM snapshot JOIN batch USING (batch_id) WHERE snapshot.key = ?"
)


def put(connection: sqlite3.Connection, key: str, batch_id: int, time: int, text: str) -> None:
    """Within the caller's transaction. Packed it is a quarter, and it is what is written most."""
    connection.execute(
        "INSERT OR REPLACE INTO snapshot (key, batch_id, time, body, packed) VALUES (?, ?, ?, '', ?)",
        (key, batch_id, time, zlib.compress(text.encode(), 9)),
    )


def from_row(row: sqlite3.Row) -> tuple[int, int, str]:
    """Boot id, time [ms] and text."""
    text = row["body"] if row["packed"] is None else zlib.decompress(row["packed"]).decode()
    return row["boot_id"], row["time"], text
