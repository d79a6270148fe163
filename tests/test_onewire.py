"""The one-wire driver over a real folder tree; only refusals that no folder can give are played by a seam."""

import errno
import threading
import time
from pathlib import Path

import pytest

from lugwatch.clock import ManualClock, SystemClock
from lugwatch.model import Fault, FaultKind, Reading
from lugwatch.sources.onewire import OneWire
from lugwatch.sources.onewire_bus import SystemFiles
from lugwatch.sources.onewire_decode import crc8

POWER_ON = "50 05 4b 46 7f ff 0c 10 1c"
REAL_85 = "50 05 4b 46 7f ff 10 10 bd"
BELOW_85 = "4f 05 4b 46 7f ff 01 10 3b"
NINE_BIT = "78 01 4b 46 1f ff 08 10 c1"


def line_of(celsius: float) -> str:
    raw = round(celsius * 16) & 0xFFFF
    data = raw.to_bytes(2, "little") + bytes([0x4B, 0x46, 0x7F, 0xFF, 0x10 - (raw & 15), 0x10])
    return (data + bytes([crc8(data)])).hex(" ")


def text_of(line: str) -> str:
    return f"{line} : crc={line[-2:]} YES\n{line} t=0\n"


class Tree:
    """A one-wire folder with probes 28-000000000001 and on."""

    def __init__(self, path: Path, count: int) -> None:
        self.path = path
        self.addresses = [f"28-{n:012x}" for n in range(1, count + 1)]
        for address in self.addresses:
            (path / address).mkdir()
            self.put(address, line_of(20.0))

    def put(self, address: str, line: str) -> None:
        (self.path / address / "w1_slave").write_text(text_of(line))

    def put_bare(self, address: str, text: str) -> None:
        (self.path / address / "w1_slave").unlink(missing_ok=True)
        (self.path / address / "temperature").write_text(text)

    def master(self, number: int = 1, state: str = "0\n") -> Path:
        folder = self.path / f"w1_bus_master{number}"
        folder.mkdir()
        (folder / "therm_bulk_read").write_text(state)
        return folder


class PlayedFiles(SystemFiles):
    """The real files, with errors and slowness where asked; remembers what was read and written."""

    def __init__(self, clock: ManualClock | None = None) -> None:
        self.errors: dict[str, int] = {}
        self.slow_seconds: dict[str, float] = {}
        self.slow_of: dict[str, float] = {}  # by folder
        self.answers: dict[str, list[bytes]] = {}
        self.reads: list[str] = []
        self.writes: list[tuple[str, bytes]] = []
        self.on_trigger = b"1\n"
        self._clock = clock

    def read(self, path: Path) -> bytes:
        key = f"{path.parent.name}/{path.name}"
        self.reads.append(key)
        if self._clock is not None:
            self._clock.advance(
                self.slow_seconds.get(path.name, 0.0) + self.slow_of.get(path.parent.name, 0.0)
            )
        if key in self.errors:
            raise OSError(self.errors[key], "played")
        if self.answers.get(key):
            return self.answers[key].pop(0)
        return super().read(path)

    def write(self, path: Path, data: bytes) -> None:
        key = f"{path.parent.name}/{path.name}:w"
        if key in self.errors:
            raise OSError(self.errors[key], "played")
        self.writes.append((path.parent.name, data))
        path.write_bytes(self.on_trigger)


def source(tree: Tree, clock=None, files=None, stop=None, interval_seconds: float = 5.0) -> OneWire:
    return OneWire(
        path=tree.path,
        probes={f"p{n}": address for n, address in enumerate(tree.addresses, 1)},
        interval_seconds=interval_seconds,
        clock=clock or ManualClock(),
        stop=stop or threading.Event(),
        files=files,
    )


def readings(events) -> dict[str, float]:
    return {event.channel: event.value for event in events if isinstance(event, Reading)}


def faults(events) -> list[tuple[str | None, FaultKind]]:
    return [(event.channel, event.kind) for event in events if isinstance(event, Fault)]


