"""The one sentence: right counts, worst news never left out, old news never told as present."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.dashboard.sentence import count_word, sentence
from lugwatch.model import Category, JointState

S = JointState


def say(*states: JointState, other: tuple[Category, ...] = ()) -> str:
    return sentence(states, age_seconds=3.0, stale=False, other_alerts=other)


@pytest.mark.parametrize(
    ("states", "expected"),
    [
        ([S.STEADY] * 11, "All eleven joints steady."),
        ([S.STEADY] * 10 + [S.WARMING], "Ten steady, one warming."),
        ([S.STEADY] * 4 + [S.WARMING, S.SILENT], "Four steady, one warming, one silent."),
        ([S.HOT] + [S.STEADY] * 3, "One over its limit, three steady."),
        ([S.HOT, S.HOT, S.STEADY], "Two over their limits, one steady."),
        ([S.HEADING_HOT, S.STEADY], "One heading over its limit, one steady."),
        ([S.NO_LOAD] * 3, "All three joints at rest: too little current to judge."),
        ([S.LEARNING] * 2, "Both joints quiet, still learning what is usual."),
        ([S.SILENT] * 5, "Nothing is known: all five joints are silent."),
        ([S.SILENT], "Nothing is known: the joint is silent."),
        ([S.STEADY], "The joint is steady."),
        ([S.HOT] * 3, "All three joints over their limits."),
        ([S.STEADY] * 23, "All 23 joints steady."),
        ([], "Waiting for the watch to start."),
    ],
)
def test_sentence(states: list[JointState], expected: str) -> None:
    assert say(*states) == expected


def test_an_alert_about_no_joint_is_not_left_out() -> None:
    assert say(*[S.STEADY] * 2, other=(Category.WARNING,)) == (
        "Both joints steady; one warning not about a joint."
    )
    assert say(S.STEADY, S.HOT, other=(Category.CAUTION, Category.ALARM)) == (
        "One over its limit, one steady; two alerts not about a joint."
    )


def test_old_news_is_not_told_as_present() -> None:
    assert sentence([S.STEADY] * 3, age_seconds=720, stale=True) == (
        "Nothing is known: no reading for 12 min."
    )
    assert sentence([S.HOT], age_seconds=None, stale=True) == (
        "Nothing is known: no reading since this computer started."
    )


@given(st.lists(st.sampled_from(list(JointState)), min_size=1, max_size=40))
def test_every_state_is_named_with_its_count(states: list[JointState]) -> None:
    text = say(*states).lower()
    assert text.endswith(".") and text.count(".") == 1
    if len(set(states)) > 1:
        for state in set(states):
            assert count_word(states.count(state)) in text
    if S.HOT in states:
        assert "limit" in text.split(",")[0]
