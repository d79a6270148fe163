"""The invented boat's devices from outside: a one-wire tree, a terminal, a feed."""

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pynmea2
import pytest
import serial

from lugwatch import config
from lugwatch.clock import ScaledClock
from lugwatch.model import Reading
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.broker import start_broker
from lugwatch.simulator.devices import SerialNode, sentence, transducers
from lugwatch.simulator.onewire_tree import (
    OneWireTree,
    address,
    crc8,
    millicelsius,
    rom,
    scratchpad,
    slave_text,
)
from lugwatch.simulator.run import simulate
from lugwatch.simulator.scenarios import demo_story
from lugwatch.sources.registry import open_all

PATIENCE_SECONDS = 30.0


def wait_for(what: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_SECONDS
    pause = threading.Event()
    while not what():
        assert time.monotonic() < deadline, "waited in vain"
        pause.wait(0.005)


# ---- the one-wire tree ---------------------------------------------------------------------------


def test_checksum_of_the_application_note() -> None:
    # maker's application note 27: ROM 02 1C B8 01 00 00 00 -> A2; the check string of the algorithm
    assert crc8(bytes.fromhex("021cb801000000")) == 0xA2
    assert crc8(b"123456789") == 0xA1


@pytest.mark.parametrize(
    ("celsius", "expected", "printed"),
    [
        # DS18B20 datasheet table 1 for the first two bytes; the millidegrees as Linux prints them
        (125.0, "d0 07", 125000),
        (25.0625, "91 01", 25062),
        (10.125, "a2 00", 10125),
        (0.5, "08 00", 500),
        (0.0, "00 00", 0),
        (-0.5, "f8 ff", -500),
        (-10.125, "5e ff", -10125),
        (-25.0625, "6f fe", -25062),
        (-55.0, "90 fc", -55000),
        # dumps of real probes, whole
        (23.125, "72 01 4b 46 7f ff 0e 10 57", 23125),
        (25.8125, "9d 01 4b 46 7f ff 03 10 57", 25812),
        (26.0625, "a1 01 4b 46 7f ff 0f 10 d9", 26062),
        (25.5, "98 01 4b 46 7f ff 08 10 22", 25500),
        (85.0, "50 05 4b 46 7f ff 10 10 bd", 85000),
    ],
)
def test_a_scratchpad_is_that_of_a_real_probe(celsius: float, expected: str, printed: int) -> None:
    data = scratchpad(celsius)
    assert data.hex(" ").startswith(expected)
    assert crc8(data) == 0
    assert millicelsius(data) == printed


def test_the_two_lines_of_the_driver() -> None:
    assert slave_text(scratchpad(23.125)) == (
        "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"
    )


def test_an_id_has_family_number_and_checksum() -> None:
    assert address(0x54321AB) == "28-0000054321ab"
    assert crc8(rom("28-0000054321ab")) == 0
    assert rom("28-0000054321ab")[:7].hex() == "28ab2143050000"


class Bus:
    """A tree whose temperatures the test sets."""

    def __init__(self, folder: Path) -> None:
        self.celsius: dict[str, float | None] = {"lug": 20.0, "stud": 30.0}
        self.addresses = {"lug": address(1), "stud": address(2)}
        self.folder = folder / "w1"
        self.tree = OneWireTree(self.folder, self.addresses, lambda: dict(self.celsius))
        self.bulk = self.folder / "w1_bus_master1" / "therm_bulk_read"

    def trigger(self) -> None:
        with self.bulk.open("r+b", buffering=0) as file:
            assert file.write(b"trigger\n") == 8

    def text(self, probe: str, entry: str = "temperature") -> str:
        return (self.folder / self.addresses[probe] / entry).read_text()


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[Bus]:
    made = Bus(tmp_path)
    yield made
    made.tree.close()


def test_a_trigger_measures_now_and_shows_it_after_the_conversion(bus: Bus) -> None:
    assert bus.bulk.read_text() == "0\n"
    bus.tree.serve(1.0)
    bus.celsius["lug"] = 40.0
    bus.trigger()
    bus.tree.serve(2.0)
    assert bus.bulk.read_text() == "-1\n"
    bus.celsius["lug"] = 50.0
    bus.tree.serve(2.7)
    assert (bus.bulk.read_text(), bus.text("lug")) == ("-1\n", "20000\n")
    bus.tree.serve(2.75)
    assert (bus.bulk.read_text(), bus.text("lug")) == ("1\n", "40000\n")
    assert bus.text("lug", "w1_slave").endswith("t=40000\n")
    assert bus.text("stud", "w1_slave").endswith("t=30000\n")


def test_a_late_look_shows_slave_and_temperature_alike(bus: Bus) -> None:
    bus.celsius["stud"] = -3.5
    bus.trigger()
    bus.tree.serve(1.0)
    bus.tree.serve(9.0)
    assert bus.text("stud") == "-3500\n"
    assert bus.text("stud", "w1_slave").endswith("t=-3500\n")
    bus.trigger()  # and again
    bus.tree.serve(10.0)
    assert bus.bulk.read_text() == "-1\n"


def test_other_words_start_nothing(bus: Bus) -> None:
    for word in (b"trigger", b"TRIGGER\n", b"xxxxxxx\n", b""):
        bus.bulk.write_bytes(word)
        bus.tree.serve(1.0)
        assert bus.bulk.read_bytes() == word


def test_without_a_trigger_the_probes_are_read_by_themselves(bus: Bus) -> None:
    bus.celsius["lug"] = 25.0
    bus.tree.serve(9.0)
    assert bus.text("lug") == "20000\n"
    bus.tree.serve(10.0)
    assert bus.text("lug") == "25000\n"


def test_a_dead_probe_is_an_empty_file_and_comes_back(bus: Bus) -> None:
    bus.celsius["lug"] = None
    bus.tree.serve(10.0)
    assert bus.text("lug", "w1_slave") == ""
    assert bus.text("stud", "w1_slave") != ""
    bus.celsius["lug"] = 20.0
    bus.tree.serve(20.0)
    assert bus.text("lug", "w1_slave").endswith("t=20000\n")


def test_a_reader_never_sees_half_a_file(bus: Bus) -> None:
    torn: list[str] = []
    reads = 0
    done = threading.Event()

    def read() -> None:
        nonlocal reads
        while not done.is_set():
            text = bus.text("lug", "w1_slave")
            reads += 1
            if text.count("\n") != 2 or " YES\n" not in text:
                torn.append(text)

    thread = threading.Thread(target=read)
    thread.start()
    now_seconds = 0.0
    while now_seconds < 4000.0 or reads < 200:
        now_seconds += 10.0
        bus.celsius["lug"] = 20.0 + now_seconds % 90.0 / 16.0
        bus.tree.serve(now_seconds)
    done.set()
    thread.join()
    assert torn == []


def test_the_tree_leaves_nothing_behind(tmp_path: Path) -> None:
    bus = Bus(tmp_path)
    assert sorted(p.name for p in bus.folder.iterdir()) == [*bus.addresses.values(), "w1_bus_master1"]
    bus.tree.close()
    bus.tree.close()
    assert list(tmp_path.iterdir()) == []


# ---- the serial node -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        # worked by hand and with pynmea2 1.19
        ("IIXDR,C,45.3,C,JOINT1,I,120.5,A,SHUNT", "41"),
        ("IIXDR,C,62.5,C,LUG01", "0E"),
    ],
)
def test_checksum_of_a_sentence(body: str, expected: str) -> None:
    assert sentence(body) == f"${body}*{expected}\r\n".encode()


