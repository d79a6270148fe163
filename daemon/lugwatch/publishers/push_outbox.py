"""What one destination of messages still has to be told, collapsed and rate-limited; time is an argument.

One line for each alert: what it says now, and whether that still waits. What was not sent while the
internet was away is not sent later as it was then, but as it is now. A flood is cut: the most important
go one by one, the rest as one message. An alert is said again while nobody acknowledges it, since the
watch says `speaks` again.
Not here: sending, threads, the database. May import: alert_book, model, units, standing.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from lugwatch.alert_book import SEVERITY
from lugwatch.model import Alert, AlertChange, AlertState, Category
from lugwatch.units import format_time

WINDOW_SECONDS = 600.0  # a flood is ten alerts in ten minutes: EEMUA 191, ISA-18.2
# What is over and could not be told for so long is of use to nobody.
STALE_MS = 24 * 3600 * 1000
LINES_KEPT = 300  # about 200 kB; more alerts than that do not stand at once
NAMED_IN_SUMMARY = 6
LEAST_RETRY_SECONDS = 15.0
MOST_RETRY_SECONDS = 300.0
_OVER = (AlertState.NORMAL, AlertState.RECTIFIED_UNACKNOWLEDGED, AlertState.SHELVED_RECTIFIED)
_ASKING = (AlertState.ACTIVE_UNACKNOWLEDGED, AlertState.ACTIVE_SILENCED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One alert at one destination; the row of `push_line`."""

    destination: int  # the line of the file of addresses
    alert_id: int
    sequence: int  # of the change that it rests on
    category: Category
    raised_time: int
    title: str
    body: str
    is_over: bool
    is_waiting: bool
    is_told: bool  # of this alert at least once
    tries: int
    last_error: str | None  # without any part of an address
    queued_time: int
    sent_time: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Push:
    """One message, and the lines it tells."""

    category: Category
    title: str
    body: str
    lines: tuple[Line, ...]


def words(boat: str, alert: Alert) -> tuple[str, str]:
    """Title and text of an alert as it is now."""
    what = alert.condition.value.replace("_", " ")
    if alert.state in _OVER:
        since = "" if alert.rectified_time is None else f" since {format_time(alert.rectified_time)}"
        return f"{boat}: over: {what}", (
            f"Over{since}, raised {format_time(alert.raised_time)}. It said: {alert.text}"
        )
    return f"{boat}: {alert.category.value.upper()}: {what}", (
        f"{alert.text}\nSince {format_time(alert.raised_time)}. {alert.advice}"
    )


