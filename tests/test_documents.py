"""If documentation can go stale, a test notices: what README and DEVELOPERS name is what there is."""

import re
import shlex
from pathlib import Path

import click

import alert_diagram
from lugwatch import config_tables
from lugwatch.cli.main import commands
from lugwatch.model import Condition, FaultKind, JointState
from lugwatch.sources import nmea
from lugwatch.sources.base import Refused
from lugwatch.sources.registry import SOURCE_KINDS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_every_command_is_in_readme_with_its_options() -> None:
    for name, command in commands.commands.items():
        assert f"`lugwatch {name}" in README, name
        assert command.help, name


def test_every_setting_is_in_readme() -> None:
    for table, field in config_tables.Document.model_fields.items():
        rows = README.split(
            f"`[{table}]`" if table not in ("probe", "current", "joint", "part") else f"[[{table}]]"
        )
        assert len(rows) > 1, table
        annotation = field.annotation
        for model in (annotation, *getattr(annotation, "__args__", ())):
            for key in getattr(model, "model_fields", {}):
                assert re.search(rf"\b{key}\b", README), f"[{table}] {key}"


def test_every_source_is_in_readme() -> None:
    for kind in SOURCE_KINDS:
        assert f"`{kind}`" in README, kind


def test_every_state_of_a_joint_is_in_readme() -> None:
    for state in JointState:
        assert f"| `{state.value}` |" in README, state


def test_every_condition_that_is_raised_is_in_readme() -> None:
    rules = [*(ROOT / "daemon/lugwatch").glob("alert_*.py"), ROOT / "daemon/lugwatch/current_rules.py"]
    source = "".join(path.read_text(encoding="utf-8") for path in rules)
    raised = {c for c in Condition if f"Condition.{c.name}" in source}
    assert len(raised) >= 7
    for condition in raised:
        assert f"`{condition.value}`" in README, condition


def test_the_alert_table_in_developers_is_the_alert_table() -> None:
    assert alert_diagram.standing(DEVELOPERS) == alert_diagram.drawn(), "run python tests/alert_diagram.py"


def test_the_cautions_stand_in_readme() -> None:
    for words in ("does not protect", "battery isolated", "Never break the alternator's output",
                  "stays hot", "licensed marine electrician"):  # fmt: skip
        assert words in README


def test_every_module_is_in_a_layer_of_developers() -> None:
    package = ROOT / "daemon/lugwatch"
    names = {p.stem for p in package.glob("*.py")} | {p.parent.name for p in package.glob("*/__init__.py")}
    for name in names - {"__init__", "__main__"}:
        assert f"`{name}`" in DEVELOPERS, name


def test_every_sentence_in_the_firmware_notes_is_read_by_the_driver() -> None:
    text = (ROOT / "firmware_notes/README.md").read_text(encoding="utf-8")
    lines = [line.strip() for line in text.splitlines() if line.strip().startswith("$")]
    assert len(lines) == 3
    for line in lines:
        sentence = nmea.parse_sentence(line.encode())
        assert isinstance(sentence, nmea.Sentence), line
        groups = nmea.transducers(sentence)
        assert not isinstance(groups, Refused) and len(groups) >= 1


def test_no_file_is_longer_than_a_reader_holds_in_mind() -> None:
    """400 lines, of the daemon as of its tests; more needs a reason, in its docstring."""
    for folder in ("daemon", "tests", "web"):
        for path in (ROOT / folder).rglob("*.py"):
            if "node_modules" in path.parts:
                continue
            text = path.read_text(encoding="utf-8")
            excused = "Longer than other files" in text.split('"""')[1] if '"""' in text else False
            lines = len(text.splitlines())
            assert lines <= 400 or excused, f"{path.relative_to(ROOT)} has {lines} lines; split it by subject"


# ---- troubleshooting ------------------------------------------------------------------------


def _troubles() -> list[list[str]]:
    """The rows of README's Troubleshooting: what is seen, the likely cause, what to do."""
    section = README.split("\n## Troubleshooting\n")[1].split("\n## ")[0]
    rows = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in row] for row in rows if row[0] not in ("you see", "---")]


def test_every_word_that_troubleshooting_explains_is_one_that_is_said() -> None:
    known = {str(word) for word in (*Condition, *JointState, *FaultKind)}
    rows = _troubles()
    assert len(rows) >= 40 and all(len(row) in (2, 3) for row in rows)
    words = {word for row in rows for word in re.findall(r"`([a-z0-9_]+)`", row[0])}
    assert len(words) >= 30
    assert words - known == set()
    # whatever a tired skipper may read on the screen has a row that says what to do
    assert {str(word) for word in (*Condition, *FaultKind)} - words == set()


def test_every_message_that_troubleshooting_quotes_is_one_that_is_said() -> None:
    texts = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "daemon/lugwatch").rglob("*.py"))
    joined = re.sub(r'"\s*\n\s*f?"', "", texts) + (ROOT / "web/texts/en.json").read_text(encoding="utf-8")
    quoted = [q for row in _troubles() for q in re.findall("“(.*?)”", row[0])]
    assert len(quoted) >= 12
    for message in quoted:
        for part in message.split("…"):
            assert part.strip() in joined, message


def test_every_command_and_setting_that_troubleshooting_names_is_there() -> None:
    section = README.split("\n## Troubleshooting\n")[1].split("\n## ")[0]
    spoken = re.findall(r"`(?:sudo )?lugwatch ([^`]+)`", section)
    assert len(spoken) >= 15
    for line in spoken:
        words = shlex.split(line)
        command: click.Command = commands
        while isinstance(command, click.Group) and words and not words[0].startswith("--"):
            command = command.commands[words.pop(0)]
        options = {option for parameter in command.params for option in parameter.opts}
        for word in words:
            assert not word.startswith("--") or word in options, line
    keys = {
        key
        for field in config_tables.Document.model_fields.values()
        for model in (field.annotation, *getattr(field.annotation, "__args__", ()))
        for key in getattr(model, "model_fields", {})
    } | {key for kind in SOURCE_KINDS.values() for key in kind.keys.model_fields}
    known = keys | {str(word) for word in (*Condition, *JointState, *FaultKind)} | {"ack", "reply", "time"}
    for word in re.findall(r"`([a-z][a-z_]+)`", section):
        assert word in known, word
    for path in re.findall(r"\b((?:deploy|web)/[\w./-]+\w)", section):
        assert (ROOT / path).exists(), path
    for unit in re.findall(r"\blugwatch-\w+\b", section.replace("mosquitto-lugwatch", "")):
        assert (ROOT / "deploy/files" / f"{unit}.service").exists(), unit


# ---- the table of what happens at sea -----------------------------------------------------------


def test_every_kind_of_trouble_at_sea_names_tests_that_are_there() -> None:
    section = DEVELOPERS.split("\n### What happens at sea, and which test holds it\n")[1].split("\n### ")[0]
    rows = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("| ")]
    kinds = [row for row in rows if row[0] not in ("kind", "---")]
    assert len(kinds) >= 48
    assert len({row[0] for row in kinds}) == len(kinds)
    for kind, tests in kinds:
        named = re.findall(r"`((?:browser/)?test_\w+)/(test_\w+)`", tests)
        assert named and len(named) == tests.count("`") // 2, kind
        for file, test in named:
            source = (ROOT / "tests" / f"{file}.py").read_text(encoding="utf-8")
            assert re.search(rf"^(async )?def {test}\(", source, re.MULTILINE), f"{kind}: {file}/{test}"
    for path in (ROOT / "tests").glob("test_field_cases*.py"):
        for test in re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE):
            assert f"`{path.stem}/{test}`" in section, test
