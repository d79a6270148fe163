"""The circuit is asked for: left and gone on with, refused in one line, scripted, and never half written."""

import os
import select
import signal
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

import lugwatch
from lugwatch import circuit_questions, config
from lugwatch.circuit_questions import KINDS, Answers, Standing
from lugwatch.cli.circuit_answers import answers_text, read_answers
from lugwatch.cli.circuit_desk import Desk, asked, scripted
from lugwatch.cli.main import commands
from lugwatch.errors import ConfigurationError, UserError
from lugwatch.model import Part, PartKind
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text
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
TWO = """[boat]
name = "Tern"
[[probe]]
id = "probe_1"
source = "onewire"
address = "28-0123456789ab"
[[probe]]
id = "probe_2"
source = "onewire"
address = "28-0123456789ac"
[[current]]
id = "alternator"
source = "serial"
device = "/dev/x"
transducer = "A"
[[current]]
id = "house"
source = "serial"
device = "/dev/x"
transducer = "H"
# one
[[joint]]
id = "probe_1"
probe = "probe_1"
current = "alternator"
air = "none"
# two
[[joint]]
id = "probe_2"
probe = "probe_2"
current = "alternator"
air = "none"
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, [str(w) for w in words])


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


# ---- on a terminal -----------------------------------------------------------------------------------


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
    again = run("init", "--config", path)
    assert isinstance(again.exception, UserError) and "`lugwatch circuit`" in str(again.exception)
    desk = Desk.of(path)
    assert read_answers(desk.answers_path, desk.known).parts == {PartKind.BATTERY: ["Engine bank"]}


def test_back_goes_question_by_question_to_the_first(path: Path) -> None:
    """From the last to the first and on again, whatever stays answered behind."""
    desk = Desk.of(path)
    lines = iter([*[""] * 10, "2", "-", "", "", "", *["<"] * 20, *[""] * 15, "no"])
    prompts: list[str] = []

    def ask(prompt: str) -> str:
        prompts.append(prompt.split(" [")[0])
        return next(lines)

    assert not asked(desk, ask)
    forward, back = prompts[:15], prompts[15:31]
    assert back[0].startswith("Write this") and back[1:] == forward[::-1]
    assert path.read_text() == TWO and desk.answers_path.exists()


# ---- without a terminal ------------------------------------------------------------------------------


def test_options_and_a_file_of_answers_do_without_a_terminal(path: Path, tmp_path: Path) -> None:
    nobody = run("circuit", "--config", path)
    assert isinstance(nobody.exception, UserError) and "--answers FILE" in str(nobody.exception)
    shown = run("circuit", "--config", path, "--part", "fuse:Main fuse=probe_1", "--dry-run")
    assert shown.exit_code == 0 and "(Main fuse)" in shown.output and path.read_text() == TWO
    done = run("circuit", "--config", path, "--part", "fuse:Main fuse=probe_1,probe_2", "--part", "bar:Bar")
    assert done.exit_code == 0, done.output
    fuse = Part(name="Main fuse", kind=PartKind.FUSE, joints=("probe_1", "probe_2"))
    assert config.load(path).page.parts == (fuse,)
    assert (
        "House bank" not in path.read_text() and "robe 1" not in path.read_text()
    )  # what is usual elsewhere is nobody's answer
    again = run("circuit", "--config", path, "--part", "fuse:Main fuse=probe_1,probe_2", "--part", "bar:Bar")
    assert again.exit_code == 0 and "says so already" in again.output
    file = tmp_path / "answers.toml"
    file.write_text(
        '[parts]\nfuse = []\nbar = ["Bar"]\nalternator = ["Big one"]\n[places]\nprobe_1 = "Big one"\n'
        'probe_2 = "Bar"\n[currents]\nprobe_2 = "house"\n'
    )
    done = run("circuit", "--config", path, "--answers", file)
    assert done.exit_code == 0, done.output
    read = config.load(path)
    assert [(p.name, p.joints) for p in read.page.parts] == [("Bar", ("probe_2",)), ("Big one", ("probe_1",))]
    assert [j.current for j in read.boat.joints] == ["alternator", "house"]


@pytest.mark.parametrize(
    ("option", "says"),
    [
        ("fuse", "write KIND:NAME"),
        ("wire:Red=probe_1", "kinds are battery"),
        ("fuse:Main=probe_9", "'probe_9' is no joint; there are probe_1"),
        ("fuse:=probe_1", "is no name"),
        ("fuse:a\x1bb=probe_1", "is no name"),
        ("fuse:" + "x" * 90, "is no name"),
    ],
)
def test_a_wrong_option_is_one_line_and_nothing_is_written(path: Path, option: str, says: str) -> None:
    answer = run("circuit", "--config", path, "--part", option)
    assert isinstance(answer.exception, UserError) and says in str(answer.exception)
    assert "\n" not in str(answer.exception) and path.read_text() == TWO


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[parts", "is no file of answers"),
        ("[parts]\nfuses = []\n", "'fuses' is no kind"),
        ("[parts]\nfuse = 3\n", "list of names"),
        ('[parts]\nfuse = ["A"]\nbar = ["a"]\n', "is there already, as fuse"),
        ('[places]\nprobe_1 = "Nowhere"\n', "stands in no list of [parts]"),
        ("[places]\nprobe_1 = [1]\n", "stands in no list"),
        ('[places]\nprobe_9 = ""\n', "is no joint"),
        ('[currents]\nprobe_1 = "wind"\n', "no such joint or current"),
        ("[currents]\nprobe_1 = [1]\n", "no such joint or current"),
        ('[order]\nhouse = "probe_1"\n', "list of the joints"),
        ("[order]\nhouse = [[1]]\n", "list of the joints"),
        ("neighbours = 1\n", "true or false"),
        ("parts = 1\n", "is to be a table"),
        ("what = 1\n", "'what': is no answer"),
    ],
)
def test_a_wrong_file_of_answers_is_told_and_nothing_is_written(path: Path, text: str, says: str) -> None:
    file = path.with_name("a.toml")
    file.write_text(text)
    answer = run("circuit", "--config", path, "--answers", file)
    assert isinstance(answer.exception, UserError) and says in str(answer.exception)
    assert path.read_text() == TWO
    missing = run("circuit", "--config", path, "--answers", path.with_name("none"))
    assert isinstance(missing.exception, UserError) and "cannot read" in str(missing.exception)


def test_a_file_that_somebody_else_changed_meanwhile_is_left_alone(path: Path) -> None:
    desk = Desk.of(path)
    text, _, _ = desk.written(scripted(desk, None, ["fuse:Main=probe_1"]))
    path.write_text(TWO + "# mine\n")
    with pytest.raises(UserError, match="changed by somebody else"):
        desk.write(text)
    assert path.read_text() == TWO + "# mine\n"


def test_two_parts_of_one_name_are_told_before_anything_is_asked(path: Path) -> None:
    part = '[[part]]\nname = "F"\nkind = "fuse"\njoints = ["%s"]\n'
    path.write_text(TWO + part % "probe_1" + part % "probe_2")
    answer = run("circuit", "--config", path, "--part", "bar:B")
    assert isinstance(answer.exception, UserError) and 'two [[part]] are called "F"' in str(answer.exception)


def test_names_tell_the_demo_boats_circuit_without_a_word(tmp_path: Path) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text(configuration_text(make_boat(), tmp_path, ("localhost", 1883)), encoding="utf-8")
    desk = Desk.of(path)
    _, _, parts = desk.written(scripted(desk, None, []))
    assert {p.name: (p.kind.value, len(p.joints)) for p in parts} == {
        "Battery": ("battery", 1), "Alternator fuse": ("fuse", 2), "Battery switch": ("isolator", 1),
        "Bus bar": ("bar", 4), "Negative bar": ("bar", 2), "Alternator": ("alternator", 1),
        "Inverter": ("inverter", 1),
    }  # fmt: skip


# ---- whatever is typed -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def desk() -> Iterator[Desk]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lugwatch.toml"
        path.write_text(TWO, encoding="utf-8")
        yield Desk.of(path)


_TYPED = st.one_of(
    st.text(max_size=30),
    st.sampled_from(
        ["", "-", "1", "2", "1 2", "2 1", "2,1", "a, b", '"a, b", c', "no", "yes", "0", "²", "9" * 8]
    ),
    st.lists(st.text(st.characters(codec="utf-8"), max_size=8), max_size=4).map(", ".join),
)


@settings(max_examples=60)
@given(typed=st.lists(_TYPED, max_size=40))
def test_whatever_is_typed_is_refused_in_a_line_or_kept_and_what_comes_of_it_holds(
    desk: Desk, typed: list[str]
) -> None:
    answers, known = Answers(), desk.known
    for text in [*typed, *[""] * (len(KINDS) + 8)]:
        question = circuit_questions.next_question(known, answers)
        if question is None:
            break
        before = answers_text(answers)
        try:
            circuit_questions.take(question, text, known, answers)
        except UserError as error:
            assert "\n" not in str(error) and len(str(error)) < 250 and str(error).isprintable()
            assert answers_text(answers) == before
        else:
            assert circuit_questions.is_answered(question, answers)
    while (question := circuit_questions.next_question(known, answers)) is not None:
        circuit_questions.take(question, "", known, answers)  # the default of any question is an answer
    # what is kept beside the configuration is all that was answered
    desk.answers_path.write_text(answers_text(answers), encoding="utf-8")
    assert read_answers(desk.answers_path, known) == answers
    text, boat, parts = desk.written(answers)
    assert sorted(j.joint for j in boat.joints) == ["probe_1", "probe_2"]
    assert {p.name for p in parts} <= set(circuit_questions.part_names(answers))
    asked_again = Standing(boat=boat, parts=parts)
    assert circuit_questions.next_question(asked_again, Answers()) is not None and "# one" in text


@settings(max_examples=60)
@given(data=st.one_of(st.binary(max_size=60), st.text(max_size=60).map(str.encode)))
def test_whatever_lies_in_the_file_of_answers_is_read_or_refused(desk: Desk, data: bytes) -> None:
    desk.answers_path.write_bytes(data)
    try:
        read_answers(desk.answers_path, desk.known)
    except ConfigurationError as error:
        assert error.mistakes
    except UserError as error:
        assert "\n" not in str(error)
