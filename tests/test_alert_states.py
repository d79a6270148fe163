"""Findings through their delays: said once, without chatter, first, worst and last kept."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch import alert_deeds, alert_states
from lugwatch.alert_states import Book, Finding, Verdict
from lugwatch.model import AlertChange, AlertChangeKind, AlertState, Category, Condition, CrewAction, CrewDeed


def finding(verdict: Verdict, category: Category = Category.WARNING, delay: float = 0.0) -> Finding:
    return Finding(
        condition=Condition.HOT,
        joint="bar",
        channel=None,
        verdict=verdict,
        category=category,
        on_delay_seconds=delay,
        off_delay_seconds=delay,
        text="" if verdict is Verdict.HOLD else "hot",
        advice="shed load",
    )


def acknowledge(alert_id: int) -> CrewAction:
    return CrewAction(
        deed=CrewDeed.ACKNOWLEDGE, alert_id=alert_id, who="skipper", monotonic_seconds=9.0, time=9000
    )


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
    book, changes = alert_deeds.act(book, acknowledge(1))
    assert changes[0].alert.state is AlertState.ACTIVE_ACKNOWLEDGED
    assert changes[0].alert.acknowledged_by == "skipper"
    book, changes = alert_states.apply(book, [finding(Verdict.FALSE)], 3.0, 3000)
    assert changes == (), "it came back once: its end has to last a minute now"
    book, changes = alert_states.apply(book, [finding(Verdict.FALSE)], 63.0, 63_000)
    assert changes[0].alert.state is AlertState.NORMAL
    assert not book.alerts
    assert book.next_sequence == 6


def test_worse_is_said_again_and_better_is_not() -> None:
    book, _ = alert_states.apply(Book(), [finding(Verdict.TRUE, Category.CAUTION)], 0.0, 0)
    book, _ = alert_deeds.act(book, acknowledge(1))
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
            book, more = alert_deeds.act(book, acknowledge(next(iter(book.alerts.values())).alert_id))
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
    same, changes = alert_deeds.act(book, acknowledge(alert_id))
    assert same == book and changes == ()


def lived(story: list[Finding], step_seconds: float = 10.0) -> tuple[Book, list[AlertChange]]:
    book, told = Book(), []
    for n, found in enumerate(story):
        now = n * step_seconds
        book, changes = alert_states.apply(book, [found], now, round(now * 1000))
        told += changes
        book, changes = alert_states.elapse(book, now, round(now * 1000))
        told += changes
    return book, told


def test_an_alert_keeps_its_first_worst_and_last_figures_and_says_what_is_so_now() -> None:
    course = [91.0, 93.5, 97.25, 95.0, 92.0]
    story = [
        replace(finding(Verdict.TRUE, Category.ALARM), probe_celsius=c, baseline_ratio=1.5, text=f"at {c} °C")
        for c in course
    ]
    book, told = lived(story)
    (alert,) = book.alerts.values()
    assert [c.change for c in told] == [AlertChangeKind.RAISED], "the rest is no news"
    assert told[0].alert.text == "at 91.0 °C", "what was said then is kept as it was said"
    assert (alert.raised_time, alert.first_celsius, alert.first_baseline_ratio) == (0, 91.0, 1.5)
    assert (alert.worst_time, alert.worst_celsius, alert.worst_category) == (20_000, 97.25, Category.ALARM)
    assert (alert.last_time, alert.last_celsius) == (40_000, 92.0)
    assert alert.text == "at 92.0 °C"
    book, (update,) = alert_states.updates(book, 41_000)
    assert update.alert == alert
    assert alert_states.updates(book, 42_000) == (book, ()), "told once"


def test_between_its_thresholds_an_alert_still_says_what_is_so_now() -> None:
    held = replace(finding(Verdict.HOLD), text="88 °C; it was over 90", probe_celsius=88.0)
    book, told = lived([replace(finding(Verdict.TRUE), text="91 °C"), held])
    (alert,) = book.alerts.values()
    assert alert.text == "88 °C; it was over 90" and len(told) == 1
    unknown = finding(Verdict.HOLD)
    book, _ = alert_states.apply(book, [replace(unknown, text="")], 60.0, 60_000)
    assert next(iter(book.alerts.values())).text == alert.text, "not known: what was said last stands"


def test_a_category_nobody_has_seen_does_not_ease_and_a_seen_one_does_after_its_delay() -> None:
    alarm, caution = finding(Verdict.TRUE, Category.ALARM), finding(Verdict.TRUE, Category.CAUTION, 60.0)
    book, _ = lived([alarm, *[caution] * 30])
    assert next(iter(book.alerts.values())).category is Category.ALARM
    book, _ = alert_deeds.act(book, acknowledge(1))
    kinds = []
    for n in range(12):
        book, changes = alert_states.apply(book, [caution], 400.0 + 10.0 * n, 0)
        kinds += [(10 * n, c.change, c.alert.category, c.speaks) for c in changes]
    # the delay had run out while nobody had seen the alarm
    assert kinds == [(0, AlertChangeKind.EASED, Category.CAUTION, False)]
    book, changes = alert_states.apply(book, [alarm], 600.0, 0)
    assert changes[0].change is AlertChangeKind.WORSENED and changes[0].speaks


def test_what_the_dead_band_keeps_does_not_ease() -> None:
    book, _ = lived([finding(Verdict.TRUE, Category.WARNING)])
    book, _ = alert_deeds.act(book, acknowledge(1))
    within = replace(finding(Verdict.TRUE, Category.CAUTION), keeps=Category.WARNING)
    for n in range(100):
        book, changes = alert_states.apply(book, [within], 20.0 + 10.0 * n, 0)
        assert changes == ()
    below = finding(Verdict.TRUE, Category.CAUTION)
    _, changes = alert_states.apply(book, [below], 2000.0, 0)
    assert [c.change for c in changes] == [AlertChangeKind.EASED]


def test_an_alarm_that_nobody_saw_and_that_comes_back_as_a_caution_still_waits_for_eyes() -> None:
    book, _ = lived([finding(Verdict.TRUE, Category.ALARM), finding(Verdict.FALSE)])
    book, changes = alert_states.apply(book, [finding(Verdict.TRUE, Category.CAUTION)], 60.0, 0)
    assert changes[0].alert.category is Category.ALARM
    for n in range(40):
        book, _ = alert_states.apply(book, [finding(Verdict.FALSE, Category.CAUTION)], 70.0 + 10.0 * n, 0)
    (alert,) = book.alerts.values()
    assert alert.state is AlertState.RECTIFIED_UNACKNOWLEDGED


def test_what_comes_and_goes_has_to_stay_away_longer_each_time() -> None:
    """Six hours of a condition that is true for 20 s and false for 70 s (C15)."""
    story = [
        finding(Verdict.TRUE if n % 9 < 2 else Verdict.FALSE, Category.CAUTION, 10.0) for n in range(2160)
    ]
    _, told = lived(story)
    spoken = [c.time / 1000.0 for c in told if c.speaks]
    assert 2 <= len(spoken) <= 5, spoken
    assert max(spoken) < 1200.0, "then it is told as one that goes on"


def test_after_long_calm_the_delay_is_the_usual_one_again() -> None:
    once = [finding(Verdict.TRUE, delay=10.0)] * 2 + [finding(Verdict.FALSE, delay=10.0)] * 2
    calm = [finding(Verdict.FALSE, delay=10.0)] * 400
    _, told = lived([*once, *calm, *once, *calm[:2]])
    assert [c.change for c in told][-1] is AlertChangeKind.RECTIFIED
    assert told[-1].time - told[-2].time == 20_000 or told[-2].change is AlertChangeKind.RETURNED


def test_gaps_that_alternate_with_readings_neither_stretch_nor_shorten(  # C13
) -> None:
    story = [finding(Verdict.HOLD if n % 2 else Verdict.TRUE, Category.ALARM, 60.0) for n in range(60)] + [
        finding(Verdict.HOLD if n % 2 else Verdict.FALSE, Category.ALARM, 60.0) for n in range(60)
    ]
    _, told = lived(story)
    assert (told[0].change, told[0].time) == (AlertChangeKind.RAISED, 60_000)
    ends = [c.time for c in told if c.change is AlertChangeKind.RECTIFIED]
    assert ends == [660_000]


def test_one_joint_over_its_limit_is_not_told_thrice() -> None:
    hot = finding(Verdict.TRUE, Category.ALARM)
    heading = replace(finding(Verdict.TRUE), condition=Condition.HEADING_HOT)
    rising = replace(finding(Verdict.TRUE), condition=Condition.RISING_FAST)
    book, changes = alert_states.apply(Book(), [rising, heading, hot], 0.0, 0)
    assert [c.alert.condition for c in changes] == [Condition.HOT]
    other = replace(heading, joint="fuse")
    _, changes = alert_states.apply(book, [other, rising], 10.0, 0)
    assert [c.alert.joint for c in changes] == ["fuse"], "another joint is another situation"


def test_the_most_important_is_said_first() -> None:
    at_once = [
        replace(finding(Verdict.TRUE, Category.CAUTION), joint="c", condition=Condition.WARMING),
        replace(finding(Verdict.TRUE, Category.ALARM), joint="b", urgency=1.0),
        replace(finding(Verdict.TRUE, Category.WARNING), joint="w", condition=Condition.NO_DATA),
        replace(finding(Verdict.TRUE, Category.ALARM), joint="a", urgency=9.0),
    ]
    _, changes = alert_states.apply(Book(), at_once, 0.0, 0)
    assert [c.alert.joint for c in changes] == ["a", "b", "w", "c"]
    assert [c.sequence for c in changes] == [1, 2, 3, 4]
