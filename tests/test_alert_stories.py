"""Any story of findings, deeds and time: promises that hold whatever happens, restarts included."""

from collections import Counter
from dataclasses import dataclass

from hypothesis import given, settings
from hypothesis import strategies as st

from lugwatch import alert_deeds, alert_flood, alert_memory, alert_states
from lugwatch.alert_states import Book, Finding, Verdict
from lugwatch.model import (
    SPEAKING,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
    CrewAction,
    CrewDeed,
)

JOINTS = ("a", "b", "c", "d")
CONDITIONS = (Condition.HOT, Condition.HEADING_HOT, Condition.WARMING, Condition.NO_DATA)


@dataclass(frozen=True)
class Moment:
    """What happens at one moment: some findings, perhaps a deed, perhaps a restart; then time passes."""

    findings: tuple[Finding, ...]
    deed: CrewDeed | None
    alert_id: int
    joint: str
    for_seconds: float | None
    restart: bool
    seconds: float


_findings = st.builds(
    Finding,
    condition=st.sampled_from(CONDITIONS),
    joint=st.sampled_from(JOINTS),
    channel=st.none(),
    verdict=st.sampled_from(Verdict),
    category=st.sampled_from(Category),
    on_delay_seconds=st.sampled_from([0.0, 30.0]),
    off_delay_seconds=st.sampled_from([0.0, 60.0]),
    text=st.just("It is so."),
    keeps=st.none() | st.sampled_from(Category),
    probe_celsius=st.none() | st.floats(0, 100),
)
_moments = st.builds(
    Moment,
    findings=st.lists(_findings, max_size=6, unique_by=lambda f: f.key).map(tuple),
    deed=st.none() | st.sampled_from(CrewDeed),
    alert_id=st.integers(1, 8),
    joint=st.sampled_from(JOINTS),
    for_seconds=st.none() | st.floats(1, 1e5),
    restart=st.booleans(),
    seconds=st.sampled_from([1.0, 10.0, 45.0, 400.0, 4000.0]),
)


def lived(story: list[Moment], *, restarts: bool) -> tuple[Book, list[AlertChange]]:
    book, now, told = Book(), 0.0, list[AlertChange]()

    def take(acted: tuple[Book, tuple[AlertChange, ...]]) -> None:
        nonlocal book
        book = acted[0]
        told.extend(acted[1])

    for moment in story:
        time = round(now * 1000)
        take(alert_states.elapse(book, now, time))
        take(alert_states.apply(book, moment.findings, now, time))
        if moment.deed is not None:
            reminder = Finding(
                condition=Condition.OUT_OF_SERVICE, joint=moment.joint, channel=None, verdict=Verdict.TRUE,
                category=Category.CAUTION, on_delay_seconds=0.0, off_delay_seconds=0.0, text="Out.",
            )  # fmt: skip
            action = CrewAction(
                deed=moment.deed, alert_id=moment.alert_id, joint=moment.joint, who="Ada",
                for_seconds=moment.for_seconds, monotonic_seconds=now, time=time,
            )  # fmt: skip
            take(alert_deeds.act(book, action, reminder))
        if restarts and moment.restart:
            body = alert_memory.memory(book, now, time).body
            fresh = alert_states.opened(list(book.alerts.values()), book.next_alert_id, book.next_sequence)
            book = alert_memory.resume(fresh, body, now, time)
        now += moment.seconds
    return book, told


@given(st.lists(_moments, max_size=40))
@settings(deadline=None, max_examples=150)
def test_any_story_keeps_its_promises(story: list[Moment]) -> None:
    book, told = lived(story, restarts=False)
    assert [c.sequence for c in told] == list(range(1, len(told) + 1)), "numbered without gaps"
    assert all(a.state is not AlertState.NORMAL for a in book.alerts.values())
    raised = Counter(c.alert.alert_id for c in told if c.change is AlertChangeKind.RAISED)
    assert set(raised.values()) <= {1}, "an alert begins once"
    unseen_alarm: dict[int, bool] = {}
    for change in told:
        number, state = change.alert.alert_id, change.alert.state
        assert not change.speaks or (change.change in SPEAKING and state is AlertState.ACTIVE_UNACKNOWLEDGED)
        if change.who is not None or change.change is AlertChangeKind.MERGED:
            unseen_alarm[number] = False
        if state is AlertState.NORMAL:
            assert not unseen_alarm.get(number), "an alarm or warning that nobody saw is not over by itself"
        if state is AlertState.ACTIVE_UNACKNOWLEDGED:
            unseen_alarm[number] = change.alert.category is not Category.CAUTION
    spoken = [c.time for c in told if c.speaks and c.alert.condition is not Condition.FLOOD
              and c.change is not AlertChangeKind.REPEATED]  # fmt: skip
    assert all(sum(t <= u < t + 600_000 for u in spoken) <= alert_flood.ALONE_COUNT for t in spoken)
    for key, due in book.due.items():
        state = book.alerts[key].state
        if due.state_seconds is not None:
            assert state in (
                *(AlertState.ACTIVE_SILENCED, AlertState.SHELVED, AlertState.SHELVED_RECTIFIED),
                AlertState.OUT_OF_SERVICE,
            )


@given(st.lists(_moments, max_size=30))
@settings(deadline=None, max_examples=150)
def test_a_watch_that_is_started_again_at_any_moment_says_the_same(story: list[Moment]) -> None:
    through, told = lived(story, restarts=False)
    again, told_again = lived(story, restarts=True)
    assert [(c.time, c.change, c.alert.alert_id, c.speaks) for c in told_again] == [
        (c.time, c.change, c.alert.alert_id, c.speaks) for c in told
    ]
    assert again.alerts == through.alerts
    assert again.due.keys() == through.due.keys()


@given(st.lists(_moments, max_size=30))
@settings(deadline=None, max_examples=60)
def test_a_shelf_or_work_on_a_joint_always_ends(story: list[Moment]) -> None:
    book, _ = lived(story, restarts=True)
    now = 1e7
    book, _ = alert_states.elapse(book, now, round(now * 1000))
    aside = (AlertState.SHELVED, AlertState.SHELVED_RECTIFIED, AlertState.OUT_OF_SERVICE)
    assert not [a for a in book.alerts.values() if a.state in aside]
