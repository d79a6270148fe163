"""What waits for the store: bounded, in order, and alerts never behind what is given up."""

import threading
from collections import deque

from hypothesis import given
from hypothesis import strategies as st

from histories import alert, change, reading
from lugwatch.batch import GIVEN_UP, Batch, WaitingBatches, shed
from lugwatch.boat_clock import Step
from lugwatch.model import AlertChange, Output

STEP = Step(monotonic_seconds=5.0, first_time=0, last_time=5000, by_ms=1000, early=True)
KINDS = st.sampled_from(["reading", "alert", "step", "get"])


def batch(*outputs: Output, step: Step | None = None) -> Batch:
    return Batch(outputs=outputs, monotonic_seconds=0.0, time=0, snapshot=None, step=step)


def drained(line: WaitingBatches) -> list[Batch]:
    line.end()
    return list(iter(line.get, None))


def numbers(outputs: tuple[Output, ...]) -> list[int]:
    return [output.sequence for output in outputs if isinstance(output, AlertChange)]


def test_what_waits_in_memory_is_bounded_and_alerts_are_never_given_up() -> None:
    kept = deque([change(1, alert()), *(reading(20.0, i) for i in range(100)), change(2, alert())])
    shed(kept, 50)
    assert len(kept) == 50
    assert [o.sequence for o in kept if isinstance(o, AlertChange)] == [1, 2]
    assert kept[1] == reading(20.0, 52)  # the oldest went


def test_an_alert_does_not_wait_behind_what_comes_after_it() -> None:
    """However far the store falls behind: each batch it takes brings the alert one place forward."""
    line = WaitingBatches(10)
    for time in range(10):
        line.put(batch(reading(20.0, time)))
    line.put(batch(change(1, alert())))
    taken = 0
    while True:
        for time in range(100):
            line.put(batch(reading(21.0, time)))
        given = line.get()
        taken += 1
        assert given is not None
        if numbers(given.outputs):
            break
    assert taken <= 10


@given(st.lists(KINDS, max_size=200), st.integers(min_value=2, max_value=6))
def test_whatever_comes_is_given_out_in_order_and_only_what_may_go_is_missing(
    kinds: list[str], limit: int
) -> None:
    line = WaitingBatches(limit)
    given: list[Batch] = []
    put = steps = 0
    for time, kind in enumerate(kinds):
        if kind == "get" and len(line):
            given.append(line.get())  # type: ignore[arg-type]
        elif kind == "alert":
            put += 1
            line.put(batch(reading(20.0, time), change(put, alert())))
        elif kind == "step":
            steps += 1
            line.put(batch(reading(20.0, time), step=STEP))
        else:
            line.put(batch(reading(20.0, time)))
        assert len(line) <= limit + steps
    given += drained(line)
    outputs = [output for one in given for output in one.outputs]
    assert numbers(tuple(outputs)) == list(range(1, put + 1))
    times = [output.time for output in outputs if isinstance(output, GIVEN_UP)]
    assert times == sorted(times)
    assert sum(one.step is not None for one in given) == steps
    assert all(len(one.outputs) == 1 for one in given if one.step is not None and not numbers(one.outputs))


def test_the_newest_are_kept() -> None:
    line = WaitingBatches(3)
    for time in range(10):
        line.put(batch(reading(20.0, time)))
    assert [one.outputs for one in drained(line)] == [(reading(20.0, time),) for time in (7, 8, 9)]


def test_who_waits_for_a_batch_is_woken_by_it_and_by_the_end() -> None:
    line = WaitingBatches(3)
    given: list[Batch | None] = []

    def take() -> None:
        while True:
            given.append(line.get())
            if given[-1] is None:
                return

    thread = threading.Thread(target=take)
    thread.start()
    line.put(batch(reading(20.0)))
    line.end()
    thread.join(30.0)
    assert not thread.is_alive()
    assert given == [batch(reading(20.0)), None]
