"""MQTT: the present state kept true at a broker, each alert change told once, acknowledgements taken in.

One thread owns the connection and everything paho does; `publish` only leaves word in the outbox.
The broker may be absent, restart empty, freeze or speak MQTT 3.1.1 only: none of it reaches the caller.
Not here: what is said (outbox), when to try again (reconnect). The only file here that names paho-mqtt.
"""

import contextlib
import select
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Sequence
from typing import Any

from paho.mqtt import MQTTException
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from lugwatch.clock import Clock, SystemClock
from lugwatch.config import MqttSettings
from lugwatch.model import Alert, Boat, Output
from lugwatch.publishers import mqtt_words, reconnect
from lugwatch.publishers.loop import Health, nobody
from lugwatch.publishers.outbox import Message, Outbox
from lugwatch.publishers.reconnect import MQTT_3, MQTT_5, Attempt, End, EndKind, Pace

_TAKEN_OVER = 0x8E  # MQTT 5 table 2-6, "session taken over"
_PROTOCOL_REFUSED = 0x84  # MQTT 5 table 2-6, "unsupported protocol version"
_IN_FLIGHT = 16  # messages of QoS 1 without acknowledgement; below the least limit brokers set
# What paho raises when the far side is away or speaks something that is not MQTT.
_FAR_SIDE_TROUBLE = (
    OSError,
    MQTTException,
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    AssertionError,
    struct.error,
)


