"""What joints are learned from outlives a restart, a cut, a reboot; a live watch learns beside its work."""

import json
import math
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import boats
from histories import START_TIME, open_store
from journals import AMPS, TWO, Plain, entry, follow, of_kind
from lugwatch import learning_windows
from lugwatch.clock import ManualClock
from lugwatch.learning import STAGES, WINDOWS_KEPT, Record
from lugwatch.model import Event, JournalKind, LearnedShape, LearningWindow, Output
from lugwatch.pipeline import State
from lugwatch.replay import resume
from lugwatch.runner import Watch
from lugwatch.snapshot import to_text
from lugwatch.store.held_back import WINDOWS_TOGETHER
from lugwatch.store.queries import History
from processes import until

PASSAGE_MINUTES = 45.0


def wall(seconds: float) -> int:
    return START_TIME + round(seconds * 1000)


def written(path: Path, state: State, outputs: Sequence[Output], seconds: float, text: str | None) -> None:
    """What a watch leaves behind; text None: cut before its first snapshot."""
    with open_store(path, clock=ManualClock(seconds, wall(seconds)), boat=state.plan.boat) as store:
        store.write(outputs, monotonic_seconds=seconds, time=wall(seconds), snapshot=text)


def resumed(path: Path, seconds: float, time: int, a_boat: boats.Boat = TWO) -> State:
    with open_store(path, clock=ManualClock(seconds, time), boat=a_boat) as store:
        return resume(a_boat, store, seconds, time)


def cut(events: list[Event], number: int) -> tuple[list[Event], list[Event]]:
    return events[:number], events[number:]


def same_record(one: Record, other: Record) -> None:
    assert one.times == other.times
    for mine, theirs in zip(one.windows, other.windows, strict=True):
        for name in mine.__slots__:
            np.testing.assert_array_equal(getattr(mine, name), getattr(theirs, name))
    np.testing.assert_array_equal(one.loaded_seconds, other.loaded_seconds)


def rounds(outputs: Sequence[Output]) -> list[tuple[str, int, int]]:
    return [(s.joint, s.stage, s.windows_count) for s in of_kind(list(outputs), LearnedShape)]


@pytest.mark.parametrize("number", [90, 300, 541])
def test_a_restart_in_a_passage_learns_what_an_unbroken_watch_learns(tmp_path: Path, number: int) -> None:
    """Stopped and started again at once: only the window that was open is another."""
    plain = Plain(bar=12.0, fuse=9.0)
    events = [e for _ in range(STAGES) for e in plain.passage(PASSAGE_MINUTES)]
    unbroken, whole = follow(boats.begin(TWO), list(events))
    early, late = cut(events, 2 * number)
    state, outputs = follow(boats.begin(TWO), early)
    seconds = early[-1].monotonic_seconds
    written(tmp_path / "boat.db", state, outputs, seconds, to_text(state, seconds, wall(seconds)))
    again = resumed(tmp_path / "boat.db", seconds, wall(seconds))
    same_record(again.record, state.record)
    again, more = follow(again, late)
    assert rounds(outputs + more) == rounds(whole)
    np.testing.assert_allclose(again.baseline.rise_kelvin, unbroken.baseline.rise_kelvin, rtol=0.05)
    assert again.record.stage.tolist() == [STAGES, STAGES]


