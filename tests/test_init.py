"""The first hour: what is attached is found, a configuration is begun, and a warmed probe stands out."""

import errno
import os
import threading
import tomllib
import tty
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from lugwatch import config, first_text
from lugwatch.cli.main import commands
from lugwatch.cli.probes import Row, Table
from lugwatch.clock import ManualClock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Fault, FaultKind, Reading
from lugwatch.simulator.chips import ChipBus, ConverterDevice, ShuntDevice
from lugwatch.simulator.onewire_tree import OneWireTree, address
from lugwatch.sources import registry
from lugwatch.sources.finding import Found, FoundChip, Transducer, find_chips, find_onewire, find_serial
from test_nmea import with_checksum


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, [str(w) for w in words])


@pytest.fixture
def tree(tmp_path: Path):
    probes = {"a": address(0x54321AB), "b": address(0x5432177)}
    served = OneWireTree(tmp_path / "w1", probes, lambda: {"a": 21.5, "b": 22.0})
    yield tmp_path / "w1"
    served.close()


class Talker:
    """A node behind a pseudo-terminal that says its sentences over and over."""

    def __init__(self, link: Path, lines: list[str]) -> None:
        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(os.ttyname(self._near))
        self._lines = lines
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk)
        self._thread.start()

    def _talk(self) -> None:
        while not self._stop.wait(0.05):
            os.write(self._far, "".join(f"{with_checksum(line)}\r\n" for line in self._lines).encode())

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._far)
        os.close(self._near)


def test_what_is_attached_is_written_into_a_configuration_that_holds(tree: Path, tmp_path: Path) -> None:
    talker = Talker(
        tmp_path / "by-id" / "usb-node", ["IIXDR,I,12.5,A,ALTERNATOR,C,31.0,C,LUG 7", "IITXT,01,01,01,x"]
    )
    path = tmp_path / "lugwatch.toml"
    try:
        answer = run(
            "init", "--config", path, "--boat", 'Grey "Plover"', "--onewire", tree,
            "--serial", tmp_path / "by-id", "--devices", tmp_path,
        )  # fmt: skip
    finally:
        talker.close()
    assert answer.exit_code == 0, answer.output
    assert "2 one-wire probes, 2 values on serial lines, 0 chips on I2C" in answer.output
    configuration = config.load(path)
    assert registry.check(configuration) == []
    assert configuration.boat.name == 'Grey "Plover"'
    assert [c.channel for c in configuration.boat.channels] == ["probe_1", "probe_2", "lug_7", "alternator"]
    assert [j.joint for j in configuration.boat.joints] == ["probe_1", "probe_2"]
    assert (
        configuration.boat.joints[0].air == "lug_7" and configuration.boat.joints[0].current == "alternator"
    )
    again = run("init", "--config", path)
    assert isinstance(again.exception, UserError) and "is there already" in str(again.exception)
    assert config.load(path).boat.name == 'Grey "Plover"'


def test_what_is_in_the_way_is_said_with_what_to_try(tmp_path: Path) -> None:
    found = Found()
    find_onewire(tmp_path / "none", found)
    (tmp_path / "w1").mkdir()
    find_onewire(tmp_path / "w1", found)
    (tmp_path / "w1" / "w1_bus_master1").mkdir()
    find_onewire(tmp_path / "w1", found)
    find_chips([], found)
    find_serial(tmp_path / "by-id", found, ManualClock(), threading.Event())
    said = "\n".join(found.notes)
    for words in ("overlay w1-gpio", "no bus", "check the pull-up", "I2C: no bus", "when it is plugged in"):
        assert words in said
    assert found.onewire == [] and found.chips == [] and found.transducers == []


def test_a_line_that_may_not_be_opened_or_says_nothing_is_told(tmp_path: Path) -> None:
    (tmp_path / "usb-a").touch()

    def refuse(device: str, baud: int):  # type: ignore[no-untyped-def]
        raise PermissionError(errno.EACCES, "Permission denied")

    found = Found()
    find_serial(tmp_path, found, ManualClock(), threading.Event(), refuse)
    assert "group dialout" in found.notes[0]

    class Silent:
        in_waiting = 0

        def read(self, size: int) -> bytes:
            return b""

        def close(self) -> None:
            pass

    found = Found()
    find_serial(tmp_path, found, ManualClock(), threading.Event(), lambda device, baud: Silent())
    assert "no XDR sentence within 3 s" in found.notes[0]


