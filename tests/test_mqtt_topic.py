"""MQTT topics as readings, from a real broker that is absent, restarts, keeps old messages or is none."""

import contextlib
import socket
import threading
import time

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from brokers import Mosquitto, free_port
from hangups import hang_up
from lugwatch.clock import SystemClock
from lugwatch.config import MqttSettings
from lugwatch.errors import UserError
from lugwatch.model import Fault, FaultKind, Quantity, Reading
from lugwatch.sources.base import Calibration
from lugwatch.sources.mqtt_topic import MqttTopics, TopicChannel
from lugwatch.units import format_time

TOPIC = "boat/shunt/amps"
AMPS = TopicChannel(channel="alternator", quantity=Quantity.AMPS, topic=TOPIC)
NESTED = TopicChannel(
    channel="house",
    quantity=Quantity.AMPS,
    topic="boat/bank",
    json_path=("battery", "amps"),
    calibration=Calibration(scale=-1.0),
)


class ShiftedClock(SystemClock):
    """The machine's clock, moved on where a test cannot wait."""

    def __init__(self) -> None:
        self.ahead_seconds = 0.0

    def monotonic_seconds(self) -> float:
        return super().monotonic_seconds() + self.ahead_seconds


def settings(port: int, host: str = "127.0.0.1", protocol: str = "5", **more) -> MqttSettings:
    given_ = {"username": None, "password_file": None, "ca_file": None, "tls": False} | more
    return MqttSettings(host=host, port=port, protocol=protocol, **given_)


@contextlib.contextmanager
def opened(port: int, *channels: TopicChannel, clock=None, keepalive_seconds: int = 15, **more):
    source = MqttTopics(
        settings=settings(port, **more),
        channels=channels or (AMPS, NESTED),
        clock=clock or SystemClock(),
        stop=threading.Event(),
        keepalive_seconds=keepalive_seconds,
    )
    try:
        yield source
    finally:
        source.close()


def publish(port: int, topic: str, payload: str | bytes, retain: bool = False) -> None:
    """Returns when the broker has it."""
    sender = Client(callback_api_version=CallbackAPIVersion.VERSION2)
    sender.connect("127.0.0.1", port)
    sender.loop_start()
    told = sender.publish(topic, payload, qos=1, retain=retain)
    told.wait_for_publish(60.0)  # a large one is half a minute's work for a busy machine
    assert told.is_published(), "the broker does not take it"
    hang_up(sender)


def poll_until(
    source: MqttTopics, wanted, seconds: float = 30.0, nudge=lambda: None
) -> list[Reading | Fault]:
    events: list[Reading | Fault] = []
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        nudge()
        new = source.poll()
        events += new
        if any(wanted(event) for event in new):
            return events
    raise AssertionError(f"did not come within {seconds} s; came: {events}")


def is_value(value: float):
    return lambda event: isinstance(event, Reading) and event.value == value


def is_fault(kind: FaultKind):
    return lambda event: isinstance(event, Fault) and event.kind is kind


def wait_subscribed(source: MqttTopics, port: int) -> None:
    """Publishing before the subscription is made goes nowhere, so until it arrives."""
    poll_until(source, is_value(0.125), nudge=lambda: publish(port, TOPIC, "0.125"))
    while source.poll():
        pass


@pytest.fixture(scope="module")
def broker():
    with Mosquitto() as running:
        yield running


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_numbers_and_json_arrive(broker, protocol):
    with opened(broker.port, protocol=protocol) as source:
        wait_subscribed(source, broker.port)
        before = SystemClock().monotonic_seconds()
        publish(broker.port, TOPIC, "87.5")
        (reading,) = poll_until(source, is_value(87.5))
        assert reading.channel == "alternator"
        assert before <= reading.monotonic_seconds <= SystemClock().monotonic_seconds()
        publish(broker.port, "boat/bank", '{"battery": {"amps": -12.25}}')
        (nested,) = poll_until(source, is_value(12.25))
        assert nested.channel == "house"
        for payload, kind in [
            ("", FaultKind.EMPTY),
            ("NaN", FaultKind.NOT_FINITE),
            ("9e9", FaultKind.IMPLAUSIBLE),
        ]:
            publish(broker.port, TOPIC, payload)
            (fault,) = poll_until(source, is_fault(kind))
            assert fault.channel == "alternator"


