"""What holds for every test: the same cases on each run; and what many of them stand on."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from brokers import Mosquitto
from pages import built_page
from phones import Desk

settings.register_profile("same every time", derandomize=True, deadline=None)
settings.load_profile("same every time")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 64 MB: SQLite's log alone may take 8 MB before it is copied into the file."""
    folder = tmp_path / "card"
    folder.mkdir()
    mount = shutil.which("mount")
    if mount is None or os.geteuid() != 0:
        pytest.skip("only root can mount a small file system")
    made = subprocess.run(
        [mount, "-t", "tmpfs", "-o", "size=64m", "tmpfs", folder], capture_output=True, check=False
    )
    if made.returncode != 0:
        pytest.skip("mounting is not allowed here")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


@pytest.fixture(scope="session")
def built() -> Path:
    """The page's scripts and styles, built from web/ once."""
    return built_page()


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    """A real broker of this test alone."""
    with Mosquitto() as running:
        yield running


@pytest.fixture
def desk() -> Iterator[Desk]:
    """Publishers and phones, closed afterwards."""
    desk = Desk()
    yield desk
    desk.close()