def test_a_reboot_between_passages_costs_no_round_of_learning(tmp_path: Path) -> None:
    """Power off at the end of each passage, before anything was asked: the monotonic clock begins anew."""
    path, told, now = tmp_path / "boat.db", list[Output](), START_TIME
    for number in range(STAGES + 1):
        seconds = 30.0 * number
        state = resumed(path, seconds, now)
        kept = len(state.record.windows)
        plain = Plain(bar=12.0, fuse=9.0)
        plain.seconds = seconds
        events = [replace(e, time=now + round((e.monotonic_seconds - seconds) * 1000))
                  for e in plain.go(PASSAGE_MINUTES, AMPS)]  # fmt: skip
        state, outputs = follow(state, events)
        told += outputs
        ends = [w.monotonic_seconds for w in state.record.windows]
        assert ends == sorted(ends), "the record's own time never goes back"
        assert number in (0, STAGES) or len(state.record.windows) > kept > 200
        seconds, now = events[-1].monotonic_seconds, events[-1].time
        written(path, state, outputs, seconds, to_text(state, seconds, now))
        now += 8 * 3_600_000
    assert state.record.stage.tolist() == [STAGES, STAGES]
    assert [(s.joint, s.stage) for s in of_kind(told, LearnedShape)] == [
        (joint, stage) for stage in range(1, STAGES + 1) for joint in ("bar", "fuse")
    ]
    found = np.exp(state.record.shapes.mean[:, :2])
    np.testing.assert_allclose(found, np.broadcast_to([180.0, 1500.0], found.shape), rtol=0.25)


def test_a_cut_leaves_windows_that_are_younger_than_the_snapshot(tmp_path: Path) -> None:
    plain = Plain(bar=12.0, fuse=9.0)
    state, outputs = follow(boats.begin(TWO), plain.go(20.0, AMPS))
    old = to_text(state, plain.seconds, wall(plain.seconds))
    state, more = follow(state, plain.go(1.0, AMPS))
    written(tmp_path / "boat.db", state, [*outputs, *more], plain.seconds, old)
    again = resumed(tmp_path / "boat.db", plain.seconds + 20.0, wall(plain.seconds + 20.0))
    assert again.record.times == state.record.times
    again, _ = follow(again, plain.go(1.0, AMPS))
    pauses = np.diff([w.monotonic_seconds for w in again.record.windows])
    assert pauses.min() > 0.0 and pauses.max() < 60.0


def test_windows_of_a_watch_that_never_wrote_a_snapshot_are_used(tmp_path: Path) -> None:
    plain = Plain(bar=12.0, fuse=9.0)
    state, outputs = follow(boats.begin(TWO), plain.go(1.0, AMPS))
    written(tmp_path / "boat.db", state, outputs, plain.seconds, None)
    again = resumed(tmp_path / "boat.db", 5.0, wall(plain.seconds))
    # but for the last minute, which was not written yet
    assert 0 <= len(state.record.windows) - len(again.record.windows) < WINDOWS_TOGETHER
    again, _ = follow(again, Plain(bar=12.0, fuse=9.0).go(1.0, AMPS))
    assert np.diff([w.monotonic_seconds for w in again.record.windows]).min() > 0.0


def test_nothing_is_kept_when_nothing_is_left_to_learn(tmp_path: Path) -> None:
    plain = Plain(bar=12.0, fuse=9.0)
    state, outputs = follow(boats.begin(TWO), [e for _ in range(STAGES) for e in plain.passage(45.0)])
    written(tmp_path / "boat.db", state, outputs, plain.seconds, None)
    with open_store(tmp_path / "boat.db", boat=TWO) as store:
        assert store.load_learning_windows() == []


def test_a_joint_that_never_carries_anything_does_not_fill_the_card(tmp_path: Path) -> None:
    body = learning_windows.kept(("bar",), followed_record(), 0).body
    many = [
        LearningWindow(time=k, record_seconds=10.0 * k, joints=("bar",), body=body)
        for k in range(WINDOWS_KEPT + 50)
    ]
    with open_store(tmp_path / "boat.db") as store:
        for part in (many[:3000], many[3000:]):
            store.write(part, monotonic_seconds=1.0, time=1)
        assert [w.time for w in store.load_learning_windows()] == list(range(50, WINDOWS_KEPT + 50))


def followed_record() -> Record:
    state, _ = follow(boats.begin(TWO), Plain(bar=12.0, fuse=9.0).go(1.0, AMPS))
    return state.record


