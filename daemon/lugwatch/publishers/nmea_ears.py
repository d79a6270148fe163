"""How commands of instruments come in: lines of a serial port, datagrams of a UDP port, and no flood of them.

Sentences with a good checksum come out; all else is no command, and on a line that others share no fault.
Not here: what a command is (`nmea_commands`). May import: sources (sentences), clock.
"""

import logging
import socket

from lugwatch.clock import Clock
from lugwatch.sources.nmea import LineBuffer, Sentence, parse_sentence

log = logging.getLogger("lugwatch")

LISTEN_SECONDS = 0.25  # how long a press on an instrument waits at most
DEEDS_A_MINUTE = 30  # a person presses more seldom
REPEAT_SECONDS = 5.0  # no more often is everything said anew because somebody asks
REFUSE_SECONDS = 1.0
LOG_SECONDS = 60.0
DATAGRAMS_AT_ONCE = 50
DATAGRAM_BYTES = 1472
RETRY_SECONDS = 10.0


class UdpEar:
    """A UDP port of this computer, opened again when it could not be."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._socket: socket.socket | None = None
        self._retry_seconds = float("-inf")
        self.trouble: str | None = None

    def hear(self, now_seconds: float) -> list[bytes]:
        """The datagrams that have come, so many at most; what is more is the network's to drop."""
        found: list[bytes] = []
        if now_seconds < self._retry_seconds:
            return found
        try:
            if self._socket is None:
                self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
                self._socket.setblocking(False)
                self._socket.bind(("", self._port))
            for _ in range(DATAGRAMS_AT_ONCE):
                found.append(self._socket.recv(DATAGRAM_BYTES))
        except BlockingIOError:
            self.trouble = None
        except OSError as error:
            words = f"UDP port {self._port} cannot be listened to: {error.strerror or error}"
            if self.trouble is None:
                log.warning("%s; tried again", words)
            self.trouble, self._retry_seconds = words, now_seconds + RETRY_SECONDS
            self.close()
        return found

    def close(self) -> None:
        opened, self._socket = self._socket, None
        if opened is not None:
            opened.close()


class Ears:
    """Bytes to sentences; how often something may follow from them. ignored: commands that did nothing."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lines: dict[str, LineBuffer] = {}
        self._deeds: list[float] = []
        self._repeated_seconds = float("-inf")
        self._refused_seconds = float("-inf")
        self._logged_seconds = float("-inf")
        self.ignored = 0

    def from_line(self, name: str, data: bytes) -> list[Sentence]:
        """What these bytes complete on this line."""
        return _sentences(self._lines.setdefault(name, LineBuffer()), data)

    def from_datagram(self, data: bytes) -> list[Sentence]:
        """Whole lines; a datagram ends its last one."""
        return _sentences(LineBuffer(), data + b"\r\n")

    def may_act(self) -> bool:
        """Whether one more deed is believed of somebody's finger; else it is ignored."""
        now_seconds = self._clock.monotonic_seconds()
        self._deeds = [moment for moment in self._deeds if moment > now_seconds - 60.0]
        if len(self._deeds) >= DEEDS_A_MINUTE:
            self.ignore(f"more than {DEEDS_A_MINUTE} commands a minute")
            return False
        self._deeds.append(now_seconds)
        return True

    def may_repeat(self) -> bool:
        now_seconds = self._clock.monotonic_seconds()
        if now_seconds < self._repeated_seconds + REPEAT_SECONDS:
            return False
        self._repeated_seconds = now_seconds
        return True

    def may_refuse(self) -> bool:
        """Whether a refusal is answered: what waits for the port is not to be pushed out by answers."""
        now_seconds = self._clock.monotonic_seconds()
        if now_seconds < self._refused_seconds + REFUSE_SECONDS:
            return False
        self._refused_seconds = now_seconds
        return True

    def ignore(self, why: str) -> None:
        """Count it, with a line in the log now and then."""
        self.ignored += 1
        now_seconds = self._clock.monotonic_seconds()
        if now_seconds >= self._logged_seconds + LOG_SECONDS:
            self._logged_seconds = now_seconds
            log.warning("a command of an instrument was ignored: %s (%d so far)", why, self.ignored)


def _sentences(lines: LineBuffer, data: bytes) -> list[Sentence]:
    found = []
    for line in lines.feed(data):
        sentence = parse_sentence(line) if isinstance(line, bytes) else line
        if isinstance(sentence, Sentence):
            found.append(sentence)
    return found