def test_an_offset_is_added_after_the_probe_was_judged_by_its_own_bytes(tmp_path: Path) -> None:
    tree = Tree(tmp_path, 2)
    source = OneWire(
        path=tmp_path,
        probes={"bar": tree.addresses[0], "air": tree.addresses[1]},
        offsets_kelvin={"bar": -0.5},
        interval_seconds=5.0,
        clock=ManualClock(),
        stop=threading.Event(),
    )
    values = {e.channel: e.value for e in source.poll() if isinstance(e, Reading)}
    assert values == {"bar": 19.5, "air": 20.0}
    # 85 °C of a probe that restarted is none, whatever is added to it
    tree.put(tree.addresses[0], POWER_ON)
    kinds = [e.kind for e in source.poll() if isinstance(e, Fault) and e.channel == "bar"]
    assert kinds == [FaultKind.NO_CONVERSION]


def test_power_on_is_refused_and_true_85_is_kept(tmp_path):  # C01
    tree = Tree(tmp_path, 1)
    bus, clock, seen = None, ManualClock(), []
    bus = source(tree, clock)
    lines = [line_of(23.0), line_of(23.0), POWER_ON, line_of(23.0), line_of(84.0), BELOW_85, REAL_85]
    for line in [*lines, line_of(85.0625)]:
        tree.put(tree.addresses[0], line)
        events = bus.poll()
        seen.append(readings(events).get("p1", faults(events)[0][1] if faults(events) else None))
        clock.advance(5.0)
    assert seen == [23.0, 23.0, FaultKind.NO_CONVERSION, 23.0, 84.0, 84.9375, 85.0, 85.0625]


def test_all_probes_at_power_on_is_one_supply_event(tmp_path):  # C01
    tree = Tree(tmp_path, 16)
    bus = source(tree)
    assert len(readings(bus.poll())) == 16
    for address in tree.addresses:
        tree.put(address, POWER_ON)
    first, second = faults(bus.poll()), faults(bus.poll())
    assert first.count((None, FaultKind.SUPPLY_DIP)) == 1
    assert [kind for _, kind in first].count(FaultKind.NO_CONVERSION) == 16
    assert (None, FaultKind.SUPPLY_DIP) not in second  # the same dip
    tree.put(tree.addresses[0], line_of(20.0))
    assert (None, FaultKind.SUPPLY_DIP) not in faults(bus.poll())
    tree.put(tree.addresses[0], POWER_ON)
    assert (None, FaultKind.SUPPLY_DIP) in faults(bus.poll())


def test_empty_file_is_one_fault_and_delays_nobody(tmp_path):  # C02
    tree = Tree(tmp_path, 3)
    (tmp_path / tree.addresses[1] / "w1_slave").write_bytes(b"")
    events = source(tree).poll()
    assert faults(events) == [("p2", FaultKind.EMPTY)]
    assert set(readings(events)) == {"p1", "p3"}


def test_a_probe_vanishes_another_fails_and_the_first_returns(tmp_path):  # C03
    tree, files = Tree(tmp_path, 4), PlayedFiles()
    bus = source(tree, files=files)
    second, third = tree.addresses[1], tree.addresses[2]
    log = []
    for cycle in range(1, 8):
        if cycle == 3:
            (tmp_path / second).rename(tmp_path / "away")
        files.errors = {f"{third}/w1_slave": errno.EIO} if cycle == 4 else {}
        if cycle == 6:
            (tmp_path / "away").rename(tmp_path / second)
        events = bus.poll()
        assert {"p1", "p4"} <= set(readings(events))
        log.append(faults(events))
    gone = ("p2", FaultKind.VANISHED)
    assert log == [[], [], [gone], [gone, ("p3", FaultKind.UNREADABLE)], [gone], [], []]


def test_the_whole_folder_is_missing_and_comes(tmp_path):
    tree = Tree(tmp_path, 2)
    bus = OneWire(
        path=tmp_path / "later",
        probes={"p1": tree.addresses[0], "p2": tree.addresses[1]},
        interval_seconds=5.0,
        clock=ManualClock(),
        stop=threading.Event(),
    )
    each = [("p1", FaultKind.VANISHED), ("p2", FaultKind.VANISHED)]
    assert faults(bus.poll()) == [(None, FaultKind.VANISHED), *each]
    assert faults(bus.poll()) == each  # the folder's absence is told once
    (tmp_path / "later").mkdir()
    for address in tree.addresses:
        (tmp_path / address).rename(tmp_path / "later" / address)
    assert set(readings(bus.poll())) == {"p1", "p2"}


