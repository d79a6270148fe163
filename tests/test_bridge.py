"""A boat's broker passes on to one ashore by mosquitto's own bridge: two real brokers."""

from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from brokers import Mosquitto, free_port
from lugwatch.model import AlertState
from phones import Desk, alert, change, estimate, until

EXAMPLE = Path(__file__).parents[1] / "deploy" / "files" / "mosquitto-shore.conf"
# of the example: where it leads, with what trust, and how patient it is
REPLACED = ("address", "bridge_cafile", "remote_username", "remote_password", "restart_timeout")


class Ashore:
    """Who listens at the broker ashore; what comes there, newest last."""

    def __init__(self, port: int) -> None:
        self.messages: list[tuple[str, bytes, bool]] = []
        self.client = Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda _c, _u, message: self.messages.append(
            (message.topic, message.payload, message.retain)
        )
        self.client.connect("127.0.0.1", port)
        self.client.subscribe("#", 1)
        self.client.loop_start()

    def heard(self, topic: str, part: bytes = b"") -> bool:
        return any(t == topic and part in payload for t, payload, _ in list(self.messages))

    def leave(self) -> None:
        self.client.loop_stop()
        self.client.disconnect()


def bridge_lines(port: int) -> list[str]:
    lines = [
        line
        for line in EXAMPLE.read_text(encoding="utf-8").splitlines()
        if line.strip() and not line.startswith("#") and line.split()[0] not in REPLACED
    ]
    assert any(line.startswith("topic") for line in lines)
    at = lines.index("connection shore") + 1
    return [
        "allow_anonymous true",
        *lines[:at],
        f"address 127.0.0.1:{port}",
        "restart_timeout 1",
        *lines[at:],
    ]


@pytest.mark.slow
def test_alerts_reach_the_shore_also_those_of_a_time_without_network_and_nothing_comes_back() -> None:
    desk, port = Desk(), free_port()
    with Mosquitto(port=port) as shore, Mosquitto(*bridge_lines(port)) as board:
        publisher = desk.publisher(board.port)
        publisher.start()
        ashore = Ashore(port)
        topic = f"fleet/{publisher_slug(board.port)}"
        publisher.publish([estimate(40.0), change(1, alert(3))])
        until(lambda: ashore.heard(f"{topic}/event", b'"sequence": 1,'))
        until(lambda: ashore.heard(f"{topic}/alert/3", b"warming"))
        until(lambda: ashore.heard(f"{topic}/joint/bar", b"40.0"))

        # no network: what is said meanwhile arrives when there is one, and an alert that is over is cleared
        ashore.leave()
        shore.kill()
        publisher.publish([change(2, alert(5)), change(3, alert(3, AlertState.NORMAL))])
        until(lambda: "waiting" not in publisher.health())
        shore.start()
        ashore = Ashore(port)
        until(lambda: ashore.heard(f"{topic}/event", b'"sequence": 2,'))
        until(lambda: ashore.heard(f"{topic}/event", b'"sequence": 3,'))
        until(lambda: ashore.heard(f"{topic}/alert/5", b"warming"))
        assert not ashore.heard(f"{topic}/alert/3", b"warming")

        # one way: a word of the shore does not reach the boat
        crew = desk.crew(board.port)
        ashore.client.publish(f"{topic}/ack", b'{"alert_id": 5}', 1)
        until(lambda: ashore.heard(f"{topic}/ack"))
        publisher.publish([change(4, alert(6))])
        crew.wait_for(lambda t, payload, _: t == "event" and '"sequence": 4,' in payload)
        assert "ack" not in {t for t, _, _ in crew.messages}
        ashore.leave()
        desk.close()


def publisher_slug(port: int) -> str:
    """Under which name the boat of these tests speaks, as its own broker has it."""
    found = Ashore(port)
    until(lambda: any(topic.endswith("/status") for topic, _, _ in found.messages))
    found.leave()
    return next(topic for topic, _, _ in found.messages if topic.endswith("/status")).split("/")[1]
