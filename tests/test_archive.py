"""Backups in a folder: numbered, checked, so many kept, never at the cost of the watch or of another file."""

import fcntl
import os
import signal
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from backups import HOUR, SLUG, Rig, run, whole
from histories import START_TIME, open_store, put, reading
from lugwatch.errors import OperationFailed, UserError
from lugwatch.store import archive, disks
from lugwatch.store.backup_note import (
    note_path,
    read_backup_state,
)
from processes import until


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    (tmp_path / "stick").mkdir()
    return Rig(tmp_path, tmp_path / "stick")


def test_the_newest_are_kept_each_with_its_configuration_whatever_the_clock_says(rig: Rig) -> None:
    made = []
    for number in range(5):
        rig.config.write_text(rig.config.read_text(encoding="utf-8") + f"# {number}\n", encoding="utf-8")
        made.append(rig.back_up())
        with open_store(rig.database) as store:  # labels jump about, boots count on
            put(store, [reading(21.0, START_TIME - number * 24 * HOUR)], time=START_TIME - number * 24 * HOUR)
    assert [m.removed for m in made] == [0, 0, 0, 1, 1]
    names = rig.names()
    assert [name.split("-")[2] for name in names] == [f"{n:06d}" for n in (3, 3, 4, 4, 5, 5)]
    assert {Path(name).suffix for name in names} == {".db", ".toml"}
    assert [name.split("-")[3] for name in names if name.endswith(".db")] == ["boot3", "boot4", "boot5"]
    assert made[4].path.with_suffix(".toml").read_text(encoding="utf-8").endswith("# 3\n# 4\n")
    assert whole(made[4].path) > whole(made[2].path)


def test_other_files_in_the_folder_are_nobodys_business(rig: Rig) -> None:
    theirs = {
        "letter.txt": "Dear harbour master",
        "grey-plover-2-000009-boot1-20260528.db": "another boat's",
        "grey-plover-000001.db": "named by hand",
    }
    for name, text in theirs.items():
        (rig.stick / name).write_text(text)
    for _ in range(5):
        rig.back_up()
    assert {name: (rig.stick / name).read_text() for name in theirs} == theirs
    assert len(rig.names()) == 3 + 2 * 3


def test_a_writer_in_a_thread_is_never_held_up_and_the_copy_is_of_one_moment(rig: Rig) -> None:
    """Each step of the copy waits until the writer has committed again: a step that blocked it would hang."""
    stop, written, failures = threading.Event(), [0], list[Exception]()

    def write() -> None:
        try:
            with open_store(rig.database) as store:
                while not stop.is_set():
                    time = START_TIME + HOUR + written[0] * 1000
                    put(store, [reading(30.0, time), reading(31.0, time + 1)], time=time)
                    written[0] += 1
        except (sqlite3.Error, OperationFailed) as error:
            failures.append(error)

    writer = threading.Thread(target=write)
    steps: list[int] = []

    def progress(done: int, _total: int) -> None:
        steps.append(done)
        before = written[0]
        until(lambda: failures or written[0] > before + 1, every_seconds=0.005)

    with open_store(rig.database) as store:
        for n in range(40):
            put(store, [reading(20.0 + i % 13 / 7, START_TIME + i, "air") for i in range(n, n + 2000)])
    writer.start()
    try:
        until(lambda: written[0] > 3)
        made = archive.make(rig.settings, rig.database, rig.config, SLUG, progress)
    finally:
        stop.set()
        writer.join(30.0)
    assert not failures and len(steps) >= 3 and steps == sorted(set(steps))
    with closing(sqlite3.connect(made.path)) as copy, closing(sqlite3.connect(rig.database)) as now:
        last = "SELECT max(batch_id) FROM batch"
        copied, all_written = copy.execute(last).fetchone()[0], now.execute(last).fetchone()[0]
    assert copied < all_written - 2 * (len(steps) - 1)  # nothing of what came while it was made
    assert whole(made.path) % 2 == whole(rig.database) % 2 == 0  # never half a batch


KILLED = """
import os, signal, sys
from pathlib import Path
from lugwatch import config
from lugwatch.store import archive, backup
def die(*_): os.kill(os.getpid(), signal.SIGKILL)
point = sys.argv[2]
steps = []
def progress(done, total):
    steps.append(done)
    if point == "copying" and done < total and len(steps) == 2: die()
backup._STEP_PAGES = 8
if point == "checking": backup.check_copy = die
if point == "naming": Path.chmod = die
if point == "removing": archive._forget = die
c = config.load(Path(sys.argv[1]))
archive.make(c.archive, c.database, c.path, c.boat.slug, progress)
"""