def test_broker_restarted_without_memory():  # C10
    with Mosquitto() as broker, opened(broker.port) as source:
        wait_subscribed(source, broker.port)
        broker.kill()
        (gone,) = poll_until(source, is_fault(FaultKind.DISCONNECTED))
        assert gone.channel is None
        assert [event for _ in range(3) for event in source.poll()] == []  # said once
        broker.start()
        wait_subscribed(source, broker.port)
        broker.stop()
        poll_until(source, is_fault(FaultKind.DISCONNECTED))


def test_broker_absent_at_the_start_then_there():  # C09
    broker = Mosquitto(port=free_port())
    with opened(broker.port) as source:
        (absent,) = poll_until(source, is_fault(FaultKind.DISCONNECTED))
        assert "refused" in absent.detail.lower()
        with broker:
            wait_subscribed(source, broker.port)


def test_unresolvable_broker_name():  # C09
    with opened(1883, host="no-such-host.invalid") as source:
        poll_until(source, is_fault(FaultKind.DISCONNECTED))
        assert source.poll() == []


@pytest.mark.parametrize("greeting", [b"", b"\x20\x03\x00", b"SSH-2.0-x\r\n", b"\xff" * 64])
def test_a_port_that_says_nothing_or_nonsense(greeting):  # C09
    with socket.create_server(("127.0.0.1", 0)) as server:
        held: list[socket.socket] = []

        def accept() -> None:
            with contextlib.suppress(OSError):
                while True:
                    connection, _ = server.accept()
                    held.append(connection)
                    connection.sendall(greeting)

        thread = threading.Thread(target=accept)
        thread.start()
        with opened(server.getsockname()[1], keepalive_seconds=1) as source:
            poll_until(source, is_fault(FaultKind.DISCONNECTED))
        server.shutdown(socket.SHUT_RDWR)
        thread.join(10.0)
        assert not thread.is_alive()
        for connection in held:
            connection.close()


@contextlib.contextmanager
def old_broker(subscription: int):
    """Answers MQTT 5 with return code 1 of MQTT 3.1.1 (table 3.1), takes 3.1.1, and sends one value.

    subscription: its answer to SUBSCRIBE, 0 granted or 80h refused (section 3.9.3). Yields its port
    and the list of protocol levels that asked.
    """
    levels: list[int] = []
    done = threading.Event()

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = server.accept()
                with connection:
                    levels.append(connection.recv(200)[8])  # fixed header 2, name 6, then the level
                    if levels[-1] == 5:
                        connection.sendall(b"\x20\x02\x00\x01")
                        continue
                    connection.sendall(b"\x20\x02\x00\x00")
                    message_id = connection.recv(200)[2:4]
                    connection.sendall(b"\x90\x03" + message_id + bytes([subscription]))
                    topic = TOPIC.encode()
                    body = len(topic).to_bytes(2, "big") + topic + b"42.5"
                    connection.sendall(bytes([0x30, len(body)]) + body)
                    done.wait(30.0)

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield server.getsockname()[1], levels
        finally:
            done.set()
            server.shutdown(socket.SHUT_RDWR)
            thread.join(20.0)
            assert not thread.is_alive()


def test_a_broker_that_speaks_only_the_older_protocol():
    with old_broker(subscription=0) as (port, levels), opened(port, AMPS) as source:
        events = poll_until(source, is_value(42.5))
        assert levels == [5, 4]
        assert not any(is_fault(FaultKind.UNREADABLE)(event) for event in events)


def test_a_refused_subscription_is_told():  # C10
    with old_broker(subscription=0x80) as (port, _), opened(port, AMPS, protocol="3.1.1") as source:
        events = poll_until(source, is_fault(FaultKind.UNREADABLE))
        (refused,) = [event for event in events if is_fault(FaultKind.UNREADABLE)(event)]
        assert refused.channel == "alternator" and TOPIC in refused.detail


def test_kept_messages(broker):  # C33
    now = SystemClock().time()
    kept = {
        "kept/plain": "87",
        "kept/old": f'{{"v": 87, "time": "{format_time(now - 3_600_000)}"}}',
        "kept/ahead": f'{{"v": 87, "time": {now / 1000 + 3600}}}',
        "kept/fresh": f'{{"v": 63, "time": {now / 1000 - 4}}}',
    }
    for topic, payload in kept.items():
        publish(broker.port, topic, payload, retain=True)
    channels = [
        TopicChannel(
            channel=topic.removeprefix("kept/"),
            quantity=Quantity.AMPS,
            topic=topic,
            json_path=None if topic == "kept/plain" else ("v",),
        )
        for topic in kept
    ]
    try:
        with opened(broker.port, *channels) as source:
            events: list[Reading | Fault] = []
            poll_until(source, lambda event: events.append(event) or len(events) == 4)
            refused = {event.channel for event in events if is_fault(FaultKind.RETAINED_OLD)(event)}
            (reading,) = [event for event in events if isinstance(event, Reading)]
            assert refused == {"plain", "old", "ahead"}
            assert (reading.channel, reading.value) == ("fresh", 63.0)
            assert abs(reading.time - (now - 4000)) <= 1  # when it was measured
            assert SystemClock().monotonic_seconds() - reading.monotonic_seconds >= 4.0
            publish(broker.port, "kept/plain", "88")  # not kept: now
            poll_until(source, is_value(88.0))
    finally:
        for topic in kept:
            publish(broker.port, topic, b"", retain=True)


