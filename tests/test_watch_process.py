"""The daemon as a process, its buses driven from outside: one-wire files, a terminal, a real broker."""

import json
import os
import re
import sqlite3
import threading
import time
import tty
import zlib
from collections.abc import Iterator
from contextlib import closing
from functools import reduce
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from brokers import Mosquitto
from hangups import hang_up
from lugwatch.clock import ScaledClock
from lugwatch.errors import UserError
from lugwatch.store.queries import History
from processes import Command, until

# fifteen boat seconds in one of ours: a no-data alert of a minute comes within seconds
SPEED = 15.0
BAR, AIR = "28-0000054321ab", "28-000005432177"


def slave(celsius: float) -> str:
    """A w1_slave file as the kernel prints it (Linux Documentation/w1/slaves/w1_therm.rst)."""
    raw = round(celsius * 16)
    data = [raw & 0xFF, (raw >> 8) & 0xFF, 0x4B, 0x46, 0x7F, 0xFF, 0x10 - (raw & 0x0F) or 0x10, 0x10]
    crc = 0
    for bit in (byte >> i & 1 for byte in data for i in range(8)):
        crc = (crc >> 1) ^ (0x8C if (crc ^ bit) & 1 else 0)
    text = " ".join(f"{b:02x}" for b in [*data, crc])
    return f"{text} : crc={crc:02x} YES\n{text} t={int(celsius * 1000)}\n"


class Rig:
    """Two probes as files, a shunt node behind a pseudo-terminal, a broker with an inverter's current."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.folder, self.broker = folder, broker
        self.tree = folder / "w1"
        for probe in (BAR, AIR):
            (self.tree / probe).mkdir(parents=True)
        self.set_celsius(BAR, 25.0)
        self.set_celsius(AIR, 20.0)
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.link = folder / "node"
        self.link.symlink_to(os.ttyname(self._slave))
        self.amps: float | None = 0.0
        self._stop = threading.Event()
        self._talker = threading.Thread(target=self._talk)
        self._talker.start()
        self.config = folder / "lugwatch.toml"
        self.config.write_text(self._text(), encoding="utf-8")
        self.database = folder / "lugwatch.db"

    def _text(self) -> str:
        return f"""
