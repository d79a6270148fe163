"""Workers that hang and ways out that fail: what is reported, and when the watchdog goes hungry."""

import select
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import boats
from alerts_told import alert
from lugwatch import pipeline
from lugwatch.attendance import Attendance
from lugwatch.clock import Clock, ManualClock
from lugwatch.model import Alert, AlertChange, AlertState, Category, Condition, Event, WatchmanReport
from lugwatch.publishers.loop import Health
from lugwatch.pulse import Pulse, ServiceManager
from lugwatch.runner import Watch
from lugwatch.store.writer import Store
from processes import until


class Rig:
    """An attendance that is turned by hand, a core that takes its reports in, and the manager's ear."""

    def __init__(self, folder: Path, *ways: Callable[[], Health], before: tuple[Alert, ...] = ()) -> None:
        self.clock = ManualClock()
        self.pulse = Pulse(self.clock)
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(folder / "notify"))
        self.changes: list[AlertChange] = []
        self.reports: list[tuple[str, bool, str | None]] = []
        self._state = boats.begin(boats.boat())
        manager = ServiceManager(str(folder / "notify"), 60.0)
        self.attendance = Attendance(
            self.pulse, manager, ways, report=self._report, clock=self.clock, standing=before
        )

    def _report(
        self,
        condition: Condition,
        troubled: bool,
        *,
        part: str | None = None,
        category: Category | None = None,
        text: str = "",
        advice: str = "",
    ) -> None:
        self.reports.append((condition.value, troubled, part))
        event = WatchmanReport(
            condition=condition,
            troubled=troubled,
            part=part,
            category=category,
            text=text,
            advice=advice,
            monotonic_seconds=self.clock.monotonic_seconds(),
            time=self.clock.time(),
        )
        self._state, told = pipeline.step(self._state, event)
        self.changes += [output for output in told if isinstance(output, AlertChange)]

    def look(self, seconds: float = 0.0) -> list[str]:
        """What the manager heard of one look."""
        self.clock.advance(seconds)
        self.attendance.look()
        found = []
        while select.select([self.socket], [], [], 0.0)[0]:
            found.append(self.socket.recv(4096).decode())
        return found

    def said(self) -> list[tuple[str, str, str]]:
        found = [(c.alert.condition.value, c.change.value, c.alert.category.value) for c in self.changes]
        self.changes.clear()
        return found


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.socket.close()


def test_the_watchdog_is_fed_only_while_every_worker_reports(rig: Rig) -> None:
    report, other = rig.pulse.expect("source onewire", 120.0), rig.pulse.expect("store", 180.0)
    assert rig.look(1.0) == ["WATCHDOG=1", "STATUS=watching"]
    other()
    assert rig.look(120.0) == ["STATUS=hanging: source onewire for 121 s"]
    assert rig.look(1.0)[-1].startswith("STATUS=hanging: source onewire for 122 s")
    report()
    assert rig.look(1.0) == ["WATCHDOG=1", "STATUS=watching"]


def test_a_bus_that_hangs_is_one_alert_with_its_name_and_ends_when_it_reads_again(rig: Rig) -> None:
    report = rig.pulse.expect("source onewire", 120.0)
    for _ in range(5):
        rig.look(121.0)
    (raised,) = rig.changes
    assert raised.alert.text == "Reading onewire has hung for 2 min: what is read from it is not watched."
    assert "stuck" in raised.alert.advice
    assert rig.said() == [("stalled", "raised", "warning")]
    report()
    rig.look(1.0)
    (over,) = rig.changes
    assert over.alert.state is AlertState.RECTIFIED_UNACKNOWLEDGED


def test_a_part_of_the_watch_that_hangs_is_told_as_such(rig: Rig) -> None:
    rig.pulse.expect("store", 180.0)
    rig.look(200.0)
    assert rig.changes[0].alert.text == "A part of lugwatch itself (store) has hung for 3 min."


def test_it_is_told_again_with_how_long_it_has_lasted_and_is_one_alert(rig: Rig) -> None:
    rig.pulse.expect("source onewire", 120.0)
    rig.look(121.0)
    for _ in range(10):
        rig.look(20.0)
    assert len(rig.reports) == 4  # each minute
    assert [one for one in rig.said() if one[1] == "raised"] == [("stalled", "raised", "warning")]


def test_what_was_told_before_a_restart_is_over_when_that_is_known(tmp_path: Path) -> None:
    hung = alert(condition=Condition.STALLED, joint=None, channel="onewire")
    rig = Rig(tmp_path, before=(hung,))
    report = rig.pulse.expect("source onewire", 120.0)
    rig.look(100.0)
    assert rig.reports == []  # the bus may hang again, and the watchdog have restarted us for it
    report()
    rig.look(100.0)
    report()
    rig.look(50.0)
    assert rig.reports == [("stalled", False, "onewire")]
    rig.look(50.0)
    assert len(rig.reports) == 1
    rig.socket.close()


