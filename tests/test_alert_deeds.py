"""What the crew does and what time does: silence, shelf, work on a joint, and nobody answering."""

import itertools
from dataclasses import replace

import pytest

import boats
from lugwatch import alert_deeds, alert_states, pipeline
from lugwatch.alert_states import Book, Finding, Verdict
from lugwatch.model import (
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
    CrewAction,
    CrewDeed,
    Estimate,
    JointState,
    Output,
)

K, S = AlertChangeKind, AlertState


def finding(category: Category = Category.WARNING, condition: Condition = Condition.NO_DATA) -> Finding:
    return Finding(
        condition=condition,
        joint="bar",
        channel=None,
        verdict=Verdict.TRUE,
        category=category,
        on_delay_seconds=0.0,
        off_delay_seconds=0.0,
        text="It is so.",
    )


REMINDER = replace(finding(Category.CAUTION, Condition.OUT_OF_SERVICE), text="Bar is out of service.")


class Boat:
    """A book that is lived with: one finding a window, deeds in between, time in seconds."""

    def __init__(self) -> None:
        self.book, self.now, self.told = Book(), 0.0, list[AlertChange]()

    def see(self, *findings: Finding, seconds: float = 0.0) -> list[AlertChange]:
        """These findings in every window of ten seconds, for so long."""
        before, until = len(self.told), self.now + seconds
        while True:
            time = round(self.now * 1000)
            for work in (
                lambda: alert_states.elapse(self.book, self.now, time),  # noqa: B023
                lambda: alert_states.apply(self.book, findings, self.now, time),  # noqa: B023
            ):
                self.book, changes = work()
                self.told += changes
            if self.now >= until:
                return self.told[before:]
            self.now += 10.0

    def do(self, deed: CrewDeed, **what: object) -> list[AlertChange]:
        action = CrewAction(
            deed=deed, who="Ada", monotonic_seconds=self.now, time=round(self.now * 1000), **what  # type: ignore[arg-type]
        )  # fmt: skip
        self.book, changes = alert_deeds.act(self.book, action, REMINDER)
        self.told += changes
        return list(changes)

    @property
    def state(self) -> AlertState:
        return next(a.state for a in self.book.alerts.values() if a.condition is not REMINDER.condition)


def test_a_silence_lasts_thirty_seconds_and_puts_no_answer_off() -> None:
    boat, it = Boat(), finding()
    boat.see(it, seconds=10.0)
    (quiet,) = boat.do(CrewDeed.SILENCE)
    assert (quiet.change, quiet.who, quiet.speaks) == (K.SILENCED, "Ada", False)
    assert quiet.alert.silenced_until_time == 10_000 + 30_000
    assert boat.see(it, seconds=20.0) == []
    (back,) = boat.see(it, seconds=10.0)
    assert (back.change, back.time, back.alert.state) == (K.SOUNDING, 40_000, S.ACTIVE_UNACKNOWLEDGED)
    assert not back.speaks, "the sound is back, but nothing is new"
    (again,) = boat.see(it, seconds=280.0)
    assert (again.change, again.time) == (K.REPEATED, 300_000)


def test_what_becomes_worse_breaks_a_silence() -> None:
    boat = Boat()
    boat.see(finding())
    boat.do(CrewDeed.SILENCE, alert_id=1)
    (worse,) = boat.see(finding(Category.ALARM))
    assert worse.change is K.WORSENED and worse.speaks and worse.alert.silenced_until_time is None


@pytest.mark.parametrize(
    ("condition", "change", "category"),
    [
        (Condition.HEADING_HOT, K.ESCALATED, Category.ALARM),
        (Condition.INTERMITTENT, K.ESCALATED, Category.ALARM),
        (Condition.WARMING, K.REPEATED, Category.WARNING),
        (Condition.NO_DATA, K.REPEATED, Category.WARNING),
    ],
)
def test_a_warning_that_nobody_answers_for_five_minutes(
    condition: Condition, change: AlertChangeKind, category: Category
) -> None:
    """MSC.302(87) and IEC 62923-1: escalated or repeated, after 5 min at most."""
    boat = Boat()
    told = boat.see(finding(condition=condition), seconds=300.0)
    assert [(c.time, c.change) for c in told] == [(0, K.RAISED), (300_000, change)]
    assert told[-1].alert.category is category and told[-1].speaks
    if change is K.ESCALATED:
        assert told[-1].alert.escalated_time == 300_000


def test_an_escalated_warning_that_somebody_answers_is_a_warning_again() -> None:
    boat, it = Boat(), finding(condition=Condition.HEADING_HOT)
    boat.see(it, seconds=300.0)
    boat.do(CrewDeed.ACKNOWLEDGE, alert_id=1)
    (eased,) = boat.see(it, seconds=10.0)
    assert (eased.change, eased.alert.category, eased.speaks) == (K.EASED, Category.WARNING, False)
    assert boat.see(it, seconds=3600.0) == [], "somebody is on it"


