"""One short look into the database: all that a page shows at one moment, read and closed again.

Opened anew each time, so that the page lives through a database that is not there yet, is replaced
or goes away, and never holds the writer's log back (C41). Blocking: never called on the event loop.
May import: store, model, clock, errors.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from lugwatch.clock import Clock, SystemClock
from lugwatch.errors import UserError
from lugwatch.model import Alert, Boat, Estimate, SourceHealth, Watching
from lugwatch.store.beside import where_now
from lugwatch.store.queries import History

# Below this much of real time nothing is called old, however fast a demo's clock runs.
LEAST_STALE_REAL_SECONDS = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """What was in the database, and how old it is."""

    time: int  # of the clock, when this was read
    batch: object  # changes whenever something was written
    batch_time: int
    age_seconds: float | None  # since the last write; None: neither clock can tell
    stale: bool
    old_seconds: float  # from this age on a reading is no longer one of now
    boat: Boat
    estimates: tuple[Estimate, ...]
    latest: Mapping[str, tuple[int, float]]  # channel -> (time, value)
    alerts: tuple[Alert, ...]
    health: tuple[SourceHealth, ...]
    sequence: int  # of the last alert change


def age_seconds(
    *, time: int, monotonic_seconds: float, batch_time: int, batch_monotonic_seconds: float
) -> float | None:
    """How old the last write is, by the clock that makes it older.

    Wall time may have been set since, and monotonic time may be of another boot: a negative age is
    one of these and says nothing. None: neither says anything, so the data may be of any age.
    """
    ages = ((time - batch_time) / 1000.0, monotonic_seconds - batch_monotonic_seconds)
    known = [age for age in ages if age >= 0.0]
    return max(known) if known else None


def stale_seconds(watching: Watching, clock: Clock) -> float:
    """From this age on nothing in the database counts as known."""
    real = LEAST_STALE_REAL_SECONDS * float(getattr(clock, "speed", 1.0))
    return max(watching.no_data_seconds, 5.0 * watching.interval_seconds, real)


def is_absent(database: Path) -> bool:
    """Whether nothing has been written yet: no file, or an empty one just made."""
    try:
        return database.stat().st_size == 0
    except OSError:
        return True


def read_batch(database: Path) -> object:
    """What changes with each write; None while there is no database or nothing in it."""
    try:
        with History.open(where_now(database)) as history:
            return history.last_batch()
    except UserError:
        return None


def read_moment(database: Path, clock: Clock, watching: Watching) -> Moment | None:
    """Everything for the page; None while the watch has not written anything.

    Raises UserError where a file is there and is not ours, or damaged.
    """
    if is_absent(database):
        return None
    with History.open(where_now(database)) as history:
        batch = history.last_batch()
        if batch is None:
            return None
        batch_time, batch_monotonic_seconds, _boot = batch
        time = clock.time()
        age = age_seconds(
            time=time,
            monotonic_seconds=clock.monotonic_seconds(),
            batch_time=batch_time,
            batch_monotonic_seconds=batch_monotonic_seconds,
        )
        if isinstance(clock, SystemClock) and history.is_of_this_machine_boot():
            # labels may go on from another time than the machine's: the monotonic clock is one for both
            age = max(0.0, clock.monotonic_seconds() - batch_monotonic_seconds)
            time = batch_time + round(age * 1000.0)
        return Moment(
            time=time,
            batch=batch,
            batch_time=batch_time,
            age_seconds=age,
            stale=age is None or age > stale_seconds(watching, clock),
            old_seconds=stale_seconds(watching, clock),
            boat=history.boat(),
            estimates=tuple(history.estimates(None)),
            latest=dict(history.latest_readings()),
            alerts=tuple(history.alerts(active_only=True)),
            health=tuple(history.source_health()),
            sequence=history.last_alert_sequence(),
        )
