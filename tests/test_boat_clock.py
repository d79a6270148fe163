"""Labels without a clock battery: whatever the machine's clock does, nothing is lost, hidden or doubled."""

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from afloat import Afloat
from histories import START_TIME, open_store, put, reading
from lugwatch import relabel
from lugwatch.boat_clock import AGAIN_SECONDS, ROLL_OVER_MS, BoatClock
from lugwatch.clock import ManualClock
from lugwatch.model import Condition
from lugwatch.store.closing import DAY_MS
from lugwatch.store.queries import History
from lugwatch.store.runs import HOUR_MS
from processes import until

RELEASED = START_TIME - 100 * DAY_MS
IN_1970, IN_2045 = 12_000, 2_380_000_000_000


class Machine(ManualClock):
    """A machine's clock that can be set, and says whether it is right."""

    def __init__(self, time: int, believed: bool = False) -> None:
        super().__init__(1000.0, time)
        self.believed = believed

    def set(self, time: int) -> None:
        self._time = float(time)


def boat_clock(machine: Machine, last_label: int = 0, last_trusted: int = 0) -> BoatClock:
    return BoatClock(
        machine,
        last_label=last_label,
        last_trusted=last_trusted,
        believed=lambda: machine.believed,
        released_time=RELEASED,
    )


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.floats(0.1, 5000.0), st.integers(0, 2**42)), max_size=30))
def test_labels_go_on_by_the_monotonic_clock_while_nobody_can_believe_the_machine(
    jumps: list[tuple[float, int]],
) -> None:
    machine = Machine(IN_1970)
    clock = boat_clock(machine, last_label=START_TIME)
    began, seconds = clock.time(), 0.0
    assert began == START_TIME + 1
    for wait, jump in jumps:
        machine.advance(wait)
        machine.set(jump)
        seconds += wait
        assert clock.look() is None and not clock.trusted
        assert abs(clock.time() - began - seconds * 1000.0) <= 1.0


def test_the_first_belief_is_a_step_for_all_labels_of_this_boot() -> None:
    machine = Machine(IN_1970)
    clock = boat_clock(machine, last_label=START_TIME)
    began = clock.time()
    machine.advance(200.0)
    machine.set(START_TIME + 9 * DAY_MS)
    machine.believed = True
    step = clock.look()
    assert step is not None and step.early and clock.trusted
    assert (step.first_time, step.last_time) == (began, began + 200_000)
    assert clock.time() == step.last_time + step.by_ms == START_TIME + 9 * DAY_MS
    assert clock.look() is None


@pytest.mark.parametrize("wrong", [IN_1970, IN_2045, START_TIME - ROLL_OVER_MS, 0])
def test_beyond_reason_nothing_is_believed(wrong: int) -> None:
    """A kernel that was told nonsense by a network says that it is synchronised all the same."""
    machine = Machine(wrong, believed=True)
    clock = boat_clock(machine, last_label=START_TIME, last_trusted=START_TIME)
    assert clock.look() is None and not clock.trusted
    assert clock.time() == START_TIME + 1


def test_a_boot_that_was_wrong_in_the_future_does_not_spoil_later_ones() -> None:
    machine = Machine(START_TIME, believed=False)
    clock = boat_clock(machine, last_label=START_TIME + 900 * DAY_MS, last_trusted=START_TIME - DAY_MS)
    assert clock.time() == START_TIME + 900 * DAY_MS + 1
    machine.believed = True
    step = clock.look()
    assert step is not None and step.by_ms < 0 and clock.time() == START_TIME


def test_a_believed_clock_is_followed_only_when_it_stays_where_it_went() -> None:
    machine = Machine(START_TIME, believed=True)
    clock = boat_clock(machine)
    assert clock.trusted and clock.look() is None
    machine.set(START_TIME + 400 * DAY_MS)
    assert clock.look() is None and clock.time() == START_TIME
    machine.advance(AGAIN_SECONDS - 1.0)
    assert clock.look() is None
    machine.advance(2.0)
    step = clock.look()
    assert step is not None and not step.early  # what was labelled before was believed then
    assert clock.time() == machine.time()


