"""A store that cannot be written yet: a watch that starts on a full or read-only card watches all the same.

What it remembers is read from the card; writing begins as soon as that is possible. Only for a database that
is there: a path that never could be written is a mistake of the configuration. May import: store rooms.
"""

import sqlite3
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from lugwatch import __version__
from lugwatch.clock import Clock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.keeping import Keeping
from lugwatch.model import Boat, Output
from lugwatch.store.errors import CannotWrite, StoreReadOnly
from lugwatch.store.migrations import SCHEMA_NUMBER, migrate
from lugwatch.store.opening import connect_reading
from lugwatch.store.writer import Store


class LateStore(Store):
    """Reads what is there; each write tries to begin first."""

    def __init__(self, path: Path, boat: Boat, clock: Clock, keeping: Keeping) -> None:
        remembered, self._gap = _remembered(path)
        super().__init__(path, remembered, clock, threading.Event(), keeping)
        self._boat = boat
        self._begun = False

    def write(self, outputs: Sequence[Output], **moment: Any) -> None:
        self._begin()
        super().write(outputs, **moment)

    def set_right(self, first: int, last: int, by_ms: int) -> None:
        self._begin()
        super().set_right(first, last, by_ms)

    def _next(self, table: str, column: str) -> int:
        return super()._next(table, column) + (0 if self._begun else self._gap)

    def _begin(self) -> None:
        if self._begun:
            return
        try:
            fresh = Store.open(
                self.path, clock=self._clock, boat=self._boat, version=__version__, keeping=self.keeping
            )
        except CannotWrite as error:
            raise StoreReadOnly(f"{error}") from error
        except UserError as error:
            raise OperationFailed(f"{error}") from error
        before = self._connection
        trusted = self.clock_trusted
        fresh.ledger.follow(self.ledger)
        self.__dict__ |= fresh.__dict__
        self.clock_trusted = trusted
        self._begun = True
        if before is not None:
            before.close()


def _remembered(path: Path) -> tuple[sqlite3.Connection, int]:
    """What can be read of the database; empty tables where nothing can, or an older version wrote it.

    And by how much numbers have to be higher than those that are read: a card that cannot be written may not
    show the end of the log either, and a number must not be given twice.
    """
    with suppress(UserError, sqlite3.Error):
        connection = connect_reading(path)
        if connection.execute("PRAGMA user_version").fetchone()[0] == SCHEMA_NUMBER:
            connection.row_factory = sqlite3.Row
            return connection, 1_000
        connection.close()
    connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    connection.row_factory = sqlite3.Row
    migrate(connection)
    return connection, 1_000_000
