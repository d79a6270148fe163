"""The watchman's own troubles are alerts like any other, told by the shell in one event."""

import boats
from lugwatch import pipeline
from lugwatch.model import (
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
    WatchmanReport,
)


def report(
    seconds: float,
    troubled: bool,
    condition: Condition = Condition.NOT_RECORDING,
    text: str = "",
    part: str | None = None,
) -> WatchmanReport:
    return WatchmanReport(
        condition=condition,
        troubled=troubled,
        part=part,
        text=text,
        advice="Make room.",
        monotonic_seconds=seconds,
        time=boats.START_TIME + round(seconds * 1000),
    )


def test_trouble_is_said_once_and_its_end_waits_for_eyes() -> None:
    state = boats.begin(boats.boat())
    told: list[AlertChange] = []
    for seconds in range(5):
        state, outputs = pipeline.step(state, report(float(seconds), True, text="The card is full."))
        told += [o for o in outputs if isinstance(o, AlertChange)]
    assert [(c.change, c.alert.category, c.speaks) for c in told] == [
        (AlertChangeKind.RAISED, Category.WARNING, True)
    ]
    assert (told[0].alert.text, told[0].alert.joint) == ("The card is full.", None)
    _, outputs = pipeline.step(state, report(900.0, False))
    (over,) = [o for o in outputs if isinstance(o, AlertChange)]
    assert over.change is AlertChangeKind.RECTIFIED
    assert over.alert.state is AlertState.RECTIFIED_UNACKNOWLEDGED


def test_two_parts_in_trouble_are_two_alerts_and_well_again_of_nobody_is_no_news() -> None:
    state = boats.begin(boats.boat())
    state, outputs = pipeline.step(state, report(0.0, False))
    assert outputs == ()
    raised = []
    for part in ("mail", "phone", "mail"):
        state, outputs = pipeline.step(state, report(1.0, True, text=f"{part} fails", part=part))
        raised += [o.alert.channel for o in outputs if isinstance(o, AlertChange)]
    assert raised == ["mail", "phone"]


def test_trouble_that_comes_and_goes_is_told_a_few_times_and_ends_without_another_word() -> None:
    """A broker that is away half of each minute for an hour; then the last report is that all is well."""
    state, told = boats.begin(boats.boat()), list[AlertChange]()
    for minute in range(60):
        for seconds, troubled in ((60.0 * minute, True), (60.0 * minute + 30.0, False)):
            for event in (
                report(seconds, troubled, Condition.CLOCK_UNTRUSTED, text="?"),
                boats.tick(seconds),
            ):
                state, outputs = pipeline.step(state, event)
                told += [
                    o
                    for o in outputs
                    if isinstance(o, AlertChange) and o.alert.condition is Condition.CLOCK_UNTRUSTED
                ]
    assert sum(c.speaks for c in told) == 2
    for seconds in range(3600, 9000, 10):
        state, outputs = pipeline.step(state, boats.tick(float(seconds)))
        told += [
            o
            for o in outputs
            if isinstance(o, AlertChange) and o.alert.condition is Condition.CLOCK_UNTRUSTED
        ]
    assert told[-1].change is AlertChangeKind.RECTIFIED
    assert not any(a.condition is Condition.CLOCK_UNTRUSTED for a in state.book.alerts.values())


def test_a_wrong_clock_is_a_caution_and_ends_by_itself() -> None:
    state = boats.begin(boats.boat())
    state, _ = pipeline.step(state, report(0.0, True, Condition.CLOCK_UNTRUSTED, text="2019?"))
    assert [a.category for a in state.book.alerts.values()] == [Category.CAUTION]
    state, _ = pipeline.step(state, report(600.0, False, Condition.CLOCK_UNTRUSTED))
    assert not state.book.alerts
