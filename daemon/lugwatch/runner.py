"""The shell around the core: a thread per source, one for the pipeline, one for the store.

    source threads -> bounded queue -> pipeline (this thread) -> bounded queue -> store, then publishers

Store first: nobody hears of an alert that a power cut would make unhappen, unless the store itself is
out of order. The only `except Exception` of the package stands here, in the supervisor of a source.
Longer than other files: the threads and what passes between them are read side by side.
Not here: any decision about joints. May import: everything but cli and dashboard.
"""

import logging
import os
import queue
import threading
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from lugwatch import journal, learning, pipeline, snapshot
from lugwatch.attendance import SOURCE
from lugwatch.batch import Batch, WaitingBatches, shed
from lugwatch.boat_clock import Step
from lugwatch.clock import Clock, SystemClock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.labels import Labels, moved
from lugwatch.model import (
    AlertChange,
    Category,
    Condition,
    CrewAction,
    CrewDeed,
    Fault,
    FaultKind,
    JournalEntry,
    Output,
    Tick,
    WatchmanReport,
)
from lugwatch.pulse import Pulse
from lugwatch.sources.base import Source
from lugwatch.store import damage
from lugwatch.store.beside import Beside
from lugwatch.store.decode import CrewActionRow
from lugwatch.store.errors import StoreDamaged
from lugwatch.store.recording_state import ADVICE, RecordingState
from lugwatch.store.writer import LOCK_SECONDS, Store

log = logging.getLogger("lugwatch")

# A minute of a busy boat; a longer backlog means that the core stands still, and old readings go first.
EVENTS_KEPT = 20_000
# What a store that cannot write may leave in memory: about an hour of a busy boat.
OUTPUTS_KEPT = 200_000
BATCHES_KEPT = 1_000
COMMIT_SECONDS = 9.0
SNAPSHOT_SECONDS = 300.0
# How long an alert waits for another program's lock before it is said unwritten.
URGENT_SECONDS = 1.0
RESTART_SECONDS = (1.0, 2.0, 5.0, 15.0, 60.0)
STOP_SECONDS = 4.0
# Within these real seconds each worker has to report, or it hangs. A card may stall for many seconds (C40),
# and a source waits up to a minute after its own code failed.
PIPELINE_SECONDS = 60.0
STORE_SECONDS = 180.0
SOURCE_SECONDS = 120.0


class Publisher(Protocol):
    """Somebody who tells others; never blocks, never raises for the state of the outside."""

    def start(self) -> None: ...
    def publish(self, outputs: Sequence[Output]) -> None: ...
    def close(self) -> None: ...


