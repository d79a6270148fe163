"""What every parser of text and bytes from outside has to bear, as strategies and checks: buses and lines.

`test_fuzz` runs a few hundred examples of each, `bench/fuzz_parsers.py` as many as there is time for. One
may be refused in words (Refused, UserError, OperationFailed) and in no other way; what is accepted is checked
anew by other means. Files are in `fuzzing_files`.
"""

import errno
import functools
import json
import math
import os
import re
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

import boats
from histories import START_TIME
from lugwatch.clock import ManualClock
from lugwatch.model import CrewDeed, Event, Fault, Reading
from lugwatch.publishers import crew_words
from lugwatch.simulator.onewire_tree import crc8, scratchpad, slave_text
from lugwatch.sources.base import Refused
from lugwatch.sources.mqtt_payload import Word, read_payload
from lugwatch.sources.nmea import LineBuffer, Sentence, parse_sentence, satellite_time, transducers
from lugwatch.sources.nmea_masking import Masker
from lugwatch.sources.onewire import OneWire
from lugwatch.sources.onewire_decode import Conversion, decode_temperature, decode_w1_slave, normalise_id
from lugwatch.sources.serial_nmea import SerialChannel, SerialNmea
from test_i2c import Rig as ChipRig
from test_nmea import with_checksum

EXAMPLE_SECONDS = 10.0  # of real time; the slowest took a tenth of a second
FAMILIES = (0x10, 0x22, 0x28, 0x3B, 0x42)


@contextmanager
def ended_within(seconds: float) -> Iterator[None]:
    """AssertionError where what is inside takes longer; main thread only."""

    def hangs(_number: int, _frame: object) -> None:
        raise AssertionError(f"it took more than {seconds:g} s")

    before = signal.signal(signal.SIGALRM, hangs)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


# ---- bytes that were nearly right -------------------------------------------------------------------


@st.composite
def spoilt(draw: Callable[..., Any], seeds: tuple[bytes, ...], most_edits: int = 6) -> bytes:
    """A good example with bits, bytes or stretches changed, doubled, cut out or swapped with another's."""
    data = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(0, most_edits))):
        place = draw(st.integers(0, max(0, len(data) - 1)))
        length = draw(st.integers(0, 12))
        match draw(st.sampled_from(("bit", "byte", "insert", "cut", "double", "end", "other", "number"))):
            case "bit" if data:
                data[place] ^= 1 << draw(st.integers(0, 7))
            case "byte" if data:
                data[place] = draw(st.integers(0, 255))
            case "insert":
                data[place:place] = draw(st.binary(max_size=12))
            case "cut":
                del data[place : place + length]
            case "double":
                data[place:place] = data[place : place + length] * draw(st.integers(1, 40))
            case "end":
                del data[place:]
            case "other":
                other = draw(st.sampled_from(seeds))
                data[place:] = other[draw(st.integers(0, len(other))) :]
            case "number":
                data[place:place] = draw(st.sampled_from(NUMBERS))
            case _:
                pass
    return bytes(data)


