"""Traffic of real buses written down and played back: the same readings and faults."""

import gzip
import shutil
import signal
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

import processes
from lugwatch.cli.main import commands
from lugwatch.errors import OperationFailed
from lugwatch.model import Fault, FaultKind, Reading
from lugwatch.sources.bus_playing import Player
from lugwatch.sources.onewire import OneWire
from recorded_boat import GGA, RecordedBoat, played
from test_nmea import with_checksum
from test_onewire import POWER_ON
from test_serial_nmea import Line


@pytest.fixture
def boat(tmp_path: Path) -> Iterator[RecordedBoat]:
    made = RecordedBoat(tmp_path)
    yield made
    made.close()


def test_the_same_readings_and_faults_come_of_it_to_the_last_bit(boat: RecordedBoat, tmp_path: Path) -> None:
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


def test_what_is_personal_is_not_in_it_unless_asked_for(boat: RecordedBoat, tmp_path: Path) -> None:
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
    boat: RecordedBoat, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
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
    boat: RecordedBoat, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
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


def test_the_command_says_what_is_in_it(boat: RecordedBoat, tmp_path: Path) -> None:
    boat.live()
    path = boat.write(tmp_path / "bus.gz")
    result = CliRunner().invoke(commands, ["replay-bus", str(path), "--events"])
    assert result.exit_code == 0, result.output
    assert "positions and names masked" in result.output
    assert "as it was recorded: 30 polls, every reading and fault the same" in result.output
    for words in ("alternator", "no_conversion", "p1  84.9375", "bus_stuck"):
        assert words in result.output, words


# ---- the command --------------------------------------------------------------------------------


def test_it_records_until_it_is_told_to_stop_and_plays_the_same(boat: RecordedBoat, tmp_path: Path) -> None:
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


def test_it_ends_by_itself_and_beside_a_watch_it_is_refused(boat: RecordedBoat, tmp_path: Path) -> None:
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
