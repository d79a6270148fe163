"""A whole boat: the simulator's devices, a real broker, the real `watch` and `web`, a phone, a page.

All of it on one clock that runs faster than the machine's. Troubles are done to processes from outside, as a
boat does them. Not here: what is asked of it (`soak`, `chaos`).
"""

import contextlib
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from brokers import Mosquitto, free_port
from lugwatch.clock import SCALED_CLOCK_VARIABLE, ScaledClock
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.electrics import Steps
from lugwatch.simulator.faults import PlantFault, Trouble
from lugwatch.simulator.run import simulate
from lugwatch.simulator.scenarios import Scenario

PATIENCE_SECONDS = 60.0  # real ones
DAY_SECONDS = 86_400.0


def month(days: float, seed: int) -> Scenario:
    """Each day a passage of five hours and a night at anchor; each third day a stud goes bad for a while."""
    rng = random.Random(seed)
    engine: list[tuple[float, float]] = [(0.0, 0.0)]
    house: list[tuple[float, float]] = [(0.0, 5.0)]
    inverter: list[tuple[float, float]] = [(0.0, 0.8)]
    faults = []
    for day in range(int(days) + 1):
        start = day * DAY_SECONDS + 300.0
        engine += [(start, 1.0), (start + 5 * 3600.0, 0.0)]
        house += [(start + hour * 3600.0, rng.uniform(4.0, 25.0)) for hour in range(8)]
        for hour in range(1, 5):
            at = start + hour * 3600.0 + rng.uniform(0.0, 1800.0)
            inverter += [(at, rng.uniform(60.0, 140.0)), (at + rng.uniform(120.0, 500.0), 0.8)]
        if day % 3 == 2:
            faults.append(
                PlantFault(
                    kind=Trouble.RESISTANCE_GROWTH,
                    where="bar_alternator",
                    start_seconds=start + 3600.0,
                    end_seconds=start + 3 * 3600.0,
                    size=900.0,
                )
            )
    steps: Callable[[list[tuple[float, float]]], Steps] = tuple
    return Scenario(
        name=f"{days:g} days",
        duration_seconds=days * DAY_SECONDS,
        engine=steps(engine),
        house_amps=steps(house),
        inverter_amps=steps(inverter),
        faults=tuple(faults),
    )


class Phone:
    """Hears `event` and, when it comes late, `recent`; drops what it has by its number. As README says."""

    def __init__(self, port: int) -> None:
        self.sequences: set[int] = set()
        self.doubles = 0
        self.untold = 0
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="phone", clean_session=False)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe(
            [("lugwatch/+/event", 1), ("lugwatch/+/recent", 1)]
        )
        self._client.on_message = self._on_message
        self._client.connect_async("127.0.0.1", port)
        self._client.loop_start()

    def _on_message(self, _client: Client, _data: object, message: object) -> None:
        said = json.loads(message.payload)  # type: ignore[attr-defined]
        if message.topic.endswith("/recent"):  # type: ignore[attr-defined]
            self.sequences |= {change["sequence"] for change in said["changes"]}
            return
        self.doubles += said["sequence"] in self.sequences
        self.untold += said.get("untold_count") or 0
        self.sequences.add(said["sequence"])

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class PageClient(threading.Thread):
    """Holds the page's event stream open, and opens it again whenever it ends, as a browser does."""

    def __init__(self, port: int) -> None:
        super().__init__(name="page", daemon=True)
        self._url = f"http://127.0.0.1:{port}/api/events"
        self.stop = threading.Event()
        self.lines = self.opened = 0

    def run(self) -> None:
        while not self.stop.is_set():
            with (
                contextlib.suppress(OSError, ValueError),
                urllib.request.urlopen(self._url, timeout=20) as body,
            ):
                self.opened += 1
                for _line in body:
                    self.lines += 1
                    if self.stop.is_set():
                        return
            self.stop.wait(0.5)


