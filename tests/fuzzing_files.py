"""Files from outside as fuzzing has them: configurations, recordings, backups, what lies beside them."""

import contextlib
import functools
import gzip
import json
import math
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hypothesis import strategies as st

import boats
import fuzzing_commands
from fuzzing import BUSES, Target, spoilt
from histories import START_TIME, open_store, put, reading
from lugwatch import config
from lugwatch.clock import ManualClock
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Reading
from lugwatch.sources import registry
from lugwatch.sources.bus_playing import Player
from lugwatch.store import backup_note, restoring
from lugwatch.store.queries import History
from lugwatch.store.recording import open_recording
from recorded_boat import RecordedBoat


@functools.cache
def _folder() -> tuple[TemporaryDirectory[str], Path]:
    kept = TemporaryDirectory(ignore_cleanup_errors=True)
    return kept, Path(kept.name)


def forget_files() -> None:
    """Remove what the targets wrote."""
    if _folder.cache_info().currsize:
        _folder()[0].cleanup()
        _folder.cache_clear()
        _backup.cache_clear()


_TOML = b"""[boat]
name = "Grey Plover"
[watch]
interval_seconds = 5
[alerts]
warming_ratio = 1.12
[mqtt]
host = "localhost"
port = 1883
[[probe]]
id = "bar"
source = "onewire"
address = "28-0123456789ab"
[[probe]]
id = "stud"
source = "adc"
address = 0x48
input = 0
series_ohms = 10000
points = [[0, 32554], [25, 10000], [85, 1070]]
[[current]]
id = "alternator"
source = "shunt_chip"
chip = "ina226"
address = 0x40
shunt_millivolts = 50
shunt_amps = 200
rated_amps = 120
zero_date = 2026-05-03
[[current]]
id = "house"
source = "serial"
device = "/dev/node"
transducer = "A"
[[joint]]
id = "bar"
probe = "bar"
current = "alternator"
air = "none"
neighbours = []
cable_mm2 = [50, 50]
limit_celsius = 90
[[part]]
name = "Switch"
joints = ["bar"]
"""
_TOML_VALUES = st.recursive(
    st.one_of(
        st.integers(-(2**70), 2**70), st.floats(), st.booleans(), st.text(max_size=8),
        st.sampled_from(("bar", "none", "alternator", "28-0123456789ab", "inf", "")),
    ),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=6,
)  # fmt: skip


def _toml_text(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return (
            "nan"
            if math.isnan(value)
            else "inf"
            if value == math.inf
            else "-inf"
            if value < -1e308
            else repr(value)
        )
    if isinstance(value, list):
        return "[" + ", ".join(_toml_text(v) for v in value) + "]"
    return json.dumps(value) if isinstance(value, str) else str(value)


@st.composite
def _odd_toml(draw: Callable[..., Any]) -> bytes:
    """The good file with the values of some keys replaced by others of any type."""
    lines = _TOML.decode().splitlines()
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(0, len(lines) - 1))
        key, sign, _ = lines[place].partition(" = ")
        if sign:
            lines[place] = f"{key} = {_toml_text(draw(_TOML_VALUES))}"
    return "\n".join(lines).encode("utf-8", errors="replace")


def _configuration(text: bytes) -> None:
    path = _folder()[1] / "lugwatch.toml"
    path.write_bytes(text)
    try:
        read = config.load(path)
        mistakes = registry.check(read)
    except UserError as error:
        assert str(error) and "Traceback" not in str(error)
        return
    assert all(isinstance(line, str) and line for line in mistakes)
    for joint in read.boat.joints:
        assert 30.0 <= joint.limit_celsius <= 250.0 and joint.probe in {c.channel for c in read.boat.channels}
    assert 0.0 < read.boat.watching.interval_seconds < math.inf


_CSV = (
    b"time,bar,air,alternator\n"
    b"2026-05-03T14:30:00Z,25.5,20,90.1\n2026-05-03T14:30:05.25+02:00,,20.0625,-3e1\n1780000000,1,2,3\n",
    b'\xef\xbb\xbftime,"bar",mast\r\n1780000000.5,"25.5",x\r\n1780000001,25\r\n',
)


def _recording(text: bytes) -> None:
    path = _folder()[1] / "recording.csv"
    path.write_bytes(text)
    try:
        opened = open_recording(path, boats.boat())
    except UserError as error:
        assert str(error)
        return
    last = -math.inf
    for row in opened:
        assert row.time >= last
        last = row.time
        for channel, value in row.readings:
            assert channel in {"bar", "air", "alternator"} and math.isfinite(value) and abs(value) <= 10_000.0


