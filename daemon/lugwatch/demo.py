"""The demo: an invented boat's devices, a private broker, the real `watch` and the real `web`.

Two earlier passages are simulated and replayed first, so that there is something to look back at and
the joints are known; then the boat casts off and the daemon reads her through the real drivers.
May import: everything but cli.
"""

import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import FrameType

import click

from lugwatch import __version__, circuit_edit, config
from lugwatch.clock import SCALED_CLOCK_VARIABLE, ManualClock, ScaledClock
from lugwatch.config import Configuration
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import AlertChange, Part, PartKind
from lugwatch.replay import replay
from lugwatch.simulator.boat import SimulatedBoat, make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.broker import start_broker
from lugwatch.simulator.record import record_season, write_recording_csv
from lugwatch.simulator.run import simulate
from lugwatch.simulator.scenarios import demo_story
from lugwatch.store.queries import History
from lugwatch.store.recording import open_recording
from lugwatch.store.writer import Store
from lugwatch.units import format_time

EARLIER_PASSAGES = 2
EARLIER_HOURS = 2.0
AFTER_HOURS = 0.8
NIGHT_HOURS = 18.0
SEED = 20
# what her joints sit on, as her owner would have answered `lugwatch circuit`
PARTS = (
    Part(name="Alternator", kind=PartKind.ALTERNATOR, joints=("alternator_output",)),
    Part(
        name="Alternator fuse",
        kind=PartKind.FUSE,
        joints=("fuse_alternator_in", "fuse_alternator_out"),
    ),
    Part(
        name="Bus bar",
        kind=PartKind.BAR,
        joints=("bar_alternator", "bar_battery", "bar_inverter", "bar_house"),
    ),
    Part(name="Battery switch", kind=PartKind.ISOLATOR, joints=("switch_battery",)),
    Part(name="Battery", kind=PartKind.BATTERY, joints=("battery_positive",)),
    Part(name="Negative bar", kind=PartKind.BAR, joints=("negative_battery", "negative_engine")),
    Part(name="Inverter", kind=PartKind.INVERTER, joints=("inverter_positive",)),
)
START_PATIENCE_SECONDS = 20.0
STOP_PATIENCE_SECONDS = 8.0


def demo(*, speed: float, port: int, directory: Path | None, browser: bool, seconds: float | None) -> None:
    """Run until Ctrl-C, SIGTERM or `seconds` [real s]. Raises UserError, OperationFailed."""
    stop = threading.Event()

    def ask_to_stop(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, ask_to_stop)
    end = None if seconds is None else time.monotonic() + seconds
    with ExitStack() as stack:
        folder = _folder(directory, stack)
        boat = make_boat()
        broker = start_broker(folder)
        stack.callback(broker.stop)
        text = demo_text(boat, folder, (broker.host, broker.port), _free(port))
        path = folder / config.DEFAULT_NAME
        path.write_text(text, encoding="utf-8")
        configuration = config.load(path)
        click.echo(f"{boat.name} is an invented boat; {folder} holds all of this demo.")
        start_time = int(time.time() * 1000)
        _live_through_earlier_passages(boat, configuration, folder, start_time)
        clock = ScaledClock(speed, time.monotonic(), start_time)
        stack.enter_context(_boat_afloat(boat, folder, clock, (broker.host, broker.port)))
        children = [stack.enter_context(_process(name, path, clock)) for name in ("watch", "web")]
        url = f"http://{configuration.web_host}:{configuration.web_port}/"
        _wait_for_page(configuration, children, stop)
        _tell_where(url, f"{broker.kind} at {broker.host}:{broker.port}", configuration, speed)
        if browser and not stop.is_set():
            webbrowser.open(url)
        _tell_story(configuration, children, start_time, stop, end)
    click.echo("The demo is over; nothing of it runs any more.")


def demo_text(boat: SimulatedBoat, folder: Path, broker: tuple[str, int], web_port: int) -> str:
    """Her configuration with her circuit in it."""
    text = configuration_text(boat, folder, broker, web_port=web_port)
    return circuit_edit.wired(text, circuit_edit.Wiring(parts=PARTS))


def _folder(directory: Path | None, stack: ExitStack) -> Path:
    if directory is None:
        return Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="lugwatch-demo-")))
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"cannot make {directory}: {error.strerror}; name another --dir") from None
    if (directory / "lugwatch.db").exists():
        raise UserError(f"{directory} holds a database already; name an empty --dir")
    return directory.resolve()


