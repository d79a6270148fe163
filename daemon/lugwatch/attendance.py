"""Looks after those who look after the joints: workers that hang, ways out that fail.

A worker that is late is an alert, and starves the service manager's watchdog, which restarts the whole.
That no way out works can be said on the page alone; it is said there.
Not here: who reports when (`pulse`), the words (`watchman_words`). May import: pulse, publishers, model.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from typing import Protocol

from lugwatch import watchman_words
from lugwatch.clock import Clock
from lugwatch.model import Category, Condition
from lugwatch.publishers.loop import Health
from lugwatch.pulse import Pulse, ServiceManager

log = logging.getLogger("lugwatch")

# Networks come and go: shorter than this a way out that fails is nobody's business.
UNHEARD_SECONDS = 600.0
SOURCE = "source "  # how a worker that reads a bus is called: this and the bus
LOOK_SECONDS = 2.0


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
    ) -> None:
        self._pulse = pulse
        self._manager = manager
        self._ways = tuple(ways)
        self._report = report
        self._clock = clock
        self._stalled: set[str] = set()
        self._failing_since: dict[str, float] = {}  # way -> monotonic seconds
        self._unheard: set[str | None] = set()  # None: no way at all works
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
        for worker, silent_seconds in late.items():
            if worker not in self._stalled:
                log.error("%s has not reported for %.0f s", worker, silent_seconds)
                source = worker.removeprefix(SOURCE) if worker.startswith(SOURCE) else None
                text, advice = watchman_words.stalled(worker, source, silent_seconds)
                self._report(Condition.STALLED, True, part=source or worker, text=text, advice=advice)
        for worker in self._stalled - late.keys():
            log.warning("%s reports again", worker)
            self._report(Condition.STALLED, False, part=worker.removeprefix(SOURCE))
        self._stalled = set(late)
        healths = [way() for way in self._ways]
        self._look_at_ways(healths)
        if not late:
            self._manager.feed()
        self._manager.status(_status(late, healths))

    def _look_at_ways(self, healths: Sequence[Health]) -> None:
        now_seconds = self._clock.monotonic_seconds()
        failing = {health.name: health for health in healths if health.working is False}
        self._failing_since = {name: self._failing_since.get(name, now_seconds) for name in failing}
        lasting = {
            name: now_seconds - since
            for name, since in self._failing_since.items()
            if now_seconds - since >= UNHEARD_SECONDS
        }
        all_fail = bool(healths) and len(lasting) == len(healths)
        words = {name: f"{name}: {health.words}" for name, health in failing.items()}
        told: set[str | None] = set()
        if all_fail:
            told.add(None)
            text, advice = watchman_words.unheard_at_all([*words.values()], min(lasting.values()))
            self._say(None, Category.WARNING, text, advice)
        else:
            for name, seconds in lasting.items():
                if failing[name].is_aboard:
                    told.add(name)
                    text, advice = watchman_words.unheard_by(name, failing[name].words, seconds)
                    self._say(name, Category.CAUTION, text, advice)
        for part in self._unheard - told:
            self._report(Condition.UNHEARD, False, part=part)
        self._unheard = told

    def _say(self, part: str | None, category: Category, text: str, advice: str) -> None:
        if part not in self._unheard:
            self._report(Condition.UNHEARD, True, part=part, category=category, text=text, advice=advice)

    def _run(self) -> None:
        period = self._manager.watchdog_seconds
        # sd_watchdog_enabled(3) asks for half the period
        pause_seconds = LOOK_SECONDS if period is None else min(LOOK_SECONDS, period / 2.0)
        while not self._stop.is_set():
            self.look()
            self._clock.wait(self._stop, pause_seconds)


def _status(late: dict[str, float], healths: Sequence[Health]) -> str:
    if late:
        return "hanging: " + ", ".join(f"{worker} for {seconds:.0f} s" for worker, seconds in late.items())
    failing = [f"{health.name}: {health.words}" for health in healths if health.working is False]
    return "watching" + (f"; {'; '.join(failing)}" if failing else "")
