"""MQTT topics as readings: a number, or a number in a JSON object, from a broker that comes and goes.

The source's own thread drives the connection from `poll`, so that nothing paho does waits for us nor
we for it, and bytes that are not MQTT end a connection and not a thread. Not here: publishing
(`publishers.mqtt`). Only this file and broker_trust name paho-mqtt here. May import: base, broker_trust,
mqtt_payload, config, clock, model.
"""

import contextlib
import ssl
import threading
import uuid
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from lugwatch.clock import Clock
from lugwatch.config import MqttSettings
from lugwatch.model import Fault, FaultKind, Quantity, Reading
from lugwatch.sources import broker_trust
from lugwatch.sources.base import AS_SENT, READINGS_A_SECOND, Allowance, Calibration, Refused, measured
from lugwatch.sources.mqtt_payload import LARGEST_BYTES, read_payload

DEFAULT_STALE_SECONDS = 30.0
_TURN_SECONDS = 0.5  # real seconds that a poll waits for the broker
_CONNECT_SECONDS = 5.0
# real seconds; also how long a broker may take to answer a connection at all
_KEEPALIVE_SECONDS = 15
_FIRST_DELAY_SECONDS, _LONGEST_DELAY_SECONDS = 0.5, 30.0
_MOST_WAITING = 1000  # messages of one poll; beyond, the oldest go
_TOLD_EVERY_SECONDS = 10.0  # that something was dropped
_PROTOCOL_REFUSED = 0x84  # MQTT 5 table 2-6, "unsupported protocol version"
_SILENT_ENDS = 3  # so many connections closed without an answer to MQTT 5, and 3.1.1 is tried


@dataclass(frozen=True, slots=True, kw_only=True)
class TopicChannel:
    """A channel, its topic, and where in the payload its number is. json_path None: all of it."""

    channel: str
    quantity: Quantity
    topic: str
    json_path: tuple[str, ...] | None = None
    calibration: Calibration = AS_SENT
    stale_seconds: float = DEFAULT_STALE_SECONDS


@dataclass(frozen=True, slots=True, kw_only=True)
class _Message:
    topic: str
    payload: bytes
    retained: bool


