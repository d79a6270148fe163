"""Alerts of an older version: read as they are, brought over whole, and a deed that waits is not lost."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from lugwatch.clock import ManualClock
from lugwatch.model import AlertState, Condition, CrewDeed
from lugwatch.store.migrations import APPLICATION_ID, migrations
from lugwatch.store.queries import History
from lugwatch.store.writer import Store
from test_alert_memory import BOAT

TIME = 1_780_000_000_000
ALERT = (
    '{"alert_id": 4, "joint": "a", "channel": null, "condition": "hot", "category": "alarm", "state": '
    '"active-unacknowledged", "raised_time": 1, "rectified_time": null, "acknowledged_time": null, '
    '"acknowledged_by": null, "text": "hot", "advice": "shed"}'
)


@pytest.fixture
def older(tmp_path: Path) -> Path:
    """A database of the version before, with an alert, its change and an acknowledgement that waits."""
    path = tmp_path / "older.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        migrations.apply(Database(connection), stop_before="alerts_that_are_answered")
        connection.execute("INSERT INTO boat VALUES ('Grey Plover', 'grey-plover')")
        connection.execute("INSERT INTO boot VALUES (1, 1, '1')")
        connection.execute("INSERT INTO batch VALUES (1, 1, 1, 0.0, 1)")
        connection.execute(
            "INSERT INTO alert VALUES (4, 'a', NULL, 'hot', 'alarm', 'active-unacknowledged',"
            " 1, NULL, NULL, NULL, 'hot', 'shed')"
        )
        connection.execute(
            "INSERT INTO alert_change VALUES"
            " (9, 1, 1, 'raised', 4, 'alarm', 'active-unacknowledged', 'hot', ?)",
            (ALERT,),
        )
        connection.execute(
            "INSERT INTO crew_action (time, deed, alert_id, who) VALUES (5, 'acknowledge', 4, 'Ada')"
        )
    return path


def test_an_older_history_is_read_as_it_is(older: Path) -> None:
    with History.open(older) as history:
        (alert,) = history.alerts()
        (change,) = history.alert_changes()
    assert (alert.condition, alert.worst_celsius, alert.said_count) == (Condition.HOT, None, 0)
    assert change.alert.alert_id == 4 and change.who is None and change.speaks


def test_an_older_history_is_brought_over_with_the_deed_that_waits(older: Path) -> None:
    with Store.open(older, clock=ManualClock(0.0, TIME), boat=BOAT, version="2") as store:
        (deed,) = store.take_crew_actions()
        (alert,) = store.load_alerts()
        assert store.load_alert_memory() is None
    assert (deed.deed, deed.alert_id, deed.who, deed.joint) == (CrewDeed.ACKNOWLEDGE, 4, "Ada", None)
    assert alert.state is AlertState.ACTIVE_UNACKNOWLEDGED
    with History.open(older) as history:
        assert [c.sequence for c in history.alert_changes()] == [9]
