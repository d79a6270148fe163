"""The publisher against a real broker: what a phone sees, whatever happens to the broker in between."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from brokers import Mosquitto, free_port
from lugwatch.clock import SystemClock
from lugwatch.config import MqttSettings
from lugwatch.errors import UserError
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
from lugwatch.publishers.mqtt import MqttPublisher
from lugwatch.publishers.mqtt_words import alert_id_in
from lugwatch.publishers.outbox import CHANGES_KEPT, CLEARINGS_KEPT, Outbox
from lugwatch.publishers.reconnect import Attempt, End, EndKind, Pace, next_attempt, trouble

PATIENCE_SECONDS = 30.0
QUICK = Pace(
    heartbeat_seconds=0.5,
    joint_seconds=0.1,
    answer_seconds=1.0,
    least_retry_seconds=0.05,
    most_retry_seconds=0.3,
    goodbye_seconds=2.0,
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

    def __init__(self, port: int) -> None:
        self.messages: list[tuple[str, str, bool]] = []
        self._news = threading.Condition()
        self._listening = threading.Event()
        self.client = Client(
            callback_api_version=CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311
        )
        self.client.on_message = self._on_message
        self.client.on_connect = lambda client, *_: client.subscribe("lugwatch/sea-pea/#", 1)
        self.client.on_subscribe = lambda *_: self._listening.set()
        self.client.connect(host="127.0.0.1", port=port)
        self.client.loop_start()
        assert self._listening.wait(PATIENCE_SECONDS)

    def _on_message(self, _client: Client, _data: Any, message: Any) -> None:
        with self._news:
            topic = message.topic.removeprefix("lugwatch/sea-pea/")
            self.messages.append((topic, message.payload.decode(), message.retain))
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

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Desk:
    """Makes publishers and phones, and closes them all."""

    def __init__(self) -> None:
        self._to_close: list[Callable[[], None]] = []
        self.acknowledged: list[tuple[int, str]] = []
        self.heard = threading.Event()

    def publisher(self, port: int, *, pace: Pace = QUICK, client_id: str = "lugwatch-a", **more: Any) -> Any:
        def on_acknowledge(alert_id: int, who: str) -> None:
            self.acknowledged.append((alert_id, who))
            self.heard.set()

        publisher = MqttPublisher(
            settings(port, **more),
            boat(),
            clock=SystemClock(),
            client_id=client_id,
            on_acknowledge=on_acknowledge,
            boot="boot-1",
            pace=pace,
        )
        self._to_close.append(publisher.close)
        return publisher

    def crew(self, port: int) -> Crew:
        crew = Crew(port)
        self._to_close.append(crew.leave)
        return crew

    def close(self) -> None:
        for close in reversed(self._to_close):
            close()


@pytest.fixture
def desk() -> Iterator[Desk]:
    desk = Desk()
    yield desk
    desk.close()


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as broker:
        yield broker


def until(true: Callable[[], bool]) -> None:
    """Bounded polling on the clock's own wait, for what only `health()` tells."""
    clock, never = SystemClock(), threading.Event()
    deadline = clock.monotonic_seconds() + PATIENCE_SECONDS
    while not true():
        assert clock.monotonic_seconds() < deadline
        clock.wait(never, 0.02)


# ---- the present state --------------------------------------------------------------------------


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_phone_that_comes_late_sees_the_present(broker: Mosquitto, desk: Desk, protocol: str) -> None:
    publisher = desk.publisher(broker.port, protocol=protocol)
    publisher.start()
    early = desk.crew(broker.port)
    publisher.publish([estimate(40.0), change(7, alert(3))])
    assert early.topic("event")["sequence"] == 7
    early.topic("joint/bar")
    late = desk.crew(broker.port)
    assert late.topic("joint/bar")["probe_celsius"] == 40.0
    assert late.topic("alert/3")["text"] == "The bar is warming."
    status = late.topic("status")
    assert status["status"] == "online" and status["boot"] == "boot-1" and status["heartbeat_seconds"] == 0.5
    assert all(retained for topic, _, retained in late.messages[:3])
    assert not [topic for topic, _, _ in late.messages if topic == "event"]
    assert f"over MQTT {protocol}" in publisher.health()


