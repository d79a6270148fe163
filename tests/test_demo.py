"""The demo as a newcomer starts it: it tells its story, ends by itself, and leaves nothing behind."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lugwatch.store.queries import History


def processes_that_mention(text: str) -> list[str]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            try:
                command = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
            except OSError:
                continue
            if text in command:
                found.append(command)
    return found


@pytest.mark.slow
def test_the_demo_warns_of_a_warming_joint_and_leaves_nothing_behind(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "lugwatch", "demo", "--speed", "200", "--no-browser", "--for", "60",
         "--port", "0", "--dir", str(folder)],
        capture_output=True, text=True, timeout=150, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert time.monotonic() - started < 110
    assert "caution raised: Bus bar, alternator stud" in done.stdout
    assert "warning worsened: Bus bar, alternator stud" in done.stdout
    with History.open(folder / "lugwatch.db") as history:
        alerts = history.alerts()
        passages = history.passages()
        assert len(history.latest_readings()) == 18
        # two passages before: what carries something on each passage is known for good
        stages = {learned.joint: learned.stage for learned in reversed(history.learned_shapes())}
        assert stages["bar_alternator"] == 3
    # nobody else is accused
    assert {alert.joint for alert in alerts} == {"bar_alternator"}
    assert [p.end_time is None for p in passages] == [False, False, True], "the third is under way"
    assert processes_that_mention(str(folder)) == []
    assert not list((folder).glob("dev/*"))


@pytest.mark.slow
def test_a_folder_that_holds_a_history_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "lugwatch.db").write_bytes(b"somebody's history")
    done = subprocess.run(
        [sys.executable, "-m", "lugwatch", "demo", "--no-browser", "--for", "5", "--dir", str(tmp_path)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("lugwatch: ") and done.stderr.count("\n") == 1
    assert (tmp_path / "lugwatch.db").read_bytes() == b"somebody's history"