@functools.cache
def _backup() -> bytes:
    path = _folder()[1] / "good.db"
    with open_store(path) as store:
        put(store, [reading(20.0 + n % 7, START_TIME + n * 1000) for n in range(400)])
    return path.read_bytes()


@st.composite
def _odd_backup(draw: Callable[..., Any]) -> tuple[tuple[int, bytes], ...]:
    """Places in a good backup, and bytes to be put there; a negative place is where it is cut."""
    return tuple(draw(st.lists(st.tuples(st.integers(-50, 60_000), st.binary(max_size=64)), max_size=5)))


def _restore(edits: tuple[tuple[int, bytes], ...]) -> None:
    folder = _folder()[1]
    data = bytearray(_backup())
    for place, put_there in edits:
        if place < 0:
            del data[place * len(data) // 50 + len(data) :]
        else:
            at = place % max(1, len(data))
            data[at : at + len(put_there)] = put_there
    backup, database = folder / "odd.db", folder / "card.db"
    backup.write_bytes(data)
    before = database.read_bytes() if database.exists() else None
    try:
        restoring.restore(backup, database, clock=ManualClock(), slug="grey-plover")
    except (UserError, OperationFailed) as error:
        assert str(error) and (database.read_bytes() if database.exists() else None) == before
    else:
        _lived_with(database)
    for path in folder.glob("*card.db*"):
        path.unlink()


def _lived_with(database: Path) -> None:
    """A history that was put back: read, and written on by a watch; damage is told in words."""
    with contextlib.suppress(UserError), History.open(database) as history:
        assert all(math.isfinite(value) for _, _, value in history.readings())
    later = START_TIME + 3 * 3_600_000
    try:
        with open_store(database, clock=ManualClock(5000.0, later)) as store:
            for n in range(4):
                put(store, [reading(21.0, later + n * 1000)], time=later + n * 1000)
    except (OperationFailed, UserError) as error:
        assert str(error)


_NOTES = (
    b'{"time": 1780000000000, "file": "/mnt/a.db", "size_bytes": 5, "boot_id": 3, "boot_started_time": 1, '
    b'"trouble": null, "trouble_time": null}',
    b'{"trouble": "no disk", "trouble_time": 1780000000000}',
    b"[" * 5000,
)


def _note(text: bytes) -> None:
    database = _folder()[1] / "noted.db"
    backup_note.note_path(database).write_bytes(text)
    state = backup_note.read_backup_state(database)
    assert state.last is None or isinstance(state.last.time, int)
    known = backup_note.known_backup(database, START_TIME)
    assert known.age_seconds is None or known.age_seconds >= 0.0


@functools.cache
def _bus_recording() -> bytes:
    folder = _folder()[1] / "boat"
    folder.mkdir()
    boat = RecordedBoat(folder)
    boat.read("onewire", "i2c")
    text = gzip.decompress(boat.write(folder / "good.gz").read_bytes())
    boat.close()
    return text


def _played(edit: tuple[int, bytes, bool]) -> None:
    place, noise, packed = edit
    text = _bus_recording()
    cut = place % len(text)
    path = _folder()[1] / "odd.gz"
    path.write_bytes(gzip.compress(text[:cut] + noise + text[cut:]) if packed else noise)
    try:
        for one in Player(path).play():
            assert all(math.isfinite(e.value) for e in one.came if isinstance(e, Reading))
            assert one.failed is None
    except UserError as error:
        assert str(error)


FILES: dict[str, Target] = {
    "configuration": Target(
        st.one_of(spoilt((_TOML,), 4), _odd_toml(), st.binary(max_size=200)), _configuration
    ),
    "recordings": Target(st.one_of(spoilt(_CSV), st.binary(max_size=200)), _recording),
    "backups": Target(_odd_backup(), _restore),
    "notes of backups": Target(st.one_of(spoilt(_NOTES), st.binary(max_size=80)), _note),
    "bus recordings": Target(
        st.tuples(st.integers(0, 2**31), st.binary(max_size=60), st.sampled_from((True, True, True, False))),
        _played,
    ),
}
TARGETS = BUSES | FILES | {"commands of instruments": fuzzing_commands.TARGET}
