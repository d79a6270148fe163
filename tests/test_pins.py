"""The lists of deploy/pins: whole, of wheels with sums alone, and what the installer goes by. No network."""

import copy
import importlib.metadata
import importlib.util
import os
import re
import subprocess
import sys
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from pages import ROOT

DEPLOY = ROOT / "deploy"


def _loaded() -> ModuleType:
    spec = importlib.util.spec_from_file_location("pins", DEPLOY / "pins.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["pins"] = module
    spec.loader.exec_module(module)
    return module


pins = _loaded()
LISTS = {part: pins.read(part) for part in (pins.ALWAYS, *pins.PARTS)}


def test_the_lists_hold_all_that_is_asked_for_and_nothing_else() -> None:
    assert pins.faults(LISTS) == []
    assert {path.stem for path in pins.LISTS.glob("*.txt")} == set(LISTS)


def test_what_is_installed_here_needs_nothing_that_is_not_listed() -> None:
    """Another witness than the lists' own notes: the metadata of the packages that these tests run with."""
    seen = 0
    for part, listed in LISTS.items():
        whole = LISTS[pins.ALWAYS] | listed
        for name in listed:
            try:
                lines = importlib.metadata.requires(name) or []
            except importlib.metadata.PackageNotFoundError:
                continue
            seen += 1
            for one in map(Requirement, lines):
                if one.marker is None or one.marker.evaluate({"extra": ""}):
                    assert canonicalize_name(one.name) in whole, f"{part}: {name} needs {one}"
    assert seen >= 30


@pytest.mark.parametrize("part", LISTS)
def test_a_list_is_wheels_and_sums_and_names_no_place(part: str) -> None:
    text = (pins.LISTS / f"{part}.txt").read_text(encoding="utf-8")
    assert "://" not in text and not re.search(r"\b[a-z0-9-]+\.(?:org|com|net|io)\b", text)
    for line in text.splitlines():
        assert re.fullmatch(
            r"|#.*|[a-z0-9-]+==[0-9a-z.+]+(?: ; [a-z_]+ == \"[0-9a-z_.]+\")? \\"
            r"|    --hash=sha256:[0-9a-f]{64}(?: \\)?",
            line,
        ), line


def test_what_is_missing_is_said() -> None:
    def broken(name: str, **changes: object) -> list[str]:
        lists = copy.deepcopy(LISTS)
        if changes:
            for key, value in changes.items():
                setattr(lists[pins.ALWAYS][name], key, value)
        else:
            del lists[pins.ALWAYS][name]
        return list(pins.faults(lists))

    assert any("base: numpy is asked for and not pinned" in line for line in broken("numpy"))
    assert any("starlette, not pinned" in line for line in broken("starlette"))
    assert any("pinned to 1.0" in line for line in broken("numpy", version="1.0"))
    assert any("says no licence" in line for line in broken("numpy", licence="not said"))
    assert any("numpy: wheels for Python 3.13 on arm64" in line for line in broken("numpy", sums={}))


@pytest.mark.parametrize(
    ("wheel", "python", "machine", "runs"),
    [
        ("idna-3.20-py3-none-any.whl", "3.14", "armv7l", True),
        ("numpy-2.4.6-cp311-cp311-manylinux_2_27_x86_64.manylinux_2_28_x86_64.whl", "3.11", "x86_64", True),
        ("numpy-2.4.6-cp311-cp311-manylinux_2_27_x86_64.manylinux_2_28_x86_64.whl", "3.12", "x86_64", False),
        ("numpy-2.4.6-cp311-cp311-manylinux_2_27_x86_64.manylinux_2_28_x86_64.whl", "3.11", "aarch64", False),
        ("numpy-2.4.6-cp311-cp311-musllinux_1_2_aarch64.whl", "3.11", "aarch64", False),
        ("cffi-2.1.1-cp310-abi3-manylinux_2_28_aarch64.whl", "3.13", "aarch64", True),
        ("cffi-2.1.1-cp313-cp313t-manylinux_2_28_aarch64.whl", "3.13", "aarch64", False),
    ],
)
def test_where_a_wheel_runs(wheel: str, python: str, machine: str, runs: bool) -> None:
    """By the rules of the packaging user guide's platform compatibility tags."""
    pin = pins.Pin(name="x", version="1", licence="MIT", sums={wheel: "0" * 64})
    assert pin.covers(python, machine) is runs


def installs(*words: str) -> list[str]:
    done = subprocess.run(
        ["sh", DEPLOY / "install.sh", "--dry-run", *words],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    return [line for line in done.stdout.splitlines() if " -m pip " in line]


@pytest.mark.skipif(os.uname().machine not in pins.MUST, reason="no sums for this machine")
def test_the_installer_takes_what_is_listed_by_its_sums_and_nothing_beside() -> None:
    first, second, third = installs("--extras", "push,gpio")
    assert "--require-hashes --only-binary :all:" in first
    assert [re.sub(r".*/pins/", "", word) for word in first.split() if "/pins/" in word] == [
        "base.txt", "push.txt", "gpio.txt",
    ]  # fmt: skip
    assert "--no-deps" in second and second.endswith("[push,gpio]")
    assert third.endswith("pip check")
    assert not any("--require-hashes" in line for line in installs("--newest"))


def test_an_optional_part_without_a_list_is_refused_before_anything_is_done() -> None:
    done = subprocess.run(
        ["sh", DEPLOY / "install.sh", "--dry-run", "--extras", "bench"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1 and "no sums for the optional part bench" in done.stderr
