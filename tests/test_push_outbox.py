"""What a destination of messages is told: collapsed, limited, most important first."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

import boats
from alerts_told import TIME, acknowledged, alert, change, rectified
from lugwatch.model import AlertChange, AlertChangeKind, AlertState, Category
from lugwatch.publishers.push_outbox import STALE_MS, PushOutbox

ALARMS = (Category.ALARM, Category.WARNING)


def outbox(most: int = 8, categories: tuple[Category, ...] = ALARMS) -> PushOutbox:
    return PushOutbox(1, "Grey Plover", categories, most)


def drain(box: PushOutbox, now_seconds: float = 0.0) -> list[str]:
    """The titles of all that is sent now, each taken by the service."""
    titles = []
    while (push := box.take(now_seconds, TIME)) is not None:
        titles.append(push.title)
        box.sent(push, now_seconds, TIME)
    return titles


def test_an_alert_is_sent_once_with_what_it_says_and_what_to_do() -> None:
    box = outbox()
    box.note(change(alert()))
    push = box.take(0.0, TIME)
    assert push is not None
    assert push.title == "Grey Plover: ALARM: hot"
    assert "Joint 1 is at 95 °C" in push.body and "Shed load." in push.body and "Z" in push.body
    box.sent(push, 0.0, TIME)
    assert box.take(1000.0, TIME) is None


def test_a_flood_is_below_ten_messages_in_ten_minutes_and_begins_with_the_worst() -> None:
    box = outbox()
    for number in range(1, 17):
        category = Category.ALARM if number == 16 else Category.WARNING
        box.note(change(alert(number, category)))
    titles = drain(box)
    assert len(titles) == 8
    assert titles[0] == "Grey Plover: ALARM: hot"
    assert titles[-1].startswith("Grey Plover: and 9 more, first WARNING")
    assert box.waiting() == []


def test_the_summary_names_the_most_important_and_counts_the_rest() -> None:
    box = outbox(most=2)
    for number in range(1, 12):
        box.note(change(alert(number, Category.WARNING)))
    first = box.take(0.0, TIME)
    assert first is not None
    box.sent(first, 0.0, TIME)
    rest = box.take(0.0, TIME)
    assert rest is not None and rest.title.startswith("Grey Plover: and 10 more")
    assert "Joint 2 is" in rest.body and "Joint 7 is" in rest.body and "Joint 8 is" not in rest.body
    assert "and 4 more" in rest.body


@given(
    st.lists(
        st.tuples(st.integers(1, 40), st.sampled_from(ALARMS), st.floats(0.0, 120.0)), min_size=1, max_size=80
    ),
    st.integers(2, 9),
)
def test_whatever_comes_no_ten_minutes_hold_more_than_the_limit_and_all_is_told(
    raised: list[tuple[int, Category, float]], most: int
) -> None:
    box, now, sent, told = outbox(most), 0.0, list[float](), set[int]()
    for sequence, (number, category, pause) in enumerate(raised, start=1):
        box.note(change(alert(number, category), sequence=sequence))
        while (push := box.take(now, TIME)) is not None:
            box.sent(push, now, TIME)
            sent.append(now)
            told |= {line.alert_id for line in push.lines}
        now += pause
    while box.waiting():
        due = box.due_in_seconds(now)
        assert due is not None
        now += due + 1e-6
        push = box.take(now, TIME)
        assert push is not None
        box.sent(push, now, TIME)
        sent.append(now)
        told |= {line.alert_id for line in push.lines}
    assert told == {number for number, _, _ in raised}
    assert all(sum(1 for other in sent if 0.0 <= other - one < 600.0) <= most < 10 for one in sent)


def test_what_changed_while_the_internet_was_away_is_told_as_it_is_now() -> None:
    box = outbox()
    box.note(change(alert(1)))
    push = box.take(0.0, TIME)
    assert push is not None
    box.failed(push, "no connection", 0.0)
    box.note(rectified(alert(1), sequence=2))
    assert drain(box, 1000.0) == ["Grey Plover: over: hot"]
    assert box.line(1) is None


def test_a_told_alarm_is_told_as_over_and_a_caution_is_not() -> None:
    box = outbox(categories=tuple(Category))
    for number, category in ((1, Category.ALARM), (2, Category.CAUTION)):
        box.note(change(alert(number, category)))
    assert len(drain(box)) == 2
    box.note(rectified(alert(1), sequence=3))
    box.note(change(alert(2, Category.CAUTION), AlertChangeKind.RECTIFIED, AlertState.NORMAL, sequence=4))
    assert drain(box) == ["Grey Plover: over: hot"]


def test_what_somebody_on_board_has_seen_before_it_left_need_not_leave() -> None:
    box = outbox()
    box.note(change(alert(1)))
    box.note(acknowledged(alert(1), sequence=2))
    assert drain(box) == []
    box.note(rectified(alert(1), sequence=3))
    assert drain(box) == []


@pytest.mark.parametrize(
    "kind", [AlertChangeKind.REPEATED, AlertChangeKind.WORSENED, AlertChangeKind.RETURNED]
)
def test_an_alert_that_speaks_again_is_sent_again(kind: AlertChangeKind) -> None:
    # "hot for 6 h, first send fails": only what was taken counts as said
    box = outbox()
    box.note(change(alert(1)))
    drain(box)
    box.note(change(alert(1), kind, sequence=2))
    assert drain(box) == ["Grey Plover: ALARM: hot"]


def test_what_does_not_speak_is_not_sent() -> None:
    box = outbox()
    box.note(replace(change(alert(1)), speaks=False))  # a flood holds it back, and says so itself
    assert drain(box) == []


def test_only_categories_asked_for_are_sent() -> None:
    box = outbox()
    box.note(change(alert(1, Category.CAUTION)))
    assert drain(box) == []
    box.note(change(alert(1, Category.WARNING), AlertChangeKind.WORSENED, sequence=2))
    assert drain(box) == ["Grey Plover: WARNING: hot"]


def test_retries_wait_longer_and_longer_and_news_is_tried_sooner() -> None:
    box, now, gaps = outbox(), 0.0, []
    box.note(change(alert(1)))
    for _ in range(8):
        push = box.take(now, TIME)
        assert push is not None
        box.failed(push, "no connection", now)
        due = box.due_in_seconds(now)
        assert due is not None
        gaps.append(due)
        now += due
    assert gaps == [15.0, 30.0, 60.0, 120.0, 240.0, 300.0, 300.0, 300.0]
    line = box.line(1)
    assert line is not None and line.tries == 8 and line.last_error == "no connection"
    push = box.take(now, TIME)
    assert push is not None
    box.failed(push, "no connection", now)
    box.note(change(alert(2), sequence=2))
    assert box.due_in_seconds(now + 1.0) == pytest.approx(14.0)


def test_a_change_on_the_way_is_not_lost() -> None:
    box = outbox()
    box.note(change(alert(1, Category.WARNING)))
    push = box.take(0.0, TIME)
    assert push is not None
    box.note(change(alert(1), AlertChangeKind.WORSENED, sequence=2))
    box.sent(push, 0.0, TIME)
    assert drain(box) == ["Grey Plover: ALARM: hot"]


def test_yesterdays_news_that_is_over_is_not_sent() -> None:
    box = outbox()
    box.note(change(alert(1)))
    box.note(rectified(alert(1), sequence=2))
    assert box.take(0.0, TIME + 2000 + STALE_MS) is None
    assert box.waiting() == []


def test_messages_of_before_a_restart_count_against_the_limit() -> None:
    box = outbox(most=3)
    for number in (1, 2):
        box.note(change(alert(number)))
    lines = []
    while (push := box.take(0.0, TIME)) is not None and push.lines:
        box.sent(push, 0.0, TIME - 60_000 * len(lines))
        lines.append(box.line(push.lines[0].alert_id))
    again = outbox(most=3)
    again.restore([line for line in lines if line is not None], TIME, 50.0)
    for number in (3, 4):
        again.note(change(alert(number)))
    assert [title.split(",")[0] for title in drain(again, 50.0)] == ["Grey Plover: and 2 more"]
    again.note(change(alert(5)))
    assert again.take(51.0, TIME) is None


def test_memory_is_bounded() -> None:
    box = outbox()
    for number in range(1, 1001):
        box.note(change(alert(number, Category.WARNING)))
    box.note(change(alert(2000), sequence=2000))
    assert len(box.waiting()) == 300
    assert box.waiting()[0].alert_id == 2000


@given(st.lists(st.tuples(st.integers(1, 4), st.sampled_from(list(AlertChangeKind)),
                          st.sampled_from(list(AlertState)), st.sampled_from(list(Category)),
                          st.booleans()), max_size=60))  # fmt: skip
def test_no_order_of_changes_makes_it_raise(
    changes: list[tuple[int, AlertChangeKind, AlertState, Category, bool]],
) -> None:
    box = outbox(categories=tuple(Category))
    now = 0.0
    for sequence, (number, kind, state, category, fails) in enumerate(changes, start=1):
        what: AlertChange = change(alert(number, category), kind, state, sequence=sequence)
        box.note(what)
        now += 100.0
        push = box.take(now, TIME)
        if push is not None and fails:
            box.failed(push, "no", now)
        elif push is not None:
            box.sent(push, now, TIME)
        for line in box.waiting():
            assert line.category in Category and line.title


def test_a_boat_on_which_every_joint_is_hot_sends_fewer_than_ten_messages_and_the_alarms_first() -> None:
    joints = [boats.joint(f"bar{n:02d}") for n in range(16)]
    state, box, now, sent = boats.begin(boats.boat(*joints)), outbox(), 0.0, list[tuple[float, str]]()
    for step in range(240):
        now = 5.0 * step
        celsius = 25.0 if step < 24 else 95.0
        scan = boats.scan(now, air=20.0, alternator=0.0, **{j.probe: celsius for j in joints})
        state, told = boats.run(state, [scan, boats.tick(now)])
        for output in told:
            if isinstance(output, AlertChange):
                box.note(output)
        while (push := box.take(now, TIME)) is not None:
            box.sent(push, now, TIME)
            sent.append((now, push.title))
    assert "ALARM" in sent[0][1] and any("ALARM: hot" in title for _, title in sent)
    first = sent[0][0]
    within = [title for at, title in sent if at - first < 600.0]
    assert 2 <= len(within) < 10