[boat]
name = "Grey Plover"
[onewire]
path = "w1"
[mqtt]
host = "127.0.0.1"
port = {self.broker.port}
[[probe]]
id = "bar"
source = "onewire"
address = "{BAR}"
[[probe]]
id = "air"
source = "onewire"
address = "{AIR}"
[[current]]
id = "alternator"
source = "serial"
device = "{self.link}"
transducer = "ALT"
rated_amps = 120
[[current]]
id = "inverter"
source = "mqtt"
topic = "boat/inverter"
json_path = "amps"
rated_amps = 200
[[joint]]
id = "bar"
name = "Bus bar, alternator stud"
probe = "bar"
current = "alternator"
air = "air"
limit_celsius = 90
"""

    def set_celsius(self, probe: str, celsius: float) -> None:
        whole = self.tree / probe / ".new"
        whole.write_text(slave(celsius), encoding="ascii")
        whole.replace(self.tree / probe / "w1_slave")

    def _talk(self) -> None:
        while not self._stop.wait(1.0 / SPEED):
            if self.amps is not None:
                body = f"IIXDR,I,{self.amps:.1f},A,ALT"
                checksum = reduce(lambda a, b: a ^ b, body.encode())
                os.write(self.master, f"${body}*{checksum:02X}\r\n".encode())

    def close(self) -> None:
        self._stop.set()
        self._talker.join()
        os.close(self.master)
        os.close(self._slave)


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    with Mosquitto() as broker:
        made = Rig(tmp_path, broker)
        try:
            yield made
        finally:
            made.close()


@pytest.fixture
def clock() -> ScaledClock:
    return ScaledClock(SPEED, time.monotonic(), 1_780_000_000_000)


class Phone:
    """A real client that keeps all it hears."""

    def __init__(self, port: int) -> None:
        self.retained: dict[str, Any] = {}
        self.events: list[dict[str, Any]] = []
        self.client = mqtt.Client(callback_api_version=mqtt.CallbackAPIVersion.VERSION2)
        self.client.on_connect = lambda client, *_: client.subscribe("lugwatch/#", qos=1)
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _hear(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        topic = message.topic.removeprefix("lugwatch/grey-plover/")
        if topic == "event":
            event = json.loads(message.payload)
            # as README asks of a phone: what was told before a power cut may come once more after it
            if event["sequence"] not in [heard["sequence"] for heard in self.events]:
                self.events.append(event)
        elif message.payload:
            self.retained[topic] = json.loads(message.payload)
        else:
            self.retained.pop(topic, None)

    def close(self) -> None:
        hang_up(self.client)


@pytest.fixture
def phone(rig: Rig) -> Iterator[Phone]:
    made = Phone(rig.broker.port)
    yield made
    made.close()


def seen(rig: Rig) -> dict[str, tuple[int, float]]:
    """The latest readings; none while the database is only just being made."""
    try:
        with History.open(rig.database) as history:
            return history.latest_readings()
    except UserError:
        return {}


def test_a_hot_joint_reaches_the_phone_and_can_be_acknowledged_there(
    rig: Rig, phone: Phone, clock: ScaledClock
) -> None:
    with Command("watch", "--config", rig.config, clock=clock) as watch:
        until(lambda: phone.retained.get("status", {}).get("status") == "online")
        phone.client.publish("boat/inverter", json.dumps({"amps": 42.5}))
        until(lambda: {"bar", "air", "alternator", "inverter"} <= seen(rig).keys())
        assert seen(rig)["inverter"][1] == 42.5
        rig.amps = 100.0
        rig.set_celsius(BAR, 95.0)
        hot = until(lambda: next((e for e in phone.events if e["condition"] == "hot"), None))
        assert hot["category"] == "alarm" and hot["state"] == "active-unacknowledged"
        assert "Bus bar, alternator stud is at 95 °C" in hot["text"]
        assert phone.retained[f"alert/{hot['alert_id']}"]["condition"] == "hot"
        joint = until(lambda: phone.retained.get("joint/bar"))
        assert joint["limit_celsius"] == 90.0
        # heard after it was stored, never before
        with History.open(rig.database) as history:
            assert any(a.alert_id == hot["alert_id"] for a in history.alerts())
        phone.client.publish("lugwatch/grey-plover/ack", json.dumps({"alert_id": hot["alert_id"]}))
        until(lambda: [e for e in phone.events if e["change"] == "acknowledged"])
        reply = until(lambda: phone.retained.get("reply"))
        assert reply["done"] is True and reply["text"].startswith("Acknowledged: Bus bar, alternator stud")
        assert watch.stop() == 0
    until(lambda: phone.retained["status"]["status"] == "offline")
    numbers = [e["sequence"] for e in phone.events]
    assert numbers == sorted(set(numbers)), "each change once, in order"


def test_a_killed_watch_comes_back_and_announces_nothing_as_new(
    rig: Rig, phone: Phone, clock: ScaledClock
) -> None:  # C16
    rig.set_celsius(BAR, 95.0)
    with Command("watch", "--config", rig.config, clock=clock) as watch:
        until(lambda: [e for e in phone.events if e["condition"] == "hot"])
        watch.kill()
        until(lambda: phone.retained["status"]["status"] == "offline")
        before = seen(rig)["bar"][0]
        watch.start()
        until(lambda: phone.retained["status"]["status"] == "online")
        until(lambda: seen(rig)["bar"][0] > before + 60_000)
        assert [e["change"] for e in phone.events if e["condition"] == "hot"] == ["raised"]
        with History.open(rig.database) as history:
            assert len([a for a in history.alerts() if a.condition == "hot"]) == 1


def test_what_was_raised_without_a_broker_is_told_after_a_power_cut(
    rig: Rig, clock: ScaledClock
) -> None:  # C36, C16
    rig.broker.kill()
    rig.set_celsius(BAR, 95.0)

    def hot() -> list[Any]:
        with History.open(rig.database) as history:
            return [c for c in history.alert_changes() if c.alert.condition == "hot"]

    with Command("watch", "--config", rig.config, clock=clock) as watch:
        until(lambda: seen(rig) and hot())
        watch.kill()
        rig.broker.start()
        phone = Phone(rig.broker.port)
        try:
            watch.start()
            told = until(lambda: next((e for e in phone.events if e["condition"] == "hot"), None))
            assert (told["change"], told["sequence"]) == ("raised", hot()[0].sequence)
            status = until(lambda: phone.retained.get("status"))
            assert status["history_id"] == told["history_id"] and status["offline_after_seconds"] == 35.0
            assert re.fullmatch("lugwatch[0-9a-f]{15}", status["client_id"])
            recent = until(lambda: phone.retained.get("recent"))
            assert told["sequence"] in [c["sequence"] for c in recent["changes"]]
        finally:
            phone.close()


def test_what_is_unplugged_is_said_and_comes_back_by_itself(
    rig: Rig, phone: Phone, clock: ScaledClock
) -> None:  # C03, C06
    with Command("watch", "--config", rig.config, clock=clock):
        until(lambda: {"bar", "air", "alternator"} <= seen(rig).keys())
        away = rig.tree / BAR
        away.rename(rig.tree.parent / "unplugged")
        gone = until(lambda: next((e for e in phone.events if e["joint"] == "bar"), None))
        assert gone["condition"] in ("probe_fault", "no_data")
        (rig.tree.parent / "unplugged").rename(away)
        until(lambda: [e for e in phone.events if e["joint"] == "bar" and e["change"] == "rectified"])
        rig.amps = None
        until(lambda: [e for e in phone.events if e["channel"] == "alternator"])
        with History.open(rig.database) as history:
            kinds = {f.kind.value for f in history.faults(500)}
        assert "vanished" in kinds


def test_without_broker_and_probes_it_watches_all_the_same(rig: Rig, clock: ScaledClock) -> None:  # C09
    rig.broker.kill()
    (rig.tree / BAR).rename(rig.tree.parent / "not there yet")
    with Command("watch", "--config", rig.config, clock=clock) as watch:
        until(lambda: {"air", "alternator"} <= seen(rig).keys())
        (rig.tree.parent / "not there yet").rename(rig.tree / BAR)
        until(lambda: "bar" in seen(rig))
        assert watch.stop() == 0


def taken_until(database: Path) -> int:
    """How far the journal is in the last snapshot."""
    with closing(sqlite3.connect(database)) as connection:
        found = connection.execute("SELECT packed FROM snapshot WHERE key = 'pipeline'").fetchone()
    return json.loads(zlib.decompress(found[0]))["journal_taken_until"] if found else 0


def test_an_entry_of_the_journal_is_taken_in_while_it_watches_and_once(rig: Rig, clock: ScaledClock) -> None:
    def write(*words: str) -> None:
        with Command("journal", "add", *words, "--db", rig.database, clock=clock) as adding:
            _, told = adding.running.communicate(timeout=20.0)
            assert adding.running.returncode == 0, told

    with Command("watch", "--config", rig.config, clock=clock) as watch:
        until(lambda: "bar" in seen(rig))
        write("bar", "--work", "Cleaned, new washer")
        until(lambda: taken_until(rig.database) == 1)
        watch.kill()
        write("bar", "--millivolts", "4.5", "--amps", "90")
        watch.start()
        until(lambda: taken_until(rig.database) == 2)
        assert watch.stop() == 0
    with History.open(rig.database) as history:
        assert [e.kind.value for e in history.journal("bar")] == ["work", "millivolts"]


def test_a_second_watch_on_the_same_boat_is_refused(rig: Rig, clock: ScaledClock) -> None:  # C35
    with Command("watch", "--config", rig.config, clock=clock):
        until(lambda: "air" in seen(rig))
        with Command("watch", "--config", rig.config, clock=clock) as second:
            _, told = second.running.communicate(timeout=20.0)
            assert second.running.returncode == 1
        assert "another lugwatch already watches" in told and told.count("\n") == 1
