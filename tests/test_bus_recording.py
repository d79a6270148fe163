"""Traffic of real buses written down and played back: the same readings and faults, in a file never torn."""

import errno
import gzip
import json
import math
import shutil
import signal
import tempfile
import threading
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

import processes
from lugwatch import config
from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Fault, FaultKind, Reading
from lugwatch.simulator.chips import ChipBus, ConverterDevice, ShuntDevice
from lugwatch.sources import bus_log
from lugwatch.sources.bus_log import Poll, Writer
from lugwatch.sources.bus_playing import Played, Player
from lugwatch.sources.bus_recording import Recorder
from lugwatch.sources.onewire import OneWire
from lugwatch.sources.outside import Outside
from lugwatch.sources.serial_nmea import open_port
from test_nmea import with_checksum
from test_onewire import BELOW_85, NINE_BIT, POWER_ON, PlayedFiles, Tree, line_of
from test_serial_nmea import Line

GGA = with_checksum("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")
OHMS = 50e-3 / 200


class Boat:
    """Three one-wire probes, a node on a pseudo-terminal, a shunt chip and a converter."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock, self.stop = ManualClock(), threading.Event()
        (folder / "w1").mkdir()
        self.tree = Tree(folder / "w1", 3)
        self.tree.master(state="0\n")
        self.files = PlayedFiles(self.clock)
        self.line = Line(folder / "node")
        seconds = self.clock.monotonic_seconds
        self.shunt = ShuntDevice(lambda: 95.0 * OHMS, seconds, wide=False)
        self.converter = ConverterDevice([lambda: 1.65, lambda: 1.2], seconds)
        self.chips = ChipBus({0x40: self.shunt, 0x48: self.converter}, self.clock.advance)
        self.config = folder / "lugwatch.toml"
        self.config.write_text(self._text(), encoding="utf-8")
        self.configuration = config.load(self.config)
        self.recorder = self.recorder_of(masked=True)
        self.polls: list[Poll] = []

    def recorder_of(self, masked: bool) -> Recorder:
        world = Outside(files=lambda: self.files, open_port=open_port, open_bus=lambda _: self.chips)
        return Recorder(self.configuration, self.clock, self.stop, masked=masked, world=world)

    def _text(self) -> str:
        probes = "".join(
            f'[[probe]]\nid = "p{n}"\nname = "Anna\'s {n}"\nsource = "onewire"\naddress = "{address}"\n'
            for n, address in enumerate(self.tree.addresses, 1)
        )
        return f"""