class PushOutbox:
    """Of one destination. Not safe for threads; whoever owns it holds the lock."""

    def __init__(self, destination: int, boat: str, categories: Iterable[Category], most: int) -> None:
        self.destination = destination
        self._boat = boat
        self._categories = frozenset(categories)
        self._most = most
        self._lines: dict[int, Line] = {}
        self._sent_seconds: deque[float] = deque()  # monotonic
        self._retry_seconds = 0.0  # monotonic: not before
        self._delay_seconds = LEAST_RETRY_SECONDS
        self._failures = 0
        self._tried_seconds: float | None = None
        self.changed: set[int] = set()  # alert ids whose lines are to be written or deleted

    def restore(self, lines: Iterable[Line], now_time: int, now_seconds: float) -> None:
        """What stood in the database; messages of the last ten minutes count against the limit."""
        mine = [line for line in lines if line.destination == self.destination]
        self._lines = {line.alert_id: line for line in mine}
        ages = sorted({(now_time - line.sent_time) / 1000.0 for line in mine if line.sent_time is not None})
        self._sent_seconds = deque(now_seconds - age for age in reversed(ages) if 0.0 <= age < WINDOW_SECONDS)

    def stand(self, alert: Alert, sequence: int, time: int) -> None:
        """An alert that stood before messages were configured."""
        if alert.state in _ASKING and alert.category in self._categories:
            self._put(alert, sequence, time, is_waiting=True)

    def note(self, change: AlertChange) -> None:
        """Take in one change of an alert."""
        alert, line = change.alert, self._lines.get(change.alert.alert_id)
        wanted = alert.category in self._categories
        if change.speaks and wanted:
            # news is tried at once, if there was no try a moment ago
            if self._tried_seconds is not None:
                self._retry_seconds = min(self._retry_seconds, self._tried_seconds + LEAST_RETRY_SECONDS)
            self._put(alert, change.sequence, change.time, is_waiting=True)
        elif line is None:
            return
        elif alert.state in _OVER:
            if line.is_over:
                # over already; the last word is that somebody has seen it
                if not line.is_waiting and alert.state is AlertState.NORMAL:
                    self._drop(alert.alert_id)
            elif line.category is Category.CAUTION or not (line.is_told or line.is_waiting):
                self._drop(alert.alert_id)
            else:
                self._put(alert, change.sequence, change.time, is_waiting=True)
        elif alert.state not in _ASKING or not wanted:
            # somebody on board has it, or it is no longer asked for: what has not left need not leave
            self._put(alert, change.sequence, change.time, is_waiting=False)

    def _put(self, alert: Alert, sequence: int, time: int, *, is_waiting: bool) -> None:
        title, body = words(self._boat, alert)
        before = self._lines.get(alert.alert_id)
        again = before is not None and before.is_waiting
        self._lines[alert.alert_id] = Line(
            destination=self.destination,
            alert_id=alert.alert_id,
            sequence=sequence,
            category=alert.category,
            raised_time=alert.raised_time,
            title=title,
            body=body,
            is_over=alert.state in _OVER,
            is_waiting=is_waiting,
            is_told=before is not None and before.is_told,
            tries=before.tries if before is not None and again else 0,
            last_error=before.last_error if before is not None and again else None,
            queued_time=before.queued_time if before is not None and again else time,
            sent_time=None if before is None else before.sent_time,
        )
        self.changed.add(alert.alert_id)
        if len(self._lines) > LINES_KEPT:
            self._drop(
                max(self._lines.values(), key=lambda line: (not line.is_waiting, *_rank(line))).alert_id
            )

    def _drop(self, alert_id: int) -> None:
        del self._lines[alert_id]
        self.changed.add(alert_id)

    def line(self, alert_id: int) -> Line | None:
        return self._lines.get(alert_id)

    def waiting(self) -> list[Line]:
        """What still waits, most important first."""
        return sorted((line for line in self._lines.values() if line.is_waiting), key=_rank)

    def due_in_seconds(self, now_seconds: float) -> float | None:
        """Until a message may be sent; None: nothing waits."""
        if not any(line.is_waiting for line in self._lines.values()):
            return None
        self._forget_old(now_seconds)
        until = self._retry_seconds - now_seconds
        if len(self._sent_seconds) >= self._most:
            until = max(until, self._sent_seconds[0] + WINDOW_SECONDS - now_seconds)
        return max(0.0, until)

    def take(self, now_seconds: float, now_time: int) -> Push | None:
        """The next message, or None while there is none or it has to wait. It stays until `sent`."""
        for line in self.waiting():
            if line.is_over and now_time - line.queued_time > STALE_MS:
                self._drop(line.alert_id)
        waiting = self.waiting()
        if not waiting or self.due_in_seconds(now_seconds) != 0.0:
            return None
        self._tried_seconds = now_seconds
        if len(waiting) == 1 or self._most - len(self._sent_seconds) > 1:
            first = waiting[0]
            return Push(category=first.category, title=first.title, body=first.body, lines=(first,))
        return _summary(self._boat, waiting)

    def sent(self, push: Push, now_seconds: float, now_time: int) -> None:
        """The service has taken it."""
        self._sent_seconds.append(now_seconds)
        self._failures, self._retry_seconds = 0, now_seconds
        for told in push.lines:
            line = self._lines.get(told.alert_id)
            if line is None:
                continue
            self.changed.add(line.alert_id)
            if line.sequence != told.sequence:
                # it changed while the message was on its way: what it says now still waits
                self._lines[line.alert_id] = replace(line, is_told=True, sent_time=now_time)
            elif line.is_over:
                self._drop(line.alert_id)
            else:
                self._lines[line.alert_id] = replace(
                    line, is_waiting=False, is_told=True, sent_time=now_time, last_error=None
                )

    def failed(self, push: Push, error: str, now_seconds: float) -> None:
        """It was not taken; tried again after a delay that doubles."""
        self._failures += 1
        delay = min(MOST_RETRY_SECONDS, LEAST_RETRY_SECONDS * 2.0 ** min(self._failures - 1, 10))
        self._retry_seconds = now_seconds + delay
        for told in push.lines:
            line = self._lines.get(told.alert_id)
            if line is not None:
                self._lines[line.alert_id] = replace(line, tries=line.tries + 1, last_error=error)
                self.changed.add(line.alert_id)

    def _forget_old(self, now_seconds: float) -> None:
        while self._sent_seconds and now_seconds - self._sent_seconds[0] >= WINDOW_SECONDS:
            self._sent_seconds.popleft()


def _rank(line: Line) -> tuple[bool, int, int, int]:
    return (line.is_over, -SEVERITY[line.category], line.raised_time, line.alert_id)


def _summary(boat: str, lines: Sequence[Line]) -> Push:
    """All that waits in one message, most important first."""
    named = [f"- {line.body.splitlines()[0]}" for line in lines[:NAMED_IN_SUMMARY]]
    rest = len(lines) - len(named)
    if rest:
        named.append(f"- and {rest} more: see the page or `lugwatch alerts`")
    return Push(
        category=lines[0].category,
        title=f"{boat}: and {len(lines)} more, first {lines[0].title.removeprefix(f'{boat}: ')}",
        body="\n".join(["More at once than is sent one by one:", *named]),
        lines=tuple(lines),
    )
