"""The daemon as a process: its alerts reach a service and an instrument, also over kill −9."""

import select
import socket
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

pytest.importorskip("apprise")

from brokers import free_port
from lugwatch.clock import ScaledClock
from processes import Command, until
from test_nmea import with_checksum
from test_watch_process import BAR, slave
from web_service import WebService

SPEED = 20.0


class Ear:
    """A datagram socket and all that has come through it."""

    def __init__(self, family: socket.AddressFamily, address: str | tuple[str, int]) -> None:
        self.socket = socket.socket(family, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.heard: list[str] = []

    def find(self, what: Callable[[str], bool]) -> str | None:
        while select.select([self.socket], [], [], 0.0)[0]:
            self.heard.append(self.socket.recv(4096).decode())
        return next((one for one in self.heard if what(one)), None)

    def close(self) -> None:
        self.socket.close()


class Rig:
    """One probe as a file, an instrument on UDP, a service manager, and a file of addresses."""

    def __init__(self, folder: Path, service: WebService) -> None:
        self.folder = folder
        self.instrument = Ear(socket.AF_INET, ("127.0.0.1", 0))
        self.manager = Ear(socket.AF_UNIX, str(folder / "notify"))
        self.listens = free_port()
        self.config, self.database = folder / "lugwatch.toml", folder / "lugwatch.db"
        addresses = folder / "addresses"
        addresses.write_text(f"json://127.0.0.1:{service.port}/?cto=1&rto=1\n", encoding="utf-8")
        addresses.chmod(0o600)
        self.config.write_text(
            f"""
[boat]
name = "Grey Plover"
[onewire]
path = "w1"
[push]
urls_file = "addresses"
[nmea_alerts]
udp_host = "127.0.0.1"
udp_port = {self.instrument.socket.getsockname()[1]}
listen_udp_port = {self.listens}
[[probe]]
id = "bar"
source = "onewire"
address = "{BAR}"
[[joint]]
id = "bar"
name = "Bus bar, alternator stud"
probe = "bar"
air = "none"
limit_celsius = 90
""",
            encoding="utf-8",
        )
        (folder / "w1" / BAR).mkdir(parents=True)
        self.set_celsius(25.0)

    def set_celsius(self, celsius: float) -> None:
        whole = self.folder / "w1" / BAR / ".new"
        whole.write_text(slave(celsius), encoding="ascii")
        whole.replace(self.folder / "w1" / BAR / "w1_slave")

    def waiting(self) -> list[tuple[int, str | None]]:
        """Tries and last error of what waits to be sent."""
        with closing(sqlite3.connect(self.database)) as connection:
            return connection.execute("SELECT tries, last_error FROM push_line WHERE is_waiting").fetchall()

    def close(self) -> None:
        self.instrument.close()
        self.manager.close()


@pytest.fixture
def service() -> Iterator[WebService]:
    with WebService() as made:
        yield made


@pytest.fixture
def rig(tmp_path: Path, service: WebService, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    made = Rig(tmp_path, service)
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "2000000")
    yield made
    made.close()


def hot(sentence: str) -> bool:
    return sentence.startswith("$IIALR") and "JOINT HOT Bus bar^2C alternator stud" in sentence


def test_an_alarm_outlives_a_kill_and_is_sent_once_when_the_service_is_back(
    rig: Rig, service: WebService
) -> None:
    clock = ScaledClock(SPEED, time.monotonic(), 1_780_000_000_000)
    service.shut()
    with Command("watch", "--config", rig.config, clock=clock) as watch:
        until(lambda: rig.manager.find(lambda line: line == "WATCHDOG=1"))
        assert rig.manager.heard[0] == "READY=1"
        assert rig.manager.find(lambda line: line == "STATUS=watching")
        rig.set_celsius(95.0)
        sentence = until(lambda: rig.instrument.find(hot))
        assert sentence.split(",")[3:5] == ["A", "V"]
        error = until(lambda: next((error for tries, error in rig.waiting() if tries), None))
        assert "no connection" in error
        watch.kill()
        service.open()
        rig.instrument.heard.clear()
        watch.start()
        until(lambda: "Grey Plover: ALARM: hot" in service.titles())
        until(lambda: rig.instrument.find(hot))  # the first round says what stands
        until(lambda: not rig.waiting())
        rig.instrument.heard.clear()
        press = with_checksum(f"INACK,{sentence.split(',')[2]}").encode()
        rig.instrument.socket.sendto(press, ("127.0.0.1", rig.listens))
        until(lambda: rig.instrument.find(lambda one: hot(one) and one.split(",")[4] == "A"))
        assert watch.stop() == 0
    with closing(sqlite3.connect(rig.database)) as connection:
        who = connection.execute("SELECT acknowledged_by FROM alert WHERE condition = 'hot'").fetchone()
    assert who == ("instrument (IN)",)
    assert service.titles().count("Grey Plover: ALARM: hot") == 1
    assert rig.manager.find(lambda line: line == "STOPPING=1")