def test_connected_and_silent_is_said_once(broker):  # C10
    clock = ShiftedClock()
    with opened(broker.port, AMPS, clock=clock) as source:
        wait_subscribed(source, broker.port)
        clock.ahead_seconds += 29.0 - 5.0
        assert source.poll() == []
        clock.ahead_seconds += 10.0
        (stale,) = source.poll()
        assert (stale.channel, stale.kind) == ("alternator", FaultKind.STALE)
        assert source.poll() == []
        publish(broker.port, TOPIC, "nan")  # a message without a value does not end the silence
        assert not any(
            is_fault(FaultKind.STALE)(e) for e in poll_until(source, is_fault(FaultKind.NOT_FINITE))
        )
        publish(broker.port, TOPIC, "5")
        poll_until(source, is_value(5.0))
        clock.ahead_seconds += 31.0
        assert [event.kind for event in source.poll()] == [FaultKind.STALE]


def test_many_messages_drop_the_oldest_and_say_so(broker):  # C37
    with opened(broker.port, AMPS) as source:
        wait_subscribed(source, broker.port)
        for n in range(5000):
            source._on_message(source._client, None, _Played(TOPIC, str(n % 100).encode()))
        events = source.poll()
        readings = [event for event in events if isinstance(event, Reading)]
        assert len(readings) == 1000
        (overrun,) = [event for event in events if isinstance(event, Fault)]
        assert overrun.kind is FaultKind.OVERRUN and "4000" in overrun.detail


class _Played:
    def __init__(self, topic: str, payload: bytes) -> None:
        self.topic, self.payload, self.retain = topic, payload, False


def test_two_copies_do_not_push_each_other_off(broker):  # C35
    with opened(broker.port, AMPS) as first, opened(broker.port, AMPS) as second:
        wait_subscribed(first, broker.port)
        wait_subscribed(second, broker.port)
        publish(broker.port, TOPIC, "7")
        for source in (first, second):
            events = poll_until(source, is_value(7.0))
            assert not any(isinstance(event, Fault) for event in events)


def test_missing_password_and_certificate(tmp_path):
    for more in (
        {"username": "x", "password_file": tmp_path / "none"},
        {"tls": True, "ca_file": tmp_path / "none"},
    ):
        with pytest.raises(UserError, match="none"), opened(1883, AMPS, **more):
            pass


def test_password_is_one_line_of_a_file(tmp_path):
    """Seen in the CONNECT packet itself: the last field, without the line's end."""
    password = tmp_path / "password"
    password.write_text("s3cret\n")
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        with opened(port, AMPS, username="x", password_file=password) as source:
            source.poll()
            source.poll()
            connection, _ = server.accept()
            with connection:
                connection.settimeout(10.0)
                assert connection.recv(500).endswith(b"\x00\x01x\x00\x06s3cret")


def test_wrong_password_is_told(tmp_path):
    with Mosquitto("allow_anonymous false") as broker, opened(broker.port, AMPS, username="x") as source:
        events = poll_until(source, is_fault(FaultKind.DISCONNECTED))
        assert "uthoriz" in events[-1].detail


def test_a_source_that_says_it_is_clipped_is_not_silent(broker):
    flagged = TopicChannel(channel="alternator", quantity=Quantity.AMPS, topic=TOPIC, json_path=("amps",))
    clock = ShiftedClock()
    with opened(broker.port, flagged, clock=clock) as source:
        poll_until(source, is_value(1.0), nudge=lambda: publish(broker.port, TOPIC, '{"amps": 1}'))
        for _ in range(3):
            clock.ahead_seconds += 20.0
            publish(broker.port, TOPIC, '{"amps": 150, "clipped": true}')
            events = poll_until(source, is_fault(FaultKind.CLIPPED))
            assert not any(is_fault(FaultKind.STALE)(e) for e in events)
