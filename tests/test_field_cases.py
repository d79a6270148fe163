"""What happens to such boards, lines, brokers and cards at sea, each kind by real parts; see DEVELOPERS.md.

Here stand the kinds that no other file's subject holds. Those that a boat has to live through are in
`test_field_cases_lived`.
"""

import ast
import contextlib
import shutil
import socket
import threading
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import httpx
import pytest

import boats
from afloat import Afloat
from brokers import Mosquitto
from invented_boat import write_invented_history
from lugwatch.clock import ManualClock, SystemClock
from lugwatch.dashboard.stream import BEAT_SECONDS
from lugwatch.model import Condition, Event, Fault, FaultKind, Reading
from lugwatch.replay import resume
from lugwatch.runner import Watch
from lugwatch.simulator.chips import ChipBus, ConverterDevice
from lugwatch.sources.i2c import I2cChips
from lugwatch.sources.i2c_chips import ThermistorConverter
from lugwatch.sources.onewire_bus import SystemFiles
from lugwatch.sources.serial_nmea import SerialNmea
from lugwatch.store.queries import History
from lugwatch.store.writer import Store
from pages import Served
from processes import until
from test_i2c import thermistor
from test_mqtt_topic import AMPS, TOPIC, is_value, opened, poll_until, publish
from test_nmea import with_checksum
from test_onewire import Tree, faults, line_of, readings, source
from test_pipeline import changes
from test_serial_nmea import JOINT, Line, is_fault
from test_serial_nmea import poll_until as line_until

ROOT = Path(__file__).parent.parent


# ---- probes and chips ---------------------------------------------------------------------------


def test_the_order_of_the_folder_and_a_probe_that_was_replaced_swap_no_names(tmp_path: Path) -> None:
    """Ids a, b, c; then b, c; then c, b, a; then a replaced by d: each name keeps its probe or has none."""
    tree = Tree(tmp_path, 3)
    a, b, c = tree.addresses
    for address, celsius in ((a, 21.0), (b, 22.0), (c, 23.0)):
        tree.put(address, line_of(celsius))
    for order in ((a, b, c), (b, c), (c, b, a)):
        listed = source(tree)  # a start
        listed._files = OrderedFiles(list(order))
        gone = {address for address in tree.addresses if address not in order}
        for address in gone:
            shutil.move(tmp_path / address, tmp_path.parent / address)
        events = listed.poll()
        expected = {"p1": 21.0, "p2": 22.0, "p3": 23.0}
        if a in gone:
            del expected["p1"]
            assert faults(events) == [("p1", FaultKind.VANISHED)]
        assert readings(events) == expected
        for address in gone:
            shutil.move(tmp_path.parent / address, tmp_path / address)
    replaced = source(tree)
    shutil.move(tmp_path / a, tmp_path / "28-0000000000dd")
    told = [fault for _ in range(3) for fault in faults(replaced.poll())]
    assert told == [("p1", FaultKind.VANISHED), ("p1", FaultKind.VANISHED), (None, FaultKind.UNASSIGNED),
                    ("p1", FaultKind.VANISHED)]  # fmt: skip


class OrderedFiles:
    """The real folder, listed in an order of its own."""

    def __init__(self, order: list[str]) -> None:
        self._order, self._real = order, SystemFiles()

    def names(self, folder: Path) -> list[str]:
        return self._order

    def read(self, path: Path) -> bytes:
        return self._real.read(path)

    def write(self, path: Path, data: bytes) -> None:
        self._real.write(path, data)


