"""The state table: total, deterministic, and without chatter."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch import alert_states
from lugwatch.alert_states import AlertEvent, Book, Finding, Verdict
from lugwatch.model import AlertChangeKind, AlertState, Category, Condition, CrewAction, CrewDeed


def finding(verdict: Verdict, category: Category = Category.WARNING, delay: float = 0.0) -> Finding:
    return Finding(
        condition=Condition.HOT,
        joint="bar",
        channel=None,
        verdict=verdict,
        category=category,
        on_delay_seconds=delay,
        off_delay_seconds=delay,
        text="hot",
        advice="shed load",
    )


def acknowledge(alert_id: int) -> CrewAction:
    return CrewAction(
        deed=CrewDeed.ACKNOWLEDGE, alert_id=alert_id, who="skipper", monotonic_seconds=9.0, time=9000
    )


def test_every_state_and_event_has_exactly_one_next_state() -> None:
    for state, event in itertools.product(AlertState, AlertEvent):
        assert alert_states.next_state(state, event) in AlertState


def test_normal_is_reached_only_through_rectification_or_sight() -> None:
    """IEC 62923: an alarm or warning that nobody has seen does not vanish when its cause does."""
    ways = {k for k, v in alert_states.TABLE.items() if v is AlertState.NORMAL}
    assert ways == {
        (AlertState.ACTIVE_ACKNOWLEDGED, AlertEvent.RECTIFIED),
        (AlertState.RECTIFIED_UNACKNOWLEDGED, AlertEvent.ACKNOWLEDGE),
        (AlertState.ACTIVE_UNACKNOWLEDGED, AlertEvent.RECTIFIED_CAUTION),
        (AlertState.ACTIVE_ACKNOWLEDGED, AlertEvent.RECTIFIED_CAUTION),
    }


def test_a_warning_lives_its_whole_life() -> None:
    book, changes = alert_states.apply(Book(), [finding(Verdict.TRUE)], 0.0, 0)
    assert changes[0].change is AlertChangeKind.RAISED
    assert changes[0].alert.state is AlertState.ACTIVE_UNACKNOWLEDGED
    book, changes = alert_states.apply(book, [finding(Verdict.FALSE)], 1.0, 1000)
    assert changes[0].alert.state is AlertState.RECTIFIED_UNACKNOWLEDGED
    assert changes[0].alert.rectified_time == 1000
    book, changes = alert_states.apply(book, [finding(Verdict.TRUE)], 2.0, 2000)
    assert changes[0].change is AlertChangeKind.RETURNED
    assert changes[0].alert.alert_id == 1
    book, changes = alert_states.acknowledge(book, acknowledge(1))
    assert changes[0].alert.state is AlertState.ACTIVE_ACKNOWLEDGED
    assert changes[0].alert.acknowledged_by == "skipper"
    book, changes = alert_states.apply(book, [finding(Verdict.FALSE)], 3.0, 3000)
    assert changes[0].alert.state is AlertState.NORMAL
    assert not book.alerts
    assert book.next_sequence == 6


def test_worse_is_said_again_and_better_is_not() -> None:
    book, _ = alert_states.apply(Book(), [finding(Verdict.TRUE, Category.CAUTION)], 0.0, 0)
    book, _ = alert_states.acknowledge(book, acknowledge(1))
    book, changes = alert_states.apply(book, [finding(Verdict.TRUE, Category.ALARM)], 1.0, 1000)
    assert [c.change for c in changes] == [AlertChangeKind.WORSENED]
    assert changes[0].alert.state is AlertState.ACTIVE_UNACKNOWLEDGED
    _, changes = alert_states.apply(book, [finding(Verdict.TRUE, Category.CAUTION)], 2.0, 2000)
    assert changes == ()


def test_nothing_known_neither_sets_nor_clears() -> None:
    book, changes = alert_states.apply(Book(), [finding(Verdict.HOLD)], 0.0, 0)
    assert changes == () and not book.alerts
    book, _ = alert_states.apply(book, [finding(Verdict.TRUE)], 1.0, 1000)
    held, changes = alert_states.apply(book, [finding(Verdict.HOLD)], 9999.0, 0)
    assert changes == () and held.alerts == book.alerts


def test_a_condition_shorter_than_its_delay_is_not_said() -> None:
    book = Book()
    for second in range(0, 600, 10):
        verdict = Verdict.TRUE if second % 50 else Verdict.FALSE
        book, changes = alert_states.apply(book, [finding(verdict, delay=60.0)], second, second * 1000)
        assert changes == ()


def test_a_remembered_alert_is_not_announced_again() -> None:
    _, changes = alert_states.apply(Book(), [finding(Verdict.TRUE)], 0.0, 0)
    again = alert_states.opened([changes[0].alert], 2, 2)
    _, changes = alert_states.apply(again, [finding(Verdict.TRUE)], 50.0, 50_000)
    assert changes == ()


@given(
    st.lists(
        st.tuples(st.sampled_from(Verdict), st.sampled_from(Category), st.booleans(), st.floats(0.1, 90.0)),
        max_size=60,
    )
)
def test_any_story_numbers_its_changes_without_gaps_and_never_raises_twice(
    story: list[tuple[Verdict, Category, bool, float]],
) -> None:
    book, now, changes = Book(), 0.0, []
    for verdict, category, seen, seconds in story:
        now += seconds
        book, more = alert_states.apply(book, [finding(verdict, category, 30.0)], now, int(now * 1000))
        changes += more
        if seen and book.alerts:
            book, more = alert_states.acknowledge(
                book, acknowledge(next(iter(book.alerts.values())).alert_id)
            )
            changes += more
    assert [c.sequence for c in changes] == list(range(1, len(changes) + 1))
    open_now = False
    for change in changes:
        if change.change is AlertChangeKind.RAISED:
            assert not open_now
        open_now = change.alert.state is not AlertState.NORMAL
    assert all(a.state is not AlertState.NORMAL for a in book.alerts.values())


@pytest.mark.parametrize("alert_id", [0, 2, 99])
def test_an_unknown_alert_cannot_be_acknowledged(alert_id: int) -> None:
    book, _ = alert_states.apply(Book(), [finding(Verdict.TRUE)], 0.0, 0)
    same, changes = alert_states.acknowledge(book, acknowledge(alert_id))
    assert same == book and changes == ()
