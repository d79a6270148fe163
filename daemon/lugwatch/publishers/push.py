"""Messages over the internet: each destination told by itself, tried again for ever, nothing lost.

What waits is in the database before it is tried (`store.push_lines`). A service that hangs holds up
nobody else: each attempt has a thread of its own, and one destination has one attempt at a time, so
that nothing is said twice because an answer was late.
Not here: what is said and how often (`push_outbox`), apprise (`push_services`). May import: clock,
config, errors, model, store.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path

from lugwatch.clock import Clock
from lugwatch.config_ways import PushSettings
from lugwatch.errors import OperationFailed
from lugwatch.model import Alert, AlertChange, Category, Output
from lugwatch.publishers import push_services
from lugwatch.publishers.loop import Health, Loop
from lugwatch.publishers.push_outbox import Line, Push, PushOutbox
from lugwatch.publishers.push_services import Destination
from lugwatch.store import push_lines

log = logging.getLogger("lugwatch")

LATE_SECONDS = 60.0  # an attempt that takes longer is told as trouble…
GIVEN_UP_SECONDS = 600.0  # …and one that takes so long is left alone, and another begun
SAVE_AGAIN_SECONDS = 30.0
GOODBYE_SECONDS = 3.0

Send = Callable[[Destination, Category, str, str], str | None]
Spawn = Callable[[Callable[[], None]], None]


def in_a_thread(work: Callable[[], None]) -> None:
    threading.Thread(target=work, name="push attempt", daemon=True).start()


class _Attempt:
    """One message on its way; `done` is set by its thread, read by the loop."""

    def __init__(self, push: Push, now_seconds: float) -> None:
        self.push = push
        self.since_seconds = now_seconds
        self.done = False
        self.error: str | None = None


class _Line:
    """One destination: its outbox and the attempt that is under way."""

    def __init__(self, destination: Destination, outbox: PushOutbox) -> None:
        self.destination = destination
        self.outbox = outbox
        self.attempt: _Attempt | None = None
        self.working: bool | None = None
        self.trouble: str | None = None


class PushPublisher:
    """Tells every destination in the file of addresses.

    Raises UserError where apprise or the file is missing or wrong.
    """

    name = "push messages"

    def __init__(
        self,
        settings: PushSettings,
        boat: str,
        database: Path,
        *,
        clock: Clock,
        send: Send = push_services.send,
        spawn: Spawn = in_a_thread,
        destinations: Sequence[Destination] | None = None,
    ) -> None:
        if destinations is None:
            destinations = push_services.read_destinations(settings.urls_file)
        self._settings = settings
        self._database = database
        self._clock = clock
        self._send = send
        self._spawn = spawn
        self._lock = threading.Lock()  # of the outboxes and what is set beside them
        self._lines = [
            _Line(
                destination,
                PushOutbox(destination.line, boat, settings.categories, settings.most_in_ten_minutes),
            )
            for destination in destinations
        ]
        self._heard = 0
        self._gone: list[tuple[int, int]] = []
        self._is_saved = False
        self._save_seconds = clock.monotonic_seconds()
        self.loop = Loop(self.name, self.turn, clock)

    def restore(self, alerts: Sequence[Alert]) -> None:
        """Find what waits from before, and what was committed and never taken in. Before `start`."""
        now_seconds, now_time = self._clock.monotonic_seconds(), self._clock.time()
        try:
            heard, rows, missed = push_lines.load(self._database)
            self._heard = push_lines.last_sequence(self._database) if heard is None else heard
        except OperationFailed as error:
            log.warning("push messages: what waited from before is not known (%s)", error)
            return
        lines = [_line(row) for row in rows]
        known = {line.destination.line for line in self._lines}
        # of addresses that are no longer in the file
        self._gone = [(row.destination, row.alert_id) for row in lines if row.destination not in known]
        for line in self._lines:
            line.outbox.restore(lines, now_time, now_seconds)
            if heard is None:
                for alert in alerts:
                    line.outbox.stand(alert, self._heard, now_time)
        self._note(missed)

    def start(self) -> None:
        self.loop.start()

    def publish(self, outputs: Sequence[Output]) -> None:
        """Take over what the store has committed; never blocks."""
        self._note([output for output in outputs if isinstance(output, AlertChange)])
        self.loop.wake()

    def _note(self, changes: Sequence[AlertChange]) -> None:
        with self._lock:
            for change in changes:
                if change.sequence <= self._heard:
                    continue
                self._heard = change.sequence
                self._is_saved = False
                for line in self._lines:
                    line.outbox.note(change)

    def health(self) -> Health:
        with self._lock:
            states = [line.working for line in self._lines]
            words = [
                f"{line.destination.name}: {line.trouble or ('works' if line.working else 'not tried yet')}"
                + (f", {waiting} waiting" if (waiting := len(line.outbox.waiting())) else "")
                for line in self._lines
            ]
        working = True if True in states else (None if None in states else False)
        return Health(name=self.name, working=working, words="; ".join(words))

    def close(self) -> None:
        """What waits stands in the database and is sent after the next start."""
        if self.loop.close(GOODBYE_SECONDS):
            self._save()

    def turn(self) -> float:
        """Take in what attempts brought, begin what is due; seconds until something may be due again."""
        pauses = [60.0]
        now_seconds, now_time = self._clock.monotonic_seconds(), self._clock.time()
        with self._lock:
            for line in self._lines:
                self._take_in(line, now_seconds, now_time)
        # on the card before it is tried: what is tried and killed is tried again
        if self._is_due_to_save(now_seconds):
            self._save()
        for line in self._lines:
            with self._lock:
                attempt = self._begin(line, now_seconds, now_time)
                due = line.outbox.due_in_seconds(now_seconds)
            if attempt is not None:
                self._spawn(self._work(line, attempt))
            if line.attempt is None and due is not None:
                pauses.append(due)
        return max(min(pauses), 0.05)

    def _take_in(self, line: _Line, now_seconds: float, now_time: int) -> None:
        attempt = line.attempt
        if attempt is None:
            return
        gone_seconds = now_seconds - attempt.since_seconds
        if attempt.done and attempt.error is None:
            line.outbox.sent(attempt.push, now_seconds, now_time)
            line.working, line.trouble, line.attempt = True, None, None
        elif attempt.done or gone_seconds > GIVEN_UP_SECONDS:
            error = attempt.error or f"no answer for {GIVEN_UP_SECONDS / 60:.0f} min"
            line.outbox.failed(attempt.push, error, now_seconds)
            self._say_trouble(line, error)
            line.attempt = None
        elif gone_seconds > LATE_SECONDS:
            self._say_trouble(line, f"no answer for {LATE_SECONDS:.0f} s")

    def _say_trouble(self, line: _Line, error: str) -> None:
        if line.working is not False:
            log.warning("%s: %s; tried again", line.destination.name, error)
        line.working, line.trouble = False, error

    def _begin(self, line: _Line, now_seconds: float, now_time: int) -> _Attempt | None:
        if line.attempt is not None:
            return None
        push = line.outbox.take(now_seconds, now_time)
        if push is None:
            return None
        line.attempt = _Attempt(push, now_seconds)
        return line.attempt

    def _work(self, line: _Line, attempt: _Attempt) -> Callable[[], None]:
        def work() -> None:
            push = attempt.push
            attempt.error = self._send(line.destination, push.category, push.title, push.body)
            attempt.done = True
            self.loop.wake()

        return work

    def _is_due_to_save(self, now_seconds: float) -> bool:
        changed = not self._is_saved or any(line.outbox.changed for line in self._lines)
        return changed and now_seconds >= self._save_seconds

    def _save(self) -> None:
        with self._lock:
            heard = self._heard
            keys = [(line, alert_id) for line in self._lines for alert_id in sorted(line.outbox.changed)]
            rows = [_row(found) for line, i in keys if (found := line.outbox.line(i)) is not None]
            gone = [*self._gone]
            gone += [(line.destination.line, i) for line, i in keys if line.outbox.line(i) is None]
            for line in self._lines:
                line.outbox.changed.clear()
            self._is_saved = True
        try:
            push_lines.save(self._database, heard, rows, gone)
            self._gone = []
        except OperationFailed as error:
            # a full or read-only card: messages go out from memory, and are written when it is well again
            log.info("what waits is not on the card (%s)", error)
            with self._lock:
                for line, alert_id in keys:
                    line.outbox.changed.add(alert_id)
                self._is_saved = False
            self._save_seconds = self._clock.monotonic_seconds() + SAVE_AGAIN_SECONDS


def _row(line: Line) -> dict[str, object]:
    row = asdict(line)
    return row | {name: int(row[name]) for name in ("is_over", "is_waiting", "is_told")}


def _line(row: dict[str, object]) -> Line:
    values = {name: row[name] for name in push_lines.COLUMNS}
    flags = {name: bool(row[name]) for name in ("is_over", "is_waiting", "is_told")}
    return Line(**values | flags | {"category": Category(str(row["category"]))})  # type: ignore[arg-type]