def _free(port: int) -> int:
    """`port` where nobody listens on it, else any free one."""
    for candidate in (port, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", candidate))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise OperationFailed("no free port on 127.0.0.1; close some programs and try again")


def _live_through_earlier_passages(
    boat: SimulatedBoat, configuration: Configuration, folder: Path, start_time: int
) -> None:
    hours = EARLIER_PASSAGES * (EARLIER_HOURS + AFTER_HOURS + NIGHT_HOURS)
    begin = start_time - int(hours * 3600.0 * 1000.0)
    click.echo(f"She has made {EARLIER_PASSAGES} passages before: simulating and replaying them …")
    parts = record_season(
        boat,
        passages=EARLIER_PASSAGES,
        seed=SEED,
        start_time=begin,
        hours=EARLIER_HOURS,
        night_hours=NIGHT_HOURS,
        # the computer stays on for a while, so that lugwatch sees that the passage has ended
        after_hours=AFTER_HOURS,
        step_seconds=10.0,
    )
    recording = folder / "earlier.csv"
    write_recording_csv(recording, [row for part in parts for row in part.rows], boat.channels)
    clock = ManualClock(0.0, begin)
    with Store.open(
        configuration.database, clock=clock, boat=configuration.boat, version=__version__
    ) as store:
        rows = open_recording(recording, configuration.boat)
        replay(rows, configuration.boat, store, held_until=None)


@contextmanager
def _boat_afloat(
    boat: SimulatedBoat, folder: Path, clock: ScaledClock, broker: tuple[str, int]
) -> Iterator[None]:
    """Her devices, served by a thread of this process until the end of the block."""
    stop, ready = threading.Event(), threading.Event()
    thread = threading.Thread(
        target=simulate,
        args=(boat, demo_story(), folder, clock, broker, stop),
        kwargs={"seed": SEED, "ready": ready},
        name="boat",
    )
    thread.start()
    try:
        if not ready.wait(START_PATIENCE_SECONDS):
            raise OperationFailed("the simulated devices did not come up; is the folder writable?")
        yield
    finally:
        stop.set()
        thread.join(STOP_PATIENCE_SECONDS)


@contextmanager
def _process(command: str, path: Path, clock: ScaledClock) -> Iterator["subprocess.Popen[bytes]"]:
    """`lugwatch COMMAND` as a process of its own with the demo's clock."""
    child = subprocess.Popen(
        [sys.executable, "-m", "lugwatch", command, "--config", str(path)],
        env={**os.environ, SCALED_CLOCK_VARIABLE: clock.to_text()},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        # a group of its own: Ctrl-C in the terminal comes to us, and we stop the children in order
        start_new_session=True,
    )
    try:
        yield child
    finally:
        child.terminate()
        try:
            child.wait(STOP_PATIENCE_SECONDS)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _check_alive(children: Sequence["subprocess.Popen[bytes]"]) -> None:
    for child in children:
        status = child.poll()
        if status is not None:
            raise OperationFailed(f"`{' '.join(map(str, child.args[1:4]))}` ended with status {status}")  # type: ignore[index]


def _wait_for_page(
    configuration: Configuration, children: Sequence["subprocess.Popen[bytes]"], stop: threading.Event
) -> None:
    deadline = time.monotonic() + START_PATIENCE_SECONDS
    while not stop.is_set():
        _check_alive(children)
        try:
            with socket.create_connection((configuration.web_host, configuration.web_port), timeout=1.0):
                return
        except OSError:
            if time.monotonic() > deadline:
                raise OperationFailed("the page did not come up; see the lines above") from None
            stop.wait(0.1)


def _tell_where(url: str, broker: str, configuration: Configuration, speed: float) -> None:
    click.echo(f"The page:    {url}")
    click.echo(f"The broker:  {broker}, topics lugwatch/{configuration.boat.slug}/#")
    click.echo(f"The history: {configuration.database}")
    click.echo(
        f"She motors at {speed:g} times real time; watch the joint “Bus bar, alternator stud”, "
        "which goes bad from minute 30 on."
    )
    click.echo("Ctrl-C ends the demo.")


def _tell_story(
    configuration: Configuration,
    children: Sequence["subprocess.Popen[bytes]"],
    start_time: int,
    stop: threading.Event,
    end: float | None,
) -> None:
    """Say each alert change as it is recorded, until the end."""
    with History.open(configuration.database) as history:
        told = max((c.sequence for c in history.alert_changes(0, 10_000)), default=0)
        while not stop.wait(0.25) and (end is None or time.monotonic() < end):
            _check_alive(children)
            for change in history.alert_changes(told):
                told = change.sequence
                click.echo(_line(change, start_time))


def _line(change: AlertChange, start_time: int) -> str:
    minute = (change.time - start_time) / 60_000
    alert = change.alert
    return (
        f"minute {minute:3.0f} ({format_time(change.time)[11:16]} UTC)  {alert.category.value} "
        f"{change.change.value}: {alert.text}"
    )
