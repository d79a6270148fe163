"""A recording of either kind, told by its first bytes and not by its name.

May import: store rooms but writer.
"""

from pathlib import Path

from lugwatch.model import Boat
from lugwatch.store.columnar import MAGIC, ParquetRecording
from lugwatch.store.recording import Recording, open_recording


def open_any_recording(path: Path, boat: Boat) -> Recording | ParquetRecording:
    """CSV or Parquet. Raises UserError for a file that is missing, empty or no recording."""
    try:
        with path.open("rb") as file:
            is_parquet = file.read(len(MAGIC)) == MAGIC
    except OSError:
        is_parquet = False  # what is wrong with it is said below
    return ParquetRecording(path, boat) if is_parquet else open_recording(path, boat)
