"""Puts a watch together from a configuration and runs it until a signal. May import: runner and below."""

import errno
import fcntl
import logging
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from types import FrameType

from lugwatch import recent_log
from lugwatch.attendance import Attendance
from lugwatch.boat_clock import BoatClock, machine_is_believed
from lugwatch.clock import Clock, SystemClock
from lugwatch.config import Configuration, MqttSettings
from lugwatch.errors import ConfigurationError, OperationFailed, UserError
from lugwatch.model import CrewDeed
from lugwatch.pipeline import State
from lugwatch.publishers import mqtt_words, ways
from lugwatch.publishers.loop import Health
from lugwatch.publishers.mqtt import MqttPublisher, Remembered
from lugwatch.publishers.outbox import RECENT_KEPT
from lugwatch.pulse import Pulse, service_manager
from lugwatch.replay import resume
from lugwatch.runner import Watch
from lugwatch.sources import registry
from lugwatch.store import damage
from lugwatch.store.beside import path_beside
from lugwatch.store.queries import History
from lugwatch.store.writer import Store

log = logging.getLogger("lugwatch")

MQTT_SECONDS = 600.0  # it waits up to five minutes between two tries at a broker
MQTT_WAY = "mqtt"  # in the store's outbox


def watch(configuration: Configuration, clock: Clock) -> None:
    """Watch until SIGTERM or SIGINT. Raises UserError for a configuration that cannot be watched."""
    mistakes = registry.check(configuration)
    if mistakes:
        raise ConfigurationError(str(configuration.path), mistakes)
    stop = threading.Event()

    def ask_to_stop(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, ask_to_stop)
    with only_instance(configuration.database), ExitStack() as stack:
        if isinstance(clock, SystemClock):
            clock = _boat_clock(clock, configuration.database)
        stack.enter_context(recent_log.kept(_recent_log(configuration, clock)))
        store, aside = damage.open_or_begin_anew(
            configuration.database, clock=clock, boat=configuration.boat, keeping=configuration.keeping
        )
        # until the labels say otherwise; the demo's clock is its own truth
        store.clock_trusted = not isinstance(clock, BoatClock)
        state = resume(configuration.boat, store, clock.monotonic_seconds(), clock.time())
        pulse = Pulse(SystemClock())
        healths: list[Callable[[], Health]] = []
        running = Watch(
            state=state,
            sources=registry.open_all(configuration, clock, stop),
            store=store,
            publishers=(),
            clock=clock,
            stop=stop,
            pulse=pulse,
        )
        if aside is not None:
            running.report_damage(aside)
        if configuration.mqtt is not None:
            publisher = _mqtt_publisher(configuration.mqtt, state, store, running, clock)
            running.add_publisher(publisher)
            publisher.on_turn = pulse.expect("MQTT", MQTT_SECONDS)
            healths.append(publisher.way_health)
        for way in ways.open_all(
            configuration.ways_out,
            configuration.boat,
            configuration.database,
            on_silence=partial(running.act, CrewDeed.SILENCE),
            on_deed=lambda deed, alert_id, who: running.act(deed, who, alert_id=alert_id),
        ):
            way.restore(list(state.book.alerts.values()))
            running.add_publisher(way)
            way.loop.on_turn = pulse.expect(way.name, ways.TURN_SECONDS)
            healths.append(way.health)
        standing = list(state.book.alerts.values())
        attendance = Attendance(
            pulse,
            service_manager(),
            healths,
            report=running.report,
            clock=SystemClock(),
            standing=standing,
        )
        attendance.start()
        try:
            running.run()
        finally:
            attendance.close()


def _mqtt_publisher(
    settings: MqttSettings, state: State, store: Store, running: Watch, clock: Clock
) -> MqttPublisher:
    """Before the watch runs: it asks the store what stands and what still has to be told."""
    ledger = store.ledger

    def settle(sequences: Sequence[int]) -> None:
        ledger.settle(MQTT_WAY, sequences)
        running.write_soon()  # what is still there after a power cut is told once more

    machine = mqtt_words.machine_id() or ledger.history_id
    return MqttPublisher(
        settings,
        state.plan.boat,
        clock=clock,
        client_id=mqtt_words.client_id(state.plan.boat.slug, machine),
        on_deed=lambda word: running.act(
            word.deed, word.who, alert_id=word.alert_id, for_seconds=word.for_seconds
        ),
        on_settled=settle,
        remembered=Remembered(
            history_id=ledger.history_id,
            alerts=list(state.book.alerts.values()),
            sequences=ledger.last_sequences(),
            waiting=ledger.open_way(MQTT_WAY),
            recent=ledger.recent_changes(RECENT_KEPT),
        ),
        boot=f"{ledger.history_id}-{store.boot_id}",
    )


def _recent_log(configuration: Configuration, clock: Clock) -> recent_log.RecentLog:
    secrets = []
    if configuration.mqtt is not None and configuration.mqtt.password_file is not None:
        with suppress(OSError, ValueError):  # whoever needs it says that it cannot be read
            secrets.append(configuration.mqtt.password_file.read_text(encoding="utf-8").strip())
    trusted = (lambda: clock.trusted) if isinstance(clock, BoatClock) else (lambda: True)
    return recent_log.RecentLog(configuration.database, clock, trusted=trusted, secrets=secrets)


def _boat_clock(machine: Clock, database: Path) -> BoatClock:
    last_label, last_trusted = 0, 0
    with suppress(UserError), History.open(database) as history:
        last_label, last_trusted = history.last_labels()
    return BoatClock(machine, last_label=last_label, last_trusted=last_trusted, believed=machine_is_believed)


@contextmanager
def only_instance(database: Path) -> Iterator[None]:
    """Hold a lock beside the database: two watches on one boat would tell everything twice."""
    path = database.with_name(database.name + ".lock")
    try:
        try:
            handle = path.open("w")
        except OSError as error:
            if error.errno not in (errno.EROFS, errno.ENOSPC) or not database.is_file():
                raise
            beside = path_beside(database)
            handle = beside.with_name(beside.name + ".lock").open("w")
    except OSError as error:
        raise OperationFailed(
            f"cannot write {path}: {error.strerror}; does the folder exist, and is it yours?"
        ) from None
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise OperationFailed(
                f"another lugwatch already watches into {database}; stop it first"
            ) from None
        yield