def test_a_thermistor_at_a_rail_or_beyond_is_a_fault_and_one_wild_reading_no_alarm() -> None:
    """Counts at both ends, below ground and above the supply; an open input that drifts; one spike."""
    clock, stop, volts = ManualClock(), threading.Event(), [1.65]
    converter = ConverterDevice([lambda: volts[0]], clock.monotonic_seconds)
    chips = I2cChips(
        name="i2c", path="/dev/i2c-1", interval_seconds=5.0, clock=clock, stop=stop,
        bus=ChipBus({0x48: converter}, clock.advance),
        chips=[ThermistorConverter(address=0x48, inputs=[thermistor(0)], supply_volts=3.3, supply_input=None,
                                   clock=clock, stop=stop)],
    )  # fmt: skip
    chips.poll()
    step = 4.096 / 32768
    for counts in (0, 1, -1, -32767, -32768, 32766, 32767, round(3.3 / step), round(3.3 / step) + 50):
        volts[0] = counts * step
        clock.advance(5.0)
        (event,) = chips.poll()
        assert isinstance(event, Fault) and event.channel == "probe_0", counts
    for millivolts in range(3260, 3300, 5):  # open, and its leakage drifts
        volts[0] = millivolts / 1e3
        clock.advance(5.0)
        (event,) = chips.poll()
        assert isinstance(event, Fault) and event.kind is FaultKind.OPEN, millivolts
    state, outputs = boats.run(boats.begin(boats.boat()), _steady(range(0, 600, 5), bar=25.0))
    spiked: list[Event] = [boats.scan(600.0, bar=140.0, air=20.0, alternator=0.0), boats.tick(600.0)]
    _, outputs = boats.run(state, [*spiked, *_steady(range(605, 900, 5), bar=25.0)])
    assert changes(outputs) == []


def _steady(seconds: range, **values: float) -> list[Event]:
    rest = {"bar": 25.0, "air": 20.0, "alternator": 0.0} | values
    return [e for s in seconds for e in (boats.scan(float(s), **rest), boats.tick(float(s)))]


