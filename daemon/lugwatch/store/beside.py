"""While the card cannot be written: the present moment, in memory, where the page finds it.

A small database of the same tables on a file system that lives in memory. It holds what is needed to show how
things stand, from when the trouble began; the history itself waits in the watch and is written when the card
can be written again. Then this one goes. Not here: who decides that there is trouble (`runner`).
May import: queries, writer, crew, clock, model.
"""

import contextlib
import hashlib
import tempfile
from collections.abc import Sequence
from pathlib import Path

from lugwatch.clock import Clock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import AlertUpdate, Boat, Output
from lugwatch.store.decode import CrewActionRow
from lugwatch.store.queries import History
from lugwatch.store.writer import Store

_MEMORY = Path("/dev/shm")  # tmpfs on every Linux; kernel documentation, filesystems/tmpfs
LARGEST_BYTES = 16 * 1024 * 1024  # an hour or more; then it begins anew
CHANGES_CARRIED = 100  # of alerts, so that a page that was away knows them


def path_beside(database: Path) -> Path:
    """The same for everybody who asks about this database."""
    folder = _MEMORY if _MEMORY.is_dir() else Path(tempfile.gettempdir())
    name = hashlib.sha256(str(database.resolve()).encode()).hexdigest()[:16]
    return folder / f"lugwatch-{name}.db"


def where_now(database: Path) -> Path:
    """Where the watch writes at this moment: the database, or beside it while that cannot be written."""
    beside = path_beside(database)
    with contextlib.suppress(OSError):
        if beside.stat().st_uid == database.stat().st_uid and beside.stat().st_size > 0:
            return beside
    return database


class Beside:
    """The writer of it. Made when first written to; never raises, since nothing depends on it."""

    def __init__(self, database: Path, boat: Boat, clock: Clock) -> None:
        self._database = database
        self._path = path_beside(database)
        self._boat = boat
        self._clock = clock
        self._store: Store | None = None
        self.close()  # what a watch that was killed left behind

    def write(self, outputs: Sequence[Output], *, monotonic_seconds: float, time: int) -> None:
        with contextlib.suppress(OperationFailed, UserError, OSError):
            if self._store is not None and self._path.stat().st_size > LARGEST_BYTES:
                self.close()
            if self._store is None:
                self._store = Store.open(self._path, clock=self._clock, boat=self._boat, version="beside")
                carried = self._carried(time)
                self._store.write(carried, monotonic_seconds=monotonic_seconds, time=time)
            self._store.write(outputs, monotonic_seconds=monotonic_seconds, time=time)

    def take_crew_actions(self) -> list[CrewActionRow]:
        """What was pressed on the page meanwhile."""
        with contextlib.suppress(OperationFailed):
            if self._store is not None:
                return self._store.take_crew_actions()
        return []

    def close(self) -> None:
        """Take it away: the page reads the database again."""
        store, self._store = self._store, None
        if store is not None:
            store.close()
        for end in ("", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                self._path.with_name(self._path.name + end).unlink(missing_ok=True)

    def _carried(self, time: int) -> list[Output]:
        """How things stood when the trouble began, as far as the card can be read."""
        with contextlib.suppress(UserError), History.open(self._database) as history:
            after = history.last_alert_sequence() - CHANGES_CARRIED
            return [
                *history.baselines(),
                *history.estimates(),
                *history.source_health(),
                *history.alert_changes(after),
                *(AlertUpdate(alert=alert, time=time) for alert in history.alerts(active_only=True)),
            ]
        return []