class Watch:
    """Runs sources, pipeline, store and publishers until `stop` is set."""

    def __init__(
        self,
        *,
        state: pipeline.State,
        sources: Sequence[Source],
        store: Store,
        publishers: Sequence[Publisher],
        clock: Clock,
        stop: threading.Event,
        pulse: Pulse | None = None,
    ) -> None:
        self._pulse = pulse or Pulse(SystemClock())
        self._state = state
        self._sources = sources
        self._store = store
        self._publishers = list(publishers)
        self._clock = clock
        self._stop = stop
        self._events: queue.Queue[pipeline.Event] = queue.Queue(EVENTS_KEPT)
        self._batches = WaitingBatches(BATCHES_KEPT)
        self._interval_seconds = state.plan.boat.watching.interval_seconds
        self._lost_events = 0
        # beside the bounded queue, since an entry must not be given up; there are a few in a season
        self._entries: queue.SimpleQueue[JournalEntry] = queue.SimpleQueue()
        self._heard = state.journal  # the numbers handed out already; of the store's thread

    def add_publisher(self, publisher: Publisher) -> None:
        """Before `run`: one more who is told what was committed."""
        self._publishers.append(publisher)

    @property
    def backlog(self) -> int:
        """Events that wait to be taken in."""
        return self._events.qsize()

    @property
    def unwritten(self) -> int:
        """Batches that wait for the store."""
        return len(self._batches)

    def put(self, event: pipeline.Event) -> None:
        """Hand over an event from any thread; never blocks. When full, the oldest goes."""
        while True:
            try:
                self._events.put_nowait(event)
                return
            except queue.Full:
                try:
                    self._events.get_nowait()
                    self._lost_events += 1
                except queue.Empty:
                    continue

    def act(
        self,
        deed: CrewDeed,
        who: str,
        *,
        alert_id: int | None = None,
        joint: str | None = None,
        for_seconds: float | None = None,
    ) -> None:
        """Somebody did something about an alert or a joint: the one way in for whatever way it came."""
        self.put(
            CrewAction(
                deed=deed,
                alert_id=alert_id,
                joint=joint,
                for_seconds=for_seconds,
                who=who,
                monotonic_seconds=self._clock.monotonic_seconds(),
                time=self._clock.time(),
            )
        )

    def acknowledge(self, alert_id: int, who: str) -> None:
        self.act(CrewDeed.ACKNOWLEDGE, who, alert_id=alert_id)

    def report(
        self,
        condition: Condition,
        troubled: bool,
        *,
        part: str | None = None,
        category: Category | None = None,
        text: str = "",
        advice: str = "",
    ) -> None:
        """A part of the watch itself is in trouble, or well again; from any thread, however often."""
        self.put(
            WatchmanReport(
                condition=condition,
                troubled=troubled,
                part=part,
                category=category,
                text=text,
                advice=advice,
                monotonic_seconds=self._clock.monotonic_seconds(),
                time=self._clock.time(),
            )
        )

    def write_soon(self) -> None:
        """From any thread: something that is no output is to be written, and not only in five seconds."""
        if not len(self._batches):  # else a batch is on its way
            now, time = self._clock.monotonic_seconds(), self._clock.time()
            self._batches.put(Batch(outputs=(), monotonic_seconds=now, time=time, snapshot=None))

    def run(self) -> None:
        """Watch until `stop`; then write what is left and close everything."""
        writer = threading.Thread(target=self._write, name="store", daemon=True)
        writer.start()
        readers = [
            threading.Thread(target=self._read, args=(s,), name=s.name, daemon=True) for s in self._sources
        ]
        for publisher in self._publishers:
            publisher.start()
        for reader in readers:
            reader.start()
        self._pipe(readers)
        self._batches.end()
        writer.join(STOP_SECONDS)
        for publisher in self._publishers:
            publisher.close()
        if not writer.is_alive():
            self._store.close()

    # ---- one thread per source ---------------------------------------------------------------

    def _read(self, source: Source) -> None:
        """Poll for ever; if the source's own code fails, say so and go on after a while."""
        failures = 0
        worker = f"{SOURCE}{source.name}"
        report = self._pulse.expect(worker, SOURCE_SECONDS + 2.0 * source.interval_seconds)
        while not self._stop.is_set():
            report()
            started = self._clock.monotonic_seconds()
            try:
                for event in source.poll():
                    self.put(event)
                failures = 0
            except Exception as error:
                log.exception("source %s failed; trying again", source.name)
                self.put(self._crashed(source, error))
                pause = RESTART_SECONDS[min(failures, len(RESTART_SECONDS) - 1)]
                failures += 1
                self._clock.wait(self._stop, pause)
            spent = self._clock.monotonic_seconds() - started
            if source.interval_seconds > spent:
                self._clock.wait(self._stop, source.interval_seconds - spent)
        source.close()

    def _crashed(self, source: Source, error: Exception) -> Fault:
        return Fault(
            source=source.name,
            channel=None,
            kind=FaultKind.CRASHED,
            detail=f"{type(error).__name__}: {error}",
            monotonic_seconds=self._clock.monotonic_seconds(),
            time=self._clock.time(),
        )

    # ---- the pipeline, in the thread of `run` ------------------------------------------------

    def _pipe(self, readers: Sequence[threading.Thread]) -> None:
        state, outputs = self._state, list[Output]()
        now = self._clock.monotonic_seconds()
        next_tick, next_commit, next_snapshot = now, now + 1.0, now + SNAPSHOT_SECONDS
        report = self._pulse.expect("pipeline", PIPELINE_SECONDS)
        labels = Labels(self._clock, self.report)
        while not self._stop.is_set():
            report()
            if (step := labels.look()) is not None:
                # first what bears the old labels, then all labels move
                self._hand_over(outputs, step.monotonic_seconds, None, step)
                state, outputs = labels.moved(state), []
            event = self._next_entry() or self._next_event(next_tick)
            now = self._clock.monotonic_seconds()
            if event is None:
                event = Tick(monotonic_seconds=now, time=self._clock.time())
                next_tick = now + min(self._interval_seconds, 1.0)
            # what the crew did has its effect in the file soon
            next_snapshot = now if isinstance(event, JournalEntry) else next_snapshot
            state, told = pipeline.step(state, labels.moved_if_early(event))
            more = [output for output in told if not isinstance(output, learning.Request)]
            for output in told:
                if isinstance(output, learning.Request):
                    self._learn(output)
            outputs += more
            urgent = any(isinstance(output, AlertChange) for output in more)
            if urgent or now >= next_commit:
                saved = None
                if now >= next_snapshot:
                    saved = snapshot.to_text(state, now, self._clock.time())
                    next_snapshot = now + SNAPSHOT_SECONDS
                self._hand_over(outputs, now, saved)
                outputs, next_commit = [], now + COMMIT_SECONDS
        for reader in readers:
            reader.join(STOP_SECONDS / 2)
        while (event := self._waiting_event()) is not None:  # what was read by now is not lost
            state, told = pipeline.step(state, labels.moved_if_early(event))
            outputs += [output for output in told if not isinstance(output, learning.Request)]
        now, time = self._clock.monotonic_seconds(), self._clock.time()
        state, told = pipeline.step(state, Tick(monotonic_seconds=now, time=time, closing=True))
        outputs += [output for output in told if not isinstance(output, learning.Request)]
        self._hand_over(outputs, now, snapshot.to_text(state, now, time))

    def _learn(self, request: learning.Request) -> None:
        """Learn beside the watch, in a thread of low priority; the answer comes as an event."""

        def work() -> None:
            if hasattr(os, "setpriority"):
                # on Linux a thread has a niceness of its own
                os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 15)
            try:
                answer = learning.carry_out(request, self._clock.monotonic_seconds(), self._clock.time())
            except (ArithmeticError, ValueError) as error:  # of linear algebra, on a record beyond all sense
                log.warning("learning: nothing learned (%s); tried again after the next passage", error)
                return
            self.put(answer)

        threading.Thread(target=work, name="learning", daemon=True).start()

    def _next_entry(self) -> JournalEntry | None:
        try:
            return self._entries.get_nowait()
        except queue.Empty:
            return None

    def _waiting_event(self) -> pipeline.Event | None:
        try:
            return self._events.get_nowait()
        except queue.Empty:
            return None

    def _next_event(self, until: float) -> pipeline.Event | None:
        """The next event, or None when it is time for a tick."""
        patience = until - self._clock.monotonic_seconds()
        if patience <= 0.0:
            return None
        try:
            # real seconds: never sleep so long that a stop would have to wait
            return self._events.get(timeout=min(patience / self._speed(), 0.5))
        except queue.Empty:
            return None

    def _speed(self) -> float:
        return float(getattr(self._clock, "speed", 1.0))

    def _hand_over(
        self, outputs: list[Output], now: float, saved: str | None, step: Step | None = None
    ) -> None:
        batch = Batch(
            outputs=tuple(outputs),
            monotonic_seconds=now,
            time=self._clock.time() if step is None else step.last_time,
            snapshot=saved,
            step=step,
        )
        self._batches.put(batch)

    # ---- the store ---------------------------------------------------------------------------

    def _write(self) -> None:
        """Commit, then publish. What cannot be written is kept, and published all the same, and first."""
        kept: deque[Output] = deque()
        beside = Beside(self._store.path, self._state.plan.boat, self._clock)
        recording = RecordingState()
        steps: list[Step] = []  # of the clock, not yet in the file
        report = self._pulse.expect("store", STORE_SECONDS)
        while (batch := self._batches.get()) is not None:
            report()
            kept.extend(batch.outputs)
            said = recording.told
            if said:  # a card in trouble may also be slow: nobody waits for it
                self._say(batch)
            if recording.may_try(batch.monotonic_seconds) or self._stop.is_set():
                try:
                    self._write_one(batch, tuple(kept), steps)
                    kept.clear()
                    self._take_in(self._store.take_crew_actions())
                    self._hear_journal()
                    if recording.well(batch.monotonic_seconds):
                        log.warning("recording again")
                        self.report(Condition.NOT_RECORDING, False)
                        beside.close()
                except StoreDamaged as error:
                    self._begin_anew(error)
                except OperationFailed as error:
                    if recording.failed(error, batch.monotonic_seconds):
                        log.error("not recording: %s", error)
                        text = f"Not recording: {error}"
                        self.report(Condition.NOT_RECORDING, True, text=text, advice=ADVICE)
            if recording.told:
                shed(kept, OUTPUTS_KEPT)
                beside.write(batch.outputs, monotonic_seconds=batch.monotonic_seconds, time=batch.time)
                self._take_in(beside.take_crew_actions())
            if batch.step is not None:
                steps.append(batch.step)
                kept = deque(moved(output, batch.step) for output in kept)
            if not said:
                self._say(batch)
        beside.close()

    def _say(self, batch: Batch) -> None:
        for publisher in self._publishers:
            publisher.publish(batch.outputs)

    def _begin_anew(self, error: StoreDamaged) -> None:
        """What waits is written into a new database with the next batch."""
        log.error("%s", error)
        try:
            self._store, aside = damage.begin_anew(self._store, clock=self._clock, boat=self._state.plan.boat)
        except (OperationFailed, UserError) as failed:
            self.report(Condition.NOT_RECORDING, True, text=f"Not recording: {failed}", advice=ADVICE)
            return
        self.report_damage(aside)

    def report_damage(self, aside: Path) -> None:
        """A damaged history was set aside; over at once, but it waits for somebody's eyes."""
        text = f"The history was damaged. It was set aside as {aside.name} and a new one begun."
        self.report(Condition.HISTORY_DAMAGED, True, text=text, advice=damage.ADVICE)
        self.report(Condition.HISTORY_DAMAGED, False)

    def _write_one(self, batch: Batch, outputs: tuple[Output, ...], steps: list[Step]) -> None:
        while steps:
            step = steps[0]
            self._store.set_right(step.first_time, step.last_time, step.by_ms if step.early else 0)
            steps.pop(0)
        # an alert is said though another program holds the database: it is kept, and written after
        urgent = any(isinstance(output, AlertChange) for output in batch.outputs)
        self._store.write(
            outputs,
            monotonic_seconds=batch.monotonic_seconds,
            time=batch.time,
            snapshot=batch.snapshot,
            patience_seconds=URGENT_SECONDS if urgent else LOCK_SECONDS,
        )

    def _take_in(self, actions: Sequence[CrewActionRow]) -> None:
        for action in actions:
            self.act(
                action.deed,
                action.who,
                alert_id=action.alert_id,
                joint=action.joint,
                for_seconds=action.for_seconds,
            )

    def _hear_journal(self) -> None:
        """Hand on what was written since. The state remembers what it took in, and its snapshot too:

        an entry that a power cut parts from its effect is handed out again at the next start.
        """
        for entry in self._store.load_journal(self._heard.taken_until):
            if not journal.was_taken(self._heard, entry.entry_id):
                self._heard = journal.take(self._heard, entry.entry_id)
                self._entries.put(entry)