[boat]
name = "Grey Plover"
[onewire]
path = "w1"
[mqtt]
password_file = "secret"
username = "anna"
{probes}
[[probe]]
id = "lug"
source = "serial"
device = "{self.folder}/node"
transducer = "JOINT1"
[[probe]]
id = "stud"
source = "adc"
address = 0x48
input = 0
series_ohms = 10_000
ohms_at_25 = 10_000
beta_kelvin = 3435
[[current]]
id = "alternator"
source = "shunt_chip"
chip = "ina226"
address = 0x40
shunt_millivolts = 50
shunt_amps = 200
rated_amps = 200
zero_amps = 0.5
zero_date = 2026-05-03
[[current]]
id = "inverter"
source = "mqtt"
topic = "boat/inverter"
[[joint]]
id = "p1"
probe = "p1"
air = "p2"
current = "alternator"
note = "bought from Anna"
"""

    def read(self, *sources: str) -> list[Reading | Fault]:
        """One poll of each of these, five seconds later, kept for the file."""
        self.clock.advance(5.0)
        before = len(self.polls)
        for number, heading in enumerate(self.recorder.heading.sources):
            if any(heading.name.startswith(word) for word in sources):
                self.recorder.poll(number, self.polls.append)
        return [event for poll in self.polls[before:] for event in poll.came]

    def live(self) -> None:
        """Good readings, and what goes wrong on each bus."""
        self.read("onewire", "i2c", "serial")
        self.line.send(b"half,1*00\r\n" + with_checksum("IIXDR,C,45.3,C,JOINT1").encode() + b"\r\n")
        self.read("onewire", "i2c", "serial")
        self.tree.put(self.tree.addresses[0], POWER_ON)
        self.tree.put(self.tree.addresses[1], NINE_BIT)
        self.files.errors[f"{self.tree.addresses[2]}/w1_slave"] = errno.EIO
        self.shunt.power_on()
        self.line.send(GGA.encode() + b"\r\n$IIXDR,C,4")
        self.read("onewire", "i2c", "serial")
        self.tree.put(self.tree.addresses[0], BELOW_85)
        self.files.errors.clear()
        self.chips.error = lambda address: errno.EREMOTEIO if address == 0x48 else None
        self.line.send(b"6.0,C,JOINT1*00\r\n\xff\xfe\r\n")
        self.read("onewire", "i2c", "serial")
        self.chips.error = lambda address: errno.ETIMEDOUT
        for address in self.tree.addresses:
            self.tree.put(address, POWER_ON)
        self.line.unplug()
        for _ in range(4):
            self.read("onewire", "i2c", "serial")
        self.chips.error = lambda address: None
        for address in self.tree.addresses:
            self.tree.put(address, line_of(31.0))
        self.clock.advance(90.0)
        self.read("onewire", "i2c", "serial")
        self.read("onewire", "i2c", "serial")

    def write(self, path: Path, most_bytes: int = 10_000_000) -> Path:
        writer = Writer(path, self.recorder.heading, most_bytes)
        for poll in self.polls:
            assert writer.put(poll)
        writer.close("asked")
        return path

    def close(self) -> None:
        self.recorder.close()
        self.line.unplug()


@pytest.fixture
def boat(tmp_path: Path):
    made = Boat(tmp_path)
    yield made
    made.close()


def played(path: Path) -> list[Played]:
    return list(Player(path).play())


def test_the_same_readings_and_faults_come_of_it_to_the_last_bit(boat: Boat, tmp_path: Path) -> None:
    boat.live()
    again = played(boat.write(tmp_path / "bus.gz"))
    assert [p.came for p in again] == [tuple(poll.came) for poll in boat.polls]
    assert all(p.same for p in again)
    events = [event for p in again for event in p.came]
    channels = {e.channel for e in events if isinstance(e, Reading)}
    assert channels == {"p1", "p2", "p3", "lug", "stud", "alternator"}
    kinds = {e.kind for e in events if isinstance(e, Fault)}
    assert kinds >= {
        FaultKind.NO_CONVERSION, FaultKind.RESOLUTION_CHANGED, FaultKind.SUPPLY_DIP, FaultKind.RESTARTED,
        FaultKind.NO_ANSWER, FaultKind.TIMED_OUT, FaultKind.BUS_STUCK, FaultKind.DISCONNECTED,
        FaultKind.BAD_CHECKSUM, FaultKind.MALFORMED,
    }  # fmt: skip


def test_what_is_personal_is_not_in_it_unless_asked_for(boat: Boat, tmp_path: Path) -> None:
    boat.live()
    text = gzip.decompress(boat.write(tmp_path / "masked.gz").read_bytes()).decode()
    assert "GPGGA,000000,0000.000,X" in text
    for word in ("4807", "01131", "Grey Plover", "Anna", "anna", "secret", "broker", "inverter"):
        assert word not in text, word
    assert boat.recorder.left_out == ("mqtt",)
    boat.recorder.close()
    boat.polls, boat.line = [], Line(boat.folder / "node")
    boat.recorder = boat.recorder_of(masked=False)
    boat.read("serial")
    boat.line.send(GGA.encode() + b"\r\n")
    boat.read("serial")
    path = boat.write(tmp_path / "whole.gz")
    assert GGA[1:] in gzip.decompress(path.read_bytes()).decode()
    assert all(p.same for p in played(path))


def test_a_driver_that_reads_otherwise_is_told_apart(
    boat: Boat, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a mended driver on the recording of its fault: it is answered by what it asks for."""
    boat.live()
    path = boat.write(tmp_path / "bus.gz")
    original = OneWire._decoded

    def second_look(self: OneWire, probe: object) -> object:
        original(self, probe)  # type: ignore[arg-type]
        return original(self, probe)  # type: ignore[arg-type]

    monkeypatch.setattr(OneWire, "_decoded", second_look)
    result = CliRunner().invoke(commands, ["replay-bus", str(path)])
    assert isinstance(result.exception, OperationFailed)
    assert "not as it was recorded" in str(result.exception) and "onewire" in str(result.exception)
    assert "times a driver asked what it does not hold" in str(result.exception)
    others = [p for p in played(path) if p.source != "onewire"]
    assert others and all(p.same for p in others)


