"""Every address under /api, asked whatever its schema lets one ask and much that it does not.

Held for each answer: no fault of the server's own, a status that the schema names, JSON without NaN, and for
a refusal one line of words. Requests are drawn by hypothesis from the OpenAPI document that the page serves
(OpenAPI 3.1, parameter and request body objects), beside text, numbers and bodies that fit nothing.
"""

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from by_hand import write_two_passages
from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import Settings, create_app
from pages import InProcess, built_page

EXAMPLES = 60
# answers of the layers around the application
AROUND = {400, 401, 403, 404, 405, 413, 421, 422, 429, 503}
# one that never ends; what it is asked is looked at below
ENDLESS = "/api/events"

_text = st.text(st.characters(exclude_categories=()), max_size=30)
_odd_text = st.sampled_from(
    [
        "",
        " ",
        "\x00",
        "..",
        "../x",
        "%2e",
        "a/b",
        "NaN",
        "-1",
        "1e999",
        "'; --",
        "<b>",
        "🛥",
        "\ud800",
        "x" * 5000,
        "\n",
        "٣",
    ]
)
_known = st.sampled_from(
    [
        "bar_alternator",
        "isolator_in",
        "battery_minus",
        "acknowledge",
        "silence",
        "out_of_service",
        "warming",
        "note",
        "work",
        "good",
        "millivolts",
        "2026-05-28T20:00:00Z",
        "2026-05-28T20:20:00Z",
        "1",
        "2",
        "7",
    ]
)
_number = st.one_of(
    st.integers(-3, 12), st.integers(), st.sampled_from([2**31, 2**63 - 1, 2**63, -(2**63), 10**30]),
    st.floats(allow_nan=True), st.sampled_from([math.inf, -math.inf, 0.0, 1e308, 5e-324]),
)  # fmt: skip
_anything = st.recursive(
    st.one_of(st.none(), st.booleans(), _number, _known, _odd_text, _text),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(_known | _odd_text, inner, max_size=3)
    ),
    max_leaves=6,
)


def of_schema(schema: dict[str, Any], document: dict[str, Any]) -> st.SearchStrategy[Any]:
    """Values that fit a schema, nearly: bounds are not kept, so that they are tried."""
    if "$ref" in schema:
        return of_schema(document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]], document)
    if "anyOf" in schema:
        return st.one_of([of_schema(one, document) for one in schema["anyOf"]])
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    match schema.get("type"):
        case "integer" | "number":
            return _number
        case "boolean":
            return st.booleans()
        case "null":
            return st.none()
        case "array":
            return st.lists(of_schema(schema.get("items", {}), document), max_size=4)
        case "object":
            fields = {k: of_schema(v, document) for k, v in schema.get("properties", {}).items()}
            wanted = {k: v for k, v in fields.items() if k in schema.get("required", [])}
            return st.fixed_dictionaries(
                wanted, optional={k: v for k, v in fields.items() if k not in wanted}
            )
        case "string":
            return st.one_of(_known, _odd_text, _text)
    return _anything


class Api:
    """The page of an invented boat, and what it says of itself."""

    def __init__(self, folder: Path) -> None:
        clock = ManualClock()
        self.store = write_two_passages(folder / "lugwatch.db", clock)
        self.page = InProcess(create_app(folder / "lugwatch.db", clock, Settings(), built=built_page()))
        self.document = self.page.get("/api/openapi.json").json()
        self.token = self.page.get("/api/session").json()["token"]

    def ask(self, method: str, path: str, **named: Any) -> Any:
        headers = {"Origin": "http://localhost:8037", "X-Lugwatch-Token": self.token} | named.pop(
            "headers", {}
        )
        return self.page.request(method, path, headers=headers, **named)


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    api = Api(tmp_path_factory.mktemp("fuzz"))
    yield api
    api.store.close()


def operations() -> list[tuple[str, str]]:
    """Every method and path, from the document itself."""
    app = create_app(Path("/nowhere/none.db"), ManualClock(), Settings(), built=built_page())
    return [(method, path) for path, found in app.openapi()["paths"].items() for method in found]


