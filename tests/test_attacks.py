"""Attackers at the broker and on USB, against the real parts: what deploy/threats.md says of them holds.

A real mosquitto, a real pseudo-terminal. The page's attackers are in test_attacks_page.
"""

import contextlib
import json
import logging
import os
import shutil
import subprocess
import threading
import time
import tomllib
import tracemalloc
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from brokers import Mosquitto
from hangups import hang_up
from lugwatch import first_text
from lugwatch.clock import ManualClock, SystemClock
from lugwatch.model import Fault, FaultKind, Quantity, Reading
from lugwatch.publishers.crew_words import WAITING_KEPT
from lugwatch.sources.base import READINGS_A_SECOND, READINGS_AT_ONCE, Allowance
from lugwatch.sources.broker_trust import MOST_PACKET_BYTES, cautions
from lugwatch.sources.finding import MOST_HEARD, Found, Transducer, find_serial
from lugwatch.sources.serial_nmea import SerialChannel, SerialNmea
from phones import PATIENCE_SECONDS, Crew, Desk, alert, change, settings, until
from test_mqtt_topic import TOPIC, is_value, opened, poll_until, publish, wait_subscribed
from test_nmea import with_checksum

ROOT = Path(__file__).parent.parent


@pytest.fixture
def desk() -> Iterator[Desk]:
    desk = Desk()
    yield desk
    desk.close()


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as broker:
        yield broker


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
    phone.loop_start()
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


def _connected(port: int, login: tuple[str, str] | None):  # type: ignore[no-untyped-def]
    """A client that the broker took, or None."""
    client = _client(login)
    client.connect("127.0.0.1", port)
    deadline = time.monotonic() + PATIENCE_SECONDS
    refused: list[bool] = []
    client.on_connect = lambda _c, _d, _f, reason, _p: refused.append(reason.is_failure)
    while not refused and time.monotonic() < deadline:
        client.loop(0.05)
    if refused != [False]:
        hang_up(client)
        return None
    return client


