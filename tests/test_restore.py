"""A backup is put back whole or not at all, and what was there before is kept."""

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from backups import CONFIG, SLUG, run
from histories import START_TIME, alert, change, folder_state, open_store, put, reading
from lugwatch.clock import ManualClock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.keeping import Archive
from lugwatch.store import archive, restoring
from lugwatch.store.migrations import SCHEMA_NUMBER, migrations
from lugwatch.store.opening import connect_writing
from lugwatch.store.queries import History
from lugwatch.store.restoring import restore
from lugwatch.watching import only_instance
from processes import Command, until

THEN, SINCE = 300, 40  # readings when the backup was made, and that came since


class Rig:
    """A boat with a backup, and a database that went on since."""

    def __init__(self, folder: Path, card: Path) -> None:
        self.stick = folder / "stick"
        self.stick.mkdir()
        self.card = card
        self.card.mkdir(exist_ok=True)
        self.database = self.card / "boat.db"
        self.config = folder / "lugwatch.toml"
        self.config.write_text(CONFIG.format(folder=self.stick), encoding="utf-8")
        with open_store(self.database) as store:
            put(store, [reading(20.0 + i % 5, START_TIME + i * 1000) for i in range(THEN)])
            put(store, [change(1, alert())])
        self.backup = archive.make(Archive(folder=self.stick), self.database, self.config, SLUG).path
        with open_store(self.database) as store:
            put(store, [reading(50.0, START_TIME + 9_000_000 + i) for i in range(SINCE)])

    def restore(self, backup: Path | None = None) -> restoring.Restored:
        return restore(backup or self.backup, self.database, clock=ManualClock(time=START_TIME), slug=SLUG)

    def asides(self) -> list[Path]:
        return sorted(
            path
            for path in self.card.glob("boat.db.before-restore-*")
            if not path.name.endswith(("-wal", "-shm", "-journal"))
        )


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    yield Rig(tmp_path, tmp_path / "card")


