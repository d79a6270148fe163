"""Looks after those who look after the joints: workers that hang, ways out that fail.

A worker that is late is an alert, and starves the service manager's watchdog, which restarts the whole.
That no way out works can be said on the page alone; it is said there.
Not here: who reports when (`pulse`), the words (`watchman_words`). May import: pulse, publishers, model.
"""

import logging
import math
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from lugwatch import watchman_words
from lugwatch.clock import Clock
from lugwatch.model import Alert, Category, Condition
from lugwatch.publishers.loop import Health
from lugwatch.pulse import Pulse, ServiceManager

log = logging.getLogger("lugwatch")

# Networks come and go: shorter than this a way out that fails is nobody's business.
UNHEARD_SECONDS = 600.0
SOURCE = "source "  # how a worker that reads a bus is called: this and the bus
LOOK_SECONDS = 2.0
AGAIN_SECONDS = 60.0
# So long after a start it is known whether what was told before is still true; the slowest has 180 s.
KNOWN_SECONDS = {Condition.STALLED: 240.0, Condition.UNHEARD: UNHEARD_SECONDS + 60.0}
# What is wrong now: condition and part -> category, text and advice.
Trouble = dict[tuple[Condition, str | None], tuple[Category, str, str]]


class Report(Protocol):
    """`runner.Watch.report`."""

    def __call__(
        self,
        condition: Condition,
        troubled: bool,
        *,
        part: str | None = None,
        category: Category | None = None,
        text: str = "",
        advice: str = "",
    ) -> None: ...


class Attendance:
    """One thread that looks every two seconds; `look` alone is what a test turns."""

    def __init__(
        self,
        pulse: Pulse,
        manager: ServiceManager,
        ways: Sequence[Callable[[], Health]],
        *,
        report: Report,
        clock: Clock,
        standing: Sequence[Alert] = (),
    ) -> None:
        self._pulse = pulse
        self._manager = manager
        self._ways = tuple(ways)
        self._report = report
        self._clock = clock
        self._told_seconds: dict[tuple[Condition, str | None], float] = {}  # what is told now, and when last
        self._failing_since: dict[str, float] = {}  # way -> monotonic seconds
        # Told before a restart, which may be the watchdog's: it is over when that is known, not at once.
        now_seconds = clock.monotonic_seconds()
        self._inherited = {
            (alert.condition, alert.channel): now_seconds + KNOWN_SECONDS[alert.condition]
            for alert in standing
            if alert.condition in KNOWN_SECONDS
        }
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="attendance", daemon=True)

    def start(self) -> None:
        self._manager.ready()
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._manager.stopping()
        if self._thread.ident is not None:
            self._thread.join(2.0 * LOOK_SECONDS)

    def look(self) -> None:
        """Once: report what hangs and what fails, feed the watchdog if all have reported."""
        late = {one.worker: one.silent_seconds for one in self._pulse.late()}
        healths = [way() for way in self._ways]
        true = {**self._hanging(late), **self._failing(healths)}
        now_seconds = self._clock.monotonic_seconds()
        for key, (category, text, advice) in true.items():
            # told again now and then, since its text says for how long
            if now_seconds - self._told_seconds.get(key, -math.inf) >= AGAIN_SECONDS:
                condition, part = key
                if key not in self._told_seconds:
                    log.error("%s", text)
                self._report(condition, True, part=part, category=category, text=text, advice=advice)
                self._told_seconds[key] = now_seconds
        for key, until_seconds in tuple(self._inherited.items()):
            if key in true or now_seconds >= until_seconds:
                del self._inherited[key]
                self._told_seconds.setdefault(key, now_seconds)
        for condition, part in [key for key in self._told_seconds if key not in true]:
            log.warning("%s is over: %s", condition.value, part or "all ways out")
            self._report(condition, False, part=part)
            del self._told_seconds[condition, part]
        if not late:
            self._manager.feed()
        self._manager.status(_status(late, healths))

    def _hanging(self, late: Mapping[str, float]) -> Trouble:
        """A worker that has not reported within its time."""
        found: Trouble = {}
        for worker, silent_seconds in late.items():
            source = worker.removeprefix(SOURCE) if worker.startswith(SOURCE) else None
            text, advice = watchman_words.stalled(worker, source, silent_seconds)
            found[Condition.STALLED, source or worker] = (Category.WARNING, text, advice)
        return found

    def _failing(self, healths: Sequence[Health]) -> Trouble:
        """No way out works, or one on board does not, for ten minutes."""
        now_seconds = self._clock.monotonic_seconds()
        failing = {health.name: health for health in healths if health.working is False}
        self._failing_since = {name: self._failing_since.get(name, now_seconds) for name in failing}
        lasting = {
            name: now_seconds - since
            for name, since in self._failing_since.items()
            if now_seconds - since >= UNHEARD_SECONDS
        }
        if healths and len(lasting) == len(healths):
            words = [f"{name}: {health.words}" for name, health in failing.items()]
            text, advice = watchman_words.unheard_at_all(words, min(lasting.values()))
            return {(Condition.UNHEARD, None): (Category.WARNING, text, advice)}
        found: Trouble = {}
        for name, seconds in lasting.items():
            if failing[name].is_aboard:
                text, advice = watchman_words.unheard_by(name, failing[name].words, seconds)
                found[Condition.UNHEARD, name] = (Category.CAUTION, text, advice)
        return found

    def _run(self) -> None:
        period = self._manager.watchdog_seconds
        # sd_watchdog_enabled(3) asks for half the period
        pause_seconds = LOOK_SECONDS if period is None else min(LOOK_SECONDS, period / 2.0)
        while not self._stop.is_set():
            self.look()
            self._clock.wait(self._stop, pause_seconds)


def _status(late: Mapping[str, float], healths: Sequence[Health]) -> str:
    if late:
        return "hanging: " + ", ".join(f"{worker} for {seconds:.0f} s" for worker, seconds in late.items())
    failing = [f"{health.name}: {health.words}" for health in healths if health.working is False]
    return "watching" + (f"; {'; '.join(failing)}" if failing else "")
