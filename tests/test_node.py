"""The reference node: its files under a real MicroPython and under CPython, its lines in our driver."""

import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pynmea2
import pytest

from lugwatch.clock import SystemClock
from lugwatch.model import Fault, FaultKind, Quantity, Reading
from lugwatch.sources.serial_nmea import SerialChannel, SerialNmea
from pages import build_hook
from processes import until
from test_serial_nmea import Line

HERE = Path(__file__).parent
NODE = HERE.parent / "firmware_notes" / "node"
BENCH = HERE / "micropython"


@pytest.fixture(scope="module")
def under_micropython(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """What the played node prints under MicroPython itself, from the npm registry."""
    folder = tmp_path_factory.mktemp("micropython")
    for name in ("package.json", "package-lock.json", ".npmrc", "run.mjs", "play.py"):
        shutil.copy(BENCH / name, folder / name)
    environment = dict(os.environ)
    hook = build_hook()
    npm = hook.npm_command(environment)
    hook.run_npm(
        [*npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund"], folder, environment, subprocess.run
    )
    command = ["node", "run.mjs", str(NODE), "play.py"]
    node = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=120, check=False
    )
    assert node.returncode == 0, node.stdout + node.stderr
    return node.stdout.splitlines()


@pytest.fixture(scope="module")
def under_cpython() -> list[str]:
    played = subprocess.run(
        [sys.executable, str(BENCH / "play.py")],
        env={**os.environ, "PYTHONPATH": str(NODE), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return played.stdout.splitlines()


def test_both_pythons_say_the_same(under_micropython: list[str], under_cpython: list[str]) -> None:
    assert len(under_cpython) > 80
    assert under_micropython[:-1] == under_cpython


def test_its_loop_asks_for_no_memory(under_micropython: list[str]) -> None:
    assert under_micropython[-1] == "allocated 0"


def lines_of(printed: list[str]) -> list[str]:
    return [line.removeprefix("line ") for line in printed if line.startswith("line ")]


def test_its_lines_are_sentences_of_the_standard(under_cpython: list[str]) -> None:
    lines = lines_of(under_cpython)
    for line in lines:
        assert len(line) + 2 <= 82
        pynmea2.parse(line, check=True)
    assert lines[0].startswith("$IITXT,01,01,01,node e66058388345 firmware 1*")
    assert lines[1].startswith("$IIXDR,G,12,,RESTARTS,G,0,,ROUNDS*")


def said_of(printed: list[str], name: str) -> list[str]:
    groups = [line.split("*")[0].split(",") for line in lines_of(printed)]
    return [g[2] for g in groups if g[0] == "$IIXDR" and g[4] == name]


def test_what_is_no_measurement_is_an_empty_field(under_cpython: list[str]) -> None:
    # DS18B20 datasheet, table 1: +25.0625, +85, -55 and so on, exact to the sixteenth
    assert said_of(under_cpython, "BAR_ALT")[:4] == ["25.0625", "85.0000", "", "-55.0000"]
    assert said_of(under_cpython, "BATTERY_POS")[:4] == ["22.5000", "", "", "125.0000"]
    assert said_of(under_cpython, "AIR_LOCKER")[:4] == ["-10.1250", "0.0000", "", "0.5000"]
    # nothing while the first conversion runs; then 2.5 uV a code (SBOS547) over 250 uohm: 10 mA; nothing
    # at the end of the range, from a chip that is gone, at its return, from one that lost its settings
    said = ["", "-320.000", "0.010", "", "", "", "123.450", "-0.010"]
    assert said_of(under_cpython, "ALTERNATOR") == said


def test_its_lines_come_through_a_terminal_as_readings_and_faults(
    under_cpython: list[str], tmp_path: Path
) -> None:
    line = Line(tmp_path / "node")
    names = {"BAR_ALT": "C", "BATTERY_POS": "C", "AIR_LOCKER": "C", "ALTERNATOR": "I"}
    channels = [
        SerialChannel(
            channel=name.lower(),
            quantity=Quantity.CELSIUS if kind == "C" else Quantity.AMPS,
            kind=kind,
            transducer=name,
        )
        for name, kind in names.items()
    ]
    source = SerialNmea(
        name="serial node",
        device=str(tmp_path / "node"),
        baud=115_200,
        channels=channels,
        clock=SystemClock(),
        stop=threading.Event(),
    )
    events: list[Reading | Fault] = []
    try:
        source.poll()
        for text in lines_of(under_cpython)[:-1]:  # the last one was made to be too long
            line.send(text.encode() + b"\r\n")
        expected = sum(len(said_of(under_cpython, name)) for name in names)

        def all_came() -> bool:
            events.extend(source.poll())
            return len(events) >= expected

        until(all_came)
    finally:
        source.close()
        line.unplug()
    for name in names:
        texts = said_of(under_cpython, name)
        of_channel = [e for e in events if e.channel == name.lower()]
        assert [None if isinstance(e, Fault) else e.value for e in of_channel] == [
            float(t) if t else None for t in texts
        ]
    assert {e.kind for e in events if isinstance(e, Fault)} == {FaultKind.EMPTY}


def test_the_part_that_needs_a_board_compiles_and_misses_no_file() -> None:
    text = (NODE / "main.py").read_text(encoding="utf-8")
    compile(text, "main.py", "exec")
    ours = {path.stem for path in NODE.glob("*.py")}
    boards = {"binascii", "gc", "sys", "time", "machine", "onewire"}
    imported = {line.split()[1] for line in text.splitlines() if line.startswith(("import ", "from "))}
    assert imported <= ours | boards
