"""A full card and one that cannot be written (C39): all goes on but the writing, and that comes back."""

import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

import numpy as np
import pytest

import boats
from afloat import Afloat
from histories import START_TIME, alert, change, open_store, put, reading
from lugwatch.clock import ManualClock
from lugwatch.dashboard import actions
from lugwatch.dashboard.reading import read_moment
from lugwatch.errors import UserError
from lugwatch.keeping import Keeping
from lugwatch.model import AlertState, Condition, CrewDeed, Watching
from lugwatch.store import writer
from lugwatch.store.beside import path_beside, where_now
from lugwatch.store.damage import open_or_begin_anew
from lugwatch.store.errors import StoreBusy, StoreFull
from lugwatch.store.late import LateStore
from lugwatch.store.queries import History
from lugwatch.store.recording_state import (
    BUSY_TOLD_SECONDS,
    LONGEST_PAUSE_SECONDS,
    WELL_SECONDS,
    RecordingState,
)
from lugwatch.watching import only_instance
from processes import until

Trouble = Callable[[bool], None]


def times_of(path: Path) -> list[int]:
    with History.open(path) as history:
        return [time for time, channel, _ in history.readings() if channel == "bar"]


def go_on(boat: Afloat, estimates: int) -> None:
    until_count = boat.listener.estimates() + estimates
    until(lambda: boat.listener.estimates() > until_count)


def lived_through(path: Path, boat: Afloat, trouble: Trouble) -> None:
    heard = boat.listener
    until(lambda: heard.estimates() > 5)
    trouble(True)
    until(lambda: heard.changes(Condition.NOT_RECORDING) == ["raised"])
    boat.bar_celsius = 95.0  # a joint goes bad meanwhile, and is told
    until(lambda: "raised" in heard.changes(Condition.HOT))
    # the page shows it, from memory, and it can be acknowledged there
    assert where_now(path) == path_beside(path)
    looking = ManualClock(boat.clock.monotonic_seconds(), boat.clock.time())
    moment = until(lambda: read_moment(path, looking, Watching()))
    shown = until(
        lambda: {
            alert.condition: alert
            for alert in read_moment(path, looking, Watching()).alerts  # type: ignore[union-attr]
            if alert.condition is Condition.HOT
        }
    )
    assert moment.estimates and Condition.NOT_RECORDING in {alert.condition for alert in moment.alerts}
    assert actions.do_deed(path, looking, CrewDeed.ACKNOWLEDGE, shown[Condition.HOT].alert_id) is not None
    until(lambda: "acknowledged" in heard.changes(Condition.HOT))
    go_on(boat, 50)
    trouble(False)
    until(lambda: heard.changes(Condition.NOT_RECORDING)[:2] == ["raised", "rectified"])
    assert where_now(path) == path
    go_on(boat, 5)


def check_nothing_was_lost(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert set(np.diff(times_of(path)).tolist()) == {5000}
    with History.open(path) as history:
        alerts = {alert.condition: alert for alert in history.alerts()}
        assert alerts[Condition.HOT].state is AlertState.ACTIVE_ACKNOWLEDGED
        assert alerts[Condition.HOT].acknowledged_by == "page"
        sequences = [change.sequence for change in history.alert_changes()]
    assert sequences == list(range(1, len(sequences) + 1))
    assert not path_beside(path).exists()


def full(boat: Afloat, _patch: pytest.MonkeyPatch) -> Trouble:
    """SQLite's own page limit fails as a full disk does."""

    is_on = False

    def limit() -> None:
        connection = boat.store._open_connection()
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages if is_on else 10_000_000}")

    def trouble(on: bool) -> None:
        nonlocal is_on
        is_on = on

    boat.before_writing = limit
    return trouble


def read_only(boat: Afloat, patch: pytest.MonkeyPatch) -> Trouble:
    """Every connection that is made meanwhile refuses to write, as on a card that was turned read-only."""
    is_on = False
    connect = writer._connect

    def connect_as_it_is(path: Path) -> sqlite3.Connection:
        connection = connect(path)
        if is_on and path == boat.path:
            connection.execute("PRAGMA query_only = ON")
        return connection

    def turn() -> None:
        if is_on and boat.store._connection is not None:
            boat.store._connection.execute("PRAGMA query_only = ON")

    def trouble(on: bool) -> None:
        nonlocal is_on
        is_on = on

    patch.setattr(writer, "_connect", connect_as_it_is)
    boat.before_writing = turn
    return trouble


