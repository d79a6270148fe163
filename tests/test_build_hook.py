"""The build of the page: names no registry, does nothing twice, fails clearly, and the wheel carries it."""

import json
import os
import shutil
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import create_app
from pages import ROOT, InProcess, build_hook, built_page

HOOK = build_hook()


def test_lock_names_no_registry_and_pins_everything() -> None:
    text = (ROOT / "web" / "package-lock.json").read_text(encoding="utf-8")
    packages = json.loads(text)["packages"]
    assert all("resolved" not in package for package in packages.values())
    assert all(package.get("integrity") for name, package in packages.items() if name)
    assert "://" not in "".join(
        json.dumps({k: v for k, v in p.items() if k != "funding"}) for p in packages.values()
    )
    asked = json.loads((ROOT / "web" / "package.json").read_text(encoding="utf-8"))["devDependencies"]
    for name, version in asked.items():
        assert packages[f"node_modules/{name}"]["version"] == version


def test_built_assets_are_served(tmp_path: Path) -> None:
    built_page()
    client = InProcess(create_app(tmp_path / "none.db", ManualClock()))
    page = client.get("/").text
    for name in ("page.js", "look.js", "page.css", "mark.svg"):
        assert f"/built/{name}?v=" in page
        assert client.get(f"/built/{name}").status_code == 200
    assert "uPlot" not in page


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A source tree with a built page, to spoil."""
    built_page()
    for part in ("web", "daemon/lugwatch/dashboard/built"):
        shutil.copytree(ROOT / part, tmp_path / part, ignore=shutil.ignore_patterns("node_modules"))
    return tmp_path


def never(*_: object, **__: object) -> subprocess.CompletedProcess[str]:
    raise AssertionError("npm was called")


def test_fresh_page_is_not_built_again(copy: Path) -> None:
    assert HOOK.build(copy, run=never) is False


@pytest.mark.parametrize(
    "spoil", ["web/scripts/words.js", "web/style/page.css", "web/templates/now.html", "web/package-lock.json"]
)
def test_a_changed_source_makes_it_stale(copy: Path, spoil: str) -> None:
    path = copy / spoil
    path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert HOOK.is_fresh(copy / "web", HOOK.built_folder(copy)) is False


@pytest.mark.parametrize("lost", ["page.js", "stamp.txt", "templates/now.html"])
def test_a_half_built_page_is_stale(copy: Path, lost: str) -> None:
    (HOOK.built_folder(copy) / lost).unlink()
    assert HOOK.is_fresh(copy / "web", HOOK.built_folder(copy)) is False


def test_a_failing_npm_is_one_line_and_leaves_the_old_page(copy: Path) -> None:
    (copy / "web" / "style" / "page.css").write_text("body{}", encoding="utf-8")

    def failing(command: list[str], **_: object) -> subprocess.CompletedProcess[str]:
        if command[-1] == "--version":
            return subprocess.CompletedProcess(command, 0, "v20.0.0\n", "")
        return subprocess.CompletedProcess(command, 1, "", "npm error code ENOTFOUND\nnpm error more\n")

    with pytest.raises(HOOK.BuildFailed, match=r"ENOTFOUND.*registry") as caught:
        HOOK.build(copy, run=failing)
    assert "\n" not in str(caught.value)
    assert (HOOK.built_folder(copy) / "page.js").is_file()


def test_no_node_at_all_is_one_line(tmp_path: Path) -> None:
    assert HOOK.node_is_usable({"PATH": str(tmp_path)}) is False


@pytest.mark.parametrize(
    ("answer", "usable"), [("v22.1.0\n", True), ("v18.0.0\n", True), ("v12.22.9\n", False), ("what\n", False)]
)
def test_an_old_node_is_no_node(tmp_path: Path, answer: str, usable: bool) -> None:
    for name in ("node", "npm"):
        (tmp_path / name).write_text("#!/bin/sh\n", encoding="utf-8")
        (tmp_path / name).chmod(0o755)

    def telling(command: list[str], **_: object) -> subprocess.CompletedProcess[str]:
        return subprocess.CompletedProcess(command, 0, answer, "")

    assert HOOK.node_is_usable({"PATH": str(tmp_path)}, telling) is usable


@pytest.mark.slow
def test_a_wheel_made_without_node_carries_the_page(tmp_path: Path) -> None:
    source = tmp_path / "source"
    source.mkdir()
    for name in ("daemon", "web"):
        ignored = shutil.ignore_patterns("node_modules", "built", "__pycache__")
        shutil.copytree(ROOT / name, source / name, ignore=ignored)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source / name)
    venv.create(tmp_path / "venv", with_pip=True)
    python = tmp_path / "venv" / "bin" / "python"
    tools = tmp_path / "tools"
    tools.mkdir()
    for tool in ("sh", "env", "uname"):
        found = shutil.which(tool)
        assert found is not None
        (tools / tool).symlink_to(found)
    environment = {**os.environ, "PATH": str(tools)}
    assert HOOK.node_is_usable(environment) is False
    done = subprocess.run(
        [python, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", tmp_path, source],
        capture_output=True, text=True, env=environment, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (wheel,) = tmp_path.glob("lugwatch-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    for name in ("page.js", "look.js", "page.css", "mark.svg", "stamp.txt", "templates/now.html"):
        assert f"lugwatch/dashboard/built/{name}" in names
    assert not any("node_modules" in name or name.startswith("web/") for name in names)


def test_by_hand(capfd: pytest.CaptureFixture[str]) -> None:
    built_page()
    subprocess.run([sys.executable, ROOT / "web" / "build_hook.py"], check=True, timeout=120)
    assert "already fresh" in capfd.readouterr().out
