"""The state table: total, deterministic, and nothing unseen is lost in it."""

import itertools
from collections.abc import Iterator

from hypothesis import given, settings
from hypothesis import strategies as st

from lugwatch import alert_table
from lugwatch.alert_table import STATES, TABLE, AlertEvent
from lugwatch.model import AlertChangeKind, AlertState

S, E = AlertState, AlertEvent
UNSEEN = {S.ACTIVE_UNACKNOWLEDGED, S.ACTIVE_SILENCED, S.RECTIFIED_UNACKNOWLEDGED}
# what somebody does who has looked at this alert or at its joint
EYES = {E.ACKNOWLEDGE, E.SHELVE, E.UNSHELVE, E.OUT_OF_SERVICE}


def test_every_cell_is_there_once() -> None:
    assert set(TABLE) == set(itertools.product(AlertState, AlertEvent))
    assert set(STATES) == set(AlertState)
    written = list(alert_table._ROWS)
    assert written == list(AlertEvent), "the rows stand in the order of the events"


def test_nothing_happens_exactly_where_nothing_is_told() -> None:
    for (state, _), cell in TABLE.items():
        if cell.change is None:
            assert cell.state is state
        if cell.state is not state:
            assert cell.change is not None


def test_an_unseen_alarm_or_warning_gets_to_normal_through_eyes_alone() -> None:
    """IEC 62923: it does not vanish when its cause does. A caution does, and needs no eyes."""
    for (state, event), cell in TABLE.items():
        if state in UNSEEN and cell.state is S.NORMAL:
            # merged: a worse alert of the same joint asks for eyes in its stead
            assert event in EYES | {E.RECTIFIED_CAUTION, E.MERGED}, (state, event)


def test_only_what_asks_for_somebody_speaks() -> None:
    spoken = {(s, e) for (s, e), cell in TABLE.items() if cell.speaks}
    assert all(TABLE[way].state is S.ACTIVE_UNACKNOWLEDGED for way in spoken)
    # nothing that the crew does makes a sound, but for putting a joint back with its trouble
    assert {e for _, e in spoken} & (EYES | {E.SILENCE, E.SILENCE_OVER}) == set()


def test_what_becomes_worse_speaks_wherever_it_stands_unless_its_joint_is_worked_on() -> None:
    for state in AlertState:
        speaks = TABLE[state, E.WORSE].speaks
        assert speaks is (state is not S.OUT_OF_SERVICE), state


def test_an_acknowledged_or_shelved_alert_is_quiet_while_it_does_not_worsen() -> None:
    for state in (S.ACTIVE_ACKNOWLEDGED, S.SHELVED, S.SHELVED_RECTIFIED):
        for event in (E.CONDITION, E.EASED, E.RECTIFIED, E.RECTIFIED_CAUTION, E.REPEAT, E.ESCALATE):
            assert not TABLE[state, event].speaks, (state, event)


def test_every_state_is_reached_and_left() -> None:
    reached, edge = {S.NORMAL}, {S.NORMAL}
    while edge:
        edge = {TABLE[s, e].state for s in edge for e in AlertEvent} - reached
        reached |= edge
    assert reached == set(AlertState)
    for state in AlertState:
        assert any(TABLE[state, e].state is not state for e in AlertEvent), state


def _walk(events: list[AlertEvent]) -> Iterator[tuple[AlertState, AlertEvent, alert_table.Cell]]:
    state = S.NORMAL
    for event in events:
        cell = TABLE[state, event]
        yield state, event, cell
        state = cell.state


@given(st.lists(st.sampled_from(AlertEvent), max_size=80))
@settings(deadline=None)
def test_any_story_of_events_keeps_its_promises(events: list[AlertEvent]) -> None:
    """Against a second account of the same, which knows neither states nor table: what a person expects.

    true: the condition; asked: somebody must look; aside: shelved; worked_on.
    """
    true = asked = aside = worked_on = False
    for state, event, cell in _walk(events):
        again = list(_walk([]))
        assert again == [] and TABLE[state, event] == cell
        begins = event in (E.CONDITION, E.WORSE)
        if worked_on:
            if event is E.BACK_IN_SERVICE:
                worked_on, true, asked = False, True, True
            elif event in (E.RECTIFIED, E.RECTIFIED_CAUTION):
                worked_on = true = False
        elif event is E.OUT_OF_SERVICE:
            if aside and not true:
                aside = False
            elif true or not asked:
                worked_on, asked, aside = True, False, False
        elif begins and (not true or event is E.WORSE):
            asked = asked or event is E.WORSE or not aside
            aside = aside and event is not E.WORSE
            true = True
        elif event is E.RECTIFIED and true:
            true = False
        elif event is E.RECTIFIED_CAUTION and true:
            true, asked = False, False
        elif event is E.MERGED:
            true = asked = aside = False
        elif event is E.ACKNOWLEDGE:
            asked = False
        elif event is E.SHELVE and (true or asked or aside):
            aside, asked = True, False
        elif event is E.UNSHELVE and aside:
            aside = False
        elif event is E.SHELF_OVER and aside:
            aside, asked = False, true
        expected = {
            S.OUT_OF_SERVICE: worked_on,
            S.NORMAL: not (true or asked or aside or worked_on),
            S.SHELVED: aside and true,
            S.SHELVED_RECTIFIED: aside and not true,
            S.RECTIFIED_UNACKNOWLEDGED: asked and not true,
            S.ACTIVE_ACKNOWLEDGED: true and not asked and not aside and not worked_on,
        }
        for named, so in expected.items():
            assert (cell.state is named) is so, (state, event, cell, named)
        if cell.change is AlertChangeKind.RAISED:
            assert state is S.NORMAL
