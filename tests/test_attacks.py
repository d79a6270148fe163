"""Attackers at the broker, a real mosquitto: what deploy/threats.md says of them holds."""

import json
import logging
import shutil
import subprocess
import threading
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from brokers import Mosquitto
from hangups import hang_up
from lugwatch.clock import ManualClock
from lugwatch.model import Fault, FaultKind, Reading
from lugwatch.publishers.crew_words import WAITING_KEPT
from lugwatch.sources.base import READINGS_A_SECOND, READINGS_AT_ONCE
from lugwatch.sources.broker_trust import MOST_PACKET_BYTES, cautions
from phones import PATIENCE_SECONDS, Crew, Desk, alert, change, settings, until
from test_mqtt_topic import TOPIC, is_value, opened, poll_until, publish, wait_subscribed

ROOT = Path(__file__).parent.parent


# ---- somebody at the broker ---------------------------------------------------------------------

HOSTILE_WORDS = (
    b"",
    b"\x00",
    b"\xff\xfe{\x80}",
    b"\x1b[2J\x1b]0;owned\x07",
    b"[" * 1000,
    b'{"alert_id": 1e400}',
    b'{"alert_id": -1}',
    b'{"alert_id": 18446744073709551616}',
    b'{"alert_id": ' + b"9" * 900 + b"}",
    b'{"alert_id": NaN}',
    b'{"alert_id": [3]}',
    b'{"alert_id": true}',
    b'{"alert_id": "3; DROP TABLE alert"}',
    b'{"alert_id": 3, "deed": "out_of_service"}',
    b'{"alert_id": 3, "deed": "shelve", "minutes": 1e300}',
    b'{"alert_id": 3, "deed": "shelve", "minutes": NaN}',
    b'{"alert_id": 3, "deed": {"shelve": 1}}',
    b'{"alert_id": 3}' + b" " * 2000,
)


def attacker(broker: Mosquitto, topic: str, payload: bytes) -> None:
    publish(broker.port, f"lugwatch/sea-pea/{topic}", payload)


def test_no_word_of_an_attacker_is_a_deed_or_ends_the_connection(
    broker: Mosquitto, desk: Desk, caplog: pytest.LogCaptureFixture
) -> None:
    publisher = desk.publisher(broker.port)
    publisher.start()
    crew = desk.crew(broker.port)
    publisher.publish([change(1, alert(3))])
    crew.topic("event")
    for payload in HOSTILE_WORDS:
        attacker(broker, "ack", payload)
    until(lambda: f"acknowledgements not understood: {len(HOSTILE_WORDS)}" in publisher.health())
    assert desk.words == []
    crew.say("ack", '{"alert_id": 3, "who": "mate"}')
    assert desk.heard.wait(PATIENCE_SECONDS)
    assert desk.acknowledged == [(3, "mate (MQTT)")]
    lines = [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]
    assert len(lines) == 1 and lines[0].isprintable(), lines


def test_a_name_that_a_phone_gives_itself_carries_no_escapes(broker: Mosquitto, desk: Desk) -> None:
    publisher = desk.publisher(broker.port)
    publisher.start()
    crew = desk.crew(broker.port)
    publisher.publish([change(1, alert(3))])
    crew.topic("event")
    crew.say("ack", json.dumps({"alert_id": 3, "who": "\x1b[31mmate\u202e\r\n\x00" + "x" * 900}))
    assert desk.heard.wait(PATIENCE_SECONDS)
    ((_, who),) = desk.acknowledged
    assert who.isprintable() and who.startswith("[31mmate") and len(who) == 40 + len(" (MQTT)")


