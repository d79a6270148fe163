"""MQTT: the present state kept true at a broker, each alert change told once, the crew's deeds taken in.

One thread owns the connection and everything paho does; `publish` only leaves word in the outbox.
The broker may be absent, restart empty, freeze or speak MQTT 3.1.1 only: none of it reaches the caller.
Not here: what is said (outbox), what a connection does (mqtt_link), when to try again (reconnect).
"""

import contextlib
import logging
import socket
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from lugwatch.clock import Clock, SystemClock
from lugwatch.config import MqttSettings
from lugwatch.model import Alert, AlertChange, Boat, Output
from lugwatch.publishers import crew_words, mqtt_words, reconnect
from lugwatch.publishers.crew_words import CrewWord, Desk
from lugwatch.publishers.loop import Health, nobody
from lugwatch.publishers.mqtt_link import Caller, Link
from lugwatch.publishers.outbox import Message, Outbox
from lugwatch.publishers.reconnect import Attempt, End, Pace
from lugwatch.sources import broker_trust

log = logging.getLogger("lugwatch")

_SUBSCRIPTIONS = (("ack", 1), ("status", 0), ("alert/+", 0), ("joint/+", 0))
_LOG_AGAIN_SECONDS = 3600.0  # the same trouble is one line in the log, and another after an hour
_LEAST_REFUSAL_SECONDS = 1.0  # between two replies to what was not understood
_RAN_TWICE = "is lugwatch running twice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Remembered:
    """What the store knows when the daemon starts: to be shown again, or still to be told."""

    history_id: str = ""
    alerts: Sequence[Alert] = ()
    sequences: dict[int, int] = field(default_factory=dict)  # alert -> its last change
    waiting: Sequence[AlertChange] = ()
    recent: Sequence[AlertChange] = ()


