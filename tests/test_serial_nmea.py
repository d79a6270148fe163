"""The serial source on real pseudo-terminals: unplugged, garbled, back under another name."""

import itertools
import os
import threading
import time
import tty
from pathlib import Path

import pytest

from lugwatch.clock import ManualClock, SystemClock
from lugwatch.model import Fault, FaultKind, Quantity, Reading
from lugwatch.sources.base import Calibration
from lugwatch.sources.serial_nmea import SerialChannel, SerialNmea
from test_nmea import with_checksum

JOINT = SerialChannel(channel="lug", quantity=Quantity.CELSIUS, kind="C", transducer="JOINT1")
SHUNT = SerialChannel(
    channel="alternator",
    quantity=Quantity.AMPS,
    kind="I",
    transducer="SHUNT",
    calibration=Calibration(scale=-1.0, offset=-0.5),
)


class Line:
    """A pseudo-terminal under a stable name."""

    def __init__(self, link: Path) -> None:
        self.far, self.near = os.openpty()
        tty.setraw(self.near)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self.near))

    def send(self, data: bytes) -> None:
        os.write(self.far, data)

    def unplug(self) -> None:
        if self.far >= 0:
            os.close(self.far)
            os.close(self.near)
            self.far = -1


@pytest.fixture
def link(tmp_path):
    return tmp_path / "node"


@pytest.fixture
def line(link):
    opened = Line(link)
    yield opened
    opened.unplug()


@pytest.fixture
def source(link):
    made = SerialNmea(
        name=f"serial {link}",
        device=str(link),
        baud=115_200,
        channels=[JOINT, SHUNT],
        clock=SystemClock(),
        stop=threading.Event(),
    )
    yield made
    made.close()


def poll_until(source: SerialNmea, wanted, seconds: float = 20.0) -> list[Reading | Fault]:
    """Everything up to the event for which `wanted` is true."""
    events: list[Reading | Fault] = []
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        new = source.poll()
        events += new
        if any(wanted(event) for event in new):
            return events
    raise AssertionError(f"did not come within {seconds} s; came: {events}")


def is_value(value: float):
    return lambda event: isinstance(event, Reading) and event.value == value


def is_fault(kind: FaultKind):
    return lambda event: isinstance(event, Fault) and event.kind is kind


def sentence(celsius: float) -> bytes:
    return with_checksum(f"IIXDR,C,{celsius},C,JOINT1").encode() + b"\r\n"


def test_two_channels_of_one_sentence(line, source):
    source.poll()
    before = SystemClock().monotonic_seconds()
    line.send(b"$IIXDR,C,45.3,C,JOINT1,I,120.5,A,SHUNT*41\r\n")
    events = poll_until(source, is_value(-121.0))
    assert [(e.channel, e.value) for e in events] == [("lug", 45.3), ("alternator", -121.0)]
    assert before <= events[0].monotonic_seconds <= SystemClock().monotonic_seconds()


def test_unplugged_in_a_line_and_back_under_another_name(line, source, link):  # C06
    source.poll()
    line.send(sentence(40.0) + b"$IIXDR,C,4")
    poll_until(source, is_value(40.0))
    line.unplug()
    (gone,) = poll_until(source, is_fault(FaultKind.DISCONNECTED))
    assert gone.channel is None and str(link) in gone.detail
    for _ in range(3):
        assert source.poll() == []  # said once, however often it tries
    back = Line(link)
    try:
        # until the port is open nobody reads: what is sent before is flushed at opening
        deadline = time.monotonic() + 20.0
        events: list[Reading | Fault] = []
        while not events and time.monotonic() < deadline:
            back.send(b"1.0,C,JOINT1*00\r\n" + sentence(41.0))
            events = list(source.poll())
        readings = [e for e in events if isinstance(e, Reading)]
        assert {e.value for e in readings} == {41.0}
    finally:
        back.unplug()
    poll_until(source, is_fault(FaultKind.DISCONNECTED))  # a new state, said again


def test_half_a_line_waits_for_its_end(line, source):  # C07
    source.poll()
    whole = sentence(23.5)
    line.send(whole[:12])
    assert list(source.poll()) == list(source.poll()) == []
    line.send(whole[12:])
    assert [e.value for e in poll_until(source, is_value(23.5))] == [23.5]


def test_joined_in_the_middle_of_a_line(line, source):  # C07
    source.poll()
    line.send(b".7,23.5*1A\r\n" + sentence(24.5))
    assert [e.value for e in poll_until(source, is_value(24.5))] == [24.5]


def test_garbage_is_counted_and_the_rest_read(line, source):  # C08
    source.poll()
    line.send(sentence(20.0))
    poll_until(source, is_value(20.0))
    line.send(
        b"\xaa\x65\xd1\xb9\xf1\r\n$IIXDR,C,2\xff3.5,C,JOINT1*00\r\n\x00\r\nboot v1\r\n" + sentence(21.0)
    )
    events = poll_until(source, is_value(21.0))
    assert [e.value for e in events if isinstance(e, Reading)] == [21.0]
    (noise,) = [e for e in events if isinstance(e, Fault)] or poll_until(
        source, is_fault(FaultKind.MALFORMED)
    )
    assert (noise.kind, noise.channel) == (FaultKind.MALFORMED, None)


