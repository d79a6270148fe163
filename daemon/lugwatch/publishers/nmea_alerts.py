"""Alert sentences for instruments on board: on each change, and all that stands again each 30 s.

A port or network that is away is tried again for ever; nothing is kept for it, since the next round says
all that is true then. Where asked for, commands of instruments are taken in on the same port or on UDP.
Not here: how sentences are written (`nmea_sentences`), what a command is (`nmea_commands`), how it comes in
(`nmea_ears`). May import: clock, config, model.
"""

import logging
import os
import socket
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, Protocol

import serial

from lugwatch.clock import Clock
from lugwatch.config_ways import NmeaAlertSettings
from lugwatch.errors import OperationFailed
from lugwatch.model import Alert, Boat, CrewDeed, Output
from lugwatch.publishers import nmea_commands, nmea_sentences
from lugwatch.publishers.loop import Health, Loop
from lugwatch.publishers.nmea_ears import LISTEN_SECONDS, Ears, UdpEar
from lugwatch.publishers.standing import Standing, rank

log = logging.getLogger("lugwatch")

ROUND_SECONDS = 30.0  # the cyclic list of alerts, as manuals of several makers give it
RETRY_SECONDS = 10.0
WRITE_SECONDS = 5.0  # a sentence takes 0.17 s at 4800 baud; longer than this and the port is stuck
WAITING_KEPT = 200  # sentences; at 4800 baud what a round of sixteen alerts needs, four times over
AT_ONCE = 10  # sentences in a turn
GOODBYE_SECONDS = 6.0
HEARD_BYTES = 4096  # at a time; a port holds no more, and at 4800 baud it is eight seconds


class Wire(Protocol):
    """Takes one whole sentence. Raises OSError."""

    def write(self, data: bytes) -> object: ...
    def close(self) -> None: ...


def nobody(deed: CrewDeed, alert_id: int, who: str) -> None:
    """Where no deed is wanted."""


class UdpWire:
    """One datagram a sentence, to one address or a whole network."""

    def __init__(self, host: str, port: int) -> None:
        # resolved now, so that a wrong name is told as such
        family, kind, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        self._address: tuple[Any, ...] = address
        self._socket = socket.socket(family, kind)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)

    def write(self, data: bytes) -> None:
        self._socket.sendto(data, self._address)

    def close(self) -> None:
        self._socket.close()


def open_serial(device: str, baud: int) -> Wire:
    """The port, for us alone. Raises OperationFailed."""
    try:
        return serial.Serial(  # type: ignore[no-any-return]
            device, baud, timeout=0, write_timeout=WRITE_SECONDS, exclusive=True
        )
    except (OSError, ValueError) as error:  # pyserial's own errors are OSError's
        words = str(error)
        busy = "lock" in words.lower() or "busy" in words.lower()
        hint = (
            "another program holds it; is lugwatch watch running?" if busy else "check plug, name and rights"
        )
        number = getattr(error, "errno", None)
        reason = "it is in use" if busy else (os.strerror(number) if number else words)
        raise OperationFailed(f"{device}: {reason}; {hint}") from None


def open_udp(host: str, port: int) -> Wire:
    """A socket towards host:port. Raises OperationFailed."""
    try:
        return UdpWire(host, port)
    except OSError as error:
        raise OperationFailed(
            f"UDP {host}:{port}: {error.strerror}; check the name and the network"
        ) from None


class _Way:
    """One port or address: opened when there is something to say, again after it failed."""

    def __init__(self, name: str, opener: Callable[[], Wire]) -> None:
        self.name = name
        self._opener = opener
        self._wire: Wire | None = None
        self._retry_seconds = float("-inf")
        self.working: bool | None = None
        self.trouble: str | None = None
        self.waiting: deque[bytes] = deque(maxlen=WAITING_KEPT)

    def hear(self, now_seconds: float) -> bytes:
        """What has come in on an open port; nothing from one that is away."""
        read: Callable[[int], bytes] | None = getattr(self._wire, "read", None)
        if read is None:  # closed, or a network, which only takes
            return b""
        try:
            return read(HEARD_BYTES)
        except (OSError, TypeError) as error:  # a handle that went away is a TypeError
            self._lose(now_seconds, getattr(error, "strerror", None) or str(error))
            return b""

    def say(self, now_seconds: float) -> None:
        """Write some of what waits; what cannot be written is forgotten, the next round says it anew."""
        if not self.waiting or now_seconds < self._retry_seconds:
            return
        try:
            if self._wire is None:
                self._wire = self._opener()
            for _ in range(min(AT_ONCE, len(self.waiting))):
                self._wire.write(self.waiting.popleft())
        except (OSError, OperationFailed) as error:
            words = str(error) if isinstance(error, OperationFailed) else (error.strerror or str(error))
            self._lose(now_seconds, words.removeprefix(f"{self.name}: "))
        else:
            self.working, self.trouble = True, None

    def _lose(self, now_seconds: float, words: str) -> None:
        if self.working is not False:
            log.warning("%s: %s; tried again", self.name, words)
        self.working, self.trouble = False, words
        self._retry_seconds = now_seconds + RETRY_SECONDS
        self.waiting.clear()
        self.close()

    def close(self) -> None:
        wire, self._wire = self._wire, None
        if wire is not None:
            wire.close()


