"""Alert sentences for instruments on board: on each change, and all that stands again each 30 s.

A port or network that is away is tried again for ever; nothing is kept for it, since the next round says
all that is true then. Nobody's ACN or ACK is listened to: acknowledge on the page, the phone or here.
Not here: how sentences are written (`nmea_sentences`). May import: clock, config, model.
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
from lugwatch.model import Alert, Boat, Output
from lugwatch.publishers import nmea_sentences
from lugwatch.publishers.loop import Health, Loop
from lugwatch.publishers.standing import Standing, rank

log = logging.getLogger("lugwatch")

ROUND_SECONDS = 30.0  # the cyclic list of alerts, as manuals of several makers give it
RETRY_SECONDS = 10.0
WRITE_SECONDS = 5.0  # a sentence takes 0.17 s at 4800 baud; longer than this and the port is stuck
WAITING_KEPT = 200  # sentences; at 4800 baud what a round of sixteen alerts needs, four times over
AT_ONCE = 10  # sentences in a turn
GOODBYE_SECONDS = 6.0


class Wire(Protocol):
    """Takes one whole sentence. Raises OSError."""

    def write(self, data: bytes) -> object: ...
    def close(self) -> None: ...


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
        return serial.Serial(device, baud, write_timeout=WRITE_SECONDS, exclusive=True)  # type: ignore[no-any-return]
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
            words = words.removeprefix(f"{self.name}: ")
            if self.working is not False:
                log.warning("%s: %s; tried again", self.name, words)
            self.working, self.trouble = False, words
            self._retry_seconds = now_seconds + RETRY_SECONDS
            self.waiting.clear()
            self.close()
        else:
            self.working, self.trouble = True, None

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
    ) -> None:
        self._settings = settings
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
        working = True if True in states else (None if None in states else False)
        return Health(name=self.name, working=working, words="; ".join(words), is_aboard=True)

    def close(self) -> None:
        if self.loop.close(GOODBYE_SECONDS):
            for way in self._ways:
                way.close()

    def turn(self) -> float:
        """Begin a round where one is due, write what waits; seconds until the next turn."""
        now_seconds = self._clock.monotonic_seconds()
        with self._lock:
            if now_seconds >= self._round_seconds:
                self._round_seconds = now_seconds + ROUND_SECONDS
                self._put(self._round())
        more = False
        for way in self._ways:
            way.say(now_seconds)
            more = more or bool(way.waiting)
        return 0.05 if more else max(0.05, self._round_seconds - now_seconds)

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
            found += nmea_sentences.alf(talker, self._boat, alert, self._sequence, over=over)
        if "ALR" in self._settings.sentences:
            found.append(nmea_sentences.alr(talker, self._boat, alert, over=over))
        return found
