"""A guest on the boat's Wi-Fi against the page as really served: what deploy/threats.md says of it holds.

Requests go over real sockets, byte for byte where a library would tidy them up.
"""

import json
import re
import socket
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from invented_boat import invented_boat, invented_estimate, write_invented_history
from lugwatch.clock import ManualClock, SystemClock
from lugwatch.dashboard import doors
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.dashboard.doors import write_lock
from lugwatch.dashboard.guard import MOST_BODY_BYTES
from lugwatch.store.writer import Store
from pages import InProcess, Served, built_page

PHRASE = "brass washers belong elsewhere"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The page of an invented boat with a pass-phrase, in a process of its own."""
    folder = tmp_path_factory.mktemp("page")
    write_lock(folder / "lugwatch.passphrase", PHRASE)
    with write_invented_history(folder / "lugwatch.db", SystemClock()), Served(folder) as served:
        yield served


def say(page: Served, head: str, body: bytes = b"", rest: bytes = b"") -> tuple[int, str]:
    """Status and answer of a request spelled by hand; `head` without its Host and its end."""
    with socket.create_connection(("127.0.0.1", page.port), timeout=30.0) as line:
        host = "" if "\nHost:" in head else f"Host: 127.0.0.1:{page.port}\r\n"
        line.sendall(f"{head}\r\n{host}Connection: close\r\n\r\n".encode("latin-1") + body)
        heard = b""
        try:
            if rest:
                line.sendall(rest)
            while more := line.recv(65536):
                heard += more
        except ConnectionError:
            pass  # it answered before all was sent, and hung up
    words = heard.decode("utf-8", errors="replace")
    return int(words.split(" ")[1]) if words.startswith("HTTP/1.1 ") else 0, words


def origin(page: Served) -> str:
    return f"http://127.0.0.1:{page.port}"


# ---- reading ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["rebound.example", "127.0.0.1.rebound.example", "localhost@rebound.example", "", "[::1", "a b"]
)
def test_a_name_that_was_pointed_here_reads_nothing(page: Served, host: str) -> None:
    for path in ("/", "/api/now", "/api/session"):
        status, words = say(page, f"GET {path} HTTP/1.1\r\nHost: {host}")
        assert status in (400, 421), words
        assert "Sandpiper" not in words and "token" not in words


@pytest.mark.parametrize(
    "path",
    [
        "/built/../../../../../../etc/passwd",
        "/built/..%2f..%2f..%2f..%2f..%2f..%2fetc/passwd",
        "/built/%2e%2e/%2e%2e/app.py",
        "/built/....//....//app.py",
        "/built//etc/passwd",
        "/built/..\\..\\app.py",
        "/built/page.js%00.css",
        "/built/%c0%ae%c0%ae/app.py",
        "/../lugwatch.passphrase",
        "/lugwatch.db",
        "/lugwatch.passphrase",
        "/lugwatch.toml",
        "//etc/passwd",
        "http://127.0.0.1/../../etc/passwd",
    ],
)
def test_no_path_leads_out_of_the_page(page: Served, path: str) -> None:
    status, words = say(page, f"GET {path} HTTP/1.1")
    assert status in (400, 404, 421), words[:300]
    assert not re.search(r"root:|argon2|import |\[boat\]|SQLite", words)


@pytest.mark.parametrize(
    "head",
    [
        "GET / HTTP/1.1\r\nHost: a\r\nHost: b",
        "GET / HTTP/1.1\r\nX-Long: " + "x" * 200_000,
        "GET /" + "x" * 200_000 + " HTTP/1.1",
        "POST /api/enter HTTP/1.1\r\nContent-Length: -1",
        "POST /api/enter HTTP/1.1\r\nContent-Length: 5\r\nTransfer-Encoding: chunked",
        "\x00\xff\xfe",
        "GET /api/events?after=99999999999999999999999 HTTP/1.0\r\nHost: rebound.example",
    ],
)
def test_nonsense_on_the_port_is_turned_away_and_the_page_goes_on(page: Served, head: str) -> None:
    status, _ = say(page, head)
    assert status == 0 or 400 <= status < 500
    assert httpx.get(page.url).status_code == 200


# ---- changing -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "foreign", [None, "null", "http://elsewhere.example", "https://127.0.0.1", "http://[::1"]
)
def test_another_sites_page_changes_nothing(page: Served, foreign: str | None) -> None:
    """Not with the crew's own cookie, and not with a token made up; no form of another site has the token."""
    with httpx.Client(base_url=page.url) as crew:
        headers = {"Origin": origin(page)}
        entered = crew.post("/api/enter", json={"passphrase": PHRASE}, headers=headers)
        assert entered.status_code == 200
        token = crew.get("/api/session").json()["token"]
        sent = {} if foreign is None else {"Origin": foreign}
        for path in ("/api/alerts/7/acknowledge", "/api/journal", "/api/joints/fuse_bar/out_of_service"):
            stolen = {**sent, "X-Lugwatch-Token": token}
            assert crew.post(path, headers=stolen, json={}).status_code == 403
            made_up = {**headers, "X-Lugwatch-Token": "guessed"}
            assert crew.post(path, headers=made_up, json={}).status_code == 403
            assert crew.post(path, headers=headers, json={}).status_code == 403
        assert crew.get("/api/now").headers.get("access-control-allow-origin") is None
        own = {**headers, "X-Lugwatch-Token": token}
        assert crew.post("/api/alerts/7/acknowledge", headers=own).status_code == 202, "the page itself may"