def test_a_driver_that_fails_of_itself_is_in_the_file_and_fails_again(
    boat: Boat, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(self: OneWire, probe: object, bulk: object) -> list[Reading]:
        if b"50 05" in self._files.read(self._path / probe.address / "w1_slave"):  # type: ignore[attr-defined]
            raise IndexError("beyond the end")
        return []

    monkeypatch.setattr(OneWire, "_read", failing)
    boat.read("onewire")
    boat.tree.put(boat.tree.addresses[1], POWER_ON)
    with pytest.raises(IndexError):
        boat.read("onewire")
    assert boat.polls[-1].failed == "IndexError: beyond the end"
    path = boat.write(tmp_path / "bus.gz")
    assert [p.failed for p in played(path)] == [None, "IndexError: beyond the end"]
    result = CliRunner().invoke(commands, ["replay-bus", str(path)])
    assert result.exit_code == 0 and "a driver fails on it: onewire: IndexError" in result.output


def test_the_command_says_what_is_in_it(boat: Boat, tmp_path: Path) -> None:
    boat.live()
    path = boat.write(tmp_path / "bus.gz")
    result = CliRunner().invoke(commands, ["replay-bus", str(path), "--events"])
    assert result.exit_code == 0, result.output
    assert "positions and names masked" in result.output
    assert "as it was recorded: 30 polls, every reading and fault the same" in result.output
    for words in ("alternator", "no_conversion", "p1  84.9375", "bus_stuck"):
        assert words in result.output, words


# ---- the file -----------------------------------------------------------------------------------


def test_it_is_as_large_as_it_may_be_and_whole(boat: Boat, tmp_path: Path) -> None:
    most = 20_000
    writer = Writer(tmp_path / "bus.gz", boat.recorder.heading, most)
    count = 0
    while True:
        boat.read("onewire", "i2c")
        if not all([writer.put(poll) for poll in boat.polls[-2:]]):
            break
        count += 1
        assert count < 5000
    writer.close("size")
    size = (tmp_path / "bus.gz").stat().st_size
    assert most / 2 < size <= most
    player = Player(tmp_path / "bus.gz")
    assert all(p.same for p in player.play())
    assert player.reader.ending == bus_log.Ending(ended="size", polls=writer.polls)
    assert not (tmp_path / "bus.gz.partial").exists()


def test_one_that_was_cut_short_is_played_as_far_as_it_is_whole(boat: Boat, tmp_path: Path) -> None:
    """What a power cut leaves is the .partial file, up to its last flush."""
    writer = Writer(tmp_path / "bus.gz", boat.recorder.heading, 10_000_000)
    for _ in range(60):
        boat.read("onewire", "i2c")
        for poll in boat.polls[-2:]:
            writer.put(poll)
    partial = tmp_path / "bus.gz.partial"
    assert not (tmp_path / "bus.gz").exists()
    player = Player(partial)
    kept = list(player.play())
    assert 20 <= len(kept) < 120 and all(p.same for p in kept)
    assert player.reader.cut_short
    result = CliRunner().invoke(commands, ["replay-bus", str(partial)])
    assert result.exit_code == 0 and "cut short" in result.output
    writer.close("asked")
    assert len(played(tmp_path / "bus.gz")) == 120


def test_nothing_is_written_over(boat: Boat, tmp_path: Path) -> None:
    (tmp_path / "bus.gz").write_text("mine")
    with pytest.raises(UserError, match="is there already"):
        Writer(tmp_path / "bus.gz", boat.recorder.heading, 1_000_000)
    with pytest.raises(UserError, match="does the folder exist"):
        Writer(tmp_path / "nowhere" / "bus.gz", boat.recorder.heading, 1_000_000)
    Writer(tmp_path / "other.gz", boat.recorder.heading, 1_000_000).abandon()
    with pytest.raises(UserError, match="cut short, or still being made"):
        Writer(tmp_path / "other.gz", boat.recorder.heading, 1_000_000)
    assert (tmp_path / "bus.gz").read_text() == "mine"


def test_a_full_disk_is_one_line(boat: Boat, tmp_path: Path) -> None:
    writer = Writer(tmp_path / "bus.gz", boat.recorder.heading, 1_000_000)
    writer.abandon()
    with Path("/dev/full").open("wb", buffering=0) as full:
        writer._file = full  # type: ignore[assignment]
        with pytest.raises(OperationFailed, match="is there room"):
            writer.close("asked")
    assert not (tmp_path / "bus.gz").exists()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "holds nothing"),
        (b"time,bar\n", "damaged, or no recording"),
        (gzip.compress(b""), "holds nothing"),
        (gzip.compress(b"time,bar\n1,2\n"), "is no recording of buses"),
        (gzip.compress(b'{"format": "lugwatch bus recording", "version": 2}\n'), "newer lugwatch"),
        (gzip.compress(b"x" * 9_000_000), "longer than any poll"),
    ],
)
def test_a_file_that_is_none_is_one_line(data: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "bus.gz"
    path.write_bytes(data)
    with pytest.raises(UserError, match=words):
        list(Player(path).play())


def test_a_stranger_s_file_opens_nothing_here(boat: Boat, tmp_path: Path) -> None:
    """Its channels are checked as a configuration is, and sources that are not played are refused."""
    boat.read("onewire")
    path = boat.write(tmp_path / "bus.gz")
    lines = gzip.decompress(path.read_bytes()).splitlines()
    heading = json.loads(lines[0])
    for change, words in (
        ({"address": "rubbish"}, "not the id of a thermometer"),
        ({"source": "mqtt", "topic": "a"}, "no broker is configured"),
        ({"id": "../../etc"}, "id"),
        ({"source": "serial", "device": "/dev/other", "transducer": "A"}, "none of the sources"),
    ):
        spoilt = json.loads(lines[0])
        table = {**heading["sources"][0]["probe"][0], **change}
        if "source" in change:
            del table["address"]
        spoilt["sources"][0]["probe"] = [table]
        path.write_bytes(gzip.compress(b"\n".join([json.dumps(spoilt).encode(), *lines[1:], b""])))
        with pytest.raises(UserError, match=words):
            Player(path)


@cache
def a_good_file() -> tuple[Path, bytes]:
    """A place for files, and the text of a small recording."""
    folder = Path(tempfile.mkdtemp())
    boat = Boat(folder)
    boat.read("onewire", "i2c")
    boat.read("onewire", "i2c")
    text = gzip.decompress(boat.write(folder / "good.gz").read_bytes())
    boat.close()
    return folder / "bus.gz", text


@given(st.binary(max_size=400), st.integers(min_value=0))
def test_no_file_however_odd_ends_in_a_traceback(noise: bytes, place: int) -> None:
    path, good = a_good_file()
    cut = place % len(good)
    text = good[:cut] + noise + good[cut:] if place % 2 else good[:cut] + noise
    path.write_bytes(gzip.compress(text))
    try:
        for one in Player(path).play():
            assert all(math.isfinite(e.value) for e in one.came if isinstance(e, Reading))
    except UserError as error:
        assert str(error)


# ---- the command --------------------------------------------------------------------------------


def test_it_records_until_it_is_told_to_stop_and_plays_the_same(boat: Boat, tmp_path: Path) -> None:
    """In threads, from a real folder and a real pseudo-terminal; I2C is what is not there."""
    path = tmp_path / "bus.gz"
    stop = threading.Event()

    def talk() -> None:
        number = 0
        while not stop.wait(0.02):
            number += 1
            boat.line.send(with_checksum(f"IIXDR,C,{number % 90}.5,C,JOINT1").encode() + b"\r\n")

    shutil.rmtree(boat.folder / "w1" / "w1_bus_master1")  # nobody answers a trigger here
    talker = threading.Thread(target=talk)
    talker.start()
    try:
        with processes.Command("record-bus", path, "--config", boat.config, "--for", "300") as command:
            partial = tmp_path / "bus.gz.partial"
            processes.until(lambda: partial.exists() and partial.stat().st_size > 4000)
            command.running.send_signal(signal.SIGINT)
            out, errors = command.running.communicate(timeout=20.0)
            assert command.running.returncode == 0, errors
    finally:
        stop.set()
        talker.join()
    assert "mqtt is not recorded" in errors and "i2c /dev/i2c-1: 0 readings" in out
    assert not partial.exists()
    result = CliRunner().invoke(commands, ["replay-bus", str(path)])
    assert result.exit_code == 0, (result.output, result.exception)
    again = played(path)
    values = [e.value for p in again for e in p.came if isinstance(e, Reading) and e.channel == "lug"]
    assert len(values) > 20
    assert {e.channel for p in again for e in p.came if isinstance(e, Reading)} >= {"p1", "p2", "p3"}
    assert {e.kind for p in again for e in p.came if isinstance(e, Fault) and e.channel == "stud"} == {
        FaultKind.VANISHED
    }


def test_it_ends_by_itself_and_beside_a_watch_it_is_refused(boat: Boat, tmp_path: Path) -> None:
    from lugwatch.watching import only_instance

    arguments = ["record-bus", str(tmp_path / "bus.gz"), "--config", str(boat.config), "--for", "1"]
    with only_instance(boat.configuration.database):
        refused = CliRunner().invoke(commands, arguments)
    assert isinstance(refused.exception, OperationFailed)
    assert "already watches" in str(refused.exception)
    assert not (tmp_path / "bus.gz.partial").exists()
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        done = CliRunner().invoke(commands, arguments)
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
    assert done.exit_code == 0, (done.output, done.exception)
    player = Player(tmp_path / "bus.gz")
    assert all(p.same for p in player.play())
    assert player.reader.ending is not None and player.reader.ending.ended == "time"