def test_the_heartbeat_comes_by_itself(broker: Mosquitto, desk: Desk) -> None:
    desk.publisher(broker.port).start()
    crew = desk.crew(broker.port)
    first = crew.topic("status")["time"]
    crew.wait_for(lambda topic, payload, _: topic == "status" and json.loads(payload)["time"] != first)


def test_an_alert_is_cleared_when_normal(broker: Mosquitto, desk: Desk) -> None:
    publisher = desk.publisher(broker.port)
    publisher.start()
    crew = desk.crew(broker.port)
    publisher.publish([change(1, alert(3))])
    crew.topic("alert/3")
    publisher.publish([change(2, alert(3, AlertState.NORMAL))])
    crew.wait_for(lambda topic, payload, _: topic == "alert/3" and payload == "")
    late = desk.crew(broker.port)
    late.topic("status")
    assert not [topic for topic, _, _ in late.messages if topic == "alert/3"]


def test_what_an_earlier_run_left_behind_is_cleared(broker: Mosquitto, desk: Desk) -> None:
    """C33: yesterday's alarm, and a joint that is no longer configured."""
    crew = desk.crew(broker.port)
    for topic in ("alert/3", "alert/4", "joint/old_name", "joint/bar"):
        crew.say(topic, "{}", retain=True)
    publisher = desk.publisher(broker.port)
    publisher.restore([alert(4)])
    publisher.start()
    for gone in ("alert/3", "joint/old_name"):
        crew.wait_for(lambda topic, payload, _, gone=gone: (topic, payload) == (gone, ""))  # type: ignore[misc]
    late = desk.crew(broker.port)
    assert late.topic("alert/4")["alert_id"] == 4
    late.topic("status")
    assert {topic for topic, _, _ in late.messages} == {"alert/4", "joint/bar", "status"}


# ---- coming and going ---------------------------------------------------------------------------

CHILD = """
import sys, threading
from test_mqtt_publisher import QUICK, boat, settings
from lugwatch.clock import SystemClock
from lugwatch.publishers.mqtt import MqttPublisher
publisher = MqttPublisher(settings(int(sys.argv[1])), boat(), clock=SystemClock(), client_id="child",
                          on_acknowledge=lambda alert_id, who: None, pace=QUICK)
publisher.start()
threading.Event().wait()
"""


def test_a_killed_daemon_is_offline_by_its_last_will(broker: Mosquitto, desk: Desk) -> None:
    crew = desk.crew(broker.port)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(broker.port)], env=environment)
    try:
        assert crew.topic("status")["status"] == "online"
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait(PATIENCE_SECONDS)
    crew.wait_for(lambda topic, payload, _: topic == "status" and '"offline"' in payload)
    late = desk.crew(broker.port)
    status = late.topic("status")
    assert status["status"] == "offline" and status["time"] is None


def test_a_clean_stop_says_goodbye(broker: Mosquitto, desk: Desk) -> None:
    publisher = desk.publisher(broker.port)
    publisher.start()
    crew = desk.crew(broker.port)
    crew.topic("status")
    publisher.publish([change(1, alert(3))])
    publisher.close()
    crew.topic("event")  # what was pending went out first
    status = desk.crew(broker.port).topic("status")
    assert status["status"] == "offline" and status["time"] is not None


def test_no_broker_at_the_start(desk: Desk) -> None:
    """C09: it appears later, and is told the present."""
    port = free_port()
    publisher = desk.publisher(port)
    publisher.start()
    publisher.publish([estimate(41.0), change(1, alert(3))])
    until(lambda: publisher.health().startswith("no broker at"))
    assert "alert changes waiting: 1" in publisher.health()
    with Mosquitto(port=port):
        crew = desk.crew(port)
        assert crew.topic("joint/bar")["probe_celsius"] == 41.0
        assert crew.topic("alert/3")["alert_id"] == 3
        assert crew.topic("status")["status"] == "online"


@pytest.mark.parametrize("host", ["no-such-name.invalid", "a..b", "x" * 70])
def test_a_name_that_leads_nowhere(desk: Desk, host: str) -> None:
    publisher = desk.publisher(1883, host=host)
    publisher.start()
    publisher.publish([estimate(41.0)])
    until(lambda: publisher.health().startswith("no broker at"))


