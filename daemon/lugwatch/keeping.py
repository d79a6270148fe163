"""How much of the history is kept and where its backups go: `[store]`, `[backup]`.

Imports nothing of ours.
"""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeping:
    """What is not said here is kept for ever, or by order (`store.retention`)."""

    readings_days: float | None = None  # None: as long as there is room
    minutes_days: float = 2.0  # rows of `minute`; what they say can be worked out of the readings
    largest_megabytes: float = 2000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """Where backups go, how many stay, and whether one a day is made by itself."""

    folder: Path
    keep: int = 7
    daily: bool = True
