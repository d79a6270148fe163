"""All words of the page stand in one file: what is asked for is there, what is there is asked for."""

import json
import re
from html.parser import HTMLParser

import pytest

from lugwatch.dashboard.texts import Texts
from lugwatch.model import (
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
    CrewDeed,
    JointState,
    JournalKind,
    RiseUnknown,
)
from pages import ROOT

WEB = ROOT / "web"
WORDS = json.loads((WEB / "texts/en.json").read_text(encoding="utf-8"))
SOURCES = {
    p: p.read_text(encoding="utf-8") for p in [*WEB.glob("templates/*.html"), *WEB.glob("scripts/*.js")]
}
# groups that are asked for by a word of the watch
GROUPS = (
    *("state", "condition", "change", "alert_state", "deed", "sheet", "page", "settings", "chart", "alert"),
    *("alerts", "joint.basis", "rise_unknown"),
    *("journal.kind", "journal.follows", "journal.told", "circuit", "hand.told"),
    *("proof.stage", "proof.read", "proof.outcome", "proof.verdict", "watchman.level"),
)


def asked() -> set[str]:
    return {key for text in SOURCES.values() for key in re.findall(r'\b[tT]\("([a-z_.0-9-]+)"', text)} | {
        key for text in SOURCES.values() for key in re.findall(r'"([a-z_]+\.[a-z_0-9.-]+)"', text)
        if key in WORDS
    }  # fmt: skip


def test_every_word_that_is_asked_for_is_there() -> None:
    wanted = {
        key for text in SOURCES.values() for key in re.findall(r'(?<![\w.])t\("([a-z_.0-9-]+)"[,)]', text)
    }
    assert len(wanted) > 100
    assert wanted <= set(WORDS), sorted(wanted - set(WORDS))


def test_every_word_that_is_there_is_asked_for() -> None:
    unused = {key for key in set(WORDS) - asked() if not any(key.startswith(f"{group}.") for group in GROUPS)}
    assert not unused


@pytest.mark.parametrize(
    ("group", "values"),
    [
        ("state", JointState), ("condition", Condition), ("change", AlertChangeKind), ("alert", Category),
        ("alert_state", AlertState), ("deed", CrewDeed), ("journal.kind", JournalKind),
        ("journal.follows", JournalKind), ("journal.told", JournalKind), ("rise_unknown", RiseUnknown),
    ],
)  # fmt: skip
def test_every_word_of_the_watch_has_one_of_the_page(group: str, values: type) -> None:
    assert not [v for v in values if f"{group}.{v}" not in WORDS]  # type: ignore[attr-defined]


class _Visible(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []

    def handle_data(self, data: str) -> None:
        self.words += re.findall(r"[A-Za-z]{3,}", data)


def test_templates_hold_no_words_of_their_own() -> None:
    for path in WEB.glob("templates/*.html"):
        text = re.sub(r"\{[%{#].*?[%}#]\}", " ", path.read_text(encoding="utf-8"), flags=re.S)
        reader = _Visible()
        reader.feed(text)
        # a name, and the unit of what is shown until the script has put it into the reader's
        assert set(reader.words) <= {"lugwatch", "UTC"}, (path.name, reader.words)


def test_values_are_put_in_and_another_language_falls_back(tmp_path) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "en.json").write_text('{"a": "one {x}", "b": "two"}', encoding="utf-8")
    (tmp_path / "eo.json").write_text('{"a": "unu {x}"}', encoding="utf-8")
    texts = Texts.read(tmp_path, "eo")
    assert (texts("a", x=1), texts("b"), Texts.read(tmp_path)("a", x="{b}")) == ("unu 1", "two", "one {b}")
    assert texts.word("state", "half_full") == "half full"
    with pytest.raises(KeyError):
        texts("c")


def test_scripts_are_small_and_make_no_markup_from_text() -> None:
    for path in WEB.glob("scripts/*.js"):
        text = path.read_text(encoding="utf-8")
        assert len(text.splitlines()) < 200, path.name
        assert not re.search(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(|new Function", text
        ), path.name
        assert not re.search(r"localStorage\.setItem\((?!key)", text), "choices are kept, readings never"
