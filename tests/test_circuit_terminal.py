"""The circuit is asked for on a terminal: left with Ctrl-C or a kill, and gone on with."""

import os
import select
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

import lugwatch
from circuit_files import TWO
from lugwatch import config
from lugwatch.cli.circuit_answers import read_answers
from lugwatch.cli.circuit_desk import Desk
from lugwatch.cli.main import commands
from lugwatch.errors import UserError
from lugwatch.model import Part, PartKind
from lugwatch.simulator.onewire_tree import OneWireTree, address

PATIENCE_SECONDS = 30.0
# the terminal becomes its own, and Ctrl-C is heard, which a background job's shell may have switched off
BEGIN = """
import fcntl, signal, sys, termios
signal.signal(signal.SIGINT, signal.default_int_handler)
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
from lugwatch.cli import main
main(sys.argv[1:])
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "lugwatch.toml"
    path.write_text(TWO, encoding="utf-8")
    return path


class Terminal:
    """The command behind a pseudo-terminal; `asks` waits for its next question."""

    def __init__(self, *words: str | Path, folder: Path) -> None:
        self.fd, near = os.openpty()
        self.child = subprocess.Popen(
            [sys.executable, "-c", BEGIN, *map(str, words)],
            stdin=near, stdout=near, stderr=near, cwd=folder, start_new_session=True,
            env={**os.environ, "PYTHONPATH": str(Path(lugwatch.__file__).parent.parent)},
        )  # fmt: skip
        os.close(near)
        self.said = ""

    def asks(self, leaving: bool = False) -> str:
        """All since the last answer, up to the next question; at the end what was left to say.

        leaving: Ctrl-C is pressed again when nothing comes of it: one that falls between a question and the
        reading of its answer is only heard with the next key.
        """
        said, patience = b"", 10
        while not said.endswith(b"]: "):
            ready, _, _ = select.select([self.fd], [], [], PATIENCE_SECONDS / 10)
            if not ready:
                patience -= 1
                assert patience, said
                if leaving:
                    os.write(self.fd, b"\x03")
                continue
            try:
                more = os.read(self.fd, 4096)
            except OSError:  # how a pseudo-terminal says that nobody is there any more
                more = b""
            if not more:
                break
            said += more
        self.said = said.decode(errors="replace").replace("\r", "")
        return self.said

    def leave(self) -> str:
        os.write(self.fd, b"\x03")
        return self.asks(leaving=True)

    def type(self, text: str | bytes) -> str:
        os.write(self.fd, text.encode() + b"\n" if isinstance(text, str) else text)
        return self.asks()

    def end(self) -> int:
        return self.child.wait(PATIENCE_SECONDS)


@contextmanager
def terminal(*words: str | Path, folder: Path) -> Iterator[Terminal]:
    at = Terminal(*words, folder=folder)
    try:
        yield at
    finally:
        at.child.kill()
        at.child.wait()
        os.close(at.fd)


def test_it_is_left_with_ctrl_c_and_gone_on_with_until_it_is_written(path: Path) -> None:
    answers = path.with_name("lugwatch.toml.answers")
    with terminal("circuit", folder=path.parent) as at:
        assert "Battery banks" in at.asks() and "[House bank]" in at.said
        assert "Fuses" in at.type("")
        refused = at.type('Class T, "')
        assert refused.count("\n") == 2 and "quotation mark" in refused and "Fuses" in refused
        assert "Isolators" in at.type("Class T, \u00c5sa's fuse")
        assert "they wait" not in at.said and "as a comment" in at.type("?")
        # which of the two depends on the locale
        odd = at.type(b"\xff\xfe\n")
        assert "once more" in odd or "is no name" in odd
        left = at.leave()
        assert "2 answers are kept" in left and "goes on" in left
        assert at.end() == 130
    assert path.read_text() == TWO
    assert tomllib.loads(answers.read_text())["parts"] == {
        "battery": ["House bank"], "fuse": ["Class T", "\u00c5sa's fuse"],
    }  # fmt: skip
    with terminal("circuit", folder=path.parent) as at:
        assert "Going on with 2 answers" in at.asks() and "Isolators" in at.said
        for typed in ("-", "-", "Bar", "-", "-", "-", "-"):
            at.type(typed)
        assert "Anything else" in at.said
        assert "1 House bank   2 Class T" in at.type("-") and "(probe_1) [-]" in at.said
        assert '"9" is no part' in at.type("9")
        at.type("2")
        assert "(probe_1) [-]" in at.type("<")  # back
        at.type("class")
        at.type("class t")
        assert "probe_1) [1]" in at.said and "1 alternator   2 house" in at.said
        at.type("")
        assert "positive current of alternator" in at.type("") and "[1 2]" in at.said
        assert "is no order" in at.type("2 2")
        assert "share a bar, fuse or switch" in at.type("2 1")
        assert "(alternator) → probe 2 → (Class T) → probe 1" in at.type("") and "Write this" in at.said
        assert "as it was" in at.type("")
        assert at.end() == 0
    assert not answers.exists()
    read = config.load(path)
    assert read.page.parts == (Part(name="Class T", kind=PartKind.FUSE, joints=("probe_2", "probe_1")),)
    assert [(j.joint, j.neighbours) for j in read.boat.joints] == [
        ("probe_2", ("probe_1",)), ("probe_1", ("probe_2",)),
    ]  # fmt: skip
    text = path.read_text()
    assert "# one\n[[joint]]" in text and "# two\n[[joint]]" in text and '# name = "Bar"' in text
    (kept,) = path.parent.glob("lugwatch.toml.before-*")
    assert kept.read_text() == TWO


def test_a_kill_between_two_answers_loses_none_of_them(path: Path) -> None:
    with terminal("circuit", folder=path.parent) as at:
        at.asks()
        at.type("Lead, Lithium")
        at.child.kill()
        assert at.end() == -signal.SIGKILL
    with terminal("circuit", folder=path.parent) as at:
        assert "Going on with 1 answer of" in at.asks()
        os.write(at.fd, b"\x04")  # the end of the input leaves as Ctrl-C does
        assert "1 answer is kept" in at.asks()
        assert at.end() == 130
    assert path.read_text() == TWO


def test_init_asks_too_and_what_was_left_is_gone_on_with(tmp_path: Path) -> None:
    served = OneWireTree(
        tmp_path / "w1", {"a": address(0x54321AB), "b": address(0x5432177)}, lambda: {"a": 20.0, "b": 20.0}
    )
    words = ("--onewire", "w1", "--serial", "none", "--devices", "none")
    try:
        with terminal("init", *words, folder=tmp_path) as at:
            assert "2 one-wire probes" in at.asks() and "Battery banks" in at.said
            at.type("Engine bank")
            assert "`lugwatch circuit" in at.leave()
            assert at.end() == 130
    finally:
        served.close()
    path = tmp_path / "lugwatch.toml"
    assert [j.joint for j in config.load(path).boat.joints] == ["probe_1"]
    again = CliRunner().invoke(commands, ["init", "--config", str(path)])
    assert isinstance(again.exception, UserError) and "`lugwatch circuit`" in str(again.exception)
    desk = Desk.of(path)
    assert read_answers(desk.answers_path, desk.known).parts == {PartKind.BATTERY: ["Engine bank"]}
