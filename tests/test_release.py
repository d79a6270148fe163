"""What is released: one command builds wheel, sdist and sums; they are whole and install without network."""

import hashlib
import os
import re
import shutil
import subprocess
import sys
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

import lugwatch
from pages import ROOT, build_hook, built_page

CHANGES = (ROOT / "deploy" / "CHANGELOG.md").read_text(encoding="utf-8")


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """What a clone has, with the page built, to release from or to spoil."""
    built_page()
    place = tmp_path / "clone"
    ignored = shutil.ignore_patterns("node_modules", "__pycache__")
    for name in ("daemon", "web", "deploy"):
        shutil.copytree(ROOT / name, place / name, ignore=ignored)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, place / name)
    return place


def release(clone: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    python = str(Path(sys.executable).parent)
    environment = {**os.environ, "PATH": python + os.pathsep + os.environ["PATH"]}
    return subprocess.run(
        ["sh", "deploy/release.sh", *words],
        cwd=clone, capture_output=True, text=True, timeout=500, check=False, env=environment,
    )  # fmt: skip


def test_versions_and_the_change_log_agree() -> None:
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert f'\nversion = "{lugwatch.__version__}"\n' in text
    headings = re.findall(r"^## (\S+?),? ", CHANGES, re.MULTILINE)
    assert headings and headings[0] == lugwatch.__version__
    assert len(headings) == len(set(headings))


def test_the_check_list_names_what_is_there() -> None:
    text = (ROOT / "deploy" / "release.md").read_text(encoding="utf-8")
    for path in re.findall(r"\b((?:deploy|tests|daemon)/[\w./-]+\w)", text):
        assert (ROOT / path).exists(), path
    numbers = [int(n) for n in re.findall(r"^(\d+)\. ", text, re.MULTILINE)]
    assert numbers == list(range(1, len(numbers) + 1)) and len(numbers) >= 8


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("daemon/lugwatch/__init__.py", lugwatch.__version__, "9.9.9", "make them one"),
        ("deploy/CHANGELOG.md", f"## {lugwatch.__version__}", "## 0.0.1", "say what is new"),
        (f"dist/lugwatch-{lugwatch.__version__}.tar.gz", "", "old", "an earlier build"),
    ],
)
def test_what_is_not_ready_is_one_line_and_builds_nothing(
    clone: Path, file: str, old: str, new: str, said: str
) -> None:
    path = clone / file
    path.parent.mkdir(exist_ok=True)
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    path.write_text(text.replace(old, new) if old else new, encoding="utf-8")
    done = release(clone)
    assert done.returncode == 2 and said in done.stderr and done.stderr.count("\n") == 1
    assert not list(clone.glob("dist/*.whl"))


@pytest.mark.slow
def test_one_command_builds_what_installs_without_network_and_is_whole(clone: Path, tmp_path: Path) -> None:
    done = release(clone, "--out", str(tmp_path / "out"))
    assert done.returncode == 0, done.stderr
    wheel = tmp_path / "out" / f"lugwatch-{lugwatch.__version__}-py3-none-any.whl"
    sdist = tmp_path / "out" / f"lugwatch-{lugwatch.__version__}.tar.gz"
    sums = (tmp_path / "out" / "SHA256SUMS").read_text(encoding="ascii")
    for path in (wheel, sdist):
        assert f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}\n" in sums
    assert sums == done.stdout

    # into a fresh environment's target, with no index to ask: not one byte comes from elsewhere
    venv.create(tmp_path / "venv", with_pip=True)
    target = tmp_path / "target"
    subprocess.run(
        [tmp_path / "venv/bin/python", "-m", "pip", "install", "--quiet", "--no-index", "--no-deps",
         "--target", target, wheel],
        check=True, timeout=120,
    )  # fmt: skip
    sources = {p.relative_to(ROOT / "daemon") for p in (ROOT / "daemon").rglob("*.py")}
    installed = {p.relative_to(target) for p in target.rglob("*") if p.is_file()}
    assert sources <= installed and Path("lugwatch/py.typed") in installed
    built = Path("lugwatch/dashboard/built")
    assert {built / name for name in build_hook().BUILT} <= installed
    assert (target / built / "stamp.txt").read_text() == (ROOT / "daemon" / built / "stamp.txt").read_text()
    with zipfile.ZipFile(wheel) as archive:
        assert any(name.endswith("licenses/LICENSE") for name in archive.namelist())
    # what stands there runs, with the libraries of this machine
    environment = {**os.environ, "PYTHONPATH": str(target)}
    said = subprocess.run(
        [sys.executable, "-m", "lugwatch", "--version"],
        cwd=tmp_path, env=environment, capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert lugwatch.__version__ in said.stdout

    with tarfile.open(sdist) as archive:
        names = {name.split("/", 1)[1] for name in archive.getnames() if "/" in name}
    assert {"LICENSE", "README.md", "pyproject.toml", "web/package-lock.json", "web/build_hook.py"} <= names
    assert not any("node_modules" in name for name in names)

    again = release(clone, "--out", str(tmp_path / "again"))
    assert again.returncode == 0, again.stderr
    assert (tmp_path / "again" / "SHA256SUMS").read_text(encoding="ascii") == sums, (
        "the same sources, the same files"
    )