def test_a_slew_is_no_step_and_daylight_saving_is_none_at_all(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = Machine(START_TIME, believed=True)
    clock = boat_clock(machine)
    labels = []
    for hour in range(48):
        monkeypatch.setenv("TZ", "Europe/Oslo" if hour % 2 else "UTC")
        machine.advance(3600.0)
        machine.set(machine.time() + (-150 if hour % 3 else 180))
        assert clock.look() is None
        labels.append(clock.time())
    assert labels == sorted(labels)


def test_an_old_receivers_weeks_are_counted_on() -> None:
    machine = Machine(IN_1970)
    clock = boat_clock(machine, last_label=START_TIME, last_trusted=START_TIME)
    assert not clock.hear(IN_2045, 1000.0)
    assert not clock.hear(IN_1970, 1000.0)
    assert clock.hear(START_TIME + DAY_MS - ROLL_OVER_MS, machine.monotonic_seconds())
    assert clock.look() is None  # one sentence may be anything
    machine.advance(5.0)
    clock.hear(START_TIME + 77 * DAY_MS, machine.monotonic_seconds())
    assert clock.look() is None
    machine.advance(1.0)
    clock.hear(START_TIME + DAY_MS - ROLL_OVER_MS + 6_000, machine.monotonic_seconds())
    assert clock.look() is None
    machine.advance(1.0)
    clock.hear(START_TIME + DAY_MS - ROLL_OVER_MS + 7_000, machine.monotonic_seconds())
    machine.advance(3.0)
    step = clock.look()
    assert step is not None and clock.time() == START_TIME + DAY_MS + 10_000


# ---- in the history --------------------------------------------------------------------------


def test_a_whole_watch_is_set_right_from_its_first_reading(tmp_path: Path) -> None:
    """C05: no reading, alert or hour keeps a label of before; none is lost or doubled; no false alert."""
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, [reading(20.0, START_TIME)])
        store.set_right(0, 0, 0)
    machine = Machine(IN_1970)
    clock = boat_clock(machine, last_label=START_TIME, last_trusted=START_TIME)
    right = START_TIME + 9 * DAY_MS
    with Afloat(path, clock) as boat:  # type: ignore[arg-type]
        heard = boat.listener
        boat.store.clock_trusted = False
        until(lambda: clock.monotonic_seconds() > 1000.0 + 3 * 3600.0)
        until(lambda: heard.changes(Condition.CLOCK_UNTRUSTED) == ["raised"])
        boat.bar_celsius = 95.0
        until(lambda: heard.changes(Condition.HOT) == ["raised"])
        set_at = clock.monotonic_seconds()
        machine.set(right)
        machine.believed = True
        until(lambda: clock.trusted)
        until(lambda: clock.monotonic_seconds() > set_at + 2 * 3600.0)
        until(lambda: len(heard.changes(Condition.CLOCK_UNTRUSTED)) > 1)
    assert set(o for c in Condition for o in heard.changes(c) if c is Condition.NO_DATA) == set()
    with History.open(path) as history:
        times = [time for time, channel, _ in history.readings() if channel == "bar"][1:]
        alerts = {alert.condition: alert for alert in history.alerts()}
        newest = history.estimates()[0]
        assert history.last_labels()[1] == history.last_labels()[0] > right
    assert len(times) == len(set(times)) >= (times[-1] - times[0]) // 5000
    assert set(np.diff(times).tolist()) <= {4999, 5000, 5001}
    # the first was read at monotonic second 1000; the machine was set right at about `set_at`
    assert abs(times[0] - (right - (set_at - 1000.0) * 1000.0)) < 60_000
    assert times[0] < alerts[Condition.HOT].raised_time < right + 60_000
    assert newest.time > right
    with closing(sqlite3.connect(path)) as connection:
        for table in ("hour", "minute", "fault", "estimate", "alert_change", "source_health", "passage"):
            column = "start_time" if table == "passage" else "time"
            wrong = connection.execute(
                f"SELECT count(*) FROM {table} WHERE {column} > ? AND {column} < ?",
                (START_TIME + HOUR_MS, times[0] - HOUR_MS),
            ).fetchone()
            assert wrong == (0,), table


def test_what_comes_last_is_told_by_order_when_a_clock_went_back(tmp_path: Path) -> None:
    from dataclasses import replace

    from histories import estimate

    path = tmp_path / "boat.db"
    with open_store(path) as store, History.open(path) as history:
        put(store, [estimate(), reading(20.0)], time=START_TIME)
        back = estimate(START_TIME - DAY_MS, rise_kelvin=7.0)
        put(store, [back, reading(21.0, START_TIME - DAY_MS)], time=START_TIME - DAY_MS)
        assert history.estimates() == [back]
        assert history.latest_readings()["bar"] == (START_TIME - DAY_MS, 21.0)
        assert history.estimates(START_TIME - DAY_MS) == [replace(back)]


def test_labels_are_found_by_their_names_and_nothing_else_moves() -> None:
    from histories import alert, passage

    before = (alert(acknowledged_time=START_TIME + 5), passage(7, START_TIME + 9), {"a": passage(8)})
    after = relabel.moved(before, START_TIME, START_TIME + 5, 1_000_000)
    assert after[0].raised_time == START_TIME + 1_000_000
    assert after[0].acknowledged_time == START_TIME + 1_000_005
    assert (after[1].start_time, after[1].end_time) == (START_TIME + 1_000_000, START_TIME + 9)
    assert after[1].passage_id == 7 and after[2]["a"].start_time == START_TIME + 1_000_000
    assert relabel.moved(before, 0, 1, 5) is before