def test_what_is_said_on_other_topics_is_no_word_of_the_crew(broker: Mosquitto, desk: Desk) -> None:
    publisher = desk.publisher(broker.port)
    publisher.start()
    crew = desk.crew(broker.port)
    publisher.publish([change(1, alert(3))])
    crew.topic("event")
    for topic in (
        "reply",
        "event",
        "recent",
        "alert/3",
        "joint/bar",
        "status",
        "ack/3",
        "ack/",
        "alert/../ack",
    ):
        attacker(broker, topic, b'{"alert_id": 3}')
    crew.say("ack", '{"alert_id": 9, "request": "last"}')
    crew.wait_for(lambda topic, payload, _: topic == "reply" and "last" in payload)
    assert desk.words == []


def test_a_flood_of_words_costs_bounded_memory_and_few_replies(broker: Mosquitto, desk: Desk) -> None:
    publisher = desk.publisher(broker.port)
    publisher.start()
    crew = desk.crew(broker.port)
    publisher.publish([change(1, alert(3))])
    crew.topic("event")
    tracemalloc.start()
    try:
        for number in range(3000):
            crew.client.publish("lugwatch/sea-pea/ack", f'{{"alert_id": 3, "request": "{number}"}}', qos=0)
        crew.say("ack", '{"alert_id": 9, "request": "last"}')
        crew.wait_for(lambda topic, payload, _: topic == "reply" and "last" in payload)
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()
    # handed on are as many as wait for an answer, and again as many when their time is up
    assert WAITING_KEPT <= len(desk.words) <= 10 * WAITING_KEPT


def test_a_packet_that_would_fill_the_memory_never_reaches_us(broker: Mosquitto, desk: Desk) -> None:
    """MQTT 5 section 3.1.2.11.4; what is larger than we said is not sent to us at all."""
    publisher = desk.publisher(broker.port)
    publisher.start()
    crew = desk.crew(broker.port)
    crew.topic("status")
    with opened(broker.port) as source:
        wait_subscribed(source, broker.port)
        tracemalloc.start()
        try:
            for topic in ("lugwatch/sea-pea/ack", TOPIC):
                publish(broker.port, topic, b"7" * 30_000_000)
            tracemalloc.reset_peak()
            before = tracemalloc.get_traced_memory()[0]
            publish(broker.port, TOPIC, b"0.375")
            events = poll_until(source, is_value(0.375))
            crew.say("ack", '{"alert_id": 9, "request": "after"}')
            crew.wait_for(lambda topic, payload, _: topic == "reply" and "after" in payload)
            assert tracemalloc.get_traced_memory()[1] - before < 5_000_000
        finally:
            tracemalloc.stop()
    assert [event for event in events if isinstance(event, Fault)] == []
    assert "not understood" not in publisher.health()
    assert MOST_PACKET_BYTES < 1_000_000


def test_a_topic_that_floods_brings_what_a_sensor_may_bring(broker: Mosquitto) -> None:
    clock = ManualClock()
    with opened(broker.port, clock=clock) as source:
        events = []
        for _ in range(40):
            for n in range(500):
                source._on_message(source._client, None, _Said(str(n)))
            source._link = False
            clock.advance(0.25)
            events += source.poll()
    readings = [event for event in events if isinstance(event, Reading)]
    assert len(readings) <= READINGS_AT_ONCE + READINGS_A_SECOND * clock.monotonic_seconds()
    told = [event for event in events if isinstance(event, Fault) and event.kind is FaultKind.OVERRUN]
    assert 1 <= len(told) <= 3 and "more than 20 a second" in told[0].detail