@pytest.mark.parametrize("amps", ["constant", "drifting", "at the floor"])
def test_a_current_that_is_never_quite_zero_estimates_nothing(amps: str) -> None:
    """An offset in eight hours at anchor: 80 counts, one count more a minute, or just at the floor."""
    step = 2.5e-6 / (50e-3 / 200)  # what one count of a 226 is on a shunt of 50 mV at 200 A
    floor = 0.08 * 120.0
    events: list[Event] = []
    for k in range(8 * 180):
        seconds = 20.0 * k
        said = {"constant": 80 * step, "drifting": k // 3 * step, "at the floor": floor - step}[amps]
        celsius = 20.0 + 3.0 * ((k // 360) % 2)  # the day's warmth comes and goes
        events += [boats.scan(seconds, bar=celsius, air=celsius, alternator=said), boats.tick(seconds)]
    _, outputs = boats.run(boats.begin(boats.boat()), events)
    assert changes(outputs) == []
    told = [o for o in outputs if hasattr(o, "rise_coefficient")]
    assert told and all(o.rise_coefficient is None and o.baseline_ratio is None for o in told)


# ---- serial lines -------------------------------------------------------------------------------


def test_a_node_that_starts_again_is_noticed_and_its_banner_costs_nothing(tmp_path: Path) -> None:
    """Opening the port may reset the board: a banner, counters from before; then commands of others."""
    line = Line(tmp_path / "node")
    node = SerialNmea(
        name="serial", device=str(tmp_path / "node"), baud=115_200, channels=[JOINT],
        clock=SystemClock(), stop=threading.Event(),
    )  # fmt: skip
    try:
        node.poll()
        line.send(b"ets Jun  8 2016 00:22:57\r\nrst:0x1 (POWERON_RESET),boot:0x13\r\n\xf0\x9f\r\n")
        line.send(_node_says(7) + b"AT\r\nAT+GCAP\r\n" + _temperature(41.0))
        events = line_until(node, lambda e: isinstance(e, Reading))
        assert [e.value for e in events if isinstance(e, Reading)] == [41.0]
        assert not any(is_fault(FaultKind.RESTARTED)(e) for e in events), "seen for the first time"
        line.send(_node_says(7) + _node_says(8) + _temperature(42.0))
        events = line_until(node, is_fault(FaultKind.RESTARTED))
        (told,) = [e for e in events if is_fault(FaultKind.RESTARTED)(e)]
        assert isinstance(told, Fault) and told.channel is None
        assert "the node II restarted, it counts 8 after 7" in told.detail
        line.send(_node_says(8) + with_checksum("IIXDR,G,9,,RESTARTS,C").encode() + b"\r\n")
        line.send(with_checksum("IIXDR,G,1e3,,RESTARTS").encode() + b"\r\n" + _temperature(43.0))
        events = line_until(node, lambda e: isinstance(e, Reading))
        assert not any(is_fault(FaultKind.RESTARTED)(e) for e in events)
    finally:
        node.close()
        line.unplug()


def _node_says(restarts: int) -> bytes:
    return with_checksum(f"IIXDR,G,{restarts},,RESTARTS,G,0,,ROUNDS").encode() + b"\r\n"


def _temperature(celsius: float) -> bytes:
    return with_checksum(f"IIXDR,C,{celsius},C,JOINT1").encode() + b"\r\n"


# ---- brokers ------------------------------------------------------------------------------------


@contextlib.contextmanager
def half_hearted_broker() -> Iterator[tuple[int, list[int]]]:
    """Dies once between a subscription and its acknowledgement; afterwards it keeps its word (MQTT 3.1.1)."""
    asked: list[int] = []
    done = threading.Event()

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = server.accept()
                with connection:
                    connection.recv(400)
                    connection.sendall(b"\x20\x02\x00\x00")
                    message_id = connection.recv(400)[2:4]
                    asked.append(len(message_id))
                    if len(asked) == 1:
                        continue
                    connection.sendall(b"\x90\x03" + message_id + b"\x00")
                    topic = TOPIC.encode()
                    body = len(topic).to_bytes(2, "big") + topic + b"42.5"
                    connection.sendall(bytes([0x30, len(body)]) + body)
                    done.wait(30.0)

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield server.getsockname()[1], asked
        finally:
            done.set()
            server.shutdown(socket.SHUT_RDWR)
            thread.join(20.0)
            assert not thread.is_alive()


def test_a_broker_that_dies_before_it_confirms_a_subscription_is_asked_again() -> None:
    with half_hearted_broker() as (port, asked), opened(port, AMPS, protocol="3.1.1") as topics:
        poll_until(topics, is_value(42.5))
        assert asked == [2, 2]


def test_the_broker_s_library_is_pinned_and_asked_by_names() -> None:
    """A new major version changed constructor and callbacks before: no argument is given by its place."""
    pyproject = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert '"paho-mqtt>=2.1,<3"' in pyproject
    made = 0
    for path in (ROOT / "daemon").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if "paho.mqtt.client" not in text:
            continue
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Client":
                made += 1
                assert not node.args, path
                assert {"callback_api_version", "protocol"} <= {k.arg for k in node.keywords}, path
    assert made >= 3


def test_a_store_that_stands_still_costs_no_connection_and_no_message(tmp_path: Path) -> None:
    """Messages while nothing can be written, for longer than the broker waits for a sign of life."""
    clock, stop, free = SystemClock(), threading.Event(), threading.Event()
    boat = boats.boat()
    with Mosquitto() as broker, opened(broker.port, AMPS, keepalive_seconds=2) as topics:
        told: list[Reading | Fault] = []
        poll = topics.poll
        topics.poll = lambda: _kept(told, poll())  # type: ignore[method-assign]
        poll_until(topics, is_value(0.5), nudge=lambda: publish(broker.port, TOPIC, "0.5"))
        store = Store.open(tmp_path / "boat.db", clock=clock, boat=boat, version="0")
        write = store.write
        began = clock.monotonic_seconds()

        def stalled(*outputs: object, **moment: object) -> None:
            free.wait(30.0)
            write(*outputs, **moment)  # type: ignore[arg-type]

        store.write = stalled  # type: ignore[method-assign, assignment]
        watch = Watch(
            state=resume(boat, store, clock.monotonic_seconds(), clock.time()), sources=[topics],
            store=store, publishers=(), clock=clock, stop=stop,
        )  # fmt: skip
        running = threading.Thread(target=watch.run)
        running.start()
        try:
            sent = 0
            for wait_seconds in (0.0, 2.0, 4.0, 6.0):
                until(lambda w=wait_seconds: clock.monotonic_seconds() - began >= w)
                for _ in range(20):
                    sent += 1
                    publish(broker.port, TOPIC, f"{sent}.25")
                until(lambda n=sent: any(is_value(n + 0.25)(e) for e in told[-5:]))
            free.set()
        finally:
            free.set()
            stop.set()
            running.join(20.0)
        assert not running.is_alive()
    assert [e for e in told if isinstance(e, Fault)] == []
    with History.open(tmp_path / "boat.db") as history:
        values = [value for _, _, value in history.readings()]
    assert values[-sent:] == [n + 0.25 for n in range(1, sent + 1)]


def _kept(told: list[Reading | Fault], new: object) -> list[Reading | Fault]:
    told += new  # type: ignore[arg-type]
    return list(new)  # type: ignore[call-overload]


# ---- cards and pages ----------------------------------------------------------------------------


def test_a_card_that_stalls_for_seconds_costs_no_reading_and_says_nothing(tmp_path: Path) -> None:
    """Each fifth commit takes until the boat's clock is seven seconds on: stamps are of the measurement."""
    path = tmp_path / "boat.db"
    commits = 0
    with Afloat(path) as boat:

        def stall() -> None:
            nonlocal commits
            commits += 1
            if commits % 5 == 0:
                until_seconds = boat.clock.monotonic_seconds() + 7.0
                until(lambda: boat.clock.monotonic_seconds() >= until_seconds or boat.stop.is_set())

        boat.before_writing = stall
        until(lambda: commits > 22)
        said = [condition for condition in Condition if boat.listener.changes(condition)]
    assert said == []
    with History.open(path) as history:
        times = [time for time, channel, _ in history.readings() if channel == "bar"]
    assert len(times) > 60
    assert {later - earlier for earlier, later in pairwise(times)} == {5000}


@pytest.mark.slow
def test_a_slow_look_at_the_history_holds_up_neither_the_stream_nor_anybody_else(tmp_path: Path) -> None:
    """Season after season is asked for over and over while the stream beats and another page looks."""
    with write_invented_history(tmp_path / "lugwatch.db", ManualClock()), Served(tmp_path) as page:
        stop, asked = threading.Event(), [0]

        def ask_for_all() -> None:
            with httpx.Client(base_url=page.url, timeout=60.0) as greedy:
                while not stop.is_set():
                    answer = greedy.get("/api/chart", params={"hours": 24 * 400})
                    assert answer.status_code == 200
                    asked[0] += 1

        greedy = [threading.Thread(target=ask_for_all) for _ in range(6)]
        for one in greedy:
            one.start()
        clock, slowest, beats = SystemClock(), 0.0, 0
        try:
            with (
                httpx.Client(base_url=page.url, timeout=20.0) as phone,
                phone.stream("GET", "/api/events") as stream,
                httpx.Client(base_url=page.url, timeout=20.0) as other,
            ):
                last = clock.monotonic_seconds()
                for line in stream.iter_lines():
                    if line != "event: beat":
                        continue
                    beats += 1
                    slowest = max(slowest, clock.monotonic_seconds() - last) if beats > 1 else 0.0
                    assert other.get("/api/now").status_code == 200
                    last = clock.monotonic_seconds()
                    if beats == 4:
                        break
        finally:
            stop.set()
            for one in greedy:
                one.join(60.0)
    assert asked[0] > 10
    assert slowest < BEAT_SECONDS + 5.0, "a page is grey after three that were missed"