def test_a_caution_is_never_repeated() -> None:
    assert len(Boat().see(finding(Category.CAUTION), seconds=21_600.0)) == 1


def test_six_hours_without_an_answer_are_repeated_at_the_stated_times() -> None:
    boat = Boat()
    told = boat.see(finding(Category.ALARM, Condition.HOT), seconds=21_600.0)
    minutes = [c.time / 60_000 for c in told]
    # after 5 minutes, then 10, 20, and every 30
    assert minutes[:5] == [0.0, 5.0, 15.0, 35.0, 65.0]
    assert {b - a for a, b in itertools.pairwise(minutes[4:])} == {30.0}
    assert len(told) == 14 and all(c.speaks for c in told)
    assert told[-1].alert.said_count == 14


def test_a_shelved_alert_is_quiet_for_its_time_and_then_speaks_if_it_is_still_so() -> None:
    boat, it = Boat(), finding(Category.CAUTION)
    boat.see(it)
    (shelved,) = boat.do(CrewDeed.SHELVE, alert_id=1, for_seconds=1800.0)
    assert (shelved.alert.state, shelved.alert.shelved_by) == (S.SHELVED, "Ada")
    assert shelved.alert.shelved_until_time == 1_800_000
    assert boat.see(it, seconds=1790.0) == []
    (over,) = boat.see(it, seconds=10.0)
    assert (over.change, over.alert.state) == (K.SHELF_OVER, S.ACTIVE_UNACKNOWLEDGED)
    assert over.speaks and over.alert.shelved_until_time is None


def test_a_shelved_alert_that_comes_and_goes_is_quiet_and_is_over_with_its_shelf() -> None:
    boat, it = Boat(), finding()
    boat.see(it)
    boat.do(CrewDeed.SHELVE, alert_id=1, for_seconds=3600.0)
    gone = replace(it, verdict=Verdict.FALSE)
    for _ in range(20):
        boat.see(gone, seconds=60.0)
        boat.see(it, seconds=30.0)
    boat.see(gone, seconds=4000.0)
    assert [c.change for c in boat.told if c.speaks] == [K.RAISED]
    assert boat.told[-1].change is K.SHELF_OVER and not boat.book.alerts


def test_a_shelved_alert_whose_category_rises_speaks_again() -> None:
    boat = Boat()
    boat.see(finding(Category.CAUTION))
    boat.do(CrewDeed.SHELVE, alert_id=1, for_seconds=3600.0)
    (worse,) = boat.see(finding(Category.WARNING))
    assert (worse.change, worse.alert.state) == (K.WORSENED, S.ACTIVE_UNACKNOWLEDGED)
    assert worse.speaks and worse.alert.shelved_until_time is None
    assert boat.see(finding(Category.WARNING), seconds=290.0) == []


@pytest.mark.parametrize(
    ("category", "wanted", "granted"),
    [
        (Category.CAUTION, None, 3600.0),
        (Category.CAUTION, 1e9, 86_400.0),
        (Category.ALARM, 1e9, 3600.0),
        (Category.WARNING, -5.0, 3600.0),
        (Category.WARNING, 60.0, 60.0),
    ],
)
def test_no_shelf_is_for_ever(category: Category, wanted: float | None, granted: float) -> None:
    boat = Boat()
    boat.see(finding(category))
    (shelved,) = boat.do(CrewDeed.SHELVE, alert_id=1, for_seconds=wanted)
    assert shelved.alert.shelved_until_time == round(granted * 1000)


def test_unshelving_is_having_seen_it() -> None:
    boat, it = Boat(), finding()
    boat.see(it)
    boat.do(CrewDeed.SHELVE, alert_id=1)
    (taken,) = boat.do(CrewDeed.UNSHELVE, alert_id=1)
    assert (taken.alert.state, taken.alert.acknowledged_by) == (S.ACTIVE_ACKNOWLEDGED, "Ada")
    assert boat.see(it, seconds=7200.0) == []


def test_nothing_is_said_of_a_joint_that_is_worked_on() -> None:
    boat, warming = Boat(), finding(Category.CAUTION, Condition.WARMING)
    hot = finding(Category.ALARM, Condition.HOT)
    boat.see(warming)
    told = boat.do(CrewDeed.OUT_OF_SERVICE, joint="bar", for_seconds=1800.0)
    assert {(c.change, c.alert.condition) for c in told} == {
        (K.TAKEN_OUT, Condition.WARMING),
        (K.TAKEN_OUT, Condition.OUT_OF_SERVICE),
    }
    assert not any(c.speaks for c in told)
    assert boat.see(warming, hot, seconds=600.0) == []
    other = replace(hot, joint="fuse")
    assert [c.alert.joint for c in boat.see(other)] == ["fuse"], "all others are watched"
    back = boat.do(CrewDeed.BACK_IN_SERVICE, joint="bar")
    assert [(c.change, c.alert.condition, c.speaks) for c in back] == [
        (K.RECTIFIED, Condition.OUT_OF_SERVICE, False),
        (K.PUT_BACK, Condition.WARMING, True),
    ]
    raised = boat.see(hot, replace(hot, joint="fuse"))
    assert [(c.change, c.alert.joint) for c in raised] == [(K.RAISED, "bar")]


