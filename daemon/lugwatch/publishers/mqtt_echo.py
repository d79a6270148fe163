"""One message to the broker and back, to find out whether MQTT works; nothing that looks like an alert.

A client of its own with an id of its own, so a running watch is not disturbed. Not here: the publisher
(`mqtt`). May import: clock, config, errors, broker_trust, trial.
"""

import json
import os
import struct
from typing import Any

from paho.mqtt import MQTTException
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from lugwatch.clock import Clock
from lugwatch.config import MqttSettings
from lugwatch.publishers.trial import TEXT, Outcome
from lugwatch.sources import broker_trust

WAY = "MQTT"
ANSWER_SECONDS = 10.0
_TROUBLE = (OSError, MQTTException, ValueError, TypeError, KeyError, IndexError, AssertionError, struct.error)


class _Echo:
    """One connection: subscribe, say, hear it again."""

    def __init__(self, settings: MqttSettings, topic: str, version: MQTTProtocolVersion) -> None:
        self.refused: str | None = None
        self.connected = False
        self.arrived = False
        self._topic = topic
        self._payload = json.dumps({"test": True, "text": TEXT, "number": os.urandom(8).hex()}).encode()
        client_id = f"lugwatch-try-{os.getpid()}"
        self.client = Client(
            callback_api_version=CallbackAPIVersion.VERSION2, client_id=client_id, protocol=version
        )
        if settings.username is not None:
            self.client.username_pw_set(settings.username, broker_trust.read_password(settings))
        context = broker_trust.tls_context(settings)
        if context is not None:
            self.client.tls_set_context(context)
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message

    def _on_connect(self, client: Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            self.refused = f"the broker refuses us ({reason}): check username and password_file"
            return
        self.connected = True
        client.subscribe(self._topic, qos=1)

    def _on_subscribe(self, client: Client, _data: Any, _mid: int, reasons: Any, _more: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self.refused = f"the broker does not let us listen to {self._topic}: check this user's rights"
            return
        client.publish(self._topic, self._payload, qos=1, retain=False)

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self.arrived = self.arrived or bytes(message.payload) == self._payload


def try_mqtt(settings: MqttSettings, slug: str, clock: Clock) -> Outcome:
    """Say one test message and wait for it. Raises UserError for a wrong password or certificate file."""
    topic = f"lugwatch/{slug}/test"
    began_seconds = clock.monotonic_seconds()
    versions = [MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311]
    if settings.protocol != "5":
        versions.reverse()
    first: str | None = None
    for version in versions:
        words = _converse(_Echo(settings, topic, version), settings, topic, clock)
        seconds = clock.monotonic_seconds() - began_seconds
        if words is None:
            name = "5" if version is MQTTProtocolVersion.MQTTv5 else "3.1.1"
            where = f"{settings.host}:{settings.port}"
            return Outcome(
                way=WAY, good=True, seconds=seconds, words=f"came back from {where} over MQTT {name}"
            )
        first = first or words
    return Outcome(way=WAY, good=False, seconds=seconds, words=first or "")


def _converse(echo: _Echo, settings: MqttSettings, topic: str, clock: Clock) -> str | None:
    """None when the message came back, else why not, and what to try."""
    where = f"{settings.host}:{settings.port}"
    until_seconds = clock.monotonic_seconds() + ANSWER_SECONDS
    try:
        echo.client.connect(settings.host, settings.port, keepalive=20)
        while not echo.arrived and echo.refused is None and clock.monotonic_seconds() < until_seconds:
            echo.client.loop(0.05)
            if echo.client.socket() is None and not echo.connected:
                break
        echo.client.disconnect()
    except _TROUBLE as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        return f"no broker at {where} ({reason}); is it running, are host, port and network right?"
    finally:
        echo.client.reinitialise()  # closes the pair of sockets by which paho wakes itself, too
    if echo.arrived:
        return None
    if echo.refused is not None:
        return echo.refused
    if echo.connected:
        return f"sent to {topic} and not come back; may this user read and write below lugwatch/?"
    return f"{where} takes the connection and does not answer as a broker; is host and port right?"
