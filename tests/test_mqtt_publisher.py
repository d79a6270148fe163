"""The publisher against a real broker: what a phone sees, whatever happens to the broker in between."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from dataclasses import replace

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from brokers import Mosquitto, free_port
from hangups import hang_up
from lugwatch.clock import SystemClock
from lugwatch.model import AlertChangeKind, AlertState
from lugwatch.publishers.mqtt import Remembered
from lugwatch.publishers.mqtt_link import limits_of
from phones import (
    PATIENCE_SECONDS,
    QUICK,
    Desk,
    alert,
    change,
    estimate,
    until,
)

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


def test_telemetry_expires_and_what_an_alert_says_does_not(broker: Mosquitto, desk: Desk) -> None:
    """MQTT 5 section 3.3.2.3.3, as a phone gets it."""
    found: dict[str, int | None] = {}
    all_there = threading.Event()

    def hear(_client: Client, _data: object, message: MQTTMessage) -> None:
        topic = message.topic.removeprefix("lugwatch/sea-pea/")
        found[topic] = getattr(message.properties, "MessageExpiryInterval", None)
        if {"joint/bar", "alert/3", "event"} <= found.keys():
            all_there.set()

    phone = Client(callback_api_version=CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    phone.on_message = hear
    phone.on_subscribe = lambda *_: publisher.start()
    phone.connect(host="127.0.0.1", port=broker.port)
    phone.subscribe("lugwatch/#", 1)
    publisher = desk.publisher(broker.port)
    publisher.publish([estimate(40.0), change(1, alert(3))])
    phone.loop_start()
    try:
        assert all_there.wait(PATIENCE_SECONDS), found
    finally:
        hang_up(phone)
    assert (found["joint/bar"], found["alert/3"], found["event"]) == (600, None, None)


def test_what_a_broker_says_of_itself_is_kept_to() -> None:
    """MQTT 5 section 3.2.2.3; what it does not say is unlimited, and so is all of 3.1.1."""
    plain = limits_of(None)
    assert (plain.in_flight, plain.most_bytes, plain.retains, plain.most_qos) == (16, None, True, 1)
    told = Properties(PacketTypes.CONNACK)  # type: ignore[no-untyped-call]
    told.ReceiveMaximum, told.MaximumPacketSize, told.ServerKeepAlive = 4, 2000, 7
    told.RetainAvailable, told.MaximumQoS = 0, 0
    strict = limits_of(told)
    assert (strict.in_flight, strict.most_bytes, strict.keepalive_seconds) == (4, 2000, 7)
    assert (strict.retains, strict.most_qos) == (False, 0)


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
    publisher = desk.publisher(broker.port, remembered=Remembered(alerts=[alert(4)]))
    publisher.start()
    for gone in ("alert/3", "joint/old_name"):
        crew.wait_for(lambda topic, payload, _, gone=gone: (topic, payload) == (gone, ""))  # type: ignore[misc]
    late = desk.crew(broker.port)
    assert late.topic("alert/4")["alert_id"] == 4
    late.topic("status")
    late.topic("recent")
    assert {topic for topic, _, _ in late.messages} == {"alert/4", "joint/bar", "status", "recent"}


# ---- coming and going ---------------------------------------------------------------------------

CHILD = """
import sys, threading
from phones import QUICK, boat, settings
from lugwatch.clock import SystemClock
from lugwatch.publishers.mqtt import MqttPublisher
publisher = MqttPublisher(settings(int(sys.argv[1])), boat(), clock=SystemClock(), client_id="child",
                          on_deed=lambda word: None, pace=QUICK)
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
    assert told == [1, 2, 3, 4]  # the first again: the broker may have died with it


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
    publisher.publish([change(1, alert(3))])
    crew.topic("event")
    crew.say("ack", "all of them")
    crew.wait_for(lambda topic, payload, _: topic == "reply" and "Not understood: not JSON" in payload)
    crew.say("ack", '{"alert_id": 3, "who": "mate", "request": "r-1"}')
    assert desk.heard.wait(PATIENCE_SECONDS)
    assert desk.acknowledged == [(3, "mate (MQTT)")]
    assert not [payload for topic, payload, _ in crew.messages if topic == "reply" and "r-1" in payload]
    seen = alert(3, AlertState.ACTIVE_ACKNOWLEDGED)
    publisher.publish([replace(change(2, seen), change=AlertChangeKind.ACKNOWLEDGED)])
    done = json.loads(crew.wait_for(lambda topic, payload, _: topic == "reply" and "r-1" in payload)[1])
    assert done["done"] is True and done["text"] == "Acknowledged: The bar is warming."
    crew.say("ack", '{"alert_id": 9, "request": "r-2"}')
    crew.wait_for(lambda topic, payload, _: topic == "reply" and "No alert 9 stands now" in payload)
    assert "acknowledgements not understood: 1" in publisher.health()


def test_rubbish_is_one_line_in_the_log(
    broker: Mosquitto, desk: Desk, caplog: pytest.LogCaptureFixture
) -> None:
    crew = desk.crew(broker.port)
    publisher = desk.publisher(broker.port)
    publisher.start()
    crew.topic("status")
    for number in range(200):
        crew.say("ack", f"rubbish {number}")
    until(lambda: "acknowledgements not understood: 200" in publisher.health())
    lines = [record.getMessage() for record in caplog.records]
    assert len(lines) == 1 and "lugwatch/sea-pea/ack: b'rubbish 0'" in lines[0]
    replies = [payload for topic, payload, _ in crew.messages if topic == "reply"]
    assert len(replies) < 20
