"""A hostile node on USB, behind a real pseudo-terminal: what deploy/threats.md says of it holds."""

import contextlib
import os
import threading
import time
import tomllib
import tracemalloc
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from lugwatch import first_text
from lugwatch.clock import SystemClock
from lugwatch.model import Fault, Quantity, Reading
from lugwatch.sources.base import READINGS_A_SECOND, READINGS_AT_ONCE, Allowance
from lugwatch.sources.finding import MOST_HEARD, Found, Transducer, find_serial
from lugwatch.sources.serial_nmea import SerialChannel, SerialNmea
from phones import PATIENCE_SECONDS
from test_nmea import with_checksum


class Node:
    """A hostile node behind a pseudo-terminal: says what it is told to, once or over and over."""

    def __init__(self, folder: Path) -> None:
        self._far, near = os.openpty()
        tty.setraw(near)
        self._near = near
        self.device = folder / "by-id" / "node"
        self.device.parent.mkdir()
        self.device.symlink_to(os.ttyname(near))
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def say(self, data: bytes) -> None:
        os.write(self._far, data)

    def flood(self, data: bytes) -> None:
        """As fast as the other side takes it, until closed."""
        os.set_blocking(self._far, False)

        def pour() -> None:
            while not self._stop.is_set():
                with contextlib.suppress(BlockingIOError):
                    os.write(self._far, data)

        self._thread = threading.Thread(target=pour)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        os.close(self._far)
        os.close(self._near)


@pytest.fixture
def node(tmp_path: Path) -> Iterator[Node]:
    made = Node(tmp_path)
    yield made
    made.close()


@pytest.fixture
def line(node: Node) -> Iterator[SerialNmea]:
    made = SerialNmea(
        name="serial node",
        device=str(node.device),
        baud=115_200,
        channels=[SerialChannel(channel="lug", quantity=Quantity.CELSIUS, kind="C", transducer="LUG")],
        clock=SystemClock(),
        stop=threading.Event(),
    )
    yield made
    made.close()


def good(celsius: float) -> bytes:
    return with_checksum(f"IIXDR,C,{celsius},C,LUG").encode() + b"\r\n"


HOSTILE_LINES = {
    "overlong": b"$IIXDR," + b"9" * 200_000 + b"\r\n",
    "NUL": b"$IIXDR,C,2\x003.5,C,LUG*00\r\n",
    "escapes": b"\x1b[2J\x1b]0;owned\x07$IIXDR,C,99.0,C,LUG*00\r\n",
    "not UTF-8": b"$IIXDR,C,\xff\xfe\x80,C,LUG*00\r\n",
    "wrong checksum": b"$IIXDR,C,99.0,C,LUG*00\r\n",
    "no number": with_checksum("IIXDR,C,1e999,C,LUG").encode() + b"\r\n",
    "beyond any joint": with_checksum("IIXDR,C,9000,C,LUG").encode() + b"\r\n",
    "half a group": with_checksum("IIXDR,C,99.0,C").encode() + b"\r\n",
    "empty lines": b"\r\n" * 5000,
}


@pytest.mark.parametrize("what", HOSTILE_LINES)
def test_a_hostile_line_is_no_reading_and_the_next_good_one_is(
    node: Node, line: SerialNmea, what: str
) -> None:
    line.poll()
    node.say(good(20.0))
    events = list(line.poll())
    data = HOSTILE_LINES[what] + good(21.0)
    talking = threading.Thread(
        target=lambda: [node.say(data[i : i + 1000]) for i in range(0, len(data), 1000)]
    )
    talking.start()
    deadline = time.monotonic() + PATIENCE_SECONDS
    while [e.value for e in events if isinstance(e, Reading)][-1:] != [21.0]:
        assert time.monotonic() < deadline, events[-3:]
        events += line.poll()
    talking.join()
    assert [e.value for e in events if isinstance(e, Reading)] == [20.0, 21.0]
    faults = [e for e in events if isinstance(e, Fault)]
    assert len(faults) <= 3 and all(fault.detail.isprintable() for fault in faults)
    assert all(len(fault.detail) < 200 for fault in faults)


@pytest.mark.parametrize(
    "data", [good(99.0) * 200, b"\xff" * 4000, b"$IIXDR\r\n" * 500], ids=["good", "noise", "junk"]
)
def test_a_flood_from_usb_is_bounded_in_readings_memory_and_processor(
    node: Node, line: SerialNmea, data: bytes
) -> None:
    line.poll()
    node.flood(data)
    tracemalloc.start()
    began, worked = time.monotonic(), time.thread_time()
    readings = faults = 0
    try:
        while time.monotonic() - began < 4.0:
            for event in line.poll():
                readings += isinstance(event, Reading)
                faults += isinstance(event, Fault)
        seconds = time.monotonic() - began
        share = (time.thread_time() - worked) / seconds
        assert tracemalloc.get_traced_memory()[1] < 2_000_000
    finally:
        tracemalloc.stop()
    assert readings <= READINGS_AT_ONCE + READINGS_A_SECOND * seconds
    assert faults <= 6
    assert share < 0.5, "the processor is left to the watch"


def test_a_channel_may_bring_a_thousand_at_once_and_twenty_a_second() -> None:
    allowance = Allowance()
    assert sum(allowance.take("a", 100.0) for _ in range(5000)) == READINGS_AT_ONCE
    assert allowance.take("b", 100.0), "each channel has its own"
    assert sum(allowance.take("a", 101.0) for _ in range(5000)) == READINGS_A_SECOND
    assert sum(allowance.take("a", 1e6) for _ in range(5000)) == READINGS_AT_ONCE
    assert not allowance.take("a", 50.0), "a clock that goes back gives nothing"


def test_names_that_a_node_makes_up_break_no_configuration(node: Node) -> None:
    """`init` writes down what a node calls itself; TOML 1.0 strings end at a quotation mark."""
    hostile = ['A"', '"#', "[[joint]]", "'", "{x}", "%s", "</script>"]
    found = Found(transducers=[Transducer(device="/dev/x", kind="I", name=name) for name in hostile])
    document = tomllib.loads(first_text.text("Sea Pea", found))
    assert [table["transducer"] for table in document["current"]] == hostile
    names = (f"N{n}" for n in range(10 * MOST_HEARD))
    node.flood(b"".join(with_checksum(f"IIXDR,I,1.0,A,{name}").encode() + b"\r\n" for name in names))
    heard = Found()
    find_serial(node.device.parent, heard, SystemClock(), threading.Event())
    assert len(heard.transducers) <= MOST_HEARD