def test_a_guest_without_the_phrase_changes_nothing(page: Served) -> None:
    with httpx.Client(base_url=page.url) as guest:
        token = guest.get("/api/session").json()["token"]
        headers = {"Origin": origin(page), "X-Lugwatch-Token": token}
        for path in ("/api/alerts/7/acknowledge", "/api/alerts/7/shelve", "/api/journal"):
            assert guest.post(path, headers=headers, json={}).status_code == 401, path


@pytest.mark.parametrize("chunked", [False, True])
def test_a_body_that_would_fill_the_memory_is_refused_before_it_is_read(page: Served, chunked: bool) -> None:
    before = _most_kilobytes(page)
    head = f"POST /api/enter HTTP/1.1\r\nOrigin: {origin(page)}\r\nContent-Type: application/json\r\n"
    piece = b"x" * 1_000_000
    if chunked:
        rest = (b"%x\r\n" % len(piece) + piece + b"\r\n") * 60
        status, words = say(page, head + "Transfer-Encoding: chunked", rest=rest)
    else:
        status, words = say(page, head + "Content-Length: 60000000", rest=piece * 60)
    assert status in (0, 413), words
    assert _most_kilobytes(page) - before < 20_000, "kB"
    assert httpx.get(page.url).status_code == 200


def test_the_largest_entry_that_means_anything_is_taken(page: Served) -> None:
    longest = json.dumps({"passphrase": "é" * 800}).encode()
    assert len(longest) < MOST_BODY_BYTES
    headers = {"Origin": origin(page), "Content-Type": "application/json"}
    assert httpx.post(f"{page.url}api/enter", content=longest, headers=headers).status_code == 422


def test_of_tries_at_once_as_few_count_as_of_tries_in_turn(tmp_path: Path) -> None:
    """Five a minute from one address; each hash takes 64 MiB, and never two at once."""
    write_lock(tmp_path / "lugwatch.passphrase", PHRASE)
    with Served(tmp_path) as page, httpx.Client(base_url=page.url, timeout=60.0) as guest:
        before = _most_kilobytes(page)

        def one(number: int) -> int:
            headers = {"Origin": origin(page), "X-Forwarded-For": ""}
            return guest.post(
                "/api/enter", json={"passphrase": f"guess {number}"}, headers=headers
            ).status_code

        with ThreadPoolExecutor(30) as many:
            answers = list(many.map(one, range(60)))
        assert answers.count(422) == doors.TRIES_OF_ONE
        assert answers.count(429) == 60 - doors.TRIES_OF_ONE
        assert _most_kilobytes(page) - before < 110_000, "kB: one hash, and what thirty connections take"


def _most_kilobytes(page: Served) -> int:
    """The most memory that the page's process ever had."""
    assert page.process is not None
    status = Path(f"/proc/{page.process.pid}/status").read_text(encoding="ascii")
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    assert found is not None
    return int(found[1])


# ---- names and words ----------------------------------------------------------------------------

SCRIPT = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"


def test_no_name_or_word_of_anybody_becomes_a_script(tmp_path: Path) -> None:
    built_page()
    clock = ManualClock()
    plain = invented_boat()
    boat = replace(
        plain, name=SCRIPT, joints=tuple(replace(j, name=f"{j.name} {SCRIPT}") for j in plain.joints)
    )
    with Store.open(tmp_path / "a.db", clock=clock, boat=boat, version="0") as store:
        estimate = invented_estimate(0, clock.time())
        store.write([estimate], monotonic_seconds=1000.0, time=clock.time())
        page = InProcess(create_app(tmp_path / "a.db", clock, Settings()))
        told = page.tell("/api/journal", {"kind": "note", "words": SCRIPT, "by": SCRIPT})
        assert told.status_code == 202, told.text
        for path in (
            "/",
            f"/joints/{plain.joints[0].joint}",
            "/passages",
            "/alerts",
            "/journal",
            "/watchman",
            "/page",
        ):
            answer = page.get(path)
            assert answer.status_code == 200, path
            assert "<script>alert" not in answer.text and "<img src=x" not in answer.text, path
        answer = page.get("/api/journal")
        assert SCRIPT in {entry["note"] for entry in answer.json()}
        assert answer.headers["content-type"] == "application/json"
        assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("words", ["\x1b[31mred", "a\x00b", "right\u202eleft", "bell\x07"])
def test_what_would_move_a_terminal_is_not_taken_into_the_journal(tmp_path: Path, words: str) -> None:
    built_page()
    clock = ManualClock()
    with write_invented_history(tmp_path / "a.db", clock):
        page = InProcess(create_app(tmp_path / "a.db", clock, Settings()))
        for entry in ({"kind": "note", "words": words}, {"kind": "note", "words": "fine", "by": words}):
            told = page.tell("/api/journal", entry)
            assert told.status_code == 422 and "cannot be shown" in told.json()["detail"], told.text