class MqttPublisher:
    """Tells one broker. `start` once, `publish` after each commit, `close` at the end.

    on_deed: somebody did something over MQTT; on_settled: these sequences need not wait any longer. Both
    are called on the publisher's own thread and must only hand over. client_id must be unique among the
    broker's clients and stay the same. boot: names this start of the machine in `status`; None where it is
    not known. Raises UserError where the password or certificate file is missing or wrong.
    """

    def __init__(
        self,
        settings: MqttSettings,
        boat: Boat,
        *,
        clock: Clock,
        client_id: str,
        on_deed: Callable[[CrewWord], None],
        on_settled: Callable[[Sequence[int]], None] | None = None,
        remembered: Remembered | None = None,
        boot: str | None = None,
        pace: Pace | None = None,
        real_clock: Clock | None = None,
    ) -> None:
        self._settings = settings
        self._prefix = f"lugwatch/{boat.slug}/"
        self._clock = clock
        self._client_id = client_id
        self._on_deed = on_deed
        self._on_settled = on_settled
        self._boot = boot
        self._pace = pace or Pace()
        # keep-alive and heartbeat are about the network, which no demo speeds up
        self._real_clock = real_clock or SystemClock()
        self._password = broker_trust.read_password(settings)
        self._tls = broker_trust.tls_context(settings)
        remembered = remembered or Remembered()
        self._history_id = remembered.history_id
        self._outbox = Outbox(
            (joint.joint for joint in boat.joints),
            joint_seconds=self._pace.joint_seconds,
            history_id=remembered.history_id,
        )
        self._outbox.restore(
            remembered.alerts,
            sequences=remembered.sequences,
            waiting=remembered.waiting,
            recent=remembered.recent,
        )
        self._desk = Desk(reply_seconds=self._pace.reply_seconds)
        self._answers: list[AlertChange] = []  # changes that may answer a word of the crew
        self._lock = threading.Lock()
        self._attempt = Attempt(protocol=settings.protocol)
        self._complaint: str | None = None
        self._other: str | None = None  # another client that speaks for this boat
        self._link_state = "not started"
        self._malformed_count = 0
        self._retained_count = 0
        self._refusal_due_seconds = 0.0
        self._logged: dict[str, float] = {}
        self._last_will: bytes | None = (
            None  # of the last connection; a broker that lived on has published it
        )
        self._ended_seconds = 0.0
        self._judging = False  # whether the broker lived on
        self._remembers_us = True
        self._heartbeat_due_seconds = 0.0
        self._keepalive_seconds: float = self._pace.keepalive_seconds
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
            self._outbox.note(outputs, self._real_clock.monotonic_seconds())
            self._answers += [output for output in outputs if isinstance(output, AlertChange)]
            del self._answers[:-1000]
        self._wake()

    def health(self) -> str:
        """One line on the connection, in words."""
        words = [self._link_state]
        if self._complaint:
            words.append(self._complaint)
        if self._other:
            words.append(self._other)
        with self._lock:
            waiting_count = self._outbox.sizes()["changes"]
            dropped_count = self._outbox.changes_dropped
        counts = {
            "alert changes waiting": waiting_count,
            "alert changes told only in sum": dropped_count,
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
            where = self._where()
            self._link_state = reconnect.trouble(end, self._attempt, where, self._client_id)
            # the older protocol is tried at once, and is no trouble
            if not self._closing.is_set() and self._attempt.delay_seconds > 0.0:
                reason = reconnect.reason(end, self._attempt, where, self._client_id)
                key = _RAN_TWICE if _RAN_TWICE in reason else end.kind.value
                self._log(key, f"{reason}; trying again until it is well")
            self._closing.wait(self._attempt.delay_seconds)

    def _log(self, key: str, text: str, level: int = logging.WARNING) -> None:
        """One line, and not the next of the same kind for an hour."""
        now_seconds = self._real_clock.monotonic_seconds()
        if now_seconds >= self._logged.get(key, now_seconds):
            self._logged[key] = now_seconds + _LOG_AGAIN_SECONDS
            log.log(level, "MQTT: %s", text)

    def _converse(self) -> End:
        """One connection from its attempt to its end."""
        protocol = self._attempt.protocol
        self._connected_time = self._clock.time()
        self._keepalive_seconds = self._pace.keepalive_seconds
        caller = self._caller()
        link = Link(
            caller,
            protocol,
            self._prefix,
            _SUBSCRIPTIONS,
            self._pace,
            self._real_clock,
            answer_seconds=reconnect.answer_seconds(self._attempt, self._pace),
        )
        link.open()
        was_connected = goodbye_said = False
        tick_seconds = min(1.0, self._pace.heartbeat_seconds / 4.0, self._pace.joint_seconds / 2.0)
        while link.end is None:
            link.turn(self._wake_receiver, tick_seconds)
            if link.connected and not was_connected:
                was_connected = True
                self._arrived(link)
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
                link.say(message)
        self._take_in(link)
        end = link.end
        link.close(politely=False)
        if was_connected:
            self._last_will = caller.will_payload.encode()
            self._ended_seconds = self._real_clock.monotonic_seconds()
        return end

    def _caller(self) -> Caller:
        return Caller(
            settings=self._settings,
            client_id=self._client_id,
            password=self._password,
            tls=self._tls,
            will_topic=self._prefix + "status",
            will_payload=self._status("offline", lost=True),
        )

    def _status(self, word: str, *, lost: bool = False) -> str:
        with self._lock:
            last_sequence = self._outbox.last_sequence
        return mqtt_words.status_text(
            word,
            time=None if lost else self._clock.time(),
            heartbeat_seconds=self._pace.heartbeat_seconds,
            offline_after_seconds=reconnect.offline_after_seconds(self._keepalive_seconds),
            connected_time=self._connected_time,
            boot=self._boot,
            client_id=self._client_id,
            history_id=self._history_id,
            last_sequence=last_sequence,
        )

    def _arrived(self, link: Link) -> None:
        self._heartbeat_due_seconds = 0.0
        self._complaint = self._other = None
        self._judging, self._remembers_us = self._last_will is not None, False
        self._keepalive_seconds = link.limits.keepalive_seconds or self._pace.keepalive_seconds
        self._link_state = f"connected to {self._where()} over MQTT {link.protocol}"
        self._log(self._link_state, self._link_state, logging.INFO)
        with self._lock:
            now_seconds = self._real_clock.monotonic_seconds()
            self._outbox.begin_connection(now_seconds, collapse_seconds=self._pace.collapse_seconds)
            if self._judging:
                self._outbox.hold_changes()

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

    def _take_in(self, link: Link) -> None:
        """What paho's callbacks left behind, and what the watch made of the crew's words."""
        self.on_turn()
        delivered, link.delivered = link.delivered, []
        refused, link.refused = link.refused, []
        too_large, link.too_large = link.too_large, []
        heard, link.heard = link.heard, []
        now_seconds, time = self._real_clock.monotonic_seconds(), self._clock.time()
        with self._lock:
            for topic, payload, retained in heard:
                if topic == "status" and retained and payload == self._last_will:
                    self._remembers_us = True
            for message in delivered:
                self._outbox.delivered(message, now_seconds)
            if self._judging and any(message.topic == "status" for message in (*delivered, *refused)):
                # it was subscribed to before it was sent, so what the broker held of it has come already
                self._judging = False
                self._outbox.release_changes()
                if not self._remembers_us:
                    self._outbox.tell_again(self._ended_seconds - self._pace.died_with_seconds)
            for message in refused:
                self._outbox.refused(message, now_seconds + self._pace.refused_seconds)
            for message in too_large:
                self._outbox.too_large(message)
            for topic, payload, retained in heard:
                if topic.startswith(("alert/", "joint/")) and retained and payload:
                    self._outbox.found_retained(topic)
            settled = self._outbox.settled()
            answers, self._answers = self._answers, []
            for change in answers:
                for reply in self._desk.changed(change, time):
                    self._outbox.reply(reply)
            for reply in self._desk.overdue(now_seconds, time):
                self._outbox.reply(reply)
        if settled and self._on_settled is not None:
            self._on_settled(settled)
        if link.complaint and link.complaint != self._complaint:
            self._complaint = link.complaint
            self._log(link.complaint, link.complaint)
        for topic, payload, retained in heard:
            if topic == "ack":
                self._hear(payload, retained, now_seconds, time)
            elif topic == "status" and not retained:
                self._hear_another(payload)

    def _hear(self, payload: bytes, retained: bool, now_seconds: float, time: int) -> None:
        """A word of the crew. Rubbish is one line in the log and one reply, never more."""
        if retained:
            self._retained_count += 1  # a stored word would acknowledge alerts for ever
            self._log("stored", f"a message stored on {self._prefix}ack is refused; send it without retain")
            return
        word = crew_words.read(payload)
        reply: str | None
        if isinstance(word, str):
            self._malformed_count += 1
            self._log("malformed", f"not understood on {self._prefix}ack: {payload[:60]!r}: {word}")
            if now_seconds < self._refusal_due_seconds:
                return
            self._refusal_due_seconds = now_seconds + _LEAST_REFUSAL_SECONDS
            reply = crew_words.refusal(word, time)
        else:
            with self._lock:
                reply = self._desk.ask(word, self._outbox.alerts, now_seconds, time)
        if reply is not None:
            with self._lock:
                self._outbox.reply(reply)
        elif isinstance(word, CrewWord):
            self._on_deed(word)

    def _hear_another(self, payload: bytes) -> None:
        other = mqtt_words.other_speaker(payload, self._client_id)
        if other is not None:
            self._other = (
                f"another lugwatch (client id {other}) speaks for this boat at the broker, and each undoes "
                "what the other says: stop one, or give it another boat's name"
            )
            self._log("another", self._other)
