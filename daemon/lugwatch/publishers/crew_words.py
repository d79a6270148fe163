"""What the crew sends to `ack`, and what is answered on `reply`: whether it was done.

Whatever comes is either a word with a deed or a sentence on what is wrong with it. A deed is done when
the alert change that it makes has come through the watch; what makes no change in time was not done.
Not here: connections, threads. May import: model, json_shapes, units.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from lugwatch.json_shapes import JsonObject, dump
from lugwatch.model import Alert, AlertChange, AlertChangeKind, AlertState, CrewDeed
from lugwatch.units import format_time

WORD_BYTES = 1024  # a word of the crew is shorter than this
WAITING_KEPT = 32
_NAME_LENGTH = 40
_MOST_MINUTES = 7 * 24 * 60.0
# deed -> the kind of alert change that shows that it is done; what is not here is not done from a phone
_SHOWS = {
    CrewDeed.ACKNOWLEDGE: AlertChangeKind.ACKNOWLEDGED,
    CrewDeed.SILENCE: AlertChangeKind.SILENCED,
    CrewDeed.SHELVE: AlertChangeKind.SHELVED,
    CrewDeed.UNSHELVE: AlertChangeKind.UNSHELVED,
}
DEEDS = tuple(deed.value for deed in _SHOWS)
_SHELVED = (AlertState.SHELVED, AlertState.SHELVED_RECTIFIED)
_FORM = 'send {"alert_id": 7}'


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewWord:
    """One word of the crew, understood."""

    deed: CrewDeed
    alert_id: int | None  # None: all that sounds (silence only)
    who: str
    for_seconds: float | None = None  # shelve: None is the usual time
    request: str | None = None  # of the sender, given back in the reply


def read(payload: bytes) -> CrewWord | str:
    """The word in a message to `ack`, or what is wrong with it."""
    if len(payload) > WORD_BYTES:
        return f"longer than {WORD_BYTES} bytes; {_FORM}"
    try:
        word = json.loads(payload)
    except (ValueError, RecursionError):
        return f"not JSON; {_FORM}"
    if isinstance(word, int) and not isinstance(word, bool):
        word = {"alert_id": word}
    if not isinstance(word, dict):
        return f"no alert number; {_FORM}"
    return _read_object(word)


def _read_object(word: Mapping[str, object]) -> CrewWord | str:
    name = word.get("deed", CrewDeed.ACKNOWLEDGE)
    if not isinstance(name, str) or name not in DEEDS:
        return f"deed is none of {', '.join(DEEDS)}; {_FORM}"
    alert_id, minutes = _number(word.get("alert_id")), _number(word.get("minutes"))
    needed = name != CrewDeed.SILENCE or word.get("alert_id") is not None
    if needed and not (isinstance(alert_id, int) and 0 < alert_id < 2**63):
        return f"alert_id is no alert's number; {_FORM}"
    if word.get("minutes") is not None and not (minutes is not None and 0 < minutes <= _MOST_MINUTES):
        return f"minutes is no number above 0 and up to {_MOST_MINUTES:g}"
    who, request = _text(word.get("who")), _text(word.get("request"))
    return CrewWord(
        deed=CrewDeed(name),
        alert_id=None if alert_id is None else int(alert_id),
        who=f"{who} (MQTT)" if who else "MQTT",
        for_seconds=None if minutes is None else 60.0 * minutes,
        request=request or None,
    )


def _number(value: object) -> int | float | None:
    return value if isinstance(value, int | float) and not isinstance(value, bool) else None


def _text(value: object) -> str:
    if not isinstance(value, str):
        return ""
    return "".join(c for c in value if c.isprintable()).strip()[:_NAME_LENGTH]


def _already(deed: CrewDeed, alert: Alert) -> str | None:
    """What is to be said where the deed would change nothing; None where it changes something."""
    match deed:
        case CrewDeed.ACKNOWLEDGE if alert.state is AlertState.ACTIVE_ACKNOWLEDGED:
            by = f" by {alert.acknowledged_by}" if alert.acknowledged_by else ""
            return f"It was acknowledged already{by}."
        case CrewDeed.SILENCE if alert.state is not AlertState.ACTIVE_UNACKNOWLEDGED:
            return "It makes no sound now."
        case CrewDeed.UNSHELVE if alert.state not in _SHELVED:
            return "It is not put aside."
    return None


def refusal(reason: str, time: int) -> str:
    """The reply to what was not understood."""
    return _reply(None, time, done=False, text=f"Not understood: {reason}.")


def _reply(word: CrewWord | None, time: int, *, done: bool, text: str) -> str:
    answer: JsonObject = {
        "alert_id": None if word is None else word.alert_id,
        "deed": None if word is None else word.deed.value,
        "done": done,
        "text": text,
        "time": format_time(time),
        "request": None if word is None else word.request,
    }
    return dump(answer)


class Desk:
    """Words that were handed on and are not answered yet; used by one thread. At most `WAITING_KEPT`."""

    def __init__(self, *, reply_seconds: float) -> None:
        self._reply_seconds = reply_seconds
        self._waiting: list[tuple[float, CrewWord]] = []  # monotonic seconds at which patience ends

    def ask(self, word: CrewWord, alerts: Mapping[int, Alert], now_seconds: float, time: int) -> str | None:
        """The reply where it is known at once; else None, the word is to be handed on and waits here."""
        if word.alert_id is None:
            if not alerts:
                return _reply(word, time, done=False, text="No alert stands now.")
        elif (alert := alerts.get(word.alert_id)) is None:
            return _reply(word, time, done=False, text=f"No alert {word.alert_id} stands now.")
        elif already := _already(word.deed, alert):
            return _reply(word, time, done=True, text=already)
        if len(self._waiting) >= WAITING_KEPT:
            return _reply(word, time, done=False, text="Too many words at once; send it again.")
        self._waiting.append((now_seconds + self._reply_seconds, word))
        return None

    def changed(self, change: AlertChange, time: int) -> list[str]:
        """Replies to the words that this change answers."""
        alert, done = change.alert, list[CrewWord]()
        for waiting in list(self._waiting):
            word = waiting[1]
            if word.alert_id in (None, alert.alert_id) and change.change is _SHOWS[word.deed]:
                self._waiting.remove(waiting)
                done.append(word)
        what = f"{change.change.value.capitalize()}: {alert.text}"
        return [_reply(word, time, done=True, text=what) for word in done]

    def overdue(self, now_seconds: float, time: int) -> list[str]:
        """Replies to the words that nothing came of."""
        late = [word for until, word in self._waiting if now_seconds >= until]
        self._waiting = [waiting for waiting in self._waiting if now_seconds < waiting[0]]
        text = f"Nothing came of it in {self._reply_seconds:.0f} s: look at the alert, and send it again."
        return [_reply(word, time, done=False, text=text) for word in late]
