"""What waits for a broker, and when it is looked for again: bounds, without one."""

import json
from dataclasses import replace

from lugwatch.model import AlertState, AlertUpdate, Category, JointState
from lugwatch.publishers.outbox import (
    CHANGES_KEPT,
    CLEARINGS_KEPT,
    COLLAPSED_TO,
    RECENT_KEPT,
    Message,
    Outbox,
)
from lugwatch.publishers.reconnect import (
    Attempt,
    End,
    EndKind,
    Pace,
    answer_seconds,
    next_attempt,
    offline_after_seconds,
    trouble,
)
from phones import TIME, alert, change, estimate

STATES = (AlertState.ACTIVE_UNACKNOWLEDGED, AlertState.NORMAL)


def drained(outbox: Outbox, now_seconds: float = 0.0) -> list[Message]:
    """All that is to be said, each acknowledged at once."""
    messages = []
    while (message := outbox.take(now_seconds)) is not None:
        messages.append(message)
        outbox.delivered(message, now_seconds)
    return messages


def events(messages: list[Message]) -> list[tuple[int, int]]:
    """Sequence and number of untold changes before it, of each event."""
    told = [json.loads(m.payload) for m in messages if m.topic == "event"]
    return [(event["sequence"], event["untold_count"]) for event in told]


def test_a_week_offline_does_not_fill_the_memory() -> None:
    outbox = Outbox(["bar"], joint_seconds=5.0)
    for number in range(10_000):
        outbox.note([estimate(float(number)), change(2 * number, alert(number))], 60.0 * number)
        outbox.note([change(2 * number + 1, alert(number, AlertState.NORMAL))], 60.0 * number)
    assert outbox.sizes() == {
        "joints": 1,
        "alerts": 0,
        "clearings": CLEARINGS_KEPT,
        "changes": CHANGES_KEPT,
    }
    assert outbox.changes_dropped == 20_000 - CHANGES_KEPT
    outbox.begin_connection(600_000.0)
    messages = drained(outbox, 600_000.0)
    joints = [m for m in messages if m.topic == "joint/bar"]
    assert len(joints) == 1 and json.loads(joints[0].payload)["probe_celsius"] == 9999.0
    last = [2 * number + 1 for number in range(9980, 10_000)]
    assert events(messages) == [(last[0], last[0]), *((sequence, 1) for sequence in last[1:])]
    assert outbox.sizes() == {"joints": 1, "alerts": 0, "clearings": 0, "changes": 0}
    assert sorted(outbox.settled()) == list(range(20_000)) and outbox.settled() == []


def test_after_an_hour_away_the_phone_gets_the_present_and_a_short_list() -> None:
    """C36: one alert chatters, one stands, some came and went; told in order, nothing uncounted."""
    outbox = Outbox(["bar"], joint_seconds=5.0, history_id="h")
    alarm = replace(alert(2), category=Category.ALARM)
    changes = [change(1, alert(1)), change(2, alarm)]
    changes += [change(3 + n, alert(1, STATES[n % 2])) for n in range(200)]
    changes += [change(203 + n, alert(10 + n, AlertState.NORMAL)) for n in range(40)]
    for one in changes:
        outbox.note([one], 100.0)
    outbox.begin_connection(3700.0)
    messages = drained(outbox, 3700.0)
    told = events(messages)
    assert len(told) == COLLAPSED_TO and told == sorted(told)
    assert told[0] == (2, 1)  # the alarm that stands, whatever came later
    assert sum(untold for _, untold in told) + len(told) == len(changes)
    present = [m.topic for m in messages if m.topic.startswith("alert/") and m.payload]
    assert present == ["alert/2"]
    assert json.loads(messages[0].payload)["sequence"] == 2
    assert json.loads(messages[0].payload)["history_id"] == "h"