def test_a_broker_that_restarts_empty(broker: Mosquitto, desk: Desk) -> None:
    """C36: raised while the broker was dead; shown when it is back, and told once."""
    publisher = desk.publisher(broker.port)
    publisher.start()
    publisher.publish([change(1, alert(3))])
    desk.crew(broker.port).topic("alert/3")
    until(lambda: "waiting" not in publisher.health())
    broker.kill()
    publisher.publish([change(2, alert(5)), change(3, alert(3, AlertState.NORMAL)), estimate(44.0)])
    until(lambda: "waiting: 2" in publisher.health() and "next try" in publisher.health())
    broker.start()
    crew = desk.crew(broker.port)
    until(lambda: "waiting" not in publisher.health())
    late = desk.crew(broker.port)
    assert late.topic("alert/5")["alert_id"] == 5
    assert late.topic("joint/bar")["probe_celsius"] == 44.0
    late.topic("status")
    assert "alert/3" not in [topic for topic, _, _ in late.messages]
    publisher.publish([change(4, alert(6))])
    crew.wait_for(lambda topic, payload, _: topic == "event" and json.loads(payload)["sequence"] == 4)
    told = [json.loads(payload)["sequence"] for topic, payload, _ in crew.messages if topic == "event"]
    assert len(told) == len(set(told)) and told == sorted(told) and 1 not in told


def test_a_frozen_broker_delays_nobody(broker: Mosquitto, desk: Desk) -> None:
    publisher = desk.publisher(broker.port, pace=replace(QUICK, goodbye_seconds=0.3))
    publisher.start()
    until(lambda: "connected" in publisher.health())
    broker.freeze()
    clock = SystemClock()
    before_seconds = clock.monotonic_seconds()
    for sequence in range(200):
        publisher.publish([estimate(float(sequence)), change(sequence, alert(sequence))])
    assert "waiting: 200" in publisher.health()
    publisher.close()
    assert clock.monotonic_seconds() - before_seconds < 10.0
    broker.thaw()
    status = desk.crew(broker.port)
    status.wait_for(lambda topic, payload, _: topic == "status" and '"offline"' in payload)


def test_a_port_that_speaks_something_else(desk: Desk) -> None:
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        door.listen()
        publisher = desk.publisher(door.getsockname()[1])
        publisher.start()
        for nonsense in (
            b"SSH-2.0-other\r\n",
            b"\x20\x02",
            b"\x20\xff\xff\xff\xff\xff",
            b"\xe0\x01\xff",
            b"",
        ):
            visitor, _ = door.accept()
            with visitor:
                visitor.sendall(nonsense)
        until(lambda: "ended" in publisher.health())
        visitor, _ = door.accept()
        with visitor:  # taken, and never answered
            until(lambda: "does not answer" in publisher.health())


