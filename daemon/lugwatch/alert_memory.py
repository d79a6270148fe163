"""What alerts wait for, as one JSON text that outlives a restart: silences, shelves, answers, delays, floods.

Everything is kept as seconds to go or seconds ago, never as a wall time: a clock that jumps ends no shelf
early and none never. After a mere restart the time that passed is counted; after a reboot nobody knows how
long it was, and it is not. The alerts themselves stand in their own table.
May import: model, alert_book.
"""

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from lugwatch.alert_book import Book, Due, Key, Restless
from lugwatch.model import Alert, AlertMemory, AlertState, Category, Condition

VERSION = 1
# Wall and monotonic time may disagree by this much and still tell of the same boot.
SAME_BOOT_SECONDS = 5.0


def same_boot(monotonic_pause_seconds: float, wall_pause_seconds: float) -> bool:
    """Whether a pause was a mere restart; after a reboot the monotonic clock has begun anew."""
    differ = abs(monotonic_pause_seconds - wall_pause_seconds)
    return monotonic_pause_seconds >= 0.0 and differ < SAME_BOOT_SECONDS


def memory(book: Book, monotonic_seconds: float, time: int) -> AlertMemory:
    """All that the book waits for, as of now."""
    now = monotonic_seconds

    def named(key: Key) -> list[str]:
        return [key[0].value, key[1]]

    def ages(since: Mapping[Key, float]) -> list[list[Any]]:
        return [[*named(key), now - began] for key, began in since.items()]

    document = {
        "version": VERSION,
        "monotonic_seconds": now,
        "time": time,
        "true": ages(book.true_since),
        "false": ages(book.false_since),
        "eased": ages(book.eased_since),
        "due": [
            [
                *named(key),
                _to_go(due.state_seconds, now),
                _to_go(due.answer_seconds, now),
                due.unanswered_count,
            ]
            for key, due in book.due.items()
        ],
        "restless": [
            [*named(key), now - restless.rectified_seconds, restless.returns_count]
            for key, restless in book.restless.items()
        ],
        "told": [now - at for at in book.told_seconds],
        "asked": [now - at for at in book.asked_seconds],
        "held": [named(key) for key in sorted(book.held)],
        "once": [named(key) for key in sorted(book.once)],
    }
    return AlertMemory(body=json.dumps(document, allow_nan=False, separators=(",", ":")), time=time)


def _to_go(until: float | None, now: float) -> float | None:
    return None if until is None else until - now


def resume(book: Book, body: str | None, monotonic_seconds: float, time: int) -> Book:
    """A book opened from its alerts, with what it waited for; what is not remembered begins anew.

    A text that is not ours leaves all to begin anew: nobody is told less for it.
    """
    document = _read(body)
    if document is not None:
        book = _with_memory(book, document, monotonic_seconds, time)
    due = {key: d for key, d in book.due.items() if key in book.alerts}
    for key, alert in book.alerts.items():
        if key not in due:
            due[key] = _anew(book, alert, monotonic_seconds)
    due = {key: d for key, d in due.items() if d != Due()}
    return replace(book, due=due, held=frozenset(key for key in book.held if key in book.alerts))


def _anew(book: Book, alert: Alert, now: float) -> Due:
    manners, state = book.manners, alert.state
    asks = state in (AlertState.ACTIVE_UNACKNOWLEDGED, AlertState.ACTIVE_SILENCED)
    waits = asks and alert.category is not Category.CAUTION
    ends = {
        AlertState.ACTIVE_SILENCED: manners.silence_seconds,
        AlertState.SHELVED: manners.shelve_seconds,
        AlertState.SHELVED_RECTIFIED: manners.shelve_seconds,
    }
    if alert.condition is Condition.OUT_OF_SERVICE:
        ends[AlertState.OUT_OF_SERVICE] = manners.service_seconds
    return Due(
        state_seconds=now + ends[state] if state in ends else None,
        answer_seconds=now + manners.escalate_seconds if waits else None,
    )


def _read(body: str | None) -> dict[str, Any] | None:
    try:
        document = json.loads(body or "")
    except json.JSONDecodeError:
        return None
    ours = isinstance(document, dict) and document.get("version") == VERSION
    return document if ours else None


def _with_memory(book: Book, document: dict[str, Any], now: float, time: int) -> Book:
    pause = now - document["monotonic_seconds"]
    passed = pause if same_boot(pause, (time - document["time"]) / 1000.0) else 0.0
    known = {condition.value: condition for condition in Condition}

    def key(row: list[Any]) -> Key:
        return (known[row[0]], row[1])

    def there(name: str) -> list[list[Any]]:
        # a condition of a newer version is left aside
        return [row for row in document[name] if row[0] in known]

    def since(name: str) -> dict[Key, float]:
        return {key(row): now - passed - row[2] for row in there(name)}

    def until(seconds: float | None) -> float | None:
        return None if seconds is None else now - passed + seconds

    return replace(
        book,
        true_since=since("true"),
        false_since=since("false"),
        eased_since=since("eased"),
        due={
            key(row): Due(state_seconds=until(row[2]), answer_seconds=until(row[3]), unanswered_count=row[4])
            for row in there("due")
        },
        restless={
            key(row): Restless(rectified_seconds=now - passed - row[2], returns_count=row[3])
            for row in there("restless")
        },
        told_seconds=tuple(now - passed - age for age in document["told"]),
        asked_seconds=tuple(now - passed - age for age in document["asked"]),
        held=frozenset(key(row) for row in there("held")),
        once=frozenset(key(row) for row in there("once")),
    )
