"""A phone on the boat's broker, publishers to be heard by it, and small things for them to say."""

import json
import threading
from collections.abc import Callable
from dataclasses import fields
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from hangups import hang_up
from lugwatch.clock import Clock, SystemClock
from lugwatch.config import MqttSettings
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Boat,
    Category,
    Condition,
    Estimate,
    Joint,
    JointState,
    Watching,
)
from lugwatch.publishers.crew_words import CrewWord
from lugwatch.publishers.mqtt import MqttPublisher, Remembered
from lugwatch.publishers.reconnect import Pace

PATIENCE_SECONDS = 30.0
QUICK = Pace(
    heartbeat_seconds=0.5,
    joint_seconds=0.1,
    answer_seconds=1.0,
    least_retry_seconds=0.05,
    most_retry_seconds=0.3,
    goodbye_seconds=2.0,
    died_with_seconds=2.0,
)
UNKNOWN = {
    field.name: None
    for field in fields(Estimate)
    if field.name not in {"joint", "time", "state", "limit_celsius"}
}
TIME = 1_780_000_000_000


def estimate(probe_celsius: float, joint: str = "bar") -> Estimate:
    known = {**UNKNOWN, "probe_celsius": probe_celsius}
    return Estimate(joint=joint, time=TIME, state=JointState.STEADY, limit_celsius=90.0, **known)  # type: ignore[arg-type]


def alert(alert_id: int, state: AlertState = AlertState.ACTIVE_UNACKNOWLEDGED) -> Alert:
    return Alert(
        alert_id=alert_id,
        joint="bar",
        channel=None,
        condition=Condition.WARMING,
        category=Category.CAUTION,
        state=state,
        raised_time=TIME,
        rectified_time=None,
        acknowledged_time=None,
        acknowledged_by=None,
        text="The bar is warming.",
        advice="Look at it in harbour.",
    )


def change(sequence: int, of: Alert) -> AlertChange:
    return AlertChange(sequence=sequence, time=TIME, change=AlertChangeKind.RAISED, alert=of)


def boat() -> Boat:
    joint = Joint(
        joint="bar",
        name="Bar",
        probe="bar",
        current=None,
        air=None,
        neighbours=(),
        rated_amps=None,
        limit_celsius=90.0,
        limit_basis="set",
    )
    return Boat(name="Sea Pea", slug="sea-pea", channels=(), joints=(joint,), watching=Watching())


def settings(port: int, **more: Any) -> MqttSettings:
    plain: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": port,
        "username": None,
        "password_file": None,
        "ca_file": None,
        "tls": False,
        "protocol": "5",
    }
    return MqttSettings(**{**plain, **more})


class Crew:
    """A phone: all messages under the boat's prefix, and a wait for one of them."""

    def __init__(self, port: int, host: str = "127.0.0.1") -> None:
        self.messages: list[tuple[str, str, bool]] = []
        self._news = threading.Condition()
        self._listening = threading.Event()
        self._lost = threading.Event()
        self.client = Client(
            callback_api_version=CallbackAPIVersion.VERSION2,
            protocol=MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        self.client.on_message = self._on_message
        self.client.on_connect = lambda client, *_: client.subscribe("lugwatch/sea-pea/#", 1)
        self.client.on_subscribe = lambda *_: self._listening.set()
        self.client.on_disconnect = lambda *_: self._lost.set()
        self.client.connect(host=host, port=port)
        self.client.loop_start()
        assert self._listening.wait(PATIENCE_SECONDS)

    def _on_message(self, _client: Client, _data: Any, message: Any) -> None:
        with self._news:
            topic = message.topic.removeprefix("lugwatch/sea-pea/")
            self.messages.append((topic, message.payload.decode(errors="replace"), message.retain))
            self._news.notify_all()

    def wait_for(self, what: Callable[[str, str, bool], bool]) -> tuple[str, str, bool]:
        found: list[tuple[str, str, bool]] = []

        def look() -> bool:
            found[:] = [m for m in self.messages if what(*m)]
            return bool(found)

        with self._news:
            assert self._news.wait_for(look, PATIENCE_SECONDS), self.messages
        return found[0]

    def topic(self, name: str) -> dict[str, Any]:
        payload = self.wait_for(lambda topic, payload, _: topic == name and payload != "")[1]
        back = json.loads(payload)
        assert isinstance(back, dict)
        return back

    def say(self, topic: str, payload: str, *, retain: bool = False) -> None:
        info = self.client.publish(topic=f"lugwatch/sea-pea/{topic}", payload=payload, qos=1, retain=retain)
        info.wait_for_publish(PATIENCE_SECONDS)

    def wait_until_lost(self) -> None:
        """The broker has gone, and all that it had sent has been heard."""
        assert self._lost.wait(PATIENCE_SECONDS)

    def leave(self) -> None:
        hang_up(self.client)


class Desk:
    """Makes publishers and phones, and closes them all."""

    def __init__(self) -> None:
        self._to_close: list[Callable[[], None]] = []
        self.acknowledged: list[tuple[int | None, str]] = []
        self.words: list[CrewWord] = []
        self.settled: list[int] = []
        self.heard = threading.Event()

    def publisher(
        self,
        port: int,
        *,
        pace: Pace = QUICK,
        client_id: str = "lugwatch-a",
        remembered: Remembered | None = None,
        clock: Clock | None = None,
        **more: Any,
    ) -> MqttPublisher:
        def on_deed(word: CrewWord) -> None:
            self.words.append(word)
            self.acknowledged.append((word.alert_id, word.who))
            self.heard.set()

        publisher = MqttPublisher(
            settings(port, **more),
            boat(),
            clock=clock or SystemClock(),
            real_clock=clock,
            client_id=client_id,
            on_deed=on_deed,
            on_settled=self.settled.extend,
            remembered=remembered,
            boot="boot-1",
            pace=pace,
        )
        self._to_close.append(publisher.close)
        return publisher

    def crew(self, port: int, host: str = "127.0.0.1") -> Crew:
        crew = Crew(port, host)
        self._to_close.append(crew.leave)
        return crew

    def close(self) -> None:
        for close in reversed(self._to_close):
            close()


def until(true: Callable[[], bool]) -> None:
    """Bounded polling on the clock's own wait, for what only `health()` tells."""
    clock, never = SystemClock(), threading.Event()
    deadline = clock.monotonic_seconds() + PATIENCE_SECONDS
    while not true():
        assert clock.monotonic_seconds() < deadline
        clock.wait(never, 0.02)