class MqttTopics:
    """All channels that come over MQTT. `interval_seconds` is 0: the poll itself waits for messages.

    client_id must be unique at the broker; by default it is made up at each start.
    Raises UserError where the password or certificate file is missing or wrong.
    """

    name = "mqtt"
    interval_seconds = 0.0

    def __init__(
        self,
        *,
        settings: MqttSettings,
        channels: Sequence[TopicChannel],
        clock: Clock,
        stop: threading.Event,
        client_id: str | None = None,
        keepalive_seconds: int = _KEEPALIVE_SECONDS,
    ) -> None:
        self._settings = settings
        self._channels = tuple(channels)
        self._clock = clock
        self._stop = stop
        self._client_id = client_id or f"lugwatch-{uuid.uuid4().hex[:12]}"
        self._keepalive_seconds = keepalive_seconds
        self._password = broker_trust.read_password(settings)
        self._tls = broker_trust.tls_context(settings)
        self._protocol = settings.protocol
        self._messages: deque[_Message] = deque(maxlen=_MOST_WAITING)
        self._lost_count = 0
        self._lost_told_seconds = -_TOLD_EVERY_SECONDS + clock.monotonic_seconds()
        self._allowance = Allowance()
        self._refusals: list[tuple[str, str]] = []  # topic, reason
        self._asked: dict[int, str] = {}  # message id -> topic of a subscription under way
        self._link = False  # a connection is open, or was asked for
        self._reached = False  # something took the connection
        self._answered = False  # and the broker agreed to it
        self._end_reason = ""
        self._silent_ends = 0
        self._delay_seconds = _FIRST_DELAY_SECONDS
        self._next_try_seconds = clock.monotonic_seconds()
        self._told_away = False
        self._heard_seconds: dict[str, float] = {}  # channel -> last word, or the connect if later
        self._told_stale: set[str] = set()
        self._client = self._make_client()

    def close(self) -> None:
        with contextlib.suppress(*broker_trust.FAR_SIDE_TROUBLE):
            self._client.disconnect()
        self._drop()
        _let_go(self._client)

    def poll(self) -> Sequence[Reading | Fault]:
        """What the broker brought; waits up to half a second for it, longer only while connecting."""
        if self._link:
            self._turn()
        else:
            self._connect_when_due()
        events: list[Reading | Fault] = []
        while self._messages:
            events += self._take(self._messages.popleft())
        now_seconds = self._clock.monotonic_seconds()
        if self._lost_count and now_seconds - self._lost_told_seconds >= _TOLD_EVERY_SECONDS:
            self._lost_told_seconds = now_seconds
            detail = (
                f"{self._lost_count} messages were dropped: they came faster than they can be read, or more "
                f"than {READINGS_A_SECOND:g} a second for a channel"
            )
            events.append(self._fault(None, FaultKind.OVERRUN, detail))
            self._lost_count = 0
        for topic, reason in self._refusals:
            detail = f'the broker refuses topic "{topic}": {reason}'
            channels = [c.channel for c in self._channels if c.topic == topic]
            events += [self._fault(channel, FaultKind.UNREADABLE, detail) for channel in channels]
        self._refusals.clear()
        events += self._silence()
        return events

    # ---- the connection ----------------------------------------------------------------------

    def _make_client(self) -> Client:
        five = self._protocol == "5"
        client = Client(
            callback_api_version=CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
        )
        client.connect_timeout = _CONNECT_SECONDS
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        if self._settings.username is not None:
            client.username_pw_set(username=self._settings.username, password=self._password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        return client

    def _connect_when_due(self) -> None:
        wait_seconds = self._next_try_seconds - self._clock.monotonic_seconds()
        if wait_seconds > 0:
            self._clock.wait(self._stop, min(wait_seconds, 1.0))
            return
        self._link, self._reached, self._answered, self._end_reason = True, False, False, ""
        try:
            more: dict[str, Any] = (
                {"properties": broker_trust.small_packets()} if self._protocol == "5" else {}
            )
            self._client.connect(
                host=self._settings.host, port=self._settings.port, keepalive=self._keepalive_seconds, **more
            )
            self._reached = True
        except ssl.SSLError as error:
            self._lose(broker_trust.certificate_trouble(error, self._settings, self._clock.time()))
        except broker_trust.FAR_SIDE_TROUBLE as error:
            self._lose(_reason(error))

    def _turn(self) -> None:
        """Let paho read and write; then whatever is already here, up to what the queue holds."""
        wait_seconds = _TURN_SECONDS
        try:
            for _ in range(_MOST_WAITING):
                before = len(self._messages)
                code = self._client.loop(timeout=wait_seconds)
                if code is not MQTTErrorCode.MQTT_ERR_SUCCESS:
                    self._lose(self._end_reason or str(code))
                    return
                if len(self._messages) == before:
                    break
                wait_seconds = 0.0
        except broker_trust.FAR_SIDE_TROUBLE as error:
            self._lose(f"it does not speak MQTT as agreed ({_reason(error)})")
            return

    def _lose(self, reason: str) -> None:
        """Close, and try again after a delay that doubles up to half a minute."""
        answered = self._answered
        self._end_reason = self._end_reason or reason
        refused = self._end_reason == _OTHER_PROTOCOL
        self._silent_ends = 0 if answered or not self._reached else self._silent_ends + 1
        self._drop()
        if self._protocol == "5" and (refused or self._silent_ends >= _SILENT_ENDS):
            self._protocol = "3.1.1"
            _let_go(self._client)
            self._client = self._make_client()
        self._next_try_seconds = self._clock.monotonic_seconds() + self._delay_seconds
        self._delay_seconds = min(2 * self._delay_seconds, _LONGEST_DELAY_SECONDS)

    def _drop(self) -> None:
        self._link = self._answered = False
        self._asked.clear()
        link = self._client.socket()
        if link is not None:
            with contextlib.suppress(*broker_trust.FAR_SIDE_TROUBLE):
                link.close()

    # ---- paho's callbacks: they only hand over -----------------------------------------------

    def _on_connect(self, client: Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            self._end_reason = _OTHER_PROTOCOL if reason.value == _PROTOCOL_REFUSED else str(reason)
            return
        self._answered = True
        self._delay_seconds = _FIRST_DELAY_SECONDS
        now_seconds = self._clock.monotonic_seconds()
        self._heard_seconds = {channel.channel: now_seconds for channel in self._channels}
        # at every connect: a broker that restarted knows nothing of us
        for topic in dict.fromkeys(channel.topic for channel in self._channels):
            code, message_id = client.subscribe(topic, qos=1)
            if code is MQTTErrorCode.MQTT_ERR_SUCCESS and message_id is not None:
                self._asked[message_id] = topic
            else:
                self._refusals.append((topic, str(code)))

    def _on_disconnect(self, _client: Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        self._end_reason = self._end_reason or str(reason)

    def _on_subscribe(self, _client: Client, _data: Any, mid: int, reasons: Any, _more: Any) -> None:
        topic = self._asked.pop(mid, None)
        failed = [str(reason) for reason in reasons if reason.is_failure]
        if topic is not None and failed:
            self._refusals.append((topic, failed[0]))

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self._lost_count += len(self._messages) == _MOST_WAITING
        payload = bytes(message.payload[: LARGEST_BYTES + 1])
        self._messages.append(_Message(topic=message.topic, payload=payload, retained=message.retain))

    # ---- what it brings ----------------------------------------------------------------------

    def _take(self, message: _Message) -> list[Reading | Fault]:
        events = []
        for channel in (c for c in self._channels if c.topic == message.topic):
            if self._allowance.take(channel.channel, self._clock.monotonic_seconds()):
                events.append(self._event(channel, message))
            else:
                self._lost_count += 1
        return events

    def _event(self, channel: TopicChannel, message: _Message) -> Reading | Fault:
        now_seconds, time = self._clock.monotonic_seconds(), self._clock.time()
        word = read_payload(message.payload, channel.json_path)
        if isinstance(word, Refused):
            if word.kind is FaultKind.CLIPPED:  # it speaks, and says why it has no number
                self._heard_seconds[channel.channel] = now_seconds
            return self._fault(channel.channel, word.kind, f"{message.topic}: {word.detail}")
        if message.retained:
            age_seconds = None if word.time is None else (time - word.time) / 1000.0
            if age_seconds is None or not -1.0 <= age_seconds <= channel.stale_seconds:
                when = "no time of its own" if age_seconds is None else f"a time {age_seconds:.0f} s ago"
                detail = f"{message.topic}: the broker kept this message, with {when}"
                return self._fault(channel.channel, FaultKind.RETAINED_OLD, detail)
            # stamped when it was measured, as far as it says
            now_seconds, time = now_seconds - max(0.0, age_seconds), min(time, word.time or time)
        value = measured(word.value, channel.quantity, channel.calibration)
        if isinstance(value, Refused):
            return self._fault(channel.channel, value.kind, f"{message.topic}: {value.detail}")
        self._heard_seconds[channel.channel] = self._clock.monotonic_seconds()
        self._told_stale.discard(channel.channel)
        return Reading(channel=channel.channel, value=value, monotonic_seconds=now_seconds, time=time)

    def _silence(self) -> list[Fault]:
        """DISCONNECTED while there is no broker, STALE while there is one and a topic is silent."""
        if not self._answered:
            if self._told_away or not self._end_reason:
                return []
            self._told_away = True
            where = f"{self._settings.host}:{self._settings.port}"
            detail = f"broker {where}: {self._end_reason}; trying again until it is back"
            return [self._fault(None, FaultKind.DISCONNECTED, detail)]
        self._told_away = False
        faults = []
        for channel in self._channels:
            silent_seconds = self._clock.monotonic_seconds() - self._heard_seconds[channel.channel]
            if silent_seconds > channel.stale_seconds and channel.channel not in self._told_stale:
                self._told_stale.add(channel.channel)
                detail = f"{channel.topic}: connected, and no value for {silent_seconds:.0f} s"
                faults.append(self._fault(channel.channel, FaultKind.STALE, detail))
        return faults

    def _fault(self, channel: str | None, kind: FaultKind, detail: str) -> Fault:
        return Fault(
            source=self.name,
            channel=channel,
            kind=kind,
            detail=detail,
            monotonic_seconds=self._clock.monotonic_seconds(),
            time=self._clock.time(),
        )


def _let_go(client: Client) -> None:
    """Untie source and client, so that paho closes its sockets when the last of us lets go of it."""
    client.on_connect = client.on_disconnect = client.on_message = client.on_subscribe = None


_OTHER_PROTOCOL = "it does not speak MQTT 5"


def _reason(error: Exception) -> str:
    strerror = getattr(error, "strerror", None)
    return str(strerror or error or type(error).__name__)