def test_a_broker_that_speaks_only_the_older_protocol(desk: Desk) -> None:
    pytest.importorskip("amqtt")
    port = free_port()
    text = (
        "import asyncio, sys\nfrom amqtt.broker import Broker\n"
        "async def main():\n"
        "    listener = {'type': 'tcp', 'bind': '127.0.0.1:' + sys.argv[1]}\n"
        "    anyone = {'amqtt.plugins.authentication.AnonymousAuthPlugin': {'allow_anonymous': True}}\n"
        "    broker = Broker({'listeners': {'default': listener}, 'plugins': anyone})\n"
        "    await broker.start()\n    await asyncio.Event().wait()\n"
        "asyncio.run(main())\n"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", text, str(port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        publisher = desk.publisher(port)
        publisher.start()
        publisher.publish([estimate(42.0), change(1, alert(3))])
        until(lambda: "over MQTT 3.1.1" in publisher.health() and "waiting" not in publisher.health())
        crew = desk.crew(port)
        assert crew.topic("joint/bar")["probe_celsius"] == 42.0
        assert crew.topic("alert/3")["alert_id"] == 3
        crew.leave()
        publisher.close()
    finally:
        child.kill()
        child.wait(PATIENCE_SECONDS)


def test_two_of_one_name_slow_down_and_say_so(broker: Mosquitto, desk: Desk) -> None:
    """C35."""
    publishers = [desk.publisher(broker.port) for _ in range(2)]
    for publisher in publishers:
        publisher.start()
    until(lambda: any("is lugwatch running twice?" in publisher.health() for publisher in publishers))


# ---- acknowledging ------------------------------------------------------------------------------


def test_the_crew_acknowledges(broker: Mosquitto, desk: Desk) -> None:
    crew = desk.crew(broker.port)
    crew.say("ack", '{"alert_id": 9}', retain=True)  # stored: it would acknowledge for ever
    publisher = desk.publisher(broker.port)
    publisher.start()
    until(lambda: "stored acknowledgements refused: 1" in publisher.health())
    crew.say("ack", "all of them")
    crew.say("ack", '{"alert_id": 3}')
    assert desk.heard.wait(PATIENCE_SECONDS)
    assert desk.acknowledged == [(3, "MQTT")]
    assert "acknowledgements not understood: 1" in publisher.health()


@pytest.mark.parametrize("payload", [b"3", b'{"alert_id": 3}', b' {"alert_id":3,"who":"mate"}\n'])
def test_words_that_acknowledge(payload: bytes) -> None:
    assert alert_id_in(payload) == 3


@pytest.mark.parametrize(
    "payload",
    [
        *(
            b"",
            b"x",
            b"3.0",
            b"-3",
            b"0",
            b"true",
            b"[3]",
            b'"3"',
            b"NaN",
            b'{"id": 3}',
            b'{"alert_id": null}',
        ),
        *(b"\xff\xfe", b"[" * 900, b"9" * 900, b'{"alert_id": 3}' + b" " * 2000),
    ],
)
def test_words_that_do_not(payload: bytes) -> None:
    assert alert_id_in(payload) is None


# ---- bounds, without a broker -------------------------------------------------------------------


def test_a_week_offline_does_not_fill_the_memory(desk: Desk) -> None:
    outbox = Outbox(["bar"], joint_seconds=5.0)
    for number in range(10_000):
        outbox.note([estimate(float(number)), change(2 * number, alert(number))])
        outbox.note([change(2 * number + 1, alert(number, AlertState.NORMAL))])
    assert outbox.sizes() == {
        "joints": 1,
        "alerts": 0,
        "clearings": CLEARINGS_KEPT,
        "changes": CHANGES_KEPT,
    }
    assert outbox.changes_dropped == 20_000 - CHANGES_KEPT
    outbox.begin_connection()
    messages = []
    while (message := outbox.take(0.0)) is not None:
        messages.append(message)
        outbox.delivered(message)
    joints = [m for m in messages if m.topic == "joint/bar"]
    assert len(joints) == 1 and json.loads(joints[0].payload)["probe_celsius"] == 9999.0
    assert [m.sequence for m in messages if m.topic == "event"] == list(range(20_000 - CHANGES_KEPT, 20_000))
    assert outbox.sizes() == {"joints": 1, "alerts": 0, "clearings": 0, "changes": 0}


def test_a_joint_waits_its_turn_and_a_changed_state_does_not() -> None:
    outbox = Outbox(["bar"], joint_seconds=5.0)
    outbox.note([estimate(40.0)])
    assert outbox.take(100.0) is not None
    outbox.note([estimate(41.0)])
    assert outbox.take(104.9) is None
    assert outbox.take(105.0) is not None
    outbox.note([replace(estimate(95.0), state=JointState.HOT)])
    assert outbox.take(105.5) is None
    hot = outbox.take(106.0)
    assert hot is not None and json.loads(hot.payload)["state"] == "hot" and hot.expires_seconds == 600


def test_a_change_is_sent_again_until_it_is_acknowledged() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    outbox.note([change(1, alert(3)), change(2, alert(4, AlertState.NORMAL))])
    for _ in range(3):
        outbox.begin_connection()
        taken = [outbox.take(0.0) for _ in range(5)]
        assert [(m.topic, m.sequence) for m in taken if m] == [
            ("alert/3", None),
            ("alert/4", None),
            ("event", 1),
            ("event", 2),
        ]
    for message in taken:
        if message is not None:
            outbox.delivered(message)
    outbox.begin_connection()
    assert [m.topic for m in (outbox.take(0.0), outbox.take(0.0)) if m] == ["alert/3"]


PACE = Pace()


def ended(kind: EndKind, lasted_seconds: float = 0.0) -> End:
    return End(kind=kind, detail="so", lasted_seconds=lasted_seconds)


def test_the_delay_grows_to_its_bound() -> None:
    attempt = Attempt(protocol="5")
    delays = []
    for _ in range(9):
        attempt = next_attempt(attempt, ended(EndKind.UNREACHABLE), "5", PACE)
        delays.append(attempt.delay_seconds)
    assert delays == [1, 2, 4, 8, 16, 32, 60, 60, 60]
    back = next_attempt(attempt, ended(EndKind.LOST, 1000.0), "5", PACE)
    assert back.delay_seconds == 1.0


def test_two_clients_of_one_id_calm_down() -> None:
    attempt = Attempt(protocol="5")
    for _ in range(12):  # the other comes back after about as long as we waited
        attempt = next_attempt(attempt, ended(EndKind.TAKEN_OVER, attempt.delay_seconds + 1.0), "5", PACE)
    assert attempt.delay_seconds == PACE.most_takeover_seconds
    assert "is lugwatch running twice?" in trouble(ended(EndKind.TAKEN_OVER), attempt, "pi:1883", "a")


def test_a_broker_that_restarts_every_ten_seconds_is_found_again_at_once() -> None:
    """C38."""
    attempt = Attempt(protocol="5")
    for _ in range(20):
        attempt = next_attempt(attempt, ended(EndKind.LOST, 9.0), "5", PACE)
    assert attempt.delay_seconds <= 2.0


def test_the_older_protocol_is_tried_and_left_again() -> None:
    for kind in (EndKind.SILENT, EndKind.PROTOCOL_REFUSED, EndKind.UNANSWERED):
        older = next_attempt(Attempt(protocol="5"), ended(kind), "5", PACE)
        assert (older.protocol, older.delay_seconds) == ("3.1.1", 0.0)
    assert next_attempt(older, ended(EndKind.LOST, 900.0), "5", PACE).protocol == "3.1.1"
    newer = next_attempt(older, ended(EndKind.UNANSWERED), "5", PACE)
    assert newer.protocol == "5" and newer.delay_seconds > 0
    asked = next_attempt(Attempt(protocol="3.1.1"), ended(EndKind.UNANSWERED), "3.1.1", PACE)
    assert asked.protocol == "3.1.1"


# ---- files --------------------------------------------------------------------------------------


def test_a_wrong_file_is_the_users_to_mend(desk: Desk, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.write_text("\n", encoding="utf-8")
    for more, words in (
        ({"username": "u", "password_file": tmp_path / "none"}, "No such file"),
        ({"username": "u", "password_file": empty}, "is empty"),
        ({"password_file": empty}, "needs username"),
        ({"tls": True, "ca_file": tmp_path / "none"}, "No such file"),
        ({"tls": True, "ca_file": empty}, "certificate"),
    ):
        with pytest.raises(UserError, match=words):
            desk.publisher(1883, **more)


def test_user_and_password(desk: Desk, tmp_path: Path) -> None:
    users = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "boat", "right"], check=True)
    users.chmod(0o644)
    tmp_path.chmod(0o755)
    password = tmp_path / "password"
    with Mosquitto("allow_anonymous false", f"password_file {users}", "user root") as broker:
        password.write_text("wrong\n", encoding="utf-8")
        wrong = desk.publisher(broker.port, username="boat", password_file=password)
        wrong.start()
        until(lambda: "check user and password" in wrong.health())
        password.write_text("right\n", encoding="utf-8")
        right = desk.publisher(broker.port, username="boat", password_file=password, client_id="b")
        right.start()
        until(lambda: "connected to" in right.health())


def test_tls_trusts_only_the_named_certificate(desk: Desk, tmp_path: Path) -> None:
    for name in ("ours", "other"):
        subprocess.run(
            [
                *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
                *("-subj", f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1"),
                *("-keyout", str(tmp_path / f"{name}.key"), "-out", str(tmp_path / f"{name}.pem")),
            ],
            check=True,
            capture_output=True,
        )
    tls = free_port()
    lines = ("allow_anonymous true", "user root", f"listener {tls} 127.0.0.1")
    with Mosquitto(*lines, f"certfile {tmp_path}/ours.pem", f"keyfile {tmp_path}/ours.key"):
        trusted = desk.publisher(tls, tls=True, ca_file=tmp_path / "ours.pem")
        trusted.start()
        trusted.publish([change(1, alert(3))])
        until(lambda: "connected to" in trusted.health() and "waiting" not in trusted.health())
        doubted = desk.publisher(tls, tls=True, ca_file=tmp_path / "other.pem", client_id="b")
        doubted.start()
        until(lambda: "certificate" in doubted.health().lower())
