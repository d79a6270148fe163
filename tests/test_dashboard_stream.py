"""The stream of the page: what it tells, where it resumes, when it ends."""

import asyncio
import json
import socket
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest

from invented_boat import (
    invented_alert,
    now_again,
    write_invented_history,
)
from lugwatch.clock import ManualClock
from lugwatch.dashboard.stream import events
from lugwatch.model import AlertChange, AlertChangeKind, Condition, JointState
from pages import Served

pytestmark = pytest.mark.usefixtures("built")


@dataclass
class ScriptedPage:
    """What a stream asks for, under the test's hand."""

    sequence: int = 0
    written: int = 0
    told: list[dict[str, object]] = field(default_factory=list)

    def batch(self) -> object:
        return self.written

    def now(self) -> dict[str, object]:
        return {"written": self.written, "sequence": self.sequence}

    def beat(self) -> dict[str, object]:
        return {"age_seconds": 1.0}

    def changes(self, after_sequence: int) -> Sequence[dict[str, object]]:
        return [{"sequence": n} for n in range(after_sequence + 1, self.sequence + 1)]


async def _take(stream: AsyncIterator[str], count: int) -> list[str]:
    return [await asyncio.wait_for(anext(stream), 20.0) for _ in range(count)]


def test_stream_snapshot_changes_and_beats() -> None:
    async def run() -> None:
        page = ScriptedPage(sequence=3)
        stream = events(page, None, lambda: False)
        (first,) = await _take(stream, 1)
        assert "event: now" in first and "id: 3" in first
        page.sequence, page.written = 4, 1
        change, snapshot, beat = await _take(stream, 3)
        assert change == 'id: 4\nevent: alert\ndata: {"sequence": 4}\n\n'
        assert "event: now" in snapshot and '"written": 1' in snapshot
        assert "event: beat" in beat

    asyncio.run(run())


@pytest.mark.parametrize(("after", "missed"), [(1, [2, 3]), (3, []), (99, [])])
def test_stream_resumes_after_the_last_change_seen(after: int, missed: list[int]) -> None:
    async def run() -> list[str]:
        stream = events(ScriptedPage(sequence=3), after, lambda: False)
        return await _take(stream, 2 + len(missed))

    texts = asyncio.run(run())
    assert [f"id: {n}\n" for n in missed] == [text.split("event")[0] for text in texts[1:-1]]
    assert "event: beat" in texts[-1]


def test_stream_ends_when_the_server_stops() -> None:
    async def run() -> list[str]:
        return [text async for text in events(ScriptedPage(), None, lambda: True)]

    assert len(asyncio.run(run())) == 1


def test_a_served_stream_tells_an_alert_and_three_open_streams_do_not_hold_the_end(tmp_path: Path) -> None:
    """C20, C21, C22 on a real process: resumable, beside plain requests, gone within 5 s of SIGTERM."""
    clock = ManualClock()
    store = write_invented_history(tmp_path / "lugwatch.db", clock, alerts=[])
    with store, Served(tmp_path) as page:
        with socket.create_connection(("127.0.0.1", page.port)) as reset:
            reset.sendall(b"GET /api/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        clients = [httpx.Client(base_url=page.url, timeout=20.0) for _ in range(3)]
        streams = [client.send(client.build_request("GET", "/api/events"), stream=True) for client in clients]
        lines = streams[0].iter_lines()
        assert next(line for line in lines if line.startswith("data:"))
        change = AlertChange(
            sequence=1, time=clock.time(), change=AlertChangeKind.RAISED, alert=invented_alert(clock.time())
        )
        now_again(store, clock, [JointState.STEADY] * 11, change)
        assert next(line for line in lines if line == "event: alert")
        assert json.loads(next(lines).removeprefix("data: "))["condition"] == Condition.WARMING
        with httpx.Client(base_url=page.url) as plain:
            assert plain.get("/api/now").status_code == 200
        status, seconds = page.stop()
        assert status == 0 and seconds < 5.0
        for client in clients:
            client.close()


def test_two_hundred_phones_that_come_and_go_do_not_hold_the_end(tmp_path: Path) -> None:
    """C22: connect, read a little or nothing, drop; then SIGTERM, and gone within 5 s."""
    with write_invented_history(tmp_path / "lugwatch.db", ManualClock()), Served(tmp_path) as page:
        for n in range(200):
            with socket.create_connection(("127.0.0.1", page.port), timeout=20.0) as phone:
                phone.sendall(b"GET /api/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
                if n % 4 == 0:
                    assert phone.recv(64).startswith(b"HTTP/1.1 200")
        assert httpx.get(page.url + "api/now", timeout=20.0).status_code == 200
        status, seconds = page.stop()
        assert status == 0 and seconds < 5.0