def test_a_short_break_tells_everything() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    for number in range(1, 401):
        outbox.note([change(number, alert(1))], 100.0)
    outbox.begin_connection(699.0)
    assert events(drained(outbox)) == [(number, 0) for number in range(1, 401)]


def test_a_few_are_told_one_by_one_however_long_it_was() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    waiting = [change(number, alert(1)) for number in range(1, COLLAPSED_TO + 1)]
    outbox.restore([alert(1)], sequences={1: 20}, waiting=waiting, recent=waiting)
    outbox.begin_connection(0.0)
    messages = drained(outbox)
    assert events(messages) == [(number, 0) for number in range(1, COLLAPSED_TO + 1)]
    assert outbox.last_sequence == 20


def test_what_waited_over_a_restart_counts_as_having_waited_long() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    outbox.restore([], waiting=[change(number, alert(1)) for number in range(1, 501)])
    outbox.begin_connection(0.0)
    assert events(drained(outbox)) == [(500, 499)]
    assert sorted(outbox.settled()) == list(range(1, 501))


def test_what_happened_last_can_be_read_by_who_comes_late() -> None:
    outbox = Outbox([], joint_seconds=5.0, history_id="h")
    outbox.restore([], recent=[change(number, alert(number, AlertState.NORMAL)) for number in range(1, 30)])
    outbox.note([change(30, alert(5))], 0.0)
    outbox.begin_connection(0.0)
    (recent,) = [m for m in drained(outbox) if m.topic == "recent"]
    said = json.loads(recent.payload)
    assert recent.retain and said["history_id"] == "h"
    assert [c["sequence"] for c in said["changes"]] == list(range(31 - RECENT_KEPT, 31))
    assert said["changes"][-1]["state"] == "active-unacknowledged" and len(recent.payload) < 8000
    outbox.note([estimate(20.0)], 0.0)
    assert "recent" not in [m.topic for m in drained(outbox)]


def test_what_a_full_broker_refuses_is_offered_again_in_order() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    outbox.note([change(1, alert(3)), change(2, alert(4, AlertState.NORMAL))], 0.0)
    refused = []
    while (message := outbox.take(0.0)) is not None:
        refused.append(message)
    for message in reversed(refused):
        outbox.refused(message, 30.0)
    assert outbox.take(29.9) is None
    assert [m.topic for m in drained(outbox, 30.0)] == [m.topic for m in refused]
    assert [m.sequence for m in refused if m.topic == "event"] == [1, 2]


def test_what_a_broker_died_with_is_told_again_in_order() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    for number in range(1, 6):
        outbox.note([change(number, alert(number))], 100.0)
        assert events(drained(outbox, 100.0 + number)) == [(number, 0)]
    outbox.note([change(6, alert(6))], 107.0)
    outbox.begin_connection(110.0)
    outbox.tell_again(103.0)
    messages = drained(outbox, 111.0)
    assert events(messages) == [(3, 0), (4, 0), (5, 0), (6, 0)]
    outbox.begin_connection(120.0)
    outbox.tell_again(112.0)
    assert events(drained(outbox, 121.0)) == []


def test_what_is_too_large_for_the_broker_holds_nobody_up() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    outbox.note([change(1, alert(3))], 0.0)
    for _ in range(2):
        message = outbox.take(0.0)
        assert message is not None
    outbox.too_large(message)
    outbox.note([change(2, alert(3))], 0.0)
    assert events(drained(outbox)) == [(2, 1)]


def test_a_joint_waits_its_turn_and_a_changed_state_does_not() -> None:
    outbox = Outbox(["bar"], joint_seconds=5.0)
    outbox.note([estimate(40.0)], 0.0)
    drained(outbox, 100.0)
    outbox.note([estimate(41.0)], 0.0)
    assert outbox.take(104.9) is None
    assert outbox.take(105.0) is not None
    outbox.note([replace(estimate(95.0), state=JointState.HOT)], 0.0)
    assert outbox.take(105.5) is None
    hot = outbox.take(106.0)
    assert hot is not None and json.loads(hot.payload)["state"] == "hot" and hot.expires_seconds == 600