def test_a_joint_that_was_forgotten_out_of_service_is_back_by_itself() -> None:
    boat = Boat()
    boat.do(CrewDeed.OUT_OF_SERVICE, joint="bar")
    told = boat.see(seconds=7200.0)
    assert [(c.time, c.change, c.who) for c in told] == [(7_200_000, K.RECTIFIED, None)]
    assert not boat.book.alerts


def test_what_ends_while_a_joint_is_worked_on_is_over() -> None:
    boat, warming = Boat(), finding(Category.WARNING, Condition.WARMING)
    boat.see(warming)
    boat.do(CrewDeed.OUT_OF_SERVICE, joint="bar")
    (over,) = boat.see(replace(warming, verdict=Verdict.FALSE))
    assert (over.change, over.alert.state) == (K.RECTIFIED, S.NORMAL)
    back = boat.do(CrewDeed.BACK_IN_SERVICE, joint="bar")
    assert [c.alert.condition for c in back] == [Condition.OUT_OF_SERVICE]


def test_taking_out_again_gives_more_time_and_putting_back_twice_changes_nothing() -> None:
    boat = Boat()
    boat.do(CrewDeed.OUT_OF_SERVICE, joint="bar", for_seconds=600.0)
    boat.see(seconds=500.0)
    boat.do(CrewDeed.OUT_OF_SERVICE, joint="bar", for_seconds=600.0)
    assert boat.see(seconds=590.0) == []
    assert [c.change for c in boat.do(CrewDeed.BACK_IN_SERVICE, joint="bar")] == [K.RECTIFIED]
    assert boat.do(CrewDeed.BACK_IN_SERVICE, joint="bar") == []


@pytest.mark.parametrize("deed", list(CrewDeed))
def test_a_deed_about_what_is_not_there_changes_nothing(deed: CrewDeed) -> None:
    boat = Boat()
    action = CrewAction(deed=deed, alert_id=99, joint="none", who="Ada", monotonic_seconds=0.0, time=0)
    book, changes = alert_deeds.act(boat.book, action, None)
    assert book == boat.book and changes == ()


def test_a_joint_out_of_service_says_so_on_its_card_and_is_watched_again_afterwards() -> None:
    state = boats.begin(boats.boat())

    def work(deed: CrewDeed, joint: str, seconds: float) -> list[object]:
        nonlocal state
        action = CrewAction(
            deed=deed, joint=joint, who="Ada", monotonic_seconds=seconds, time=boats.START_TIME
        )
        state, outputs = pipeline.step(state, action)
        return list(outputs)

    def hot(start: int, end: int) -> list[Output]:
        nonlocal state
        rows = [
            event
            for s in range(start, end, 5)
            for event in (boats.scan(s, bar=95.0, air=20.0, alternator=0.0), boats.tick(s))
        ]
        state, outputs = boats.run(state, rows)
        return outputs

    assert work(CrewDeed.OUT_OF_SERVICE, "no such joint", 0.0) == []
    work(CrewDeed.OUT_OF_SERVICE, "bar", 0.0)
    outputs = hot(0, 120)
    last = [o for o in outputs if isinstance(o, Estimate)][-1]
    assert last.state is JointState.OUT_OF_SERVICE and "worked on" in (last.reason or "")
    assert last.probe_celsius == 95.0, "it is read and shown all the same"
    assert [o for o in outputs if isinstance(o, AlertChange)] == []
    (back, *_) = work(CrewDeed.BACK_IN_SERVICE, "bar", 120.0)
    assert isinstance(back, AlertChange) and back.who == "Ada"
    told = [o for o in hot(120, 180) if isinstance(o, AlertChange)]
    assert [(o.change, o.alert.condition) for o in told] == [(K.RAISED, Condition.HOT)]


def test_only_the_most_important_unanswered_alert_is_repeated_and_counts_the_others() -> None:
    boat = Boat()
    some = [replace(finding(), joint=f"j{n}") for n in range(4)]
    some[2] = replace(some[2], category=Category.ALARM)
    told = boat.see(*some, seconds=3600.0)
    again = [c for c in told if c.change is K.REPEATED]
    assert {c.alert.joint for c in again} == {"j2"}
    assert "(3 more wait for an answer.)" in again[0].alert.text
    assert "wait for" not in next(a.text for a in boat.book.alerts.values() if a.joint == "j2")
    boat.do(CrewDeed.ACKNOWLEDGE, alert_id=again[0].alert.alert_id)
    later = boat.see(*some, seconds=1800.0)
    assert {c.alert.joint for c in later} == {"j0"}, "then the next"
