"""The one event stream of a page: a beat, the present state when it changed, each alert change once.

A beat every two real seconds lets a phone tell a silent boat from a dead line (C20). The database is
read in threads, never on the event loop (C23). Ends at once when the server stops (C22) or the client
leaves. Not here: what a snapshot holds (`views`).
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from lugwatch.json_shapes import JsonObject, dump

BEAT_SECONDS = 2.0
LOOK_SECONDS = 1.0
# how soon a stopping server is noticed
STEP_SECONDS = 0.25


class Page(Protocol):
    """What a stream asks for; every call may block and runs in a thread."""

    def batch(self) -> object: ...
    def now(self) -> JsonObject: ...
    def beat(self) -> JsonObject: ...
    def changes(self, after_sequence: int) -> Sequence[JsonObject]: ...


@dataclass
class _Seen:
    batch: object = None
    sequence: int = 0


def event(name: str, data: JsonObject, identity: int | None = None) -> str:
    """One event in the text of the server-sent events standard (WHATWG HTML section 9.2.5)."""
    head = "" if identity is None else f"id: {identity}\n"
    return f"{head}event: {name}\ndata: {dump(data)}\n\n"


async def events(page: Page, after_sequence: int | None, stopping: Callable[[], bool]) -> AsyncIterator[str]:
    """The stream. after_sequence: the last alert change this client has seen; None if it is new."""
    first = await asyncio.to_thread(page.now)
    newest = first["sequence"]
    assert isinstance(newest, int)
    seen = _Seen(batch=await asyncio.to_thread(page.batch), sequence=newest)
    if after_sequence is not None:
        # a database that was replaced starts its numbers anew
        seen.sequence = min(after_sequence, newest)
    yield "retry: 3000\n\n" + event("now", first, seen.sequence)
    loop = asyncio.get_running_loop()
    next_look = loop.time()
    next_beat = loop.time() + BEAT_SECONDS
    while not stopping():
        if loop.time() >= next_look:
            next_look = loop.time() + LOOK_SECONDS
            for text in await asyncio.to_thread(_news, page, seen):
                yield text
        if loop.time() >= next_beat:
            next_beat = loop.time() + BEAT_SECONDS
            yield event("beat", await asyncio.to_thread(page.beat))
        await asyncio.sleep(STEP_SECONDS)


def _news(page: Page, seen: _Seen) -> list[str]:
    texts: list[str] = []
    for change in page.changes(seen.sequence):
        sequence = change["sequence"]
        assert isinstance(sequence, int)
        seen.sequence = sequence
        texts.append(event("alert", change, sequence))
    batch = page.batch()
    if batch != seen.batch:
        seen.batch = batch
        texts.append(event("now", page.now()))
    return texts