@pytest.mark.parametrize(
    ("texts", "outcomes"),
    [
        # C17: bare 0 after 41 °C; it comes to be believed only beside another value
        (["41000", "0", "0", "62", "0"], [41.0, FaultKind.SHORTED, FaultKind.SHORTED, 0.0625, 0.0]),
        (["41000", "-62"], [41.0, FaultKind.NO_ANSWER]),
        (["1000", "500", "0", "-62", "0"], [1.0, 0.5, 0.0, -0.0625, 0.0]),
        # C01: without byte 6, 85 is doubtful only as a jump
        (["23000", "85000", "23062"], [23.0, FaultKind.NO_CONVERSION, 23.0625]),
        (["84000", "84937", "85000", "85000"], [84.0, 84.9375, 85.0, 85.0]),
        (["85000", "85000"], [FaultKind.NO_CONVERSION, FaultKind.NO_CONVERSION]),
        (["", "23000"], [FaultKind.EMPTY, 23.0]),
    ],
)
def test_bare_temperature_file_is_judged_by_its_steps(tmp_path, texts, outcomes):
    tree, clock = Tree(tmp_path, 1), ManualClock()
    bus, seen = source(tree, clock), []
    for text in texts:
        tree.put_bare(tree.addresses[0], text + "\n" if text else "")
        (event,) = bus.poll()
        seen.append(event.value if isinstance(event, Reading) else event.kind)
        clock.advance(5.0)
    assert seen == outcomes


def test_a_doubtful_value_after_a_long_gap_is_held_back(tmp_path):
    tree, clock = Tree(tmp_path, 1), ManualClock()
    bus = source(tree, clock)
    tree.put_bare(tree.addresses[0], "84937\n")
    assert readings(bus.poll())
    clock.advance(300.0)
    tree.put_bare(tree.addresses[0], "85000\n")
    assert faults(bus.poll()) == [("p1", FaultKind.NO_CONVERSION)]


def test_readings_carry_the_moment_of_the_conversion(tmp_path):  # C18
    tree, clock = Tree(tmp_path, 2), ManualClock()
    tree.master()
    files = PlayedFiles(clock)
    files.slow_seconds = {"w1_slave": 0.02, "therm_bulk_read": 0.2}
    began = clock.monotonic_seconds()
    events = source(tree, clock, files).poll()
    assert files.writes == [("w1_bus_master1", b"trigger\n")]
    stamps = {event.monotonic_seconds for event in events if isinstance(event, Reading)}
    assert len(readings(events)) == 2
    (stamp,) = stamps
    assert stamp == pytest.approx(began + 0.4)  # two looks at the state, then the trigger
    offset = {round(e.time - 1000 * e.monotonic_seconds) for e in events if isinstance(e, Reading)}
    assert offset == {1_780_000_000_000 - 1_000_000}


def test_a_read_that_converted_anew_is_stamped_by_itself(tmp_path):  # C18: somebody else took the bulk value
    tree, clock = Tree(tmp_path, 1), ManualClock()
    tree.master()
    files = PlayedFiles(clock)
    files.slow_seconds = {"w1_slave": 0.8, "therm_bulk_read": 0.2}
    began = clock.monotonic_seconds()
    (reading,) = source(tree, clock, files).poll()
    assert reading.monotonic_seconds > began + 0.4


@pytest.mark.parametrize("trouble", ["absent", "not writable", "times out"])
def test_without_bulk_each_probe_is_read_by_itself(tmp_path, trouble):  # C18
    tree, files = Tree(tmp_path, 3), PlayedFiles()
    if trouble != "absent":
        tree.master()
    if trouble == "not writable":
        files.errors["w1_bus_master1/therm_bulk_read:w"] = errno.EACCES
    files.on_trigger = b"-1\n"
    bus = source(tree, files=files, interval_seconds=60.0)
    first, second = bus.poll(), bus.poll()
    assert len(readings(first)) == len(readings(second)) == 3
    kind = {"absent": None, "not writable": FaultKind.UNREADABLE, "times out": FaultKind.TIMED_OUT}[trouble]
    assert faults(first) == ([] if kind is None else [(None, kind)])
    assert faults(second) == []  # told once


def test_an_old_unread_bulk_result_is_discarded(tmp_path):  # C18
    tree, files = Tree(tmp_path, 1), PlayedFiles()
    tree.master(state="1\n")  # another process triggered, ten minutes ago
    files.errors["w1_bus_master1/therm_bulk_read:w"] = errno.EACCES
    files.answers[f"{tree.addresses[0]}/w1_slave"] = [text_of(line_of(99.0)).encode()]
    assert readings(source(tree, files=files).poll()) == {"p1": 20.0}