def test_newer_words_of_an_alert_are_shown_now_and_then_and_are_no_event() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    outbox.note([change(7, alert(3))], 100.0)
    drained(outbox, 100.0)
    newer = replace(alert(3), text="The bar is at 61 °C.")
    outbox.note([AlertUpdate(alert=newer, time=TIME), AlertUpdate(alert=alert(9), time=TIME)], 101.0)
    assert drained(outbox, 129.9) == []
    (message,) = drained(outbox, 130.0)
    said = json.loads(message.payload)
    assert (message.topic, said["text"], said["sequence"]) == ("alert/3", "The bar is at 61 °C.", 7)
    outbox.note([AlertUpdate(alert=newer, time=TIME), change(8, alert(3, AlertState.NORMAL))], 131.0)
    assert [m.payload for m in drained(outbox, 200.0) if m.topic == "alert/3"] == [""]


def test_a_change_is_sent_again_until_it_is_acknowledged() -> None:
    outbox = Outbox([], joint_seconds=5.0)
    outbox.note([change(1, alert(3)), change(2, alert(4, AlertState.NORMAL))], 0.0)
    for _ in range(3):
        outbox.begin_connection(0.0)
        taken = [outbox.take(0.0) for _ in range(6)]
        assert [(m.topic, m.sequence) for m in taken if m] == [
            ("alert/3", None),
            ("alert/4", None),
            ("event", 1),
            ("event", 2),
            ("recent", None),
        ]
    for message in taken:
        if message is not None:
            outbox.delivered(message, 0.0)
    outbox.begin_connection(0.0)
    assert [m.topic for m in drained(outbox)] == ["alert/3", "recent"]


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


def test_a_broker_that_never_says_a_word_to_mqtt_5_costs_two_seconds() -> None:
    """Some brokers that speak 3.1.1 only take such a connection and are silent."""
    first = Attempt(protocol="5")
    assert answer_seconds(first, PACE) == 2.0
    older = next_attempt(first, ended(EndKind.SILENT), "5", PACE)
    assert (older.protocol, older.delay_seconds, answer_seconds(older, PACE)) == ("3.1.1", 0.0, 10.0)
    again = next_attempt(older, ended(EndKind.SILENT), "5", PACE)
    assert (again.protocol, answer_seconds(again, PACE)) == ("5", 8.0)


def test_a_broker_that_has_spoken_mqtt_5_is_spoken_to_in_it_also_after_a_freeze() -> None:
    attempt = next_attempt(Attempt(protocol="5"), ended(EndKind.LOST, 100.0), "5", PACE)
    for _ in range(3):
        attempt = next_attempt(attempt, ended(EndKind.SILENT), "5", PACE)
        assert attempt.protocol == "5" and answer_seconds(attempt, PACE) == 10.0
    replaced = next_attempt(attempt, ended(EndKind.PROTOCOL_REFUSED), "5", PACE)
    assert replaced.protocol == "3.1.1" and not replaced.proven


def test_who_turns_us_away_is_told_by_its_reason() -> None:
    after = Attempt(protocol="5", delay_seconds=4.0)
    for kind, words in (
        (EndKind.REFUSED, "refuses us (so): check user and password; next try in 4 s"),
        (EndKind.TURNED_AWAY, "turns us away (so); next"),
        (EndKind.UNTRUSTED, "is not trusted: so; next"),
        (EndKind.UNREACHABLE, "no broker at pi:1883 (so); next"),
    ):
        assert words in trouble(ended(kind), after, "pi:1883", "a")


def test_the_time_until_a_broker_misses_us() -> None:
    """One and a half keep-alives, MQTT 5 section 3.1.2.10, and what a broker takes to look."""
    assert offline_after_seconds(PACE.keepalive_seconds) == 35.0
