"""Who reports, and what the service manager hears: a real datagram socket, the manual clock."""

import select
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from lugwatch.clock import ManualClock, SystemClock
from lugwatch.pulse import Late, Pulse, ServiceManager, service_manager


class Manager:
    """The socket of a service manager, and what came through it."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address)

    def heard(self) -> list[str]:
        found = []
        while select.select([self._socket], [], [], 0.0)[0]:
            found.append(self._socket.recv(4096).decode())
        return found

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[tuple[Manager, ServiceManager]]:
    heard = Manager(str(tmp_path / "notify"))
    yield heard, ServiceManager(str(tmp_path / "notify"), 30.0)
    heard.close()


def test_a_worker_is_late_after_its_time_and_no_longer_when_it_reports() -> None:
    clock = ManualClock()
    pulse = Pulse(clock)
    quick, slow = pulse.expect("quick", 10.0), pulse.expect("slow", 60.0)
    clock.advance(10.0)
    assert pulse.late() == []
    clock.advance(1.0)
    assert pulse.late() == [Late(worker="quick", silent_seconds=11.0)]
    quick()
    assert pulse.late() == []
    clock.advance(61.0)
    assert [one.worker for one in pulse.late()] == ["slow", "quick"]
    slow()
    quick()
    assert pulse.late() == []


def test_the_manager_hears_one_line_a_datagram(manager: tuple[Manager, ServiceManager]) -> None:
    heard, tells = manager
    tells.ready()
    tells.status("watching;\n MQTT away")
    tells.status("watching; MQTT away")
    tells.feed()
    tells.stopping()
    # sd_notify(3)
    assert heard.heard() == ["READY=1", "STATUS=watching; MQTT away", "WATCHDOG=1", "STOPPING=1"]


def test_an_abstract_socket_is_reached_too() -> None:
    name = f"lugwatch-test-{threading.get_ident()}"
    heard = Manager("\0" + name)
    ServiceManager("@" + name, None).ready()
    assert heard.heard() == ["READY=1"]
    heard.close()


def test_without_a_watchdog_nothing_is_fed(tmp_path: Path) -> None:
    heard = Manager(str(tmp_path / "notify"))
    ServiceManager(str(tmp_path / "notify"), None).feed()
    assert heard.heard() == []
    heard.close()


@pytest.mark.parametrize(
    ("environment", "seconds"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),  # for another process
    ],
)
def test_the_period_comes_from_the_environment(environment: dict[str, str], seconds: float | None) -> None:
    assert service_manager(environment).watchdog_seconds == seconds


def test_no_manager_and_a_manager_that_is_gone_cost_nothing(tmp_path: Path) -> None:
    for tells in (ServiceManager(None, 30.0), ServiceManager(str(tmp_path / "gone"), 30.0)):
        tells.ready()
        tells.feed()
        tells.status("watching")


def test_reports_from_another_thread_count() -> None:
    pulse = Pulse(SystemClock())
    report = pulse.expect("worker", 3600.0)
    thread = threading.Thread(target=report)
    thread.start()
    thread.join()
    assert pulse.late() == []