def test_a_joint_that_came_later_was_never_read_and_one_that_is_gone_is_left_out(tmp_path: Path) -> None:
    plain = Plain(bar=12.0, fuse=9.0)
    state, outputs = follow(boats.begin(TWO), plain.go(5.0, AMPS))
    written(tmp_path / "boat.db", state, outputs, plain.seconds, to_text(state, plain.seconds, 0))
    other = boats.boat(boats.joint("post"), boats.joint("bar"))
    again = resumed(tmp_path / "boat.db", plain.seconds, wall(plain.seconds), other)
    last, before = again.record.windows[-1], state.record.windows[-1]
    assert math.isnan(last.probe_celsius[0]) and not last.loaded[0] and last.probe_count[0] == 0.0
    assert last.probe_celsius[1] == before.probe_celsius[0] and last.loaded[1]


def test_work_on_a_joint_is_remembered_in_what_it_is_learned_from(tmp_path: Path) -> None:
    """Windows from before the work stay out of what is learned after it, over a reboot as well."""
    plain = Plain(bar=12.0, fuse=9.0)
    state, outputs = follow(boats.begin(TWO), plain.go(30.0, AMPS))
    state, more = follow(state, [entry(JournalKind.WORK)])
    state, last = follow(state, plain.go(25.0, AMPS))
    text = to_text(state, plain.seconds, wall(plain.seconds))
    written(tmp_path / "boat.db", state, [*outputs, *more, *last], plain.seconds, text)
    again = resumed(tmp_path / "boat.db", 3.0, wall(plain.seconds + 7200.0))
    assert again.record.begun_seconds.tolist() == state.record.begun_seconds.tolist()
    assert 0 < sum(w.monotonic_seconds > again.record.begun_seconds[0] for w in again.record.windows) < 170


# ---- a live watch ----------------------------------------------------------------------------


class Ear:
    """A publisher that stops the watch when every joint has a shape."""

    def __init__(self, stop: threading.Event) -> None:
        self.stop, self.heard, self.threads = stop, set[str](), set[str]()

    def start(self) -> None:
        pass

    def publish(self, outputs: Sequence[Output]) -> None:
        self.heard |= {o.joint for o in outputs if isinstance(o, LearnedShape)}
        self.threads |= {thread.name for thread in threading.enumerate()}
        if self.heard == {"bar", "fuse"}:
            self.stop.set()

    def close(self) -> None:
        pass


def test_a_live_watch_learns_beside_its_work_and_keeps_what_it_learned(tmp_path: Path) -> None:
    path, plain = tmp_path / "boat.db", Plain(bar=12.0, fuse=9.0)
    clock, stop = ManualClock(0.0, START_TIME), threading.Event()
    store, ear = open_store(path, clock=clock, boat=TWO), Ear(stop)
    watch = Watch(
        state=resume(TWO, store, 0.0, START_TIME),
        sources=(), store=store, publishers=(ear,), clock=clock, stop=stop,
    )  # fmt: skip
    for event in passage_that_ends(plain):
        watch.put(event)
    runner = threading.Thread(target=watch.run)
    runner.start()
    until(lambda: watch.backlog == 0, 60.0, 0.01)
    # the boat's clock stood still so far; now it is where her passage has ended, and goes on
    clock.wait(stop, plain.seconds)
    until(lambda: clock.wait(stop, 1.0), 60.0, 0.01)
    runner.join(10.0)
    assert not runner.is_alive()
    with History.open(path) as history:
        learned = history.learned_shapes()
    assert {(s.joint, s.stage) for s in learned} == {("bar", 1), ("fuse", 1)}
    snapshot = json.loads(resume_text(path))
    assert [joint["stage"] for joint in snapshot["joints"].values()] == [1, 1]


def passage_that_ends(plain: Plain) -> Iterator[Event]:
    return plain.passage(PASSAGE_MINUTES)


def resume_text(path: Path) -> str:
    with open_store(path, boat=TWO) as store:
        saved = store.load_snapshot()
    assert saved is not None
    return saved[2]
