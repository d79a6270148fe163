"""What alerts wait for outlives kill -9, a reboot and a clock that is wrong; nothing is announced as new."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import boats
from lugwatch import alert_memory, alert_states, pipeline, replay
from lugwatch.alert_book import Book, Due, Restless
from lugwatch.clock import ManualClock
from lugwatch.model import (
    AlertChange,
    AlertChangeKind,
    AlertMemory,
    AlertState,
    AlertUpdate,
    Condition,
    CrewAction,
    CrewDeed,
    Event,
    Output,
)
from lugwatch.pipeline import State
from lugwatch.store.queries import History
from lugwatch.store.writer import Store

K, S = AlertChangeKind, AlertState
BOAT = boats.boat(boats.joint("a"), boats.joint("b"), boats.joint("c"))
DAY_MS = 86_400_000


class Life:
    """A watch with a real store, which can be killed at any moment and started again."""

    def __init__(self, path: Path) -> None:
        self.path, self.now, self.wall_ms = path, 0.0, boats.START_TIME
        self.told: list[AlertChange] = []
        self.state = self._start()

    def _start(self) -> State:
        self.store = Store.open(self.path, clock=ManualClock(self.now, self.wall_ms), boat=BOAT, version="1")
        return replay.resume(BOAT, self.store, self.now, self.wall_ms)

    def die(self, *, down_seconds: float, reboot: bool = False, clock_jump_ms: int = 0) -> None:
        """kill -9: nothing more is written; the store's file is opened anew."""
        self.store._connection.close()  # type: ignore[union-attr]
        self.wall_ms += round(down_seconds * 1000) + clock_jump_ms
        self.now = 25.0 if reboot else self.now + down_seconds
        self.state = self._start()

    def step(self, event: Event) -> list[AlertChange]:
        self.state, outputs = pipeline.step(self.state, event)
        kept: list[Output] = [o for o in outputs if isinstance(o, AlertChange | AlertMemory | AlertUpdate)]
        if kept:
            self.store.write(kept, monotonic_seconds=self.now, time=self.wall_ms)
        changes = [o for o in kept if isinstance(o, AlertChange)]
        self.told += changes
        return changes

    def live(self, seconds: float, **celsius: float) -> list[AlertChange]:
        before, until = len(self.told), self.now + seconds
        while self.now < until:
            self.now += 5.0
            self.wall_ms += 5000
            values = {"air": 20.0, "alternator": 0.0, "a": 40.0, "b": 40.0, "c": 40.0} | celsius
            self.step(replace(boats.scan(self.now, **values), time=self.wall_ms))
            self.step(replace(boats.tick(self.now), time=self.wall_ms))
        return self.told[before:]

    def do(self, deed: CrewDeed, **what: object) -> list[AlertChange]:
        return self.step(
            CrewAction(deed=deed, who="Ada", monotonic_seconds=self.now, time=self.wall_ms, **what)  # type: ignore[arg-type]
        )

    def alert(self, joint: str) -> AlertState | None:
        states = [a.state for a in self.state.book.alerts.values() if a.joint == joint]
        return states[0] if states else None


@pytest.fixture
def life(tmp_path: Path) -> Life:
    return Life(tmp_path / "boat.db")


def hot(life: Life, joint: str) -> int:
    return next(a.alert_id for a in life.state.book.alerts.values() if a.joint == joint)


def test_a_restart_every_twenty_seconds_is_neither_a_storm_nor_a_silence(life: Life) -> None:  # C16
    """A hot and acknowledged, B hot and not, C becomes hot while the watch is down."""
    life.live(60.0, a=95.0, b=96.0)
    life.do(CrewDeed.ACKNOWLEDGE, alert_id=hot(life, "a"))
    life.told.clear()
    for _ in range(15):
        life.die(down_seconds=3.0)
        life.live(17.0, a=95.0, b=96.0, c=97.0)
    told = [(c.change, c.alert.joint) for c in life.told]
    assert (life.alert("a"), life.alert("b")) == (S.ACTIVE_ACKNOWLEDGED, S.ACTIVE_UNACKNOWLEDGED)
    assert told.count((K.RAISED, "c")) == 1
    assert [t for t in told if t[1] == "a"] == []
    # five minutes have passed since B was raised, most of them in pieces of 17 s
    assert [t for t in told if t[1] == "b"] == [(K.REPEATED, "b")]
    with History.open(life.path) as history:
        assert len(history.alerts()) == 3