def count(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with History.open(path) as history:
        return history.count_readings()


def test_what_was_then_is_there_again_and_what_came_since_is_kept(
    rig: Rig, capsys: pytest.CaptureFixture[str]
) -> None:
    before = rig.backup.read_bytes()
    status, out, err = run(capsys, "restore", rig.backup, "--config", rig.config)
    assert (status, err) == (0, "")
    assert f"{rig.database}: put back from {rig.backup} (reaches to " in out and "boot 1)" in out
    assert count(rig.database) == THEN
    (aside,) = rig.asides()
    assert str(aside) in out and count(aside) == THEN + SINCE
    assert rig.backup.read_bytes() == before
    assert {p.name for p in rig.card.iterdir()} == {
        "boat.db", "boat.db.lock", aside.name, "boat.db.last-backup.json",
    }  # fmt: skip
    with open_store(rig.database) as store:  # a watch goes on from there
        assert store.boot_id == 2 and [a.alert_id for a in store.load_alerts()] == [1]
        put(store, [reading(21.0, START_TIME + 400_000)])
    assert count(rig.database) == THEN + 1
    # and back again, by what was set aside
    assert restore(aside, rig.database, clock=ManualClock(), slug=SLUG).aside is not None
    assert count(rig.database) == THEN + SINCE and len(rig.asides()) == 2


def test_a_folder_gives_its_newest_by_number(rig: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    newer = archive.make(Archive(folder=rig.stick), rig.database, rig.config, SLUG).path
    os.utime(newer, (0, 0))  # nobody asks a clock
    rig.config.write_text(rig.config.read_text(encoding="utf-8") + "# changed\n", encoding="utf-8")
    status, out, _ = run(capsys, "restore", rig.stick, "--config", rig.config)
    assert status == 0 and str(newer) in out and "was left as it is" in out
    assert str(newer.with_suffix(".toml")) in out
    assert count(rig.database) == THEN + SINCE
    empty = rig.card / "empty"
    empty.mkdir()
    for arguments in (["--config", rig.config], ["--db", rig.database]):
        status, out, err = run(capsys, "restore", empty, *arguments)
        assert status == 2 and out == "" and err.count("\n") == 1


def test_where_there_is_no_database_there_is_one_then(rig: Rig) -> None:
    rig.database.unlink()
    (rig.card / "boat.db-wal").write_bytes(b"the log of what is gone")
    assert rig.restore().aside is None
    assert count(rig.database) == THEN
    assert (rig.database.stat().st_mode & 0o777) == 0o640


def test_a_log_that_was_not_in_the_file_yet_goes_aside_with_it_and_not_into_the_new(rig: Rig) -> None:
    """After a power cut the last commits stand in the log alone; SQLite goes by its name."""
    store = open_store(rig.database)
    put(store, [reading(70.0, START_TIME + 10_000_000 + i) for i in range(7)])
    names = ("boat.db", "boat.db-wal", "boat.db-shm")
    held = {name: (rig.card / name).read_bytes() for name in names}
    store.close()
    for name in names:
        (rig.card / name).write_bytes(held[name])
    assert len(held["boat.db-wal"]) > 1000
    rig.restore()
    assert count(rig.database) == THEN
    assert count(rig.asides()[0]) == THEN + SINCE + 7


@pytest.mark.parametrize("how", ["zeros", "garbage", "empty"])
def test_a_damaged_database_is_set_aside_with_its_log(rig: Rig, how: str) -> None:
    whole = rig.database.read_bytes()
    spoilt = {
        "zeros": bytes(len(whole)),
        "garbage": whole[:100] + b"\x55" * (len(whole) - 100),
        "empty": b"",
    }[how]
    rig.database.write_bytes(spoilt)
    (rig.card / "boat.db-wal").write_bytes(b"a log")
    rig.restore()
    assert count(rig.database) == THEN
    (aside,) = rig.asides()
    assert len(aside.read_bytes()) == len(spoilt)
    assert not (rig.card / "boat.db-wal").exists()


def spoil_middle(backup: Path) -> str:
    content = bytearray(backup.read_bytes())
    for page in range(6, len(content) // 1024, 3):
        content[page * 1024 : page * 1024 + 1024] = b"\x55" * 1024
    backup.write_bytes(content)
    return "is damaged .*try an older backup"


def spoil_one_page(backup: Path) -> str:
    """One that nothing asks for when a database is opened: only the whole check comes by it."""
    with closing(sqlite3.connect(backup)) as connection:
        page = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'creep'").fetchone()[0]
    content = bytearray(backup.read_bytes())
    content[(page - 1) * 1024 : page * 1024] = b"\x55" * 1024
    backup.write_bytes(content)
    return "is damaged"


def cut_short(backup: Path) -> str:
    backup.write_bytes(backup.read_bytes()[: backup.stat().st_size // 2])
    return "is damaged .*try an older backup"


def of_zeros(backup: Path) -> str:
    backup.write_bytes(bytes(8192))
    return "begins with zeros"


def foreign(backup: Path) -> str:
    backup.unlink()
    with closing(sqlite3.connect(backup)) as connection:
        connection.execute("CREATE TABLE wine (name TEXT)")
    return "another program's"


def newer(backup: Path) -> str:
    with closing(sqlite3.connect(backup)) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_NUMBER + 1}")
    return "newer lugwatch"


def without_a_table(backup: Path) -> str:
    with closing(sqlite3.connect(backup, isolation_level=None)) as connection:
        connection.execute("DROP TABLE journal")
    return "lacks journal"


def without_a_column(backup: Path) -> str:
    with closing(sqlite3.connect(backup, isolation_level=None)) as connection:
        connection.execute("ALTER TABLE creep RENAME COLUMN verdict TO opinion")
    return r"lacks creep\.verdict"


def of_another_boat(backup: Path) -> str:
    with closing(sqlite3.connect(backup, isolation_level=None)) as connection:
        connection.execute("UPDATE boat SET slug = 'red-kite'")
    return 'of the boat "red-kite"'


def away(backup: Path) -> str:
    backup.unlink()
    return "no such file"


@pytest.mark.parametrize(
    "spoil",
    [
        spoil_middle,
        spoil_one_page,
        cut_short,
        of_zeros,
        foreign,
        newer,
        without_a_table,
        without_a_column,
        of_another_boat,
        away,
    ],
)
def test_a_backup_that_is_not_sound_changes_nothing(
    rig: Rig, spoil: object, capsys: pytest.CaptureFixture[str]
) -> None:
    words = spoil(rig.backup)  # type: ignore[operator]
    before = folder_state(rig.card)
    with pytest.raises(UserError, match=words):
        rig.restore()
    assert folder_state(rig.card) == before
    status, out, err = run(capsys, "restore", rig.backup, "--config", rig.config)
    assert status == 2 and out == "" and err.count("\n") == 1


def test_a_backup_of_an_older_version_is_brought_to_this_ones_tables(rig: Rig) -> None:
    old = rig.stick / "old.db"
    with closing(connect_writing(old, busy_seconds=0.0)) as connection:
        database = Database(connection, recursive_triggers=False, execute_plugins=False)
        migrations.apply(database, stop_before=migrations.pending(database)[1].name)
        connection.execute("PRAGMA user_version = 1")
        connection.execute("PRAGMA journal_mode = DELETE")
    before = old.read_bytes()
    restore(old, rig.database, clock=ManualClock())
    with closing(sqlite3.connect(rig.database)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_NUMBER,)
    assert count(rig.database) == 0
    assert old.read_bytes() == before


def test_another_programs_file_is_not_set_aside(rig: Rig) -> None:
    rig.database.write_text("Dear harbour master")
    before = folder_state(rig.card)
    with pytest.raises(UserError, match="not a database"):
        rig.restore()
    with pytest.raises(UserError, match="is the database itself"):
        restore(rig.database, rig.database, clock=ManualClock())
    assert folder_state(rig.card) == before


def test_while_a_watch_holds_the_database_it_is_refused(rig: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    with only_instance(rig.database):
        before = folder_state(rig.card)
        status, out, err = run(capsys, "restore", rig.backup, "--config", rig.config)
        assert status == 1 and out == "" and err.count("\n") == 1
        assert "already watches" in err and "stop it first" in err
        assert folder_state(rig.card) == before
    assert run(capsys, "restore", rig.backup, "--config", rig.config)[0] == 0


def test_a_watch_that_runs_is_a_watch_that_holds_it(rig: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    text = rig.config.read_text(encoding="utf-8").replace("[[probe]]", '[onewire]\npath = "w1"\n[[probe]]', 1)
    rig.config.write_text(text, encoding="utf-8")
    boots = "SELECT count(*) FROM boot"
    with Command("watch", "--config", rig.config) as watch:
        with closing(sqlite3.connect(rig.database)) as connection:
            until(lambda: connection.execute(boots).fetchone() == (3,))
        assert "already watches" in run(capsys, "restore", rig.backup, "--config", rig.config)[2]
        assert watch.stop() == 0
    assert run(capsys, "restore", rig.backup, "--config", rig.config)[0] == 0
    assert count(rig.database) == THEN


def test_a_reader_is_waited_for_and_one_that_stays_is_told(rig: Rig) -> None:
    with History.open(rig.database) as history:
        assert history.count_readings() == THEN + SINCE
        before = set(folder_state(rig.card))
        with pytest.raises(OperationFailed, match="another program has it open"):
            rig.restore()
        assert set(folder_state(rig.card)) == before
        assert history.count_readings() == THEN + SINCE

    class Leaves(ManualClock):
        def wait(self, event: object, seconds: float) -> bool:
            reader.close()
            return super().wait(event, seconds)  # type: ignore[arg-type]

    reader = History.open(rig.database)
    restore(rig.backup, rig.database, clock=Leaves())
    assert count(rig.database) == THEN


KILLED = """
import os, signal, sys
from pathlib import Path
from lugwatch.clock import SystemClock
from lugwatch.store import restoring
def die(*_): os.kill(os.getpid(), signal.SIGKILL)
backup, database, point = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
if point == "proving": restoring._prove = die
if point == "before": restoring._put_in_place = die
if point == "holding": restoring.aside_name, restoring._move_companions = restoring.aside_name, die
if point == "linked": Path.replace = die
if point == "after":
    def sync(path, real=restoring.sync_file): die() if path.is_dir() else real(path)
    restoring.sync_file = sync
restoring.restore(backup, database, clock=SystemClock())
"""


@pytest.mark.parametrize("point", ["proving", "before", "holding", "linked", "after"])
def test_killed_at_any_point_there_is_one_whole_database_the_one_or_the_other(rig: Rig, point: str) -> None:
    killed = subprocess.run(
        [sys.executable, "-c", KILLED, rig.backup, rig.database, point],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert killed.returncode == -signal.SIGKILL, killed.stderr
    assert count(rig.database) == (THEN if point == "after" else THEN + SINCE)
    with open_store(rig.database) as store:  # a watch begins as if nothing had been
        put(store, [reading(60.0, START_TIME + 20_000_000)])
    rig.restore()
    assert count(rig.database) == THEN
    # what was there before is never two names of one file that is written to
    assert not any(aside.samefile(rig.database) for aside in rig.asides())
    assert {count(aside) for aside in rig.asides()} == (
        {THEN + 1, THEN + SINCE} if point == "after" else {THEN + SINCE + 1}
    )
    assert not [name for name in folder_state(rig.card) if name.endswith(".restoring")]


def test_a_full_card_changes_nothing(
    tmp_path: Path, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = Rig(tmp_path, small_disk)
    with (small_disk / "ballast").open("wb", buffering=0) as file, pytest.raises(OSError):
        while True:
            file.write(bytes(4096))
    before = set(folder_state(small_disk))
    with pytest.raises(OperationFailed, match="no room"):
        rig.restore()
    monkeypatch.setattr(restoring, "need_room", lambda *_: None)  # somebody else was quicker
    with pytest.raises(OperationFailed, match="no room on its disk"):
        rig.restore()
    assert set(folder_state(small_disk)) == before
    (small_disk / "ballast").unlink()
    assert count(rig.database) == THEN + SINCE
    rig.restore()
    assert count(rig.database) == THEN


def test_a_read_only_card_changes_nothing(tmp_path: Path, small_disk: Path) -> None:
    rig = Rig(tmp_path, small_disk)
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    with pytest.raises(OperationFailed, match="may not be written"):
        rig.restore()
    with History.open(rig.database) as history:
        assert history.count_readings() == THEN + SINCE


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")
def test_what_root_puts_back_belongs_to_the_watch(rig: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    for path in (rig.card, rig.database):
        os.chown(path, 12345, 54321)
    rig.database.chmod(0o640)
    assert run(capsys, "restore", rig.backup, "--config", rig.config)[0] == 0
    for name in ("boat.db", "boat.db.lock"):
        found = (rig.card / name).stat()
        assert (found.st_uid, found.st_gid) == (12345, 54321), name
    assert rig.database.stat().st_mode & 0o777 == 0o640


def test_the_database_of_another_boat_is_put_back_by_name(
    rig: Rig, capsys: pytest.CaptureFixture[str]
) -> None:
    of_another_boat(rig.backup)
    status, out, _ = run(capsys, "restore", rig.backup, "--db", rig.database)
    assert status == 0 and "put back" in out
    assert run(capsys, "restore", rig.backup, "--db", rig.database, "--config", rig.config)[0] == 2
    assert count(rig.database) == THEN