def test_chips_are_asked_who_they_are() -> None:
    clock = ManualClock()
    seconds = clock.monotonic_seconds
    stranger = ShuntDevice(lambda: 0.0, seconds, wide=False)
    stranger.maker = 0x1234
    bus = ChipBus(
        {
            0x40: ShuntDevice(lambda: 0.0, seconds, wide=False),
            0x45: ShuntDevice(lambda: 0.0, seconds, wide=True),
            0x48: ConverterDevice([lambda: 0.0] * 4, seconds),
            0x4C: stranger,
        },
        clock.advance,
    )
    found = Found()
    find_chips([Path("/dev/i2c-1")], found, lambda path: bus)
    assert [(c.address, c.chip) for c in found.chips] == [
        (0x40, "ina226"),
        (0x45, "ina228"),
        (0x48, "ads1115"),
    ]
    assert found.notes == ["I2C: /dev/i2c-1: something at 0x4c that is no chip we know"]
    text = first_text.text("Plover", found)
    tables = tomllib.loads(text)
    assert [c["address"] for c in tables["current"]] == [0x40, 0x45]
    assert "# address = 0x48" in text
    bus.error = lambda number: errno.ETIMEDOUT
    stuck = Found()
    find_chips([Path("/dev/i2c-1")], stuck, lambda path: bus)
    assert stuck.chips == [] and len(stuck.notes) == 1 and "holds its lines" in stuck.notes[0]


@given(
    st.text(min_size=1, max_size=40).filter(lambda t: all(ord(c) >= 32 and ord(c) != 127 for c in t)),
    st.lists(st.tuples(st.sampled_from("CIU"), st.text(st.characters(codec="ascii", min_codepoint=32,
             max_codepoint=126, exclude_characters="$*!,\\\""), max_size=30)), max_size=6),
    st.integers(0, 4),
)  # fmt: skip
def test_whatever_was_found_the_text_is_toml_and_says_so(
    boat: str, heard: list[tuple[str, str]], probes: int
) -> None:
    found = Found(
        onewire=[address(n + 1) for n in range(probes)],
        transducers=[Transducer(device="/dev/x", kind=kind, name=name) for kind, name in heard],
        chips=[FoundChip(bus="/dev/i2c-1", address=0x40, chip="ina228")],
    )
    tables = tomllib.loads(first_text.text(boat, found))
    assert tables["boat"]["name"] == boat
    ids = [t["id"] for t in tables["probe"]]
    assert len(set(ids)) == len(ids) and len(ids) == max(1, probes + sum(k == "C" for k, _ in heard))
    assert {j["probe"] for j in tables["joint"]} <= set(ids)


# ---- which probe is which --------------------------------------------------------------------------


def reading(channel: str, celsius: float) -> Reading:
    return Reading(channel=channel, value=celsius, monotonic_seconds=0.0, time=0)


def test_the_probe_that_is_warmed_stands_out_and_a_sunny_cabin_does_not() -> None:
    table = Table(rows={c: Row(label="onewire") for c in "abc"})
    for c, celsius in zip("abc", (20.0, 21.0, 20.5), strict=True):
        table.take(reading(c, celsius))
    assert table.warmed() is None
    for c, celsius in zip("abc", (22.0, 23.1, 22.4), strict=True):
        table.take(reading(c, celsius))
    assert table.warmed() is None
    table.take(reading("b", 26.0))
    assert table.warmed() == "b"
    assert "being warmed" in table.lines()[1][3] and "being warmed" not in table.lines()[0][3]
    fault = Fault(
        source="onewire", channel="a", kind=FaultKind.VANISHED, detail="gone", monotonic_seconds=0.0, time=0
    )
    table.take(fault)
    assert table.lines()[0][2] == "vanished: gone"


def test_the_command_lists_configured_and_unknown_thermometers(tree: Path, tmp_path: Path) -> None:
    path = tmp_path / "boat.toml"
    path.write_text(
        f'[boat]\nname = "Plover"\n[onewire]\npath = "{tree}"\n'
        f'[[probe]]\nid = "bar"\nsource = "onewire"\naddress = "{address(0x54321AB)}"\n'
        '[[joint]]\nid = "bar"\nprobe = "bar"\nair = "none"\n'
    )
    answer = run("probes", "--config", path, "--for", "0.1")
    assert answer.exit_code == 0, answer.output
    assert f"onewire {address(0x54321AB)}" in answer.output and "21.50 °C" in answer.output
    assert "in no configuration" in answer.output and "22.00 °C" in answer.output
    bare = run("probes", "--onewire", tree, "--for", "0.1")
    assert bare.exit_code == 0 and bare.output.count("in no configuration") >= 2


def test_without_any_probe_one_line_says_so(tmp_path: Path) -> None:
    answer = run("probes", "--onewire", tmp_path / "none", "--for", "1")
    assert isinstance(answer.exception, UserError) and "lugwatch init" in str(answer.exception)
    missing = run("probes", "--config", tmp_path / "no.toml")
    assert isinstance(missing.exception, UserError) and "no configuration at" in str(missing.exception)
    odd = run("probes", "--for", "-1")
    assert isinstance(odd.exception, UserError)
    nowhere = run(
        "init", "--config", tmp_path / "no" / "l.toml", "--serial", tmp_path / "s", "--devices", tmp_path
    )
    assert isinstance(nowhere.exception, OperationFailed) and "cannot write" in str(nowhere.exception)
