"""What waits for a broker, and when it is looked for again: bounds, without one."""

import json
from collections.abc import Iterator
from dataclasses import replace

import pytest

from lugwatch.model import (
    AlertState,
    JointState,
)
from lugwatch.publishers.outbox import CHANGES_KEPT, CLEARINGS_KEPT, Outbox
from lugwatch.publishers.reconnect import Attempt, End, EndKind, Pace, next_attempt, trouble
from phones import (
    Desk,
    alert,
    change,
    estimate,
)


@pytest.fixture
def desk() -> Iterator[Desk]:
    desk = Desk()
    yield desk
    desk.close()


def test_a_week_offline_does_not_fill_the_memory(desk: Desk) -> None:
    outbox = Outbox(["bar"], joint_seconds=5.0)
    for number in range(10_000):
        outbox.note([estimate(float(number)), change(2 * number, alert(number))])
        outbox.note([change(2 * number + 1, alert(number, AlertState.NORMAL))])
    assert outbox.sizes() == {
        "joints": 1,
        "alerts": 0,
        "clearings": CLEARINGS_KEPT,
        "changes": CHANGES_KEPT,
    }
    assert outbox.changes_dropped == 20_000 - CHANGES_KEPT
    outbox.begin_connection()
    messages = []
    while (message := outbox.take(0.0)) is not None:
        messages.append(message)
        outbox.delivered(message)
    joints = [m for m in messages if m.topic == "joint/bar"]
    assert len(joints) == 1 and json.loads(joints[0].payload)["probe_celsius"] == 9999.0
    assert [m.sequence for m in messages if m.topic == "event"] == list(range(20_000 - CHANGES_KEPT, 20_000))
    assert outbox.sizes() == {"joints": 1, "alerts": 0, "clearings": 0, "changes": 0}


def test_a_joint_waits_its_turn_and_a_changed_state_does_not() -> None:
    outbox = Outbox(["bar"], joint_seconds=5.0)
    outbox.note([estimate(40.0)])
    assert outbox.take(100.0) is not None
    outbox.note([estimate(41.0)])
    assert outbox.take(104.9) is None
    assert outbox.take(105.0) is not None
    outbox.note([replace(estimate(95.0), state=JointState.HOT)])
    assert outbox.take(105.5) is None
    hot = outbox.take(106.0)
    assert hot is not None and json.loads(hot.payload)["state"] == "hot" and hot.expires_seconds == 600


def test_a_change_is_sent_again_until_it_is_acknowledged() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    outbox.note([change(1, alert(3)), change(2, alert(4, AlertState.NORMAL))])
    for _ in range(3):
        outbox.begin_connection()
        taken = [outbox.take(0.0) for _ in range(5)]
        assert [(m.topic, m.sequence) for m in taken if m] == [
            ("alert/3", None),
            ("alert/4", None),
            ("event", 1),
            ("event", 2),
        ]
    for message in taken:
        if message is not None:
            outbox.delivered(message)
    outbox.begin_connection()
    assert [m.topic for m in (outbox.take(0.0), outbox.take(0.0)) if m] == ["alert/3"]


PACE = Pace()


def ended(kind: EndKind, lasted_seconds: float = 0.0) -> End:
    return End(kind=kind, detail="so", lasted_seconds=lasted_seconds)


def test_the_delay_grows_to_its_bound() -> None:
    attempt = Attempt(protocol="5")
    delays = []
    for _ in range(9):
        attempt = next_attempt(attempt, ended(EndKind.UNREACHABLE), "5", PACE)
        delays.append(attempt.delay_seconds)
    assert delays == [1, 2, 4, 8, 16, 32, 60, 60, 60]
    back = next_attempt(attempt, ended(EndKind.LOST, 1000.0), "5", PACE)
    assert back.delay_seconds == 1.0


def test_two_clients_of_one_id_calm_down() -> None:
    attempt = Attempt(protocol="5")
    for _ in range(12):  # the other comes back after about as long as we waited
        attempt = next_attempt(attempt, ended(EndKind.TAKEN_OVER, attempt.delay_seconds + 1.0), "5", PACE)
    assert attempt.delay_seconds == PACE.most_takeover_seconds
    assert "is lugwatch running twice?" in trouble(ended(EndKind.TAKEN_OVER), attempt, "pi:1883", "a")


def test_a_broker_that_restarts_every_ten_seconds_is_found_again_at_once() -> None:
    """C38."""
    attempt = Attempt(protocol="5")
    for _ in range(20):
        attempt = next_attempt(attempt, ended(EndKind.LOST, 9.0), "5", PACE)
    assert attempt.delay_seconds <= 2.0


def test_the_older_protocol_is_tried_and_left_again() -> None:
    for kind in (EndKind.SILENT, EndKind.PROTOCOL_REFUSED, EndKind.UNANSWERED):
        older = next_attempt(Attempt(protocol="5"), ended(kind), "5", PACE)
        assert (older.protocol, older.delay_seconds) == ("3.1.1", 0.0)
    assert next_attempt(older, ended(EndKind.LOST, 900.0), "5", PACE).protocol == "3.1.1"
    newer = next_attempt(older, ended(EndKind.UNANSWERED), "5", PACE)
    assert newer.protocol == "5" and newer.delay_seconds > 0
    asked = next_attempt(Attempt(protocol="3.1.1"), ended(EndKind.UNANSWERED), "3.1.1", PACE)
    assert asked.protocol == "3.1.1"