class _Said:
    topic, retain = TOPIC, False

    def __init__(self, payload: str) -> None:
        self.payload = payload.encode()


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker with the very settings and rights that deploy/files hands out, for users watch and phone."""
    maker = shutil.which("mosquitto_passwd")
    assert maker is not None, "a part of the Debian package mosquitto"
    users = tmp_path / "passwd"
    users.touch(mode=0o600)
    for user in ("watch", "phone"):
        subprocess.run([maker, "-b", users, user, f"{user}-word"], check=True, capture_output=True)
    files = ROOT / "deploy" / "files"
    lines = (files / "mosquitto-lugwatch.conf").read_text(encoding="utf-8").splitlines()
    own = ("#", "listener", "password_file", "acl_file", "persistence")
    kept = [line for line in lines if line and not line.startswith(own)]
    assert "allow_anonymous false" in kept and "persistence false" in lines
    acl = tmp_path / "acl"
    shutil.copy(files / "mosquitto-lugwatch.acl", acl)
    acl.chmod(0o600)
    with Mosquitto(*kept, f"password_file {users}", f"acl_file {acl}", "user root") as broker:
        yield broker


def test_with_the_brokers_rights_a_guest_hears_nothing_and_a_phone_forges_nothing(
    guarded: Mosquitto, desk: Desk, tmp_path: Path
) -> None:
    word = tmp_path / "word"
    word.write_text("watch-word\n", encoding="utf-8")
    publisher = desk.publisher(guarded.port, username="watch", password_file=word)
    publisher.start()
    publisher.publish([change(1, alert(3))])
    until(lambda: "waiting" not in publisher.health() and "connected to" in publisher.health())
    for login in (None, ("phone", "guessed"), ("stranger", "")):
        assert _connected(guarded.port, login) is None, login
    phone = _connected(guarded.port, ("phone", "phone-word"))
    assert phone is not None
    heard: list[tuple[str, bytes]] = []
    phone.on_message = lambda _client, _data, message: heard.append((message.topic, message.payload))
    phone.subscribe("#", 1)
    try:
        for topic in ("status", "alert/3", "event", "reply"):
            forged = phone.publish(f"lugwatch/sea-pea/{topic}", "forged", qos=1, retain=True)
            forged.wait_for_publish(PATIENCE_SECONDS)
        phone.publish("lugwatch/sea-pea/ack", b"7" * 70_000, qos=1)
        phone.publish("lugwatch/sea-pea/ack", '{"alert_id": 3, "request": "mine"}', qos=1)
        assert desk.heard.wait(PATIENCE_SECONDS)
    finally:
        hang_up(phone)
    assert [w.request for w in desk.words] == ["mine"]
    assert heard and all(b"forged" not in payload for _, payload in heard)
    assert "not understood" not in publisher.health(), "70 kB are more than this broker takes"


def _connected(port: int, login: tuple[str, str] | None) -> Client | None:
    """A client that the broker took, running in its own thread; or None."""
    client = Client(callback_api_version=CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
    if login is not None:
        client.username_pw_set(*login)
    answered, taken = threading.Event(), threading.Event()

    def hear(_client: Client, _data: object, _flags: object, reason: Any, _more: object) -> None:
        if not reason.is_failure:
            taken.set()
        answered.set()

    client.on_connect = hear
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert answered.wait(PATIENCE_SECONDS)
    if not taken.is_set():
        hang_up(client)
        return None
    return client


def test_a_password_that_others_may_read_is_said(tmp_path: Path) -> None:
    word = tmp_path / "word"
    word.write_text("secret\n", encoding="utf-8")
    for rights, said in ((0o644, True), (0o604, True), (0o640, False), (0o600, False)):
        word.chmod(rights)
        found = cautions(settings(1883, username="boat", password_file=word))
        assert bool(found) is said, oct(rights)
        assert all("chmod o=" in line and "secret" not in line for line in found)


def test_crew_that_is_known_is_heard_beside_an_attacker(broker: Mosquitto, desk: Desk) -> None:
    """While one client floods with rubbish another one's word is done and answered."""
    publisher = desk.publisher(broker.port)
    publisher.start()
    crew, attacking = desk.crew(broker.port), Crew(broker.port)
    try:
        publisher.publish([change(1, alert(3))])
        crew.topic("event")
        for number in range(1000):
            attacking.client.publish("lugwatch/sea-pea/ack", f"rubbish {number}" * 20, qos=0)
        crew.say("ack", '{"alert_id": 3, "who": "mate"}')
        assert desk.heard.wait(PATIENCE_SECONDS)
        assert desk.acknowledged == [(3, "mate (MQTT)")]
    finally:
        attacking.leave()