@pytest.mark.parametrize("make", [full, read_only])
def test_all_goes_on_but_the_writing_and_that_comes_back_without_a_restart(
    tmp_path: Path, make: Callable[[Afloat, pytest.MonkeyPatch], Trouble], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "boat.db"
    with Afloat(path) as boat:
        lived_through(path, boat, make(boat, monkeypatch))
    check_nothing_was_lost(path)


def test_a_file_system_without_a_byte_left(small_disk: Path) -> None:
    path, ballast = small_disk / "boat.db", small_disk / "ballast"

    def trouble(on: bool) -> None:
        if not on:
            ballast.unlink()
            return
        with ballast.open("wb", buffering=0) as file:
            try:
                while True:
                    file.write(bytes(4096))
            except OSError:
                return

    with Afloat(path) as boat:
        lived_through(path, boat, trouble)
    check_nothing_was_lost(path)


def test_a_file_system_that_turns_read_only(small_disk: Path) -> None:
    path = small_disk / "boat.db"
    wanted = ["rw"]

    def remount() -> None:
        if wanted:
            how = wanted.pop()
            # the kernel asks that no file is open for writing; a worn card does not ask
            connection, boat.store._connection = boat.store._connection, None
            if connection is not None:
                connection.close()
            subprocess.run(["mount", "-o", f"remount,{how}", small_disk], check=True)

    with Afloat(path) as boat:
        boat.before_writing = remount
        lived_through(path, boat, lambda on: wanted.append("ro" if on else "rw"))
    check_nothing_was_lost(path)


@pytest.mark.parametrize("how", ["full", "read-only"])
def test_a_start_on_a_card_that_cannot_be_written_watches_all_the_same(small_disk: Path, how: str) -> None:
    path, ballast = small_disk / "boat.db", small_disk / "ballast"
    with open_store(path) as store:
        put(store, [reading(20.0, START_TIME - 3_600_000), change(1, alert())], time=START_TIME - 3_600_000)
    if how == "full":
        with ballast.open("wb", buffering=0) as file, suppress(OSError):
            while True:
                file.write(bytes(512))
    else:
        subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    clock = ManualClock(1000.0, START_TIME)
    with only_instance(path):
        late, aside = open_or_begin_anew(path, clock=clock, boat=boats.boat(), keeping=Keeping())
        assert isinstance(late, LateStore) and aside is None
        with Afloat(path, clock, late) as boat:
            heard = boat.listener
            until(lambda: heard.changes(Condition.NOT_RECORDING) == ["raised"])
            go_on(boat, 20)
            if how == "full":
                ballast.unlink()
            else:
                subprocess.run(["mount", "-o", "remount,rw", small_disk], check=True)
            until(lambda: heard.changes(Condition.NOT_RECORDING)[:2] == ["raised", "rectified"])
            go_on(boat, 5)
    assert set(np.diff(times_of(path)[1:]).tolist()) == {5000}
    with History.open(path) as history:
        alerts = {a.alert_id: a.condition for a in history.alerts()}
        assert alerts.pop(1) is Condition.HOT
        assert min(alerts) > 1000 and Condition.NOT_RECORDING in alerts.values()  # no number is given twice


def test_a_new_database_on_such_a_card_is_a_mistake_and_no_watch(small_disk: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    with pytest.raises(UserError, match=r"may not be written|cannot"):
        open_or_begin_anew(small_disk / "new.db", clock=ManualClock(), boat=boats.boat(), keeping=Keeping())


def test_when_trouble_is_told_and_tried_again() -> None:
    state = RecordingState()
    assert not state.failed(StoreBusy("held"), 0.0) and state.may_try(1.0)
    assert not state.failed(StoreBusy("held"), BUSY_TOLD_SECONDS - 1.0)
    assert not state.well(BUSY_TOLD_SECONDS)  # nobody heard of it
    assert state.failed(StoreFull("full"), 100.0)
    assert not state.may_try(101.0)
    now, tries = 100.0, 1
    while now < 100.0 + 3600.0:
        now += 1.0
        if state.may_try(now):
            assert not state.failed(StoreFull("full"), now)  # told once
            tries += 1
    assert 3600.0 / LONGEST_PAUSE_SECONDS <= tries < 3600.0 / LONGEST_PAUSE_SECONDS + 5
    assert not state.well(now) and state.may_try(now + 1.0)


def test_a_card_that_takes_a_write_now_and_then_is_not_well() -> None:
    state = RecordingState()
    assert state.failed(StoreFull("full"), 0.0)
    for now in (10.0, 40.0, 100.0):
        assert not state.well(now) and not state.well(now + WELL_SECONDS - 1.0)
        assert not state.failed(StoreFull("full"), now + WELL_SECONDS)  # told already
    assert not state.well(200.0)
    assert state.well(200.0 + WELL_SECONDS)
    assert not state.well(300.0)  # said once
