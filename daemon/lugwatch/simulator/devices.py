"""A node on a serial line and a feed over a broker, as an invented boat's instruments send them.

The third device, the one-wire bus, is `onewire_tree`. Each is served by one loop (`run`): none has
a thread of its own but the broker's client. Not here: reading any of it. May import: units and the
simulator's own.
"""

import array
import contextlib
import fcntl
import json
import os
import termios
import tty
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from lugwatch.units import format_time

SENTENCE_SECONDS = 1.0
FEED_SECONDS = 2.0
# a terminal holds 4095 bytes; beyond this nobody is reading, and what waits there is old
UNREAD_BYTES = 2500


def sentence(body: str) -> bytes:
    """An NMEA 0183 sentence: checksum over all between $ and *."""
    checksum = 0
    for byte in body.encode("ascii"):
        checksum ^= byte
    return f"${body}*{checksum:02X}\r\n".encode("ascii")


def transducers(kind: str, unit: str, values: Mapping[str, float]) -> bytes:
    """One XDR sentence: groups of type, value, unit, name. Empty when there is nothing to say."""
    if not values:
        return b""
    groups = ",".join(f"{kind},{value:.2f},{unit},{name}" for name, value in values.items())
    return sentence(f"IIXDR,{groups}")


class SerialNode:
    """A node that talks into a pseudo-terminal, whether or not anybody listens.

    link: the stable name under which it is found. read: all its lines at this moment.
    """

    def __init__(self, link: Path, read: Callable[[], Sequence[bytes]]) -> None:
        self._link = link
        self._read = read
        self._next_seconds = 0.0
        self._line: tuple[int, int] | None = os.openpty()
        ours, theirs = self._line
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        link.parent.mkdir(parents=True, exist_ok=True)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(theirs))

    def serve(self, now_seconds: float) -> None:
        """Send the lines that are due; a line for which there is no room is lost."""
        if self._line is None or now_seconds < self._next_seconds:
            return
        self._next_seconds = now_seconds + SENTENCE_SECONDS
        ours, theirs = self._line
        waiting = array.array("i", [0])
        fcntl.ioctl(theirs, termios.FIONREAD, waiting)
        if waiting[0] > UNREAD_BYTES:
            termios.tcflush(theirs, termios.TCIFLUSH)
        for line in self._read():
            try:
                os.write(ours, line)
            except BlockingIOError:
                return

    def close(self) -> None:
        """Pull the plug: the terminal and its name go away. Harmless when called twice."""
        if self._line is None:
            return
        self._link.unlink(missing_ok=True)
        for descriptor in self._line:
            os.close(descriptor)
        self._line = None
        # others may keep things in the same folder
        with contextlib.suppress(OSError):
            self._link.parent.rmdir()


class MqttFeed:
    """Currents as JSON on topics of a broker, each message with its own time.

    read: topic -> A at this moment. Nothing is kept for a broker that is away.
    """

    def __init__(
        self,
        broker_address: tuple[str, int],
        read: Callable[[], Mapping[str, float]],
        time: Callable[[], int],
    ) -> None:
        self._read = read
        self._time = time
        self._next_seconds = 0.0
        self._client = Client(
            callback_api_version=CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311
        )
        self._client.reconnect_delay_set(min_delay=1, max_delay=5)
        self._client.connect_async(*broker_address)
        self._client.loop_start()

    def serve(self, now_seconds: float) -> None:
        """Publish what is due."""
        if now_seconds < self._next_seconds or not self._client.is_connected():
            return
        self._next_seconds = now_seconds + FEED_SECONDS
        for topic, amps in self._read().items():
            payload = {"current_amps": amps, "time": format_time(self._time())}
            self._client.publish(topic, json.dumps(payload))

    def close(self) -> None:
        """Say goodbye to the broker. Harmless when called twice."""
        self._client.disconnect()
        self._client.loop_stop()