class NmeaAlertsPublisher:
    """Says alerts in sentences on the ways that are configured."""

    name = "alert sentences"

    def __init__(
        self,
        settings: NmeaAlertSettings,
        boat: Boat,
        *,
        clock: Clock,
        serial_opener: Callable[[str, int], Wire] = open_serial,
        udp_opener: Callable[[str, int], Wire] = open_udp,
        on_deed: Callable[[CrewDeed, int, str], None] = nobody,
    ) -> None:
        """on_deed(deed, alert_id, who): somebody at an instrument did something about an alert."""
        self._settings = settings
        self._on_deed = on_deed
        self._answerable = settings.listen or settings.listen_udp_port is not None
        self._ears = Ears(clock)
        self._udp_ear = None if settings.listen_udp_port is None else UdpEar(settings.listen_udp_port)
        self._boat = boat
        self._clock = clock
        self._lock = threading.Lock()  # of what stands and what waits
        self._standing = Standing(settings.categories)
        self._sequence = 0
        self._rounds = 0
        self._round_seconds = clock.monotonic_seconds()
        self._ways = []
        if (device := settings.device) is not None:
            self._ways.append(_Way(device, lambda: serial_opener(device, settings.baud)))
        if (host := settings.udp_host) is not None:
            where = f"UDP {host}:{settings.udp_port}"
            self._ways.append(_Way(where, lambda: udp_opener(host, settings.udp_port)))
        self.loop = Loop(self.name, self.turn, clock)

    def start(self) -> None:
        self.loop.start()

    def restore(self, alerts: Sequence[Alert]) -> None:
        """The alerts that stood when the daemon last stopped; the first round says them."""
        with self._lock:
            self._standing.restore(alerts)

    def publish(self, outputs: Sequence[Output]) -> None:
        """Take over what the store has committed; never blocks."""
        with self._lock:
            for change in self._standing.note(outputs):
                over = change.alert.alert_id not in self._standing.alerts
                self._put(self._about(change.alert, over=over))
        self.loop.wake()

    def health(self) -> Health:
        states = [way.working for way in self._ways]
        words = [
            f"{way.name}: {way.trouble or ('works' if way.working else 'not tried yet')}"
            for way in self._ways
        ]
        if self._udp_ear is not None and self._udp_ear.trouble is not None:
            words.append(self._udp_ear.trouble)
        if self._ears.ignored:
            words.append(f"{self._ears.ignored} commands of instruments ignored")
        working = True if True in states else (None if None in states else False)
        return Health(name=self.name, working=working, words="; ".join(words), is_aboard=True)

    def close(self) -> None:
        if self.loop.close(GOODBYE_SECONDS):
            for way in self._ways:
                way.close()
            if self._udp_ear is not None:
                self._udp_ear.close()

    def turn(self) -> float:
        """Begin a round where one is due, write what waits; seconds until the next turn."""
        now_seconds = self._clock.monotonic_seconds()
        with self._lock:
            if now_seconds >= self._round_seconds:
                self._round_seconds = now_seconds + ROUND_SECONDS
                self._put(self._round())
        self._listen(now_seconds)
        more = False
        for way in self._ways:
            way.say(now_seconds)
            more = more or bool(way.waiting)
        pause_seconds = 0.05 if more else max(0.05, self._round_seconds - now_seconds)
        return min(pause_seconds, LISTEN_SECONDS) if self._answerable else pause_seconds

    def _listen(self, now_seconds: float) -> None:
        """Take in what instruments want; a deed goes the way of all deeds, and comes back as a change."""
        if not self._answerable:
            return
        sentences = []
        if self._settings.listen:
            for way in self._ways:
                sentences += self._ears.from_line(way.name, way.hear(now_seconds))
        if self._udp_ear is not None:
            for datagram in self._udp_ear.hear(now_seconds):
                sentences += self._ears.from_datagram(datagram)
        for sentence in sentences:
            with self._lock:
                command = nmea_commands.read(sentence, self._standing.alerts.values())
            match command:
                case nmea_commands.Command():
                    if self._ears.may_act():
                        self._on_deed(command.deed, command.alert_id, command.who)
                case nmea_commands.Repeat():
                    if self._ears.may_repeat():
                        self._round_seconds = now_seconds
                case nmea_commands.Ignored():
                    self._ears.ignore(command.why)
                    if command.answer is not None and self._ears.may_refuse():
                        with self._lock:
                            refusal = nmea_sentences.arc(
                                self._settings.talker, self._clock.time(), command.answer
                            )
                            self._put([refusal])
                case None:
                    pass

    def _put(self, sentences: Sequence[bytes]) -> None:
        for way in self._ways:
            way.waiting.extend(sentences)

    def _round(self) -> list[bytes]:
        """All that stands, most important first; the list and the heartbeat also when nothing does."""
        self._rounds += 1
        talker, alerts = self._settings.talker, sorted(self._standing.alerts.values(), key=rank)
        found = []
        if "ALF" in self._settings.sentences:
            found += nmea_sentences.alc(talker, alerts, self._rounds)
            found.append(nmea_sentences.hbt(talker, ROUND_SECONDS, self._rounds))
        for alert in alerts:
            found += self._about(alert, over=False)
        return found

    def _about(self, alert: Alert, *, over: bool) -> list[bytes]:
        talker, found = self._settings.talker, list[bytes]()
        if "ALF" in self._settings.sentences:
            self._sequence = (self._sequence + 1) % 10
            found += nmea_sentences.alf(
                talker, self._boat, alert, self._sequence, over=over, answerable=self._answerable
            )
        if "ALR" in self._settings.sentences:
            found.append(nmea_sentences.alr(talker, self._boat, alert, over=over))
        return found