def in_url(value: object) -> str:
    """A value as a browser would put it into an address; half a surrogate pair cannot be put there."""
    return str(value).encode("utf-8", "replace").decode()


def hold(answer: Any, declared: set[int]) -> None:
    """What holds for every answer."""
    assert answer.status_code in declared | AROUND, (answer.status_code, answer.text)
    assert answer.headers["content-type"].startswith("application/json"), answer.headers["content-type"]

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON (RFC 8259)")

    body = json.loads(answer.text, parse_constant=refuse)
    if answer.status_code >= 400:
        assert set(body) == {"detail"} and isinstance(body["detail"], str), body
        assert body["detail"].strip() and "\n" not in body["detail"], body
        assert "Traceback" not in body["detail"] and len(body["detail"]) <= 1000


@pytest.mark.slow
@pytest.mark.parametrize(("method", "path"), [o for o in operations() if o[1] != ENDLESS])
def test_no_question_is_too_odd(api: Api, method: str, path: str) -> None:
    operation = api.document["paths"][path][method]
    declared = {int(status) for status in operation["responses"]} | {200, 201, 202}
    places = operation.get("parameters", [])
    body = operation.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema")
    drawn = {
        "path": st.fixed_dictionaries(
            {p["name"]: of_schema(p["schema"], api.document) | _odd_text for p in places if p["in"] == "path"}
        ),
        "query": st.fixed_dictionaries(
            {},
            optional={
                p["name"]: of_schema(p["schema"], api.document) | _odd_text
                for p in places
                if p["in"] == "query"
            },
        ),
        "body": of_schema(body, api.document) | _anything if body else st.none(),
        "raw": st.sampled_from([None, None, None, b"", b"{", b"\xff\xfe", b"[" * 2000, b'{"joints": 1e400}']),
    }

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(st.fixed_dictionaries(drawn))
    def ask(given_: dict[str, Any]) -> None:
        where = path
        for name, value in given_["path"].items():
            where = where.replace(f"{{{name}}}", quote(in_url(value), safe=""))
        if given_["query"]:
            where += "?" + urlencode({k: in_url(v) for k, v in given_["query"].items()})
        named: dict[str, Any] = {}
        if body is not None:
            content = json.dumps(given_["body"]).encode() if given_["raw"] is None else given_["raw"]
            named = {"content": content, "headers": {"Content-Type": "application/json"}}
        answer = api.ask(method.upper(), where, **named)
        if not answer.request.url.path.startswith("/api/"):
            return  # ".." leads out of it, to a page
        hold(answer, declared)

    ask()


@pytest.mark.parametrize("query", ["after=-1", "after=x", f"after={'9' * 400}", "after=NaN"])
def test_the_stream_refuses_as_the_others_do(api: Api, query: str) -> None:
    answer = api.ask("GET", f"{ENDLESS}?{query}")
    assert answer.status_code == 422
    hold(answer, {422})


@pytest.mark.parametrize(
    ("method", "path", "headers", "status"),
    [
        ("POST", "/api/journal", {"Origin": "http://elsewhere.example"}, 403),
        ("POST", "/api/journal", {"X-Lugwatch-Token": "wrong"}, 403),
        ("GET", "/api/now", {"Host": "elsewhere.example"}, 421),
        ("GET", "/api/now", {"Host": "]["}, 421),
        ("DELETE", "/api/now", {}, 405),
        ("GET", "/api/nothing", {}, 404),
        ("GET", "/api/", {}, 404),
    ],
)
def test_who_is_refused_at_the_door_hears_it_in_json(
    api: Api, method: str, path: str, headers: dict[str, str], status: int
) -> None:
    answer = api.ask(method, path, headers=headers)
    assert answer.status_code == status
    hold(answer, set())
    large = api.ask("POST", "/api/journal", content=b"x" * 200_000)
    assert large.status_code == 413
    hold(large, set())