class Child:
    """`lugwatch NAME` on the boat's clock; killed and started again under the same folder."""

    def __init__(self, name: str, configuration: Path, clock: ScaledClock, log: Path) -> None:
        self.name, self.starts = name, 0
        self._words = [sys.executable, "-m", "lugwatch", name, "--config", str(configuration)]
        self._environment = {**os.environ, SCALED_CLOCK_VARIABLE: clock.to_text()}
        self._log = log
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                self._words, env=self._environment, stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        self.starts += 1

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(PATIENCE_SECONDS)

    def usage(self) -> "Usage":
        """Of the running process, from /proc."""
        assert self.process is not None
        proc = Path("/proc") / str(self.process.pid)
        status = dict(
            line.split(":", 1) for line in (proc / "status").read_text(encoding="ascii").splitlines()
        )
        return Usage(
            kilobytes=int(status["VmRSS"].split()[0]),
            threads=int(status["Threads"]),
            descriptors=len(list((proc / "fd").iterdir())),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Usage:
    """What a process holds."""

    kilobytes: int
    threads: int
    descriptors: int


@dataclass(slots=True, kw_only=True)
class Rig:
    """The boat as it lies there; everything runs."""

    folder: Path
    database: Path
    clock: ScaledClock
    broker: Mosquitto
    watch: Child
    web: Child
    phone: Phone
    page: PageClient

    def query(self, sql: str, *values: object) -> list[tuple[object, ...]]:
        """Read the database beside the watch."""
        with contextlib.closing(sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)) as connection:
            return connection.execute(sql, values).fetchall()

    def last_estimate_id(self) -> int:
        return int(self.query("SELECT coalesce(max(estimate_id), 0) FROM estimate")[0][0])  # type: ignore[call-overload]

    def wal_kilobytes(self) -> int:
        wal = self.database.with_name(self.database.name + "-wal")
        return wal.stat().st_size // 1024 if wal.exists() else 0

    def lock(self, boat_seconds: float) -> None:
        """Another program holds the database for so long."""
        with (
            contextlib.closing(sqlite3.connect(self.database, timeout=20.0, isolation_level=None)) as other,
            contextlib.suppress(sqlite3.OperationalError),
        ):
            other.execute("BEGIN IMMEDIATE")
            self.pause(boat_seconds)
            other.execute("ROLLBACK")

    def pause(self, boat_seconds: float) -> None:
        time.sleep(boat_seconds / self.clock.speed)

    def freeze(self, child: Child, boat_seconds: float) -> None:
        assert child.process is not None
        child.process.send_signal(signal.SIGSTOP)
        self.pause(boat_seconds)
        child.process.send_signal(signal.SIGCONT)


@contextmanager
def rig(folder: Path, *, days: float, speed: float, seed: int, card: Path | None = None) -> Iterator[Rig]:
    """Everything up and reading, until the end of the block; then stopped in order.

    The devices lie in `folder`, the database in `card`, which may be the same.
    """
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that all of it is gone afterwards
    with ExitStack() as stack:
        boat, web_port = make_boat(seed), free_port()
        broker = stack.enter_context(Mosquitto())
        path = folder / "lugwatch.toml"
        database = (card or folder) / "lugwatch.db"
        text = configuration_text(boat, folder, ("127.0.0.1", broker.port), web_port=web_port)
        path.write_text(f'{text}\n[store]\ndatabase = "{database}"\n', encoding="utf-8")
        clock = ScaledClock(speed, time.monotonic(), int(time.time() * 1000))
        stop, ready = threading.Event(), threading.Event()
        sea = threading.Thread(
            target=simulate,
            args=(boat, month(days, seed), folder, clock, ("127.0.0.1", broker.port), stop),
            kwargs={"seed": seed, "ready": ready},
        )
        sea.start()
        stack.callback(sea.join, PATIENCE_SECONDS)
        stack.callback(stop.set)
        assert ready.wait(PATIENCE_SECONDS), "the devices did not come up"
        phone = Phone(broker.port)
        stack.callback(phone.close)
        children = [Child(name, path, clock, folder / f"{name}.log") for name in ("watch", "web")]
        page = PageClient(web_port)
        afloat = Rig(
            folder=folder,
            database=database,
            clock=clock,
            broker=broker,
            watch=children[0],
            web=children[1],
            phone=phone,
            page=page,
        )
        for child in children:
            child.start()
            stack.callback(_gone, child)
        until_true(afloat.database.exists)
        until_true(lambda: afloat.last_estimate_id() > 0)
        page.start()
        stack.callback(page.stop.set)
        yield afloat


def _gone(child: Child) -> None:
    if child.process is not None and child.process.poll() is None:
        child.kill()


def until_true(what: Callable[[], object], seconds: float = PATIENCE_SECONDS) -> float:
    """Real seconds until it was so. Raises TimeoutError."""
    begun = time.monotonic()
    while True:
        with contextlib.suppress(sqlite3.OperationalError):
            if what():
                return time.monotonic() - begun
        if time.monotonic() - begun > seconds:
            raise TimeoutError(f"not within {seconds:g} s")
        time.sleep(0.02)