@pytest.mark.parametrize("point", ["copying", "checking", "naming", "removing"])
def test_killed_at_any_point_there_is_no_half_backup_and_the_next_one_clears_up(rig: Rig, point: str) -> None:
    first = rig.back_up()
    killed = subprocess.run(
        [sys.executable, "-c", KILLED, rig.config, point], capture_output=True, text=True, check=False
    )
    assert killed.returncode == -signal.SIGKILL, killed.stderr
    left = rig.names()
    assert any(name.endswith(".partial") for name in left) == (point != "removing")
    for kept in archive.backups(rig.stick, SLUG):
        assert whole(kept.path) == 3000
    assert len(archive.backups(rig.stick, SLUG)) == (2 if point == "removing" else 1)
    with open_store(rig.database) as store:  # and the database goes on
        put(store, [reading(22.0, START_TIME + HOUR)])
    made = rig.back_up()
    assert whole(made.path) == 3001 and whole(first.path) == 3000
    assert not any(".partial" in name for name in rig.names())
    assert {Path(n).stem for n in rig.names() if n.endswith(".toml")} == {
        Path(n).stem for n in rig.names() if n.endswith(".db")
    }


def test_a_full_disk_is_one_line_and_keeps_what_is_there(
    tmp_path: Path, small_disk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = Rig(tmp_path, small_disk)  # `card` and the folder for backups are one small file system
    first = rig.back_up()
    ballast = small_disk / "ballast"
    with ballast.open("wb") as file:
        file.truncate(0)
        while disks.shutil.disk_usage(small_disk).free > 64 * 1024:
            file.write(bytes(16 * 1024))
            file.flush()
    before = rig.names()
    status, out, err = run(capsys, "backup", "--config", rig.config)
    assert status == 1 and out == "" and err.count("\n") == 1 and "no room" in err
    assert rig.names() == before and whole(first.path) == 3000
    assert "no room" in str(read_backup_state(rig.database).trouble) or not note_path(rig.database).exists()


def test_a_disk_that_fills_up_while_it_is_copied_to(
    tmp_path: Path, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "elsewhere").mkdir()
    rig = Rig(tmp_path / "elsewhere", small_disk)
    with (small_disk / "ballast").open("wb", buffering=0) as file, pytest.raises(OSError):
        while True:
            file.write(bytes(4096))
    os.truncate(small_disk / "ballast", disks.shutil.disk_usage(small_disk).used - 100 * 1024)
    monkeypatch.setattr(archive, "need_room", lambda *_: None)  # somebody else was quicker
    with pytest.raises(OperationFailed, match="no room on its disk"):
        rig.back_up()
    assert rig.names() == ["ballast"]


def test_a_read_only_disk_is_one_line(
    tmp_path: Path, small_disk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "elsewhere").mkdir()
    rig = Rig(tmp_path / "elsewhere", small_disk)
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    status, out, err = run(capsys, "backup", "--config", rig.config)
    assert status == 1 and out == "" and err.count("\n") == 1
    assert "may not be written (Read-only file system)" in err
    assert "may not be written" in str(read_backup_state(rig.database).trouble)


def test_a_folder_that_is_not_there_is_one_line_and_is_not_made(
    rig: Rig, capsys: pytest.CaptureFixture[str]
) -> None:
    for folder, words in ((rig.stick / "no", "no such folder"), (rig.config, "is a file")):
        status, out, err = run(capsys, "backup", "--config", rig.config, "--to", folder)
        assert status == 2 and out == "" and err.count("\n") == 1 and words in err
    assert rig.names() == []


def test_two_backups_at_once_are_refused(rig: Rig) -> None:
    handle = os.open(rig.stick, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        with pytest.raises(OperationFailed, match="another backup"):
            rig.back_up()
    finally:
        os.close(handle)
    assert rig.back_up().path.exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["--db", "boat.db"],
        ["--out", "boat.db"],
        ["--db", "boat.db", "--out", "x.db", "--keep", "3"],
        ["--keep", "0"],
    ],
)
def test_options_that_do_not_fit_are_one_line(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run(capsys, "backup", *arguments)
    assert status == 2 and out == "" and err.count("\n") == 1


def test_a_database_that_is_not_there(rig: Rig) -> None:
    rig.database.unlink()
    with pytest.raises(UserError, match="no such file"):
        rig.back_up()
    assert rig.names() == []


def test_a_file_system_without_modes_takes_backups_all_the_same(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT, as on most sticks: chmod is refused (mount(8), options of fat: `quiet`)."""

    def refuses(_path: Path, _mode: int) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "chmod", refuses)
    assert whole(rig.back_up().path) == 3000


def test_another_folder_for_once_is_no_trouble_of_the_usual_one(
    rig: Rig, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(capsys, "backup", "--config", rig.config, "--to", rig.stick / "no")[0] == 2
    assert read_backup_state(rig.database).trouble is None
