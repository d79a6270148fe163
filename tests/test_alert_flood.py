"""More at once than anybody can follow: few voices, the most important first, and nothing is lost."""

import itertools
from dataclasses import replace

import pytest

import boats
from lugwatch import alert_deeds, alert_flood, alert_states, pipeline
from lugwatch.alert_states import Book, Finding, Verdict
from lugwatch.model import (
    AlertChange,
    AlertState,
    Category,
    Condition,
    CrewAction,
    CrewDeed,
    Event,
)

# EEMUA 191: ten alarms in ten minutes are a flood
FLOOD_COUNT, FLOOD_SECONDS = 10, 600.0


def most_in_ten_minutes(changes: list[AlertChange]) -> int:
    times = [c.time / 1000.0 for c in changes if c.speaks]
    return max((sum(t <= u < t + FLOOD_SECONDS for u in times) for t in times), default=0)


def hot(joint: int, over_kelvin: float, category: Category = Category.ALARM) -> Finding:
    return Finding(
        condition=Condition.HOT,
        joint=f"j{joint}",
        channel=None,
        verdict=Verdict.TRUE,
        category=category,
        on_delay_seconds=0.0,
        off_delay_seconds=60.0,
        text=f"Joint {joint} is at {90 + over_kelvin:.0f} °C. More.",
        urgency=over_kelvin,
    )


def live(findings: list[list[Finding]], step_seconds: float = 10.0) -> tuple[Book, list[AlertChange]]:
    book, told = Book(), list[AlertChange]()
    for n, found in enumerate(findings):
        now = n * step_seconds
        book, more = alert_states.elapse(book, now, round(now * 1000))
        told += more
        book, more = alert_states.apply(book, found, now, round(now * 1000))
        told += more
    return book, told


def test_sixteen_at_once_are_six_voices_the_hottest_first_and_all_are_in_the_book() -> None:
    book, told = live([[hot(n, float(n)) for n in range(16)]])
    spoken = [c for c in told if c.speaks]
    assert [c.alert.joint for c in spoken] == ["j15", "j14", "j13", "j12", "j11", None]
    flood = spoken[-1].alert
    assert (flood.condition, flood.category) == (Condition.FLOOD, Category.ALARM)
    assert flood.text.startswith("11 further alerts at once, told together: 1. Joint 10 is at 100 °C. 2.")
    assert flood.text.endswith("And 7 more.")
    assert len(book.alerts) == 17 and len(told) == 17
    assert all(a.state is AlertState.ACTIVE_UNACKNOWLEDGED for a in book.alerts.values())
    unsaid = [a for key, a in book.alerts.items() if key in book.held]
    assert len(unsaid) == 11 and {a.said_count for a in unsaid} == {0}


@pytest.mark.parametrize("category", list(Category))
@pytest.mark.parametrize("apart", [0, 1, 3])
def test_a_flood_of_six_hours_that_nobody_answers(category: Category, apart: int) -> None:
    story = [[hot(n, float(n), category) for n in range(16) if n * apart <= k] for k in range(2160)]
    _, told = live(story)
    assert most_in_ten_minutes(told) < FLOOD_COUNT
    assert sum(c.speaks for c in told) < 6 * 6, "EEMUA 191: one in ten minutes can be managed"


def test_warnings_that_become_alarms_in_a_flood_stay_below_ten() -> None:
    some = [replace(hot(n, 0.0, Category.WARNING), condition=Condition.HEADING_HOT) for n in range(16)]
    _, told = live([some] * 400)
    assert most_in_ten_minutes(told) < FLOOD_COUNT
    floods = [c.alert.category for c in told if c.speaks and c.alert.condition is Condition.FLOOD]
    assert floods[:2] == [Category.WARNING, Category.ALARM], "and that they did is said"


def test_a_flood_is_over_when_few_come_and_none_that_it_held_is_unanswered() -> None:
    book, _ = live([[hot(n, 0.0) for n in range(9)]])
    now = 10.0
    for alert in tuple(book.alerts.values()):
        seen = CrewAction(
            deed=CrewDeed.ACKNOWLEDGE, alert_id=alert.alert_id, who="x", monotonic_seconds=now, time=10_000
        )
        book, _ = alert_deeds.act(book, seen)
    told: list[AlertChange] = []
    while now < 1200.0:
        now += 10.0
        book, more = alert_states.elapse(book, now, round(now * 1000))
        told += more
    assert [(c.alert.condition, c.alert.state) for c in told] == [(Condition.FLOOD, AlertState.NORMAL)]
    assert 590.0 <= told[0].time / 1000.0 <= 620.0
    assert alert_flood.KEY not in book.alerts


def test_an_alarm_after_the_flood_was_seen_is_heard() -> None:
    book, told = live([[hot(n, 0.0, Category.WARNING) for n in range(9)]])
    flood = told[-1].alert
    seen = CrewAction(
        deed=CrewDeed.ACKNOWLEDGE, alert_id=flood.alert_id, who="x", monotonic_seconds=5.0, time=5000
    )
    book, _ = alert_deeds.act(book, seen)
    _, more = alert_states.apply(book, [hot(20, 5.0)], 10.0, 10_000)
    spoken = [c.alert for c in more if c.speaks]
    assert [a.condition for a in spoken] == [Condition.FLOOD] and "Joint 20" in spoken[0].text


def test_all_probes_hot_through_the_whole_watch() -> None:
    """Sixteen joints go beyond 90 °C within two minutes and stay there: every rule has its say."""
    joints = [boats.joint(f"j{n}") for n in range(16)]
    boat = boats.boat(*joints)
    state, told = boats.begin(boat), list[AlertChange]()
    for k in range(720):
        seconds = 5.0 * k
        heat = min(1.0, max(0.0, seconds - 600.0) / 120.0)
        values = {f"j{n}": 30.0 + (64.0 + n) * heat for n in range(16)}
        events: list[Event] = [
            boats.scan(seconds, air=25.0, alternator=90.0, **values),
            boats.tick(seconds),
        ]
        for event in events:
            state, outputs = pipeline.step(state, event)
            told += [o for o in outputs if isinstance(o, AlertChange)]
    assert most_in_ten_minutes(told) < FLOOD_COUNT
    spoken = [c for c in told if c.speaks]
    assert {a.joint for a in state.book.alerts.values() if a.condition is Condition.HOT} == {
        j.joint for j in joints
    }
    for _, group in itertools.groupby(spoken, lambda change: change.time):
        alone = [c.alert.category for c in group if c.alert.condition is not Condition.FLOOD]
        order = [list(Category).index(category) for category in alone]
        assert order == sorted(order), "of one moment the most important is said first"