NUMBERS = (
    b"nan", b"inf", b"-inf", b"1e999", b"1e-999", b"-0", b"2_3.5", b"0x10", b"1e5", b"99999999999999999999",
    "２３".encode(), b"+5", b".5", b"5.", b"1,5", b"null", b"true", b"9" * 400, b"1e99999999", b"-273.16",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Target:
    """examples: what to try; check: what has to hold for one."""

    examples: st.SearchStrategy[Any]
    check: Callable[[Any], None]


# ---- one-wire ---------------------------------------------------------------------------------------

_SLAVES = (
    *(slave_text(scratchpad(celsius)).encode() for celsius in (-10.125, 0.0, 23.5, 84.9375, 85.0, 125.0)),
    b"50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n",
    b"ff ff ff ff ff ff ff ff ff : crc=c9 NO\n50 05 4b 46 7f ff 10 10 bd t=-62\n",
)
_BARE = (b"23500\n", b"85000\n", b"-62\n", b"0\n", b"127937\n", b"4095375\n")


def _slave(example: tuple[bytes, int]) -> None:
    data, family = example
    decoded = decode_w1_slave(data, family)
    if isinstance(decoded, Conversion):
        first, second, end = data.split(b"\n")
        nine = bytes.fromhex(first[:26].decode())
        assert end == b"" and first.endswith(b"YES") and len(nine) == 9 and any(nine)
        assert crc8(nine[:8]) == nine[8] and bytes.fromhex(second[:26].decode()) == nine
        assert -55.0 <= decoded.celsius <= 125.0
        if family != 0x10:
            raw = int.from_bytes(nine[:2], "little", signed=True)
            assert 0.0 <= raw / 16.0 - decoded.celsius < 0.5


def _bare(example: tuple[bytes, int]) -> None:
    data, family = example
    decoded = decode_temperature(data, family)
    if isinstance(decoded, Conversion):
        assert re.fullmatch(rb"-?[0-9]{1,9}\n", data)
        millicelsius = int(data)
        nearest = min(abs(decoded.celsius - m / 1000.0) for m in (millicelsius, millicelsius - 4_096_000))
        assert -55.0 <= decoded.celsius <= 125.0 and nearest <= 0.032


class _OddFiles:
    """A folder whose files hold whatever comes next."""

    def __init__(self, answers: list[bytes | int]) -> None:
        self._answers = answers

    def _next(self) -> bytes:
        answer = self._answers.pop(0) if self._answers else b""
        if isinstance(answer, int):
            raise OSError(answer, os.strerror(answer))
        return answer

    def names(self, folder: Path) -> list[str]:
        names = self._next().decode("latin-1").split("\n")
        return [*names, "w1_bus_master1", "28-000000000001"]

    def read(self, path: Path) -> bytes:
        return self._next()

    def write(self, path: Path, data: bytes) -> None:
        self._next()


_ERRNO = st.sampled_from((errno.EIO, errno.ENOENT, errno.ENODEV, errno.EACCES, errno.EAGAIN, errno.ENOTDIR))


def _onewire(answers: list[bytes | int]) -> None:
    clock = ManualClock()
    source = OneWire(
        path=Path("/w1"), probes={"a": "28-000000000001", "b": "10-000000000002"}, interval_seconds=5.0,
        clock=clock, stop=threading.Event(), files=_OddFiles(list(answers)),
    )  # fmt: skip
    for _ in range(4):
        began = clock.monotonic_seconds()
        _sane(source.poll(), {"a", "b"}, 24)
        assert clock.monotonic_seconds() - began <= 7.0


def _sane(events: object, channels: set[str], most: int) -> None:
    """Readings are finite and of channels that were asked for, faults have words; and not without end."""
    listed: list[Reading | Fault] = list(events)  # type: ignore[call-overload]
    assert len(listed) <= most
    for event in listed:
        assert event.channel in channels or (isinstance(event, Fault) and event.channel is None)
        if isinstance(event, Reading):
            assert math.isfinite(event.value) and -5000.0 <= event.value <= 5000.0
        else:
            assert event.detail and len(event.detail) < 600


# ---- lines ------------------------------------------------------------------------------------------

_LINES = tuple(
    with_checksum(body).encode() + b"\r\n"
    for body in (
        "IIXDR,C,45.3,C,JOINT1,I,120.5,A,SHUNT",
        "IIXDR,C,,C,JOINT1",
        "IIXDR,U,0.0365,V,SHUNT",
        "IIXDR,C,318.4,K,JOINT1",
        "IIXDR,G,12,,RESTARTS,G,0,,ROUNDS",
        "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W",
        "GPZDA,201530.00,04,07,2002,00,00",
        "PJNTC,2,nan",
    )
)


def _stream(data: bytes) -> None:
    for line in LineBuffer().feed(data):
        sentence = parse_sentence(line) if isinstance(line, bytes) else line
        if not isinstance(sentence, Sentence):
            continue
        assert isinstance(line, bytes)
        body, stated = line[1:-3], int(line[-2:], 16)
        assert line[-3:-2] == b"*" and functools.reduce(lambda a, b: a ^ b, body) == stated
        time = satellite_time(sentence)
        assert time is None or abs(time) < 2**53
        groups = transducers(sentence)
        for group in () if isinstance(groups, Refused) else groups:
            if not isinstance(group.value, Refused):
                assert math.isfinite(group.value) and re.search(rb"\d", line)
    assert len(Masker().feed(data)) == len(data)


class _OddPort:
    """A line that brings these pieces, and is unplugged where there is an errno."""

    def __init__(self, pieces: list[bytes | int]) -> None:
        self._pieces = pieces

    @property
    def in_waiting(self) -> int:
        piece = self._pieces[0] if self._pieces else b""
        return len(piece) if isinstance(piece, bytes) else 1

    def read(self, size: int) -> bytes:
        if not self._pieces:
            return b""
        piece = self._pieces.pop(0)
        if isinstance(piece, int):
            raise OSError(piece, os.strerror(piece))
        if piece[size:]:
            self._pieces.insert(0, piece[size:])
        return piece[:size]

    def close(self) -> None:
        """Nothing is held."""


def _serial(pieces: list[bytes | int]) -> None:
    clock, stop = ManualClock(), threading.Event()
    port = _OddPort(list(pieces))
    probe, amps = (
        SerialChannel(channel=c, quantity=q, kind=k, transducer=t)
        for c, q, k, t in (
            ("lug", boats.Quantity.CELSIUS, "C", "JOINT1"), ("amps", boats.Quantity.AMPS, "I", "SHUNT"),
        )
    )  # fmt: skip
    source = SerialNmea(
        name="serial", device="/dev/odd", baud=115_200, channels=[probe, amps], clock=clock, stop=stop,
        opener=lambda _device, _baud: port, hear=lambda _time, _seconds: None,
    )  # fmt: skip
    for _ in range(2 * len(pieces) + 4):
        _sane(source.poll(), {"lug", "amps"}, 2100)
        clock.advance(1.0)


# ---- MQTT -------------------------------------------------------------------------------------------

_PAYLOADS = (
    b"87.5",
    b'{"battery": {"amps": -12.25, "clipped": true}, "time": "2026-05-03T14:30:00Z"}',
    b"[1, [2, 3]]",
    b'{"battery": {"amps": "5.5"}, "time": 1780000000}',
    b'{"battery": [{"amps": 1}]}',
    b"[" * 3000,
    b'{"a":' * 3000,
)
_WORDS = (
    b"3",
    b'{"alert_id": 3, "deed": "shelve", "minutes": 30, "who": "Mate", "request": "r-1"}',
    b'{"deed": "silence"}',
)


def _payload(example: tuple[bytes, tuple[str, ...] | None]) -> None:
    payload, json_path = example
    word = read_payload(payload, json_path)
    if isinstance(word, Word):
        assert math.isfinite(word.value)
        assert word.time is None or isinstance(word.time, int)
    else:
        assert word.detail and len(word.detail) < 2000


def _word(payload: bytes) -> None:
    word = crew_words.read(payload)
    if isinstance(word, str):
        assert 10 < len(word) < 200
        json.loads(crew_words.refusal(word, START_TIME))
        return
    assert isinstance(json.loads(payload), int | dict)
    assert word.alert_id is None or 0 < word.alert_id < 2**63
    assert word.alert_id is not None or word.deed is CrewDeed.SILENCE
    assert word.for_seconds is None or 0.0 < word.for_seconds <= 7 * 86_400.0
    assert word.who.isprintable() and len(word.who) < 60


# ---- I2C --------------------------------------------------------------------------------------------


def _chips(answers: list[bytes | int]) -> None:
    """Chips that answer with noise, now and then, and in the end as they should."""
    rig = ChipRig()
    honest, waiting = rig.bus.transfer, list(answers)

    def transfer(address: int, data: bytes, read_bytes: int) -> bytes:
        if not waiting:
            return honest(address, data, read_bytes)
        answer = waiting.pop(0)
        if isinstance(answer, int):
            if answer == 0:
                return honest(address, data, read_bytes)
            raise OSError(answer, os.strerror(answer))
        rig.clock.advance(0.001)
        return (answer + bytes(read_bytes))[:read_bytes]

    rig.bus.transfer = transfer  # type: ignore[method-assign]
    channels = {c for chip in rig.chips() for c in chip.channels}
    for _ in range(len(answers) + 40):
        began = rig.clock.monotonic_seconds()
        rig.clock.advance(5.0)
        events = rig.source.poll()
        _sane(events, channels, 40)
        assert rig.clock.monotonic_seconds() - began <= 30.0
        if not waiting and {e.channel for e in events if isinstance(e, Reading)} == channels:
            return
    raise AssertionError("it never came back")


def _id(text: str) -> None:
    found = normalise_id(text)
    if found is not None:
        assert re.fullmatch(r"[0-9a-f]{2}-[0-9a-f]{12}", found) and int(found[:2], 16) in FAMILIES
        assert normalise_id(found) == found


def _core(values: list[tuple[str, float]]) -> None:
    """Whatever numbers a source lets through: the core goes on, and puts out none that is none."""
    events: list[Event] = []
    for k, (channel, value) in enumerate(values):
        events += [boats.scan(5.0 * k, **{channel: value}), boats.tick(5.0 * k)]
    _, outputs = boats.run(boats.begin(boats.boat()), events)
    for output in outputs:
        for name in getattr(output, "__slots__", ()):
            figure = getattr(output, name)
            assert not isinstance(figure, float) or math.isfinite(figure), (output, name)


_PIECES = st.lists(st.one_of(spoilt(_LINES), st.binary(max_size=40), _ERRNO), max_size=12)
BUSES: dict[str, Target] = {
    "one-wire text": Target(
        st.tuples(st.one_of(spoilt(_SLAVES), st.binary(max_size=120)), st.sampled_from(FAMILIES)), _slave
    ),
    "one-wire number": Target(
        st.tuples(st.one_of(spoilt(_BARE), st.binary(max_size=20)), st.sampled_from(FAMILIES)), _bare
    ),
    "one-wire ids": Target(
        st.one_of(st.text(alphabet="0123456789abcdefABCDEF.- ", max_size=22), st.text(max_size=20)), _id
    ),
    "one-wire folder": Target(
        st.lists(
            st.one_of(spoilt(_SLAVES), spoilt(_BARE), st.sampled_from((b"0\n", b"1\n", b"-1\n")), _ERRNO),
            max_size=40,
        ),
        _onewire,
    ),
    "sentences": Target(
        st.one_of(
            spoilt(_LINES, 12), st.lists(spoilt(_LINES), max_size=6).map(b"".join), st.binary(max_size=300)
        ),
        _stream,
    ),
    "serial line": Target(_PIECES, _serial),
    "MQTT payloads": Target(
        st.tuples(
            st.one_of(spoilt(_PAYLOADS), st.binary(max_size=80)),
            st.sampled_from((None, ("battery", "amps"), ("1", "1"), ("time",))),
        ),
        _payload,
    ),
    "words of the crew": Target(st.one_of(spoilt(_WORDS), st.binary(max_size=60)), _word),
    "chips on I2C": Target(
        st.lists(st.one_of(st.binary(max_size=4), _ERRNO, st.just(0), st.just(errno.ETIMEDOUT)), max_size=60),
        _chips,
    ),
    "numbers in the core": Target(
        st.lists(st.tuples(st.sampled_from(("bar", "air", "alternator")), st.floats()), max_size=30), _core
    ),
}