def test_a_device_that_is_not_there_is_no_error(tmp_path):
    source = SerialNmea(
        name="serial",
        device=str(tmp_path / "none"),
        baud=115_200,
        channels=[JOINT],
        clock=ManualClock(),
        stop=threading.Event(),
    )
    (fault,) = source.poll()
    assert fault.kind is FaultKind.DISCONNECTED
    assert [event for _ in range(50) for event in source.poll()] == []
    source.close()
    source.close()


class PlayedPort:
    """Bytes, then an error."""

    def __init__(self, *parts: bytes) -> None:
        self.parts = list(parts)
        self.waiting = b""
        self.closed = False

    @property
    def in_waiting(self) -> int:
        return len(self.waiting)

    def read(self, size: int) -> bytes:
        if not self.waiting:
            if not self.parts:
                raise OSError(5, "played")
            self.waiting = self.parts.pop(0)
        data, self.waiting = self.waiting[:size], self.waiting[size:]
        return data

    def close(self) -> None:
        self.closed = True


def played(clock, opener, stop=None) -> SerialNmea:
    return SerialNmea(
        name="serial x",
        device="x",
        baud=4800,
        channels=[JOINT, SHUNT],
        clock=clock,
        stop=stop or threading.Event(),
        opener=opener,
    )


def test_the_delay_grows_to_half_a_minute_and_never_ends():
    clock, tries = ManualClock(), []

    def refuse(_device: str, _baud: int):
        tries.append(clock.monotonic_seconds())
        raise OSError(2, "No such file or directory")

    source = played(clock, refuse)
    faults = [event for _ in range(300) for event in source.poll()]
    gaps = [round(b - a, 1) for a, b in itertools.pairwise(tries)]
    assert gaps[:7] == [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0] and set(gaps[7:]) == {30.0}
    assert [fault.kind for fault in faults] == [FaultKind.DISCONNECTED]


def test_every_handle_is_closed_and_half_a_line_joins_nothing():
    clock = ManualClock()
    ports = [PlayedPort(sentence(30.0), b"$IIXDR,C,4"), PlayedPort(b"1.0,C,JOINT1*00\r\n", sentence(31.0))]
    unopened = list(ports)
    source = played(clock, lambda _device, _baud: unopened.pop(0))
    events = [event for _ in range(6) for event in source.poll()]
    assert [e.value if isinstance(e, Reading) else e.kind for e in events] == [
        30.0,
        FaultKind.DISCONNECTED,
        31.0,
    ]
    source.close()
    assert all(port.closed for port in ports)


def test_noise_is_told_at_most_once_in_ten_seconds_with_its_count():
    clock = ManualClock()
    bad = b"$IIXDR,C,45.3,C,JOINT1*00\r\n"
    port = PlayedPort(*[bad] * 25)
    source = played(clock, lambda _device, _baud: port)
    told = []
    for _ in range(25):
        told += [(event.kind, event.detail.split(";")[0]) for event in source.poll()]
        clock.advance(1.0)
    bad_checksum = FaultKind.BAD_CHECKSUM
    assert told == [
        (bad_checksum, "1 line dropped"),
        (bad_checksum, "10 lines dropped"),
        (bad_checksum, "10 lines dropped"),
    ]


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        ("IIXDR,C,,C,JOINT1", FaultKind.EMPTY),
        ("IIXDR,C,nan,C,JOINT1", FaultKind.NOT_FINITE),
        ("IIXDR,C,2000,C,JOINT1", FaultKind.IMPLAUSIBLE),
        ("IIXDR,C,68,F,JOINT1", FaultKind.MALFORMED),
    ],
)
def test_a_failed_value_is_a_fault_of_its_channel(body, kind):
    source = played(ManualClock(), lambda _d, _b: PlayedPort(with_checksum(body).encode() + b"\r\n"))
    (fault,) = source.poll()
    assert (fault.channel, fault.kind) == ("lug", kind)


def test_talker_and_voltage():
    channel = SerialChannel(
        channel="alternator",
        quantity=Quantity.AMPS,
        kind="U",
        transducer="SHUNT",
        talker="ER",
        calibration=Calibration(scale=4000.0),
    )
    text = "\n".join(with_checksum(f"{talker}XDR,U,0.025,V,SHUNT") for talker in ("II", "ER")) + "\n"
    source = SerialNmea(
        name="serial x",
        device="x",
        baud=4800,
        channels=[channel],
        clock=ManualClock(),
        stop=threading.Event(),
        opener=lambda _device, _baud: PlayedPort(text.encode()),
    )
    assert [e.value for e in source.poll()] == [pytest.approx(100.0)]
