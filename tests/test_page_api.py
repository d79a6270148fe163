"""The schema of the answers, and that no question breaks the page: no 5xx, no NaN, one line why not."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from invented_boat import write_invented_history
from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import create_app
from pages import InProcess, built_page


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InProcess]:
    built_page()
    clock, database = ManualClock(), tmp_path_factory.mktemp("page") / "a.db"
    with write_invented_history(database, clock):
        yield InProcess(create_app(database, clock))


def schema(client: InProcess) -> dict[str, Any]:
    found: dict[str, Any] = client.get("/api/openapi.json").json()
    return found


def test_every_answer_stands_in_the_schema_in_words_and_with_examples(client: InProcess) -> None:
    paths = schema(client)["paths"]
    assert len(paths) >= 15 and all(path.startswith("/api/") for path in paths)
    examples = 0
    for path, methods in paths.items():
        for method, told in methods.items():
            assert told.get("description"), (path, method)
            assert "422" in told["responses"] and "503" in told["responses"], (path, method)
            content = told["responses"].get("200", {}).get("content", {}).get("application/json", {})
            examples += "example" in content
    assert examples >= 5


def test_examples_name_what_is_there(client: InProcess) -> None:
    """A key that an example shows is one that the answer has."""
    told = schema(client)["paths"]
    for path, asked in (
        ("/api/now", "/api/now"),
        ("/api/joints/{joint}", "/api/joints/isolator_in"),
        ("/api/alerts", "/api/alerts"),
    ):
        example = told[path]["get"]["responses"]["200"]["content"]["application/json"]["example"]
        answer = client.get(asked).json()
        _shown_keys_exist(example, answer, path)


def _shown_keys_exist(example: Any, answer: Any, where: str) -> None:
    if isinstance(example, dict):
        assert isinstance(answer, dict), where
        for key, value in example.items():
            assert key in answer, (where, key)
            if value and answer[key]:
                _shown_keys_exist(value, answer[key], f"{where}.{key}")
    elif isinstance(example, list) and example:
        _shown_keys_exist(example[0], answer[0], f"{where}[]")


_TEXT = st.text(max_size=30) | st.sampled_from(
    ["1e999", "nan", "-1", "0", "9" * 40, "2026-05-28T20:00:00Z", "\x00", "../..", "'; DROP TABLE alert; --"]
)
_PATHS = (
    "/api/joints/{}", "/api/joints/{}/lines", "/api/passages/{}", "/api/alerts", "/api/chart", "/joints/{}",
    "/passages/{}", "/alerts", "/api/{}", "/{}", "/built/{}", "/api/events/{}",
)  # fmt: skip
_KEYS = ("from", "to", "points", "hours", "with", "joint", "category", "condition", "active", "which")


@given(
    path=st.sampled_from(_PATHS),
    part=_TEXT,
    query=st.dictionaries(st.sampled_from(_KEYS), _TEXT, max_size=4),
)
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_question_breaks_the_page(client: InProcess, path: str, part: str, query: dict[str, str]) -> None:
    asked = path.format(quote(part, safe="")) + ("?" + urlencode(query) if query else "")
    if asked.split("?")[0].rstrip("/") == "/api/events":
        return  # a stream does not end
    answer = client.get(asked)
    assert answer.status_code < 500, (asked, answer.status_code, answer.text[:300])
    if answer.headers.get("content-type", "").startswith("application/json"):
        json.loads(answer.text, parse_constant=_never)
        if answer.status_code >= 400:
            assert isinstance(answer.json()["detail"], str)


def _never(constant: str) -> None:
    raise AssertionError(f"{constant} left the page")


@given(
    body=st.dictionaries(
        st.sampled_from(["kind", "joint", "words", "millivolts", "amps", "celsius", "at", "by", "x"]),
        _TEXT
        | st.none()
        | st.integers()
        | st.sampled_from(["work", "good", "note", "millivolts", "fuse_bar"]),
        max_size=9,
    )
)
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_entry_breaks_the_page(client: InProcess, body: dict[str, Any]) -> None:
    answer = client.tell("/api/journal", body)
    assert answer.status_code in (202, 422), (body, answer.text)
    if answer.status_code == 422:
        assert "\n" not in answer.json()["detail"]


def test_a_folder_where_the_database_should_be_is_said(tmp_path: Path) -> None:
    (tmp_path / "a.db").mkdir()
    client = InProcess(create_app(tmp_path / "a.db", ManualClock()))
    for path in ("/", "/api/now", "/watchman", "/passages", "/joints/x", "/api/journal"):
        answer = client.get(path)
        assert answer.status_code in (200, 404, 503), (path, answer.status_code)
