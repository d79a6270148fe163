"""The circuit is asked for: refused in one line, gone back in, scripted, and never half written."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from circuit_files import TWO
from lugwatch import circuit_questions, config
from lugwatch.circuit_questions import KINDS, Answers, Standing
from lugwatch.cli.circuit_answers import answers_text, read_answers
from lugwatch.cli.circuit_desk import Desk, asked, scripted
from lugwatch.cli.main import commands
from lugwatch.errors import ConfigurationError, UserError
from lugwatch.model import Part, PartKind
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, [str(w) for w in words])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "lugwatch.toml"
    path.write_text(TWO, encoding="utf-8")
    return path


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