class _Link:
    """One connection, from the attempt to its end; used by one thread only."""

    def __init__(self, client: Client, prefix: str, pace: Pace, real_clock: Clock) -> None:
        self.client = client
        self.connected = False
        self.end: End | None = None
        self.heard: list[tuple[str, bytes, bool]] = []  # topic below the prefix, payload, retained
        self.delivered: list[Message] = []
        self.complaint: str | None = None  # something the broker does not let us do
        self.in_flight: dict[int, Message] = {}
        self.since_seconds = real_clock.monotonic_seconds()
        self._prefix = prefix
        self._pace = pace
        self._real_clock = real_clock
        self._looking = True  # at what the broker holds of ours
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe

    def age_seconds(self) -> float:
        return self._real_clock.monotonic_seconds() - self.since_seconds

    def finish(self, kind: EndKind, detail: str) -> None:
        if self.end is None:
            lasted_seconds = self.age_seconds() if self.connected else 0.0
            self.end = End(kind=kind, detail=detail, lasted_seconds=lasted_seconds)
            self.connected = False

    # the callbacks: they only hand over (C37)

    def _on_connect(self, _client: Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            refused = reason.value == _PROTOCOL_REFUSED
            self.finish(EndKind.PROTOCOL_REFUSED if refused else EndKind.REFUSED, str(reason))
            return
        self.connected = True
        self.since_seconds = self._real_clock.monotonic_seconds()
        topics = [("ack", 1), ("alert/+", 0), ("joint/+", 0)]
        self.client.subscribe([(self._prefix + topic, qos) for topic, qos in topics])

    def _on_disconnect(self, _client: Client, _data: Any, flags: Any, reason: Any, _more: Any) -> None:
        taken = flags.is_disconnect_packet_from_server and reason.value == _TAKEN_OVER
        if not self.connected:
            self.finish(EndKind.UNANSWERED, "it closed the connection without an answer")
        else:
            self.finish(EndKind.TAKEN_OVER if taken else EndKind.LOST, str(reason))

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        payload = bytes(message.payload[: mqtt_words.WORD_BYTES + 1])
        self.heard.append((message.topic.removeprefix(self._prefix), payload, message.retain))

    def _on_publish(self, _client: Client, _data: Any, mid: int, reason: Any, _more: Any) -> None:
        message = self.in_flight.pop(mid, None)
        if message is None:
            return
        if reason.is_failure:
            self.complaint = f"the broker does not take {message.topic}: {reason}"
        else:
            self.delivered.append(message)

    def _on_subscribe(self, _client: Client, _data: Any, _mid: int, reasons: Any, _more: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self.complaint = "the broker does not let us listen: alerts cannot be acknowledged over MQTT"

    # one turn

    def open(self, host: str, port: int, protocol: str) -> None:
        """Start connecting; ends the link at once where nobody is there."""
        more: dict[str, Any] = {"clean_start": True} if protocol == MQTT_5 else {}
        try:
            self.client.connect(host=host, port=port, keepalive=self._pace.keepalive_seconds, **more)
        except _FAR_SIDE_TROUBLE as error:
            reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            self.finish(EndKind.UNREACHABLE, reason or type(error).__name__)

    def turn(self, wake: socket.socket, seconds: float) -> None:
        """Wait for the broker, for `wake` or for `seconds`, and do what paho has to do."""
        link = self.client.socket()
        if link is None:
            self.finish(EndKind.LOST, "the connection is gone")
            return
        buffered = isinstance(link, ssl.SSLSocket) and link.pending() > 0
        writing = [link] if self.client.want_write() else []
        try:
            # the types say Any: paho calls its socket a protocol of its own
            readable: list[Any]
            readable, writable, _ = select.select([link, wake], writing, [], 0.0 if buffered else seconds)
            if wake in readable:
                with contextlib.suppress(BlockingIOError):
                    wake.recv(4096)
            if buffered or link in readable:
                self.client.loop_read()
            if writable:
                self.client.loop_write()
            self.client.loop_misc()
        except _FAR_SIDE_TROUBLE as error:
            kind = EndKind.LOST if self.connected else EndKind.UNANSWERED
            self.finish(kind, f"it does not speak MQTT as agreed ({error})")
        if self.connected and self._looking and self.age_seconds() >= self._pace.tidy_seconds:
            self._looking = False
            self.client.unsubscribe([self._prefix + "alert/+", self._prefix + "joint/+"])
        if not self.connected and self.age_seconds() >= self._pace.answer_seconds:
            self.finish(EndKind.SILENT, "it takes the connection and does not answer")

    def can_say(self) -> bool:
        """False while the network is behind: what waits in the outbox collapses, what paho holds does not."""
        return self.connected and not self.client.want_write() and len(self.in_flight) < _IN_FLIGHT

    def say(self, message: Message, protocol: str) -> None:
        properties = None
        if protocol == MQTT_5 and message.expires_seconds is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = message.expires_seconds
        info = self.client.publish(
            topic=self._prefix + message.topic,
            payload=message.payload.encode(),
            qos=message.qos,
            retain=message.retain,
            properties=properties,
        )
        if info.rc not in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_AGAIN):
            self.finish(EndKind.LOST, str(info.rc))
        elif message.qos > 0:
            self.in_flight[info.mid] = message

    def close(self, *, politely: bool) -> None:
        """Leave. Only a polite leave keeps the broker from publishing the last will."""
        with contextlib.suppress(*_FAR_SIDE_TROUBLE):
            if politely:
                self.client.disconnect()
            link = self.client.socket()
            if link is not None:
                link.close()
        self.finish(EndKind.CLOSED, "closed")


class MqttPublisher:
    """Tells one broker. `start` once, `publish` after each commit, `close` at the end.

    on_acknowledge(alert_id, who): somebody acknowledged over MQTT. It is called on the publisher's own
    thread and must only hand over. client_id must be unique among the broker's clients.
    boot: names this start of the machine in `status`; None where it is not known.
    Raises UserError where the password or certificate file is missing or wrong.
    """

    def __init__(
        self,
        settings: MqttSettings,
        boat: Boat,
        *,
        clock: Clock,
        client_id: str,
        on_acknowledge: Callable[[int, str], None],
        boot: str | None = None,
        pace: Pace | None = None,
        real_clock: Clock | None = None,
    ) -> None:
        self._settings = settings
        self._prefix = f"lugwatch/{boat.slug}/"
        self._clock = clock
        self._client_id = client_id
        self._on_acknowledge = on_acknowledge
        self._boot = boot
        self._pace = pace or Pace()
        # keep-alive and heartbeat are about the network, which no demo speeds up
        self._real_clock = real_clock or SystemClock()
        self._password = mqtt_words.read_password(settings)
        self._tls = mqtt_words.tls_context(settings)
        self._outbox = Outbox((joint.joint for joint in boat.joints), joint_seconds=self._pace.joint_seconds)
        self._lock = threading.Lock()
        self._attempt = Attempt(protocol=settings.protocol)
        self._complaint: str | None = None
        self._link_state = "not started"
        self._malformed_count = 0
        self._retained_count = 0
        self._heartbeat_due_seconds = 0.0
        self._connected_time = clock.time()
        self._closing = threading.Event()
        self._close_by_seconds = 0.0
        self._wake_receiver, self._wake_sender = socket.socketpair()
        self._wake_receiver.setblocking(False)
        self._wake_sender.setblocking(False)
        self.on_turn: Callable[[], None] = nobody
        self._thread = threading.Thread(target=self._run, name="mqtt publisher", daemon=True)

    def start(self) -> None:
        """Connect in the background, for ever; returns at once."""
        self._link_state = f"connecting to {self._where()}"
        self._thread.start()

    def publish(self, outputs: Sequence[Output]) -> None:
        """Take over what the store has committed. Never blocks, never fails for the broker's state."""
        with self._lock:
            self._outbox.note(outputs)
        self._wake()

    def restore(self, alerts: Sequence[Alert]) -> None:
        """The alerts that stood when the daemon last stopped; call it before `start`."""
        with self._lock:
            self._outbox.restore(alerts)
        self._wake()

    def health(self) -> str:
        """One line on the connection, in words."""
        words = [self._link_state]
        if self._complaint:
            words.append(self._complaint)
        with self._lock:
            waiting_count = self._outbox.sizes()["changes"]
            dropped_count = self._outbox.changes_dropped
        counts = {
            "alert changes waiting": waiting_count,
            "alert changes given up, the oldest": dropped_count,
            "acknowledgements not understood": self._malformed_count,
            "stored acknowledgements refused": self._retained_count,
        }
        words += [f"{what}: {count}" for what, count in counts.items() if count]
        return "; ".join(words)

    def way_health(self) -> Health:
        """Whether a broker has us now, in one line."""
        return Health("MQTT", self._link_state.startswith("connected to"), self._link_state)

    def close(self) -> None:
        """Say goodbye if anybody listens; returns within about `goodbye_seconds` whatever the broker does."""
        self._close_by_seconds = self._real_clock.monotonic_seconds() + self._pace.goodbye_seconds
        self._closing.set()
        self._wake()
        if self._thread.ident is not None:
            self._thread.join(self._pace.goodbye_seconds + 1.0)
        if not self._thread.is_alive():
            self._wake_receiver.close()
            self._wake_sender.close()
        self._link_state = "stopped"

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # full: it is awake already; closed: nobody to wake
            self._wake_sender.send(b"\0")

    def _where(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"

    # ---- from here on: the publisher's own thread ----------------------------------------------

    def _run(self) -> None:
        while not self._closing.is_set():
            end = self._converse()
            self._attempt = reconnect.next_attempt(self._attempt, end, self._settings.protocol, self._pace)
            self._link_state = reconnect.trouble(end, self._attempt, self._where(), self._client_id)
            self._closing.wait(self._attempt.delay_seconds)

    def _converse(self) -> End:
        """One connection from its attempt to its end."""
        protocol = self._attempt.protocol
        link = _Link(self._client(protocol), self._prefix, self._pace, self._real_clock)
        link.open(self._settings.host, self._settings.port, protocol)
        was_connected = goodbye_said = False
        tick_seconds = min(1.0, self._pace.heartbeat_seconds / 4.0, self._pace.joint_seconds / 2.0)
        while link.end is None:
            link.turn(self._wake_receiver, tick_seconds)
            if link.connected and not was_connected:
                was_connected = True
                self._arrived(protocol)
            self._take_in(link)
            if self._closing.is_set():
                if not link.connected or self._real_clock.monotonic_seconds() >= self._close_by_seconds:
                    link.close(politely=False)
                elif goodbye_said and not link.in_flight:
                    link.close(politely=True)
            while link.can_say() and not goodbye_said:
                message = self._next_message()
                if message is None:
                    break
                goodbye_said = message.topic == "status" and self._closing.is_set()
                link.say(message, protocol)
        self._take_in(link)
        end = link.end
        link.close(politely=False)
        return end

    def _client(self, protocol: str) -> Client:
        """A client without history: what an earlier one still held is in the outbox as well."""
        client = Client(
            callback_api_version=CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            clean_session=True if protocol == MQTT_3 else None,
            protocol=MQTTProtocolVersion.MQTTv5 if protocol == MQTT_5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        if self._settings.username is not None:
            client.username_pw_set(username=self._settings.username, password=self._password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        self._connected_time = self._clock.time()
        client.will_set(
            topic=self._prefix + "status", payload=self._status("offline", lost=True), qos=1, retain=True
        )
        return client

    def _status(self, word: str, *, lost: bool = False) -> str:
        return mqtt_words.status_text(
            word,
            time=None if lost else self._clock.time(),
            heartbeat_seconds=self._pace.heartbeat_seconds,
            connected_time=self._connected_time,
            boot=self._boot,
        )

    def _arrived(self, protocol: str) -> None:
        self._heartbeat_due_seconds = 0.0
        self._complaint = None
        self._link_state = f"connected to {self._where()} over MQTT {protocol}"
        with self._lock:
            self._outbox.begin_connection()

    def _next_message(self) -> Message | None:
        now_seconds = self._real_clock.monotonic_seconds()
        closing = self._closing.is_set()
        if now_seconds >= self._heartbeat_due_seconds and not closing:
            self._heartbeat_due_seconds = now_seconds + self._pace.heartbeat_seconds
            return Message(topic="status", payload=self._status("online"), qos=1, retain=True)
        with self._lock:
            message = self._outbox.take(now_seconds, joints=not closing)
        if message is None and closing:
            return Message(topic="status", payload=self._status("offline"), qos=1, retain=True)
        return message

    def _take_in(self, link: _Link) -> None:
        """What paho's callbacks left behind."""
        self.on_turn()
        delivered, link.delivered = link.delivered, []
        heard, link.heard = link.heard, []
        self._complaint = link.complaint or self._complaint
        with self._lock:
            for message in delivered:
                self._outbox.delivered(message)
            for topic, payload, retained in heard:
                if topic != "ack" and retained and payload:
                    self._outbox.found_retained(topic)
        for topic, payload, retained in heard:
            if topic == "ack":
                self._acknowledge(payload, retained)

    def _acknowledge(self, payload: bytes, retained: bool) -> None:
        alert_id = mqtt_words.alert_id_in(payload)
        if retained:
            self._retained_count += 1  # a stored word would acknowledge alerts for ever
        elif alert_id is None:
            self._malformed_count += 1
        else:
            self._on_acknowledge(alert_id, "MQTT")
