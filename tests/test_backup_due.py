"""When a backup is made by itself, onto which disk, and what is known of the last one."""

import json
import os
from pathlib import Path

import pytest

from backups import CONFIG, HOUR, Rig, run
from histories import START_TIME, open_store, put, reading
from lugwatch.keeping import Archive
from lugwatch.store import archive, disks
from lugwatch.store.backup_note import (
    BackupNote,
    known_backup,
    note_path,
    read_backup_state,
    write_backup_note,
    write_backup_trouble,
)


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    (tmp_path / "stick").mkdir()
    return Rig(tmp_path, tmp_path / "stick")


def test_on_the_same_disk_there_is_a_caution_and_the_backup_all_the_same(
    rig: Rig, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run(capsys, "backup", "--config", rig.config)
    assert status == 0 and "checked, the configuration beside it" in out
    assert err.startswith("caution: ") and "same disk" in err and err.count("\n") == 1


def test_another_disk_needs_no_caution(tmp_path: Path, small_disk: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    assert Rig(tmp_path / "elsewhere", small_disk).back_up().cautions == ()


def test_two_partitions_of_one_card_are_one_disk(tmp_path: Path) -> None:
    """A tree as under /sys/dev/block: a link for each device, `partition` in the folder of each partition."""
    device = tmp_path.stat().st_dev
    block = tmp_path / "devices" / "mmcblk0" / "mmcblk0p2"
    block.mkdir(parents=True)
    link = tmp_path / f"{os.major(device)}:{os.minor(device)}"
    link.symlink_to(block)
    assert disks.disk_of(tmp_path, tmp_path) == str(block)  # a whole disk without partitions
    (block / "partition").write_text("2\n")
    assert disks.disk_of(tmp_path, tmp_path) == str(block.parent)
    assert disks.disk_of(tmp_path, tmp_path / "nothing") == f"device {device}"


def test_daily_by_the_labels_of_the_history(tmp_path: Path, small_disk: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    rig = Rig(tmp_path / "elsewhere", small_disk)
    assert archive.is_due(rig.settings, rig.database)
    rig.back_up()
    assert not archive.is_due(rig.settings, rig.database)
    rig.grow(22.0)
    assert not archive.is_due(rig.settings, rig.database)
    assert known_backup(rig.database, 0).age_seconds == pytest.approx(22 * 3600.0)  # a machine in 1970
    rig.grow(1.5)
    assert archive.is_due(rig.settings, rig.database)
    rig.back_up()
    assert not archive.is_due(rig.settings, rig.database)
    elsewhere = tmp_path / "another"
    elsewhere.mkdir()
    assert archive.is_due(Archive(folder=elsewhere), rig.database)


def test_a_clock_that_is_set_right_makes_no_backup_due_and_no_age_wrong(rig: Rig) -> None:
    with open_store(rig.database) as store:
        put(store, [reading(20.0, START_TIME + HOUR)], time=START_TIME + HOUR)
        rig.back_up()
        put(store, [reading(20.0, START_TIME + 2 * HOUR)], time=START_TIME + 2 * HOUR)
        store.set_right(START_TIME, START_TIME + 2 * HOUR, 40 * 24 * HOUR)
    assert known_backup(rig.database, 0).age_seconds == pytest.approx(3600.0)
    assert not archive.is_due(rig.settings, rig.database)


def test_an_age_that_cannot_be_known_is_none_and_one_backup_too_many_is_made(rig: Rig) -> None:
    far = START_TIME + 400 * 24 * HOUR
    write_backup_note(rig.database, BackupNote(time=far, file=str(rig.stick / "x.db"), size_bytes=1))
    assert known_backup(rig.database, START_TIME).age_seconds is None
    assert archive.is_due(rig.settings, rig.database)


def test_the_timers_question(
    tmp_path: Path, small_disk: Path, capsys: pytest.CaptureFixture[str], rig: Rig
) -> None:
    # `card` is a disk of its own here, with an empty folder on it on which nothing is mounted
    rig.stick = small_disk / "backup"
    rig.stick.mkdir()
    rig.config.write_text(CONFIG.format(folder=rig.stick), encoding="utf-8")
    status, out, err = run(capsys, "backup", "--config", rig.config, "--if-due")
    assert (status, err) == (0, "") and "nothing is mounted there" in out
    assert rig.names() == []
    since = read_backup_state(rig.database)
    assert since.last is None and since.trouble in out
    note = note_path(rig.database).read_bytes()
    run(capsys, "backup", "--config", rig.config, "--if-due")
    assert note_path(rig.database).read_bytes() == note  # the card is not worn with what is known
    rig.config.write_text(CONFIG.format(folder=tmp_path / "stick"), encoding="utf-8")
    status, out, _ = run(capsys, "backup", "--config", rig.config, "--if-due")
    assert status == 0 and "checked" in out
    known = known_backup(rig.database, 0)
    assert known.state.trouble is None and known.age_seconds == 0.0
    status, out, _ = run(capsys, "backup", "--config", rig.config, "--if-due")
    assert status == 0 and "nothing to do" in out
    rig.config.write_text(CONFIG.format(folder=tmp_path / "stick").replace("keep = 3", "daily = false"))
    status, out, _ = run(capsys, "backup", "--config", rig.config, "--if-due")
    assert status == 0 and "daily is false" in out
    assert len(list((tmp_path / "stick").iterdir())) == 2


def test_trouble_keeps_what_is_known_of_the_last(rig: Rig) -> None:
    last = rig.back_up()
    write_backup_trouble(rig.database, "the stick is away", START_TIME)
    write_backup_trouble(rig.database, "the stick is away", START_TIME + HOUR)
    state = read_backup_state(rig.database)
    assert state.last is not None and state.last.file == str(last.path)
    assert (state.trouble, state.trouble_time) == ("the stick is away", START_TIME)
    note_path(rig.database).write_text(json.dumps({"time": "x", "file": 1}), encoding="utf-8")
    assert read_backup_state(rig.database).last is None


def test_no_folder_anywhere_is_said_with_what_to_do(rig: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    text = rig.config.read_text(encoding="utf-8")
    head, tail = text.split("[backup]")
    rig.config.write_text(head + tail[tail.index("[[probe]]") :], encoding="utf-8")
    status, _, err = run(capsys, "backup", "--config", rig.config)
    assert status == 2 and "--to" in err and "[backup] folder" in err
    status, out, _ = run(capsys, "backup", "--config", rig.config, "--to", rig.stick, "--keep", "1")
    assert status == 0 and "checked" in out
    status, out, _ = run(capsys, "check", "--config", rig.config)
    assert status == 0 and "backups: none by itself" in out and "last: " in out


def test_check_tells_where_backups_go(rig: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    rig.back_up()
    status, out, _ = run(capsys, "check", "--config", rig.config)
    assert status == 0 and f"backups: one a day into {rig.stick}, the newest 3 are kept" in out
    assert "none can be made now" in out and "last: 2026-" in out