def _client(login: tuple[str, str] | None):  # type: ignore[no-untyped-def]
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    client = Client(callback_api_version=CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
    if login is not None:
        client.username_pw_set(*login)
    return client


def test_a_password_that_others_may_read_is_said(tmp_path: Path) -> None:
    word = tmp_path / "word"
    word.write_text("secret\n", encoding="utf-8")
    for rights, said in ((0o644, True), (0o604, True), (0o640, False), (0o600, False)):
        word.chmod(rights)
        found = cautions(settings(1883, username="boat", password_file=word))
        assert bool(found) is said, oct(rights)
        assert all("chmod o=" in line and "secret" not in line for line in found)


# ---- somebody on USB ----------------------------------------------------------------------------


class Node:
    """A hostile node behind a pseudo-terminal: says what it is told to, once or over and over."""

    def __init__(self, folder: Path) -> None:
        self._far, near = os.openpty()
        tty.setraw(near)
        self._near = near
        self.device = folder / "by-id" / "node"
        self.device.parent.mkdir()
        self.device.symlink_to(os.ttyname(near))
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def say(self, data: bytes) -> None:
        os.write(self._far, data)

    def flood(self, data: bytes) -> None:
        """As fast as the other side takes it, until closed."""
        os.set_blocking(self._far, False)

        def pour() -> None:
            while not self._stop.is_set():
                with contextlib.suppress(BlockingIOError):
                    os.write(self._far, data)

        self._thread = threading.Thread(target=pour)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        os.close(self._far)
        os.close(self._near)


@pytest.fixture
def node(tmp_path: Path) -> Iterator[Node]:
    made = Node(tmp_path)
    yield made
    made.close()


@pytest.fixture
def line(node: Node) -> Iterator[SerialNmea]:
    made = SerialNmea(
        name="serial node",
        device=str(node.device),
        baud=115_200,
        channels=[SerialChannel(channel="lug", quantity=Quantity.CELSIUS, kind="C", transducer="LUG")],
        clock=SystemClock(),
        stop=threading.Event(),
    )
    yield made
    made.close()


def good(celsius: float) -> bytes:
    return with_checksum(f"IIXDR,C,{celsius},C,LUG").encode() + b"\r\n"


HOSTILE_LINES = {
    "overlong": b"$IIXDR," + b"9" * 200_000 + b"\r\n",
    "NUL": b"$IIXDR,C,2\x003.5,C,LUG*00\r\n",
    "escapes": b"\x1b[2J\x1b]0;owned\x07$IIXDR,C,99.0,C,LUG*00\r\n",
    "not UTF-8": b"$IIXDR,C,\xff\xfe\x80,C,LUG*00\r\n",
    "wrong checksum": b"$IIXDR,C,99.0,C,LUG*00\r\n",
    "no number": with_checksum("IIXDR,C,1e999,C,LUG").encode() + b"\r\n",
    "beyond any joint": with_checksum("IIXDR,C,9000,C,LUG").encode() + b"\r\n",
    "half a group": with_checksum("IIXDR,C,99.0,C").encode() + b"\r\n",
    "empty lines": b"\r\n" * 5000,
}


@pytest.mark.parametrize("what", HOSTILE_LINES)
def test_a_hostile_line_is_no_reading_and_the_next_good_one_is(
    node: Node, line: SerialNmea, what: str
) -> None:
    line.poll()
    node.say(good(20.0))
    events = list(line.poll())
    data = HOSTILE_LINES[what] + good(21.0)
    talking = threading.Thread(
        target=lambda: [node.say(data[i : i + 1000]) for i in range(0, len(data), 1000)]
    )
    talking.start()
    deadline = time.monotonic() + PATIENCE_SECONDS
    while [e.value for e in events if isinstance(e, Reading)][-1:] != [21.0]:
        assert time.monotonic() < deadline, events[-3:]
        events += line.poll()
    talking.join()
    assert [e.value for e in events if isinstance(e, Reading)] == [20.0, 21.0]
    faults = [e for e in events if isinstance(e, Fault)]
    assert len(faults) <= 3 and all(fault.detail.isprintable() for fault in faults)
    assert all(len(fault.detail) < 200 for fault in faults)


@pytest.mark.parametrize(
    "data", [good(99.0) * 200, b"\xff" * 4000, b"$IIXDR\r\n" * 500], ids=["good", "noise", "junk"]
)
def test_a_flood_from_usb_is_bounded_in_readings_memory_and_processor(
    node: Node, line: SerialNmea, data: bytes
) -> None:
    line.poll()
    node.flood(data)
    tracemalloc.start()
    began, worked = time.monotonic(), time.thread_time()
    readings = faults = 0
    try:
        while time.monotonic() - began < 4.0:
            for event in line.poll():
                readings += isinstance(event, Reading)
                faults += isinstance(event, Fault)
        seconds = time.monotonic() - began
        share = (time.thread_time() - worked) / seconds
        assert tracemalloc.get_traced_memory()[1] < 2_000_000
    finally:
        tracemalloc.stop()
    assert readings <= READINGS_AT_ONCE + READINGS_A_SECOND * seconds
    assert faults <= 6
    assert share < 0.7, "the processor is left to the watch"


def test_a_channel_may_bring_a_thousand_at_once_and_twenty_a_second() -> None:
    allowance = Allowance()
    assert sum(allowance.take("a", 100.0) for _ in range(5000)) == READINGS_AT_ONCE
    assert allowance.take("b", 100.0), "each channel has its own"
    assert sum(allowance.take("a", 101.0) for _ in range(5000)) == READINGS_A_SECOND
    assert sum(allowance.take("a", 1e6) for _ in range(5000)) == READINGS_AT_ONCE
    assert not allowance.take("a", 50.0), "a clock that goes back gives nothing"


def test_names_that_a_node_makes_up_break_no_configuration(node: Node) -> None:
    """`init` writes down what a node calls itself; TOML 1.0 strings end at a quotation mark."""
    hostile = ['A"', '"#', "[[joint]]", "'", "{x}", "%s", "</script>"]
    found = Found(transducers=[Transducer(device="/dev/x", kind="I", name=name) for name in hostile])
    document = tomllib.loads(first_text.text("Sea Pea", found))
    assert [table["transducer"] for table in document["current"]] == hostile
    names = (f"N{n}" for n in range(10 * MOST_HEARD))
    node.flood(b"".join(with_checksum(f"IIXDR,I,1.0,A,{name}").encode() + b"\r\n" for name in names))
    heard = Found()
    find_serial(node.device.parent, heard, SystemClock(), threading.Event())
    assert len(heard.transducers) <= MOST_HEARD


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