def test_a_bus_that_hangs_again_after_a_restart_is_not_said_to_be_over(tmp_path: Path) -> None:
    hung = alert(condition=Condition.STALLED, joint=None, channel="onewire")
    rig = Rig(tmp_path, before=(hung,))
    rig.pulse.expect("source onewire", 120.0)
    for _ in range(10):
        rig.look(60.0)
    assert {troubled for _, troubled, _ in rig.reports} == {True}
    rig.socket.close()


class Ways:
    """Ways out whose state a test sets."""

    def __init__(self, **working: bool | None) -> None:
        self.working = working

    def all(self) -> list[Callable[[], Health]]:
        return [lambda name=name: self._health(name) for name in self.working]  # type: ignore[misc]

    def _health(self, name: str) -> Health:
        return Health(name=name, working=self.working[name], words="no broker", is_aboard=name == "buzzer")


def test_no_way_that_works_for_ten_minutes_is_a_warning_on_the_page(tmp_path: Path) -> None:
    ways = Ways(MQTT=False, push=False)
    rig = Rig(tmp_path, *ways.all())
    rig.look()
    rig.look(599.0)
    assert rig.said() == []
    rig.look(2.0)
    assert "none of the ways out has worked (MQTT: no broker; push: no broker)" in rig.changes[0].alert.text
    assert "keep the page open" in rig.changes[0].alert.advice
    assert rig.said() == [("unheard", "raised", "warning")]
    rig.look(1000.0)
    assert rig.said() == []
    ways.working["MQTT"] = True
    rig.look(1.0)
    assert rig.said() == [("unheard", "rectified", "warning")]
    rig.socket.close()


def test_one_way_that_works_is_enough_and_a_network_that_is_away_is_no_news(tmp_path: Path) -> None:
    ways = Ways(MQTT=False, push=None)
    rig = Rig(tmp_path, *ways.all())
    rig.look()
    rig.look(10_000.0)
    assert rig.said() == []
    rig.socket.close()


def test_a_buzzer_that_fails_is_a_caution_of_its_own(tmp_path: Path) -> None:
    ways = Ways(MQTT=True, buzzer=False)
    rig = Rig(tmp_path, *ways.all())
    rig.look()
    rig.look(601.0)
    assert rig.changes[0].alert.text.startswith("Buzzer: not working for 10 min (no broker)")
    assert rig.said() == [("unheard", "raised", "caution")]
    ways.working["buzzer"] = True
    rig.look(1.0)
    assert rig.said() == [("unheard", "rectified", "caution")]
    rig.socket.close()


def test_a_way_that_comes_and_goes_is_not_told(tmp_path: Path) -> None:
    ways = Ways(MQTT=True)
    rig = Rig(tmp_path, *ways.all())
    for n in range(100):
        ways.working["MQTT"] = n % 5 == 0
        rig.look(200.0 if n % 5 == 0 else 100.0)
    assert rig.said() == []
    rig.socket.close()


# ---- in a running watch ----------------------------------------------------------------------------


class HangingSource:
    """A bus whose second read never ends until it is let go."""

    name, interval_seconds = "onewire", 0.01

    def __init__(self) -> None:
        self.free = threading.Event()
        self.polls = 0

    def poll(self) -> list[Event]:
        self.polls += 1
        if self.polls == 2:
            self.free.wait(20.0)
        return []

    def close(self) -> None:
        """Nothing is held."""


class HandClock:
    """Real waits, and a time that a test moves on: the pulse's clock."""

    def __init__(self) -> None:
        self.ahead_seconds = 0.0

    def monotonic_seconds(self) -> float:
        return 1000.0 + self.ahead_seconds

    def time(self) -> int:
        return boats.START_TIME

    def wait(self, event: threading.Event, seconds: float) -> bool:
        return event.wait(seconds)


def test_in_a_running_watch_a_source_that_hangs_is_found_and_the_others_go_on(tmp_path: Path) -> None:
    from lugwatch.clock import SystemClock

    clock: Clock = SystemClock()
    stop, source, hand = threading.Event(), HangingSource(), HandClock()
    pulse = Pulse(hand)
    store = Store.open(tmp_path / "lugwatch.db", clock=clock, boat=boats.boat(), version="0")
    state = pipeline.begin(boats.boat(), clock.monotonic_seconds(), clock.time())
    watch = Watch(
        state=state, sources=[source], store=store, publishers=(), clock=clock, stop=stop, pulse=pulse
    )
    running = threading.Thread(target=watch.run)
    running.start()
    try:
        until(lambda: source.polls == 2)
        hand.ahead_seconds = 150.0
        # pipeline and store have reported since: only the bus is late
        until(lambda: [one.worker for one in pulse.late()] == ["source onewire"])
        source.free.set()
        until(lambda: pulse.late() == [])
    finally:
        source.free.set()
        stop.set()
        running.join(10.0)
    assert not running.is_alive()