@pytest.mark.parametrize("jump_ms", [0, -300 * DAY_MS, 300 * DAY_MS])
@pytest.mark.parametrize("reboot", [False, True])
def test_no_clock_ends_a_shelf_early_or_keeps_it_for_ever(life: Life, reboot: bool, jump_ms: int) -> None:
    life.live(60.0, a=95.0)
    life.do(CrewDeed.SHELVE, alert_id=hot(life, "a"), for_seconds=1800.0)
    life.live(600.0, a=95.0)
    life.told.clear()
    life.die(down_seconds=120.0, reboot=reboot, clock_jump_ms=jump_ms)
    assert life.alert("a") is S.SHELVED
    same_boot = not reboot and jump_ms == 0
    # a mere restart is counted; of a reboot nobody knows how long it took, and a minute may be unsaved
    least, most = (1080.0, 1080.0) if same_boot else (1200.0, 1260.0)
    assert life.live(least - 15.0, a=95.0) == []
    (over,) = life.live(most - least + 30.0, a=95.0)
    assert (over.change, over.alert.state) == (K.SHELF_OVER, S.ACTIVE_UNACKNOWLEDGED)


def test_a_deed_and_its_time_are_kept_at_once(life: Life) -> None:
    """Killed right after: no snapshot of the pipeline was written between."""
    life.live(60.0, a=95.0)
    life.do(CrewDeed.SILENCE)
    life.die(down_seconds=10.0)
    assert life.alert("a") is S.ACTIVE_SILENCED
    sounding = [c for c in life.live(30.0, a=95.0) if c.change is K.SOUNDING]
    assert len(sounding) == 1


def test_work_on_a_joint_outlives_a_restart_and_still_ends_by_itself(life: Life) -> None:
    life.live(30.0)
    life.do(CrewDeed.OUT_OF_SERVICE, joint="a", for_seconds=600.0)
    life.die(down_seconds=60.0, reboot=True)
    assert life.live(500.0, a=95.0) == []
    told = life.live(200.0, a=95.0)
    assert [(c.change, c.alert.condition) for c in told] == [
        (K.RECTIFIED, Condition.OUT_OF_SERVICE),
        (K.RAISED, Condition.HOT),
    ]


def test_without_a_memory_alerts_begin_to_wait_anew_and_nobody_is_told_less() -> None:
    state = boats.begin(boats.boat())
    for k in range(12):
        state, _ = pipeline.step(state, boats.scan(5.0 * k, bar=95.0, air=20.0, alternator=0.0))
        state, _ = pipeline.step(state, boats.tick(5.0 * k))
    (alert,) = state.book.alerts.values()
    for body in (None, "", "nonsense", '{"version":99}', "[]"):
        book = alert_memory.resume(alert_states.opened([alert], 2, 2), body, 100.0, 0)
        (due,) = book.due.values()
        assert due == Due(answer_seconds=400.0)
        shelved = replace(alert, state=S.SHELVED)
        book = alert_memory.resume(alert_states.opened([shelved], 2, 2), body, 100.0, 0)
        assert next(iter(book.due.values())).state_seconds == 3700.0


_keys = st.sampled_from([(Condition.HOT, "joint a"), (Condition.NO_DATA, "channel None")])
_seconds = st.floats(0.0, 1e6)


@given(
    st.dictionaries(_keys, _seconds),
    st.dictionaries(_keys, st.builds(Restless, rectified_seconds=_seconds, returns_count=st.integers(0, 9))),
    st.lists(_seconds, max_size=5),
    st.floats(0.0, 1e5),
)
def test_a_restart_of_the_same_boot_changes_nothing(
    since: dict[tuple[Condition, str], float],
    restless: dict[tuple[Condition, str], Restless],
    told: list[float],
    pause: float,
) -> None:
    book = Book(
        true_since=since, false_since=since, eased_since=since, restless=restless, told_seconds=tuple(told)
    )
    now = 2e6
    body = alert_memory.memory(book, now, 5000).body
    again = alert_memory.resume(Book(), body, now + pause, 5000 + round(pause * 1000))
    for name in ("true_since", "false_since", "eased_since"):
        assert getattr(again, name) == pytest.approx(getattr(book, name), abs=1e-3)
    assert again.told_seconds == pytest.approx(book.told_seconds, abs=1e-3)
    assert {k: r.returns_count for k, r in again.restless.items()} == {
        k: r.returns_count for k, r in restless.items()
    }