def test_groups_of_one_sentence() -> None:
    line = transducers("I", "A", {"ALTERNATOR": 95.2, "BATTERY": -12.0})
    parsed = pynmea2.parse(line.decode().strip(), check=True)
    assert parsed.data == ["I", "95.20", "A", "ALTERNATOR", "I", "-12.00", "A", "BATTERY"]
    assert transducers("C", "C", {}) == b""


def test_a_listener_hears_whole_lines_once_a_second(tmp_path: Path) -> None:
    link = tmp_path / "dev" / "node"
    node = SerialNode(link, lambda: [transducers("I", "A", {"ALTERNATOR": 95.2})])
    try:
        with serial.Serial(str(link), timeout=10.0) as port:
            for now_seconds in (0.0, 0.4, 1.0, 1.5):
                node.serve(now_seconds)
            assert port.readline() == port.readline() == b"$IIXDR,I,95.20,A,ALTERNATOR*6E\r\n"
            assert port.in_waiting == 0
    finally:
        node.close()
    assert list(tmp_path.iterdir()) == []


def test_a_node_to_which_nobody_listens_never_waits_and_says_nothing_old(tmp_path: Path) -> None:
    number = 0

    def lines() -> list[bytes]:
        nonlocal number
        number += 1
        return [transducers("I", "A", {"ALTERNATOR": float(number)})] * 2

    link = tmp_path / "dev" / "node"
    node = SerialNode(link, lines)
    for second in range(5000):
        node.serve(float(second))
    with serial.Serial(str(link), timeout=0.0) as port:
        waiting = port.read(100_000)
    assert len(waiting) < 4096
    oldest = waiting.split(b"\r\n")[1].split(b",")[2] if waiting else b"5000"
    assert float(oldest) > 4900.0
    node.close()
    node.close()


# ---- all of it, read by the real drivers ---------------------------------------------------------


def test_the_real_drivers_read_every_channel_and_nothing_is_left(tmp_path: Path) -> None:
    boat = make_boat()
    broker = start_broker(tmp_path / "broker")
    place = tmp_path / "boat"
    place.mkdir()
    path = tmp_path / "lugwatch.toml"
    path.write_text(configuration_text(boat, place, (broker.host, broker.port)).replace('"w1"', '"boat/w1"'))
    clock = ScaledClock(20.0, time.monotonic(), 1_780_000_000_000)
    stop, ready = threading.Event(), threading.Event()
    afloat = threading.Thread(
        target=simulate,
        args=(boat, demo_story(), place, clock, (broker.host, broker.port), stop),
        kwargs={"ready": ready},
    )
    afloat.start()
    sources = []
    try:
        assert ready.wait(PATIENCE_SECONDS)
        sources = open_all(config.load(path), clock, stop)
        seen: dict[str, float] = {}
        deadline = time.monotonic() + PATIENCE_SECONDS
        while set(seen) != set(boat.channels) and time.monotonic() < deadline:
            for source in sources:
                seen |= {e.channel: e.value for e in source.poll() if isinstance(e, Reading)}
        assert set(seen) == set(boat.channels)
        assert_plausible(seen)
    finally:
        stop.set()
        afloat.join(PATIENCE_SECONDS)
        for source in sources:
            source.close()
        broker.stop()
    assert not afloat.is_alive()
    assert list(place.iterdir()) == []


def assert_plausible(seen: Mapping[str, float]) -> None:
    currents = ("alternator", "battery", "house", "inverter")
    assert all(15.0 < value < 60.0 for channel, value in seen.items() if channel not in currents)
    assert 5.0 < seen["house"] < 15.0
