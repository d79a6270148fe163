"""One connection to a broker, from the attempt to its end: all that paho does, and what the broker allows.

Used by one thread only. The callbacks hand over and nothing else (C37); who owns the link takes away what
they left. Not here: what is said, when to try again. The only file of the publishers that names paho-mqtt.
"""

import contextlib
import select
import socket
import ssl
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from lugwatch.clock import Clock
from lugwatch.config import MqttSettings
from lugwatch.publishers.crew_words import WORD_BYTES
from lugwatch.publishers.outbox import Message
from lugwatch.publishers.reconnect import MQTT_3, MQTT_5, End, EndKind, Pace
from lugwatch.sources import broker_trust

IN_FLIGHT = 16  # messages of QoS 1 without acknowledgement; below the least limit brokers set
# Reason codes, MQTT 5 table 2-6; paho turns those of 3.1.1 into them
_PROTOCOL_REFUSED = 0x84
_WHO_ARE_YOU = (0x86, 0x87, 0x8C)  # bad user name or password, not authorized, bad authentication method
_KEEPALIVE_TIMEOUT, _TAKEN_OVER = 0x8D, 0x8E
_PACKET_OVERHEAD_BYTES = 64  # beyond topic and payload: header, packet id, properties


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a broker said of itself when it accepted us, MQTT 5 section 3.2.2.3; of 3.1.1 nothing is known."""

    in_flight: int = IN_FLIGHT
    most_bytes: int | None = None
    retains: bool = True
    most_qos: int = 1
    keepalive_seconds: int = 0  # 0: as we asked for


def limits_of(properties: object) -> Limits:
    """From the properties of a CONNACK; what is absent is unlimited."""
    return Limits(
        in_flight=min(IN_FLIGHT, int(getattr(properties, "ReceiveMaximum", IN_FLIGHT))),
        most_bytes=getattr(properties, "MaximumPacketSize", None),
        retains=bool(getattr(properties, "RetainAvailable", 1)),
        most_qos=min(1, int(getattr(properties, "MaximumQoS", 1))),
        keepalive_seconds=int(getattr(properties, "ServerKeepAlive", 0)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """Who calls: what goes into the CONNECT packet beside the last will."""

    settings: MqttSettings
    client_id: str
    password: str | None
    tls: ssl.SSLContext | None
    will_topic: str | None  # None: no last will
    will_payload: str


def client_for(caller: Caller, protocol: str) -> Client:
    """A client without history: what an earlier one still held is in the outbox as well."""
    client = Client(
        callback_api_version=CallbackAPIVersion.VERSION2,
        client_id=caller.client_id,
        clean_session=True if protocol == MQTT_3 else None,
        protocol=MQTTProtocolVersion.MQTTv5 if protocol == MQTT_5 else MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,
    )
    if caller.settings.username is not None:
        client.username_pw_set(username=caller.settings.username, password=caller.password)
    if caller.tls is not None:
        client.tls_set_context(caller.tls)
    if caller.will_topic is not None:
        client.will_set(topic=caller.will_topic, payload=caller.will_payload, qos=1, retain=True)
    return client


class Link:
    """One connection. `subscriptions`: topics below the prefix, and their QoS."""

    def __init__(
        self,
        caller: Caller,
        protocol: str,
        prefix: str,
        subscriptions: Sequence[tuple[str, int]],
        pace: Pace,
        real_clock: Clock,
        *,
        answer_seconds: float,
    ) -> None:
        self.client = client_for(caller, protocol)
        self.protocol = protocol
        self.connected = False
        self.end: End | None = None
        self.heard: list[tuple[str, bytes, bool]] = []  # topic below the prefix, payload, retained
        self.delivered: list[Message] = []
        self.refused: list[Message] = []
        self.too_large: list[Message] = []
        self.complaint: str | None = None  # something the broker does not let us do
        self.subscribed = False  # the broker has answered
        self.in_flight: dict[int, Message] = {}
        self.limits = Limits()
        self.since_seconds = real_clock.monotonic_seconds()
        self._caller = caller
        self._prefix = prefix
        self._subscriptions = subscriptions
        self._pace = pace
        self._real_clock = real_clock
        self._answer_seconds = answer_seconds
        self._looking = True  # at what the broker holds of ours
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = self._on_disconnect
        self.client.on_message = self._on_message
        self.client.on_publish = self._on_publish
        self.client.on_subscribe = self._on_subscribe

    def age_seconds(self) -> float:
        return self._real_clock.monotonic_seconds() - self.since_seconds

    def finish(self, kind: EndKind, detail: str) -> None:
        if self.end is None:
            lasted_seconds = self.age_seconds() if self.connected else 0.0
            self.end = End(kind=kind, detail=detail, lasted_seconds=lasted_seconds)
            self.connected = False

    # ---- the callbacks: they only hand over (C37) ------------------------------------------------

    def _on_connect(self, _client: Client, _data: Any, _flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            kind = EndKind.REFUSED if reason.value in _WHO_ARE_YOU else EndKind.TURNED_AWAY
            self.finish(EndKind.PROTOCOL_REFUSED if reason.value == _PROTOCOL_REFUSED else kind, str(reason))
            return
        self.connected = True
        self.since_seconds = self._real_clock.monotonic_seconds()
        self.limits = limits_of(properties)
        if not self.limits.retains:
            self.complaint = "the broker keeps no messages: a phone that comes late sees nothing"
        if self.limits.most_qos == 0:
            self.complaint = "the broker confirms nothing (QoS 0 only): messages may be lost"
        if self._subscriptions:
            self.client.subscribe([(self._prefix + topic, qos) for topic, qos in self._subscriptions])

    def _on_disconnect(self, _client: Client, _data: Any, flags: Any, reason: Any, _more: Any) -> None:
        said = flags.is_disconnect_packet_from_server
        if not self.connected:
            self.finish(EndKind.UNANSWERED, "it closed the connection without an answer")
        elif said:
            self.finish(EndKind.TAKEN_OVER if reason.value == _TAKEN_OVER else EndKind.LOST, str(reason))
        else:
            silent = reason.value == _KEEPALIVE_TIMEOUT
            self.finish(EndKind.LOST, "it no longer answers" if silent else "closed at the other side")

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        payload = bytes(message.payload[: WORD_BYTES + 1])
        self.heard.append((message.topic.removeprefix(self._prefix), payload, message.retain))

    def _on_publish(self, _client: Client, _data: Any, mid: int, reason: Any, _more: Any) -> None:
        message = self.in_flight.pop(mid, None)
        if message is None:
            return
        if reason.is_failure:
            self.complaint = f"the broker does not take {message.topic}: {reason}"
            self.refused.append(message)
        else:
            self.delivered.append(message)

    def _on_subscribe(self, _client: Client, _data: Any, _mid: int, reasons: Any, _more: Any) -> None:
        self.subscribed = True
        if any(reason.is_failure for reason in reasons):
            self.complaint = "the broker does not let us listen: alerts cannot be acknowledged over MQTT"

    # ---- one turn --------------------------------------------------------------------------------

    def open(self) -> None:
        """Start connecting; ends the link at once where nobody is there."""
        settings = self._caller.settings
        more: dict[str, Any] = {}
        if self.protocol == MQTT_5:
            more = {"clean_start": True, "properties": broker_trust.small_packets()}
        try:
            keepalive = self._pace.keepalive_seconds
            self.client.connect(host=settings.host, port=settings.port, keepalive=keepalive, **more)
        except ssl.SSLError as error:
            time = self._real_clock.time()
            self.finish(EndKind.UNTRUSTED, broker_trust.certificate_trouble(error, settings, time))
        except (ConnectionResetError, ConnectionAbortedError, BrokenPipeError):
            # only a handshake can end like this: without one, connecting succeeds or is refused
            self.finish(EndKind.UNTRUSTED, broker_trust.NO_TLS)
        except broker_trust.FAR_SIDE_TROUBLE as error:
            reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            self.finish(EndKind.UNREACHABLE, reason or type(error).__name__)

    def turn(self, wake: socket.socket | None, seconds: float) -> None:
        """Wait for the broker, for `wake` or for `seconds`, and do what paho has to do."""
        link = self.client.socket()
        if link is None:
            self.finish(EndKind.LOST, "the connection is gone")
            return
        buffered = isinstance(link, ssl.SSLSocket) and link.pending() > 0
        writing = [link] if self.client.want_write() else []
        # the types say Any: paho calls its socket a protocol of its own
        reading: list[Any] = [link] if wake is None else [link, wake]
        try:
            readable, writable, _ = select.select(reading, writing, [], 0.0 if buffered else seconds)
            if wake in readable and wake is not None:
                with contextlib.suppress(BlockingIOError):
                    wake.recv(4096)
            if buffered or link in readable:
                self.client.loop_read()
            if writable:
                self.client.loop_write()
            self.client.loop_misc()
        except broker_trust.FAR_SIDE_TROUBLE as error:
            kind = EndKind.LOST if self.connected else EndKind.UNANSWERED
            self.finish(kind, f"it does not speak MQTT as agreed ({error})")
        if self.connected and self._looking and self.age_seconds() >= self._pace.tidy_seconds:
            self._looking = False
            self.client.unsubscribe([self._prefix + "alert/+", self._prefix + "joint/+"])
        if not self.connected and self.age_seconds() >= self._answer_seconds:
            self.finish(EndKind.SILENT, "it takes the connection and does not answer")

    def can_say(self) -> bool:
        """False while the network is behind: what waits in the outbox collapses, what paho holds does not."""
        return self.connected and not self.client.want_write() and len(self.in_flight) < self.limits.in_flight

    def say(self, message: Message) -> None:
        limits = self.limits
        topic, payload = self._prefix + message.topic, message.payload.encode()
        size_bytes = len(topic) + len(payload) + _PACKET_OVERHEAD_BYTES
        if limits.most_bytes is not None and size_bytes > limits.most_bytes:
            self.complaint = f"the broker takes no message as large as {message.topic}: {size_bytes} bytes"
            self.too_large.append(message)
            return
        properties = None
        if self.protocol == MQTT_5 and message.expires_seconds is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = message.expires_seconds
        qos = min(message.qos, limits.most_qos)
        retain = message.retain and limits.retains
        info = self.client.publish(topic, payload, qos=qos, retain=retain, properties=properties)
        if info.rc not in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_AGAIN):
            self.finish(EndKind.LOST, str(info.rc))
        elif qos > 0:
            self.in_flight[info.mid] = message
        elif message.qos > 0:
            self.delivered.append(replace(message, qos=0))

    def close(self, *, politely: bool) -> None:
        """Leave. Only a polite leave keeps the broker from publishing the last will."""
        with contextlib.suppress(*broker_trust.FAR_SIDE_TROUBLE):
            if politely:
                self.client.disconnect()
            link = self.client.socket()
            if link is not None:
                link.close()
        self.finish(EndKind.CLOSED, "closed")
