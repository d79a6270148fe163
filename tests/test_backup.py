"""A backup is whole, of one moment, and never at the cost of another file."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from histories import START_TIME, alert, change, folder_state, open_store, put, reading
from lugwatch.errors import OperationFailed, UserError
from lugwatch.store import backup as backup_room
from lugwatch.store.backup import backup
from lugwatch.store.queries import History

MANY = 200_000


def test_a_copy_made_while_the_daemon_writes_is_of_one_moment(tmp_path: Path) -> None:
    path, out = tmp_path / "boat.db", tmp_path / "copy.db"
    heard: list[tuple[int, int]] = []
    with open_store(path) as store:
        put(store, [reading(20.0, START_TIME + i) for i in range(MANY)])

        def progress(done: int, total: int) -> None:
            heard.append((done, total))
            put(store, [reading(21.0, START_TIME + MANY + len(heard)), change(len(heard), alert())])

        backup(path, out, progress)
        assert len(heard) >= 2  # the copy did not start over with every commit
    assert [done for done, _ in heard] == sorted({done for done, _ in heard})
    assert heard[-1][0] == heard[-1][1]
    with History.open(out) as history:
        assert history.count_readings() == MANY
        assert history.alerts() == []
    with History.open(path) as history:
        assert history.count_readings() == MANY + len(heard)


def test_a_copy_holds_what_is_still_in_the_wal_and_is_one_file(tmp_path: Path) -> None:
    """C41: copying the main file alone lacked the last hours."""
    folder = tmp_path / "card"
    folder.mkdir()
    with open_store(tmp_path / "boat.db") as store:
        put(store, [reading(20.0)])
        backup(store.path, folder / "copy.db")
    assert folder_state(folder).keys() == {"copy.db"}
    with closing(sqlite3.connect(folder / "copy.db")) as copy:
        assert copy.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert copy.execute("SELECT count(*) FROM reading").fetchone() == (1,)


def test_an_earlier_backup_is_replaced_and_goes_on_as_a_database(tmp_path: Path) -> None:
    out = tmp_path / "copy.db"
    with open_store(tmp_path / "boat.db") as store:
        backup(store.path, out)
        put(store, [reading(20.0)])
        backup(store.path, out)
    with open_store(out) as store, History.open(out) as history:
        put(store, [reading(21.0, START_TIME + 1)])
        assert history.count_readings() == 2


@pytest.mark.parametrize(
    ("out", "words"),
    [
        ("boat.db", "is the database itself"),
        ("link.db", "is the database itself"),
        ("letter.txt", "is not a database"),
        ("wine.db", "another program's"),
        (".", "is a folder"),
        ("no/copy.db", "make it first"),
    ],
)
def test_no_other_file_is_overwritten(tmp_path: Path, out: str, words: str) -> None:
    open_store(tmp_path / "boat.db").close()
    (tmp_path / "link.db").symlink_to("boat.db")
    (tmp_path / "letter.txt").write_text("Dear harbour master")
    with closing(sqlite3.connect(tmp_path / "wine.db")) as connection:
        connection.execute("CREATE TABLE wine (name TEXT)")
    before = folder_state(tmp_path)
    with pytest.raises(UserError, match=words):
        backup(tmp_path / "boat.db", tmp_path / out)
    assert folder_state(tmp_path) == before


@pytest.mark.parametrize("make", ["nothing", "foreign"])
def test_only_our_database_is_copied(tmp_path: Path, make: str) -> None:
    if make == "foreign":
        (tmp_path / "boat.db").write_text("Dear harbour master")
    before = folder_state(tmp_path)
    with pytest.raises(UserError):
        backup(tmp_path / "boat.db", tmp_path / "copy.db")
    assert folder_state(tmp_path) == before


def test_a_copy_that_fails_leaves_the_earlier_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(_path: Path) -> None:
        raise OSError(28, "No space left on device")

    with open_store(tmp_path / "boat.db") as store:
        backup(store.path, tmp_path / "copy.db")
        put(store, [reading(20.0)])
        store.checkpoint()
        before = folder_state(tmp_path)
        monkeypatch.setattr(backup_room, "sync_file", fails)
        with pytest.raises(OperationFailed, match="No space left"):
            backup(store.path, tmp_path / "copy.db")
        assert folder_state(tmp_path) == before


def test_a_damaged_database_is_not_passed_on_as_a_good_copy(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [reading(20.0, START_TIME + i) for i in range(5000)])
    whole = bytearray(path.read_bytes())
    middle = (len(whole) // 4096 // 2 + 15) * 4096
    whole[middle : middle + 4096] = b"\x55" * 4096
    path.write_bytes(whole)
    with pytest.raises((OperationFailed, UserError), match="damaged"):
        backup(path, tmp_path / "copy.db")
    assert not [name for name in folder_state(tmp_path) if name.startswith((".copy", "copy"))]
