"""A boat with a folder for backups, for the tests of `backup` and `restore`."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from histories import START_TIME, open_store, put, reading
from lugwatch.cli.main import main
from lugwatch.keeping import Archive
from lugwatch.store import archive
from lugwatch.store.queries import History

SLUG = "grey-plover"
HOUR = 3_600_000
CONFIG = """[boat]
name = "Grey Plover"
[store]
database = "card/boat.db"
[backup]
folder = "{folder}"
keep = 3
[[probe]]
id = "bar"
source = "onewire"
address = "28-0000054321ab"
[[joint]]
id = "bar"
probe = "bar"
air = "none"
"""


class Rig:
    """A database on a card, a folder for backups, a configuration that names both."""

    def __init__(self, folder: Path, stick: Path) -> None:
        self.stick = stick
        self.database = folder / "card" / "boat.db"
        self.database.parent.mkdir(exist_ok=True)
        self.config = folder / "lugwatch.toml"
        self.config.write_text(CONFIG.format(folder=stick), encoding="utf-8")
        with open_store(self.database) as store:
            put(store, [reading(20.0 + i % 7, START_TIME + i * 1000) for i in range(3000)])

    @property
    def settings(self) -> Archive:
        return Archive(folder=self.stick, keep=3)

    def back_up(self) -> archive.Made:
        return archive.make(self.settings, self.database, self.config, SLUG)

    def names(self) -> list[str]:
        return sorted(path.name for path in self.stick.iterdir())

    def grow(self, hours: float) -> None:
        with open_store(self.database) as store:
            latest = store._fetch("SELECT max(time) FROM batch")[0][0]
            put(store, [reading(21.0, latest + round(hours * HOUR))], time=latest + round(hours * HOUR))


def whole(path: Path) -> int:
    """How many readings a checked copy holds."""
    with closing(sqlite3.connect(path)) as copy:
        assert copy.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with History.open(path) as history:
        return history.count_readings()


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    status = 0
    try:
        main([str(a) for a in arguments])
    except SystemExit as leaving:
        status = int(leaving.code or 0)
    spoken = capsys.readouterr()
    return status, spoken.out, spoken.err