def test_another_process_converting_is_waited_for(tmp_path):
    tree, files = Tree(tmp_path, 1), PlayedFiles()
    tree.master()
    files.answers["w1_bus_master1/therm_bulk_read"] = [b"-1\n"] * 5
    events = source(tree, files=files).poll()
    assert readings(events) == {"p1": 20.0} and not faults(events)


def test_two_buses_are_triggered_each(tmp_path):
    tree, files = Tree(tmp_path, 3), PlayedFiles()
    for number, members in ((1, tree.addresses[:2]), (2, tree.addresses[2:])):
        folder = tree.master(number)
        for address in members:
            (folder / address).mkdir()
    (tmp_path / "w1_bus_master2" / "therm_bulk_read").unlink()
    assert len(readings(source(tree, files=files).poll())) == 3
    assert files.writes == [("w1_bus_master1", b"trigger\n")]
    for address in tree.addresses[:2]:
        tree.put(address, POWER_ON)
    assert (None, FaultKind.SUPPLY_DIP) in faults(source(tree, files=files).poll())


def test_sixteen_slow_probes_report_the_overrun_once(tmp_path):  # C18
    tree, clock = Tree(tmp_path, 16), ManualClock()
    files = PlayedFiles(clock)
    files.slow_seconds["w1_slave"] = 0.8
    bus = source(tree, clock, files)
    overrun = (None, FaultKind.OVERRUN)
    assert faults(bus.poll()) == [overrun]
    assert faults(bus.poll()) == []
    files.slow_seconds["w1_slave"] = 0.01
    assert faults(bus.poll()) == []
    files.slow_seconds["w1_slave"] = 0.8
    assert faults(bus.poll()) == [overrun]


def test_resolution_that_fell_is_told_and_the_reading_kept(tmp_path):  # F9
    tree = Tree(tmp_path, 1)
    bus = source(tree)
    assert faults(bus.poll()) == []
    tree.put(tree.addresses[0], NINE_BIT)
    events = bus.poll()
    assert faults(events) == [("p1", FaultKind.RESOLUTION_CHANGED)]
    assert readings(events) == {"p1": 23.5}
    assert faults(bus.poll()) == []


def test_ghosts_are_ignored_and_a_new_probe_is_told_once(tmp_path):  # C31, C32
    tree = Tree(tmp_path, 1)
    bus = source(tree)
    for name in ("00-200000000000", "00-c00000000000", "28-00000000abcd"):
        (tmp_path / name).mkdir()
    rounds = [faults(bus.poll()) for _ in range(4)]
    assert rounds == [[], [(None, FaultKind.UNASSIGNED)], [], []]
    for n in range(64):  # each of them for one round only
        ghost = tmp_path / f"28-0000000f{n:04x}"
        ghost.mkdir()
        assert faults(bus.poll()) == []
        ghost.rmdir()
    for n in range(64):
        (tmp_path / f"28-0000000e{n:04x}").mkdir()
    told = [fault for _ in range(5) for fault in faults(bus.poll())]
    assert told == [(None, FaultKind.UNASSIGNED)] * 15  # sixteen in all


def test_stop_ends_a_round_between_probes(tmp_path):
    tree, stop = Tree(tmp_path, 4), threading.Event()

    class StopAfterSecond(PlayedFiles):
        def read(self, path: Path) -> bytes:
            if path.parent.name == tree.addresses[1]:
                stop.set()
            return super().read(path)

    assert len(readings(source(tree, files=StopAfterSecond(), stop=stop).poll())) == 2


def test_the_trigger_word_in_a_real_file_answered_by_another_process(tmp_path):
    tree = Tree(tmp_path, 2)
    bulk = tree.master() / "therm_bulk_read"
    answered = threading.Event()

    def device() -> None:
        deadline = time.monotonic() + 10.0
        while time.monotonic() < deadline:
            if bulk.read_bytes() == b"trigger\n":
                bulk.write_bytes(b"-1\n")
                tree.put(tree.addresses[0], line_of(33.0))
                bulk.write_bytes(b"1\n")
                answered.set()
                return

    thread = threading.Thread(target=device)
    thread.start()
    events = source(tree, SystemClock()).poll()
    thread.join()
    assert answered.is_set()
    assert readings(events) == {"p1": 33.0, "p2": 20.0} and faults(events) == []
