"""A recording through the same pipeline as `watch`, as fast as possible, into the same database.

Monotonic time is the recorded time, so the answer does not depend on when or where it is run. Rows
that the database already holds are skipped and counted: running a replay twice changes nothing.
May import: everything below `runner`.
"""

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from lugwatch import alert_memory, alert_states, journal, learning, passages, pipeline, snapshot
from lugwatch.creep import Point
from lugwatch.model import Alert, Boat, Fault, FaultKind, JournalEntry, LearningWindow, Output, Scan, Tick
from lugwatch.pipeline import State

ROWS_PER_COMMIT = 2000


class Row(Protocol):
    """One row of a recording."""

    @property
    def time(self) -> int: ...
    @property
    def readings(self) -> Sequence[tuple[str, float]]: ...
    @property
    def refused(self) -> Sequence[tuple[str, FaultKind, str]]: ...


class Memory(Protocol):
    """What of a store a replay or a watch resumes from and writes to."""

    def load_alerts(self) -> list[Alert]: ...
    def next_alert_id(self) -> int: ...
    def next_alert_sequence(self) -> int: ...
    def next_passage_id(self) -> int: ...
    def load_rises(self) -> dict[str, list[Point]]: ...
    def load_journal(self, after: int = 0) -> list[JournalEntry]: ...
    def load_learning_windows(self) -> list[LearningWindow]: ...
    def load_alert_memory(self) -> str | None: ...
    def load_snapshot(self) -> tuple[int, int, str] | None: ...
    def write(
        self,
        outputs: Sequence[Output],
        *,
        monotonic_seconds: float,
        time: int,
        snapshot: str | None = None,
    ) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """What a replay did."""

    rows: int
    already_held: int


def resume(boat: Boat, memory: Memory, monotonic_seconds: float, time: int) -> State:
    """The state that a store remembers, or a new one: alerts, numbers, tracked joints."""
    state = pipeline.begin(boat, monotonic_seconds, time)
    state = pipeline.with_memory(
        state,
        alert_states.opened(memory.load_alerts(), memory.next_alert_id(), memory.next_alert_sequence()),
        passages.Tracker(next_passage_id=memory.next_passage_id()),
        memory.load_rises(),
    )
    book = alert_memory.resume(state.book, memory.load_alert_memory(), monotonic_seconds, time)
    state = replace(state, book=book)
    saved = memory.load_snapshot()
    text = "" if saved is None else saved[2]
    return snapshot.resume(state, text, monotonic_seconds, time, memory.load_learning_windows())


def replay(
    rows: Iterable[Row],
    boat: Boat,
    memory: Memory,
    *,
    held_until: int | None,
    progress: Callable[[], None] | None = None,
) -> Replayed:
    """Feed every row and a tick of its time; commit every so often. Raises what the store raises.

    Entries of the journal are taken in at their time, those from before the first row at its time;
    those after the last row wait for a later recording.
    held_until: time [ms] of the last row that the database holds already, or None.
    """
    state: State | None = None
    waiting: deque[JournalEntry] = deque()
    outputs: list[Output] = []
    count = already_held = 0
    time = 0
    for row in rows:
        if held_until is not None and row.time <= held_until:
            already_held += 1
            continue
        time = row.time
        now = time / 1000.0
        if state is None:
            state = resume(boat, memory, now, time)
            waiting = _waiting(memory, state)
        while waiting and waiting[0].time <= time:
            state, more = step_and_learn(state, waiting.popleft())
            outputs += more
        for event in _events(row, now):
            state, more = step_and_learn(state, event)
            outputs += more
        count += 1
        if count % ROWS_PER_COMMIT == 0:
            memory.write(outputs, monotonic_seconds=now, time=time)
            outputs = []
            if progress is not None:
                progress()
    if state is not None:
        now = time / 1000.0
        state, more = step_and_learn(state, Tick(monotonic_seconds=now, time=time, closing=True))
        outputs += more
        last = snapshot.to_text(state, now, time)
        memory.write(outputs, monotonic_seconds=now, time=time, snapshot=last)
    return Replayed(rows=count, already_held=already_held)


def _waiting(memory: Memory, state: State) -> deque[JournalEntry]:
    """Entries that had no effect yet, in the order of their time."""
    entries = [e for e in memory.load_journal() if not journal.was_taken(state.journal, e.entry_id)]
    return deque(sorted(entries, key=lambda entry: (entry.time, entry.entry_id)))


def step_and_learn(state: State, event: pipeline.Event) -> tuple[State, list[Output]]:
    """One step; what it asks to learn is learned at once. Gives what is to be stored."""
    state, told = pipeline.step(state, event)
    outputs: list[Output] = []
    for output in told:
        if not isinstance(output, learning.Request):
            outputs.append(output)
            continue
        # asked at the end of a window, which is where the next one begins
        answer = learning.carry_out(output, state.intake.window_start_seconds, state.window_time)
        state, more = step_and_learn(state, answer)
        outputs += more
    return state, outputs


def _events(row: Row, now: float) -> list[Scan | Fault | Tick]:
    events: list[Scan | Fault | Tick] = [
        Fault(
            source="recording",
            channel=channel,
            kind=kind,
            detail=detail,
            monotonic_seconds=now,
            time=row.time,
        )
        for channel, kind, detail in row.refused
    ]
    if row.readings:
        events.append(Scan(values=tuple(row.readings), monotonic_seconds=now, time=row.time))
    events.append(Tick(monotonic_seconds=now, time=row.time))
    return events
