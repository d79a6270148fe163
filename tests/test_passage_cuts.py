"""Passages cut by hand: what each decision makes of what was found, and that nothing found is ever lost."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.errors import UserError
from lugwatch.model import CurrentPassage, JointPassage
from lugwatch.passage_cuts import (
    PART_NUMBERS,
    Decision,
    Deed,
    Piece,
    Stand,
    check,
    joined_currents,
    joined_joints,
    last_applied,
    one_line,
    part_rise,
    stand,
    together,
)

FOUND = (
    Piece(found_id=1, start_time=1000, end_time=2000),
    Piece(found_id=2, start_time=3000, end_time=5000),
    Piece(found_id=4, start_time=6000, end_time=None),
)
NOW = 9000


def decided(*deeds: tuple[Any, ...]) -> list[Decision]:
    """Decisions in their order, numbered from 1: (deed, passage, its value)."""
    field = {Deed.NAME: "words", Deed.NOTE: "words", Deed.SPLIT: "cut_time", Deed.MERGE: "other_id"}
    made = []
    for n, (deed, passage_id, value) in enumerate(deeds, start=1):
        more = {field.get(deed, "undone_id"): value}
        made.append(
            Decision(decision_id=n, time=NOW + n, deed=deed, who="Ada", passage_id=passage_id, **more)
        )
    return made


def told(found: Stand) -> list[tuple[int, int, int | None]]:
    return [(p.passage_id, p.start_time, p.end_time) for p in found.passages]


def test_without_decisions_passages_stand_as_found() -> None:
    assert told(stand(FOUND, [])) == [(1, 1000, 2000), (2, 3000, 5000), (4, 6000, None)]


def test_a_split_keeps_the_number_for_the_earlier_part_with_its_name() -> None:
    found = stand(FOUND, decided((Deed.NAME, 2, "To Corfu"), (Deed.NOTE, 2, "rain"), (Deed.SPLIT, 2, 4000)))
    later = 3 * PART_NUMBERS + 2
    assert told(found) == [(1, 1000, 2000), (2, 3000, 4000), (later, 4000, 5000), (4, 6000, None)]
    assert [(p.name, p.note) for p in found.passages[1:3]] == [("To Corfu", "rain"), (None, None)]


def test_parts_can_be_split_again_and_one_under_way_too() -> None:
    found = stand(FOUND, decided((Deed.SPLIT, 4, 7000), (Deed.SPLIT, PART_NUMBERS + 4, 8000)))
    assert told(found)[2:] == [
        (4, 6000, 7000),
        (PART_NUMBERS + 4, 7000, 8000),
        (2 * PART_NUMBERS + 4, 8000, None),
    ]


def test_neighbours_become_one_with_the_earlier_ones_number_and_both_notes() -> None:
    found = stand(
        FOUND,
        decided((Deed.NOTE, 1, "left"), (Deed.NOTE, 2, "arrived"), (Deed.NAME, 2, "Leg"), (Deed.MERGE, 1, 2)),
    )
    assert told(found) == [(1, 1000, 5000), (4, 6000, None)]
    first = found.passages[0]
    assert (first.name, first.note, first.pieces) == ("Leg", "left / arrived", FOUND[:2])


def test_a_split_in_the_pause_between_two_that_were_merged_gives_both_back() -> None:
    found = stand(FOUND, decided((Deed.MERGE, 1, 2), (Deed.SPLIT, 1, 2500)))
    assert told(found) == told(stand(FOUND, []))


def test_a_name_that_is_emptied_is_none() -> None:
    found = stand(FOUND, decided((Deed.NAME, 1, "x"), (Deed.NAME, 1, ""), (Deed.NOTE, 1, "")))
    assert (found.passages[0].name, found.passages[0].note) == (None, None)


def test_a_decision_whose_passage_has_gone_has_no_effect_and_says_so() -> None:
    decisions = decided((Deed.SPLIT, 2, 4000), (Deed.NAME, PART_NUMBERS + 2, "late"), (Deed.MERGE, 2, 4))
    shorter = (FOUND[0], replace(FOUND[1], end_time=3900), FOUND[2])
    found = stand(shorter, decisions)
    assert [d.decision_id for d in found.idle] == [1, 2]
    assert told(found) == [(1, 1000, 2000), (2, 3000, None)]


@pytest.mark.parametrize(
    ("deeds", "new", "says"),
    [
        ([], (Deed.NAME, 3, "x"), "there is no passage 3; there are 1, 2, 4"),
        ([], (Deed.SPLIT, 1, 1000), "is not within passage 1; give a time after 1970-01-01T00:00:01Z"),
        ([], (Deed.SPLIT, 1, 2000), "and before 1970-01-01T00:00:02Z"),
        ([], (Deed.SPLIT, 2, 2500), "is not within passage 2"),
        ([], (Deed.SPLIT, 4, 9000), "1970-01-01T00:00:09Z, up to where it is known"),
        ([], (Deed.MERGE, 1, 4), "passages 1 and 4 are not neighbours; next to 1 is 2"),
        ([], (Deed.MERGE, 2, 1), "are not neighbours; next to 2 is 1 and 4"),
        ([], (Deed.MERGE, 1, 1), "are not neighbours"),
        ([], (Deed.MERGE, 1, 9), "there is no passage 9"),
        ([], (Deed.UNDO, 0, 1), "there is no decision 1"),
        ([(Deed.NAME, 1, "x"), (Deed.UNDO, 1, 1)], (Deed.UNDO, 1, 1), "decision 1 is undone already"),
        ([(Deed.NAME, 1, "x"), (Deed.UNDO, 1, 1)], (Deed.UNDO, 1, 2), "do again what it undid"),
        (
            [(Deed.SPLIT, 2, 4000), (Deed.NAME, PART_NUMBERS + 2, "x")],
            (Deed.UNDO, 2, 1),
            "decision 2 (name) rests on decision 1; undo 2 first",
        ),
        (
            [(Deed.SPLIT, 2, 4000), (Deed.MERGE, 2, PART_NUMBERS + 2)],
            (Deed.UNDO, 2, 1),
            "decision 2 (merge) rests on decision 1",
        ),
    ],
)
def test_what_cannot_be_meant_is_one_line(deeds: list[Any], new: tuple[Any, ...], says: str) -> None:
    before = decided(*deeds)
    asked = replace(decided(*deeds, new)[-1], decision_id=len(deeds) + 1)
    with pytest.raises(UserError) as refused:
        check(FOUND, before, asked, NOW)
    assert says in str(refused.value) and "\n" not in str(refused.value)


def test_what_an_undo_without_a_number_undoes() -> None:
    with pytest.raises(UserError, match="nothing to undo"):
        last_applied(FOUND, [])
    decisions = decided((Deed.NAME, 1, "x"), (Deed.SPLIT, 2, 4000), (Deed.UNDO, 2, 2))
    assert last_applied(FOUND, decisions).decision_id == 1


def test_words_are_one_line_that_can_be_shown() -> None:
    assert one_line("  To \n Corfu ", "the name", 80) == "To Corfu" and one_line(" ", "the name", 80) == ""
    for text, says in (("\u202eabc", "cannot be shown"), ("x" * 81, "81 characters long; at most 80")):
        with pytest.raises(UserError, match=says):
            one_line(text, "the name", 80)


def test_rises_together_are_no_surer_than_one_and_unsure_where_they_differ() -> None:
    # deviation of a mixture of normals, by hand: variance = mean of variances + variance of means
    assert together([(1.0, 0.1), (1.0, 0.1)]) == pytest.approx((1.0, 0.1))
    assert together([(1.0, 0.1), (2.0, 0.1)]) == pytest.approx((1.5, (0.01 + 0.25) ** 0.5))
    assert together([(1.0, 0.1), (2.0, 0.2)]) == pytest.approx((1.2, (0.8 * 0.05 + 0.2 * 0.68) ** 0.5))
    assert together([]) is None and together([(1.0, 0.0)]) is None


def test_a_parts_rise_is_that_of_the_whole_by_what_was_estimated_meanwhile() -> None:
    # estimates that err alike, here by half, leave no trace; the whole tells its end
    assert part_rise((2.0, 0.1), [1.0] * 9, [1.0] * 4) == pytest.approx((2.0, 0.1))
    doubled = [1.0] * 6 + [2.0] * 3
    assert part_rise((4.0, 0.2), doubled, doubled[:6]) == pytest.approx((2.0, 0.1))
    assert part_rise((4.0, 0.2), doubled, doubled[6:]) == pytest.approx((4.0, 0.2))
    # a part in which it changed is as unsure: mean 1.5, deviation 0.5 (by hand)
    value, sd = part_rise((4.0, 0.2), doubled, [1.0, 2.0]) or (0.0, 0.0)
    assert (value, sd) == pytest.approx((3.0, 3.0 * (0.05**2 + (0.5 / 1.5) ** 2) ** 0.5))
    for found, whole, part in (
        ((2.0, 0.1), [1.0] * 5, [1.0]),
        ((2.0, 0.1), [1.0] * 9, []),
        ((0.0, 0.1), [1.0] * 9, [1.0]),
        ((2.0, 0.1), [-1.0] * 9, [1.0]),
    ):
        assert part_rise(found, whole, part) is None


def test_joints_and_currents_of_several_parts() -> None:
    unknown = JointPassage(max_celsius=None, rise_coefficient=None, rise_coefficient_sd=None)
    warm = JointPassage(max_celsius=50.0, rise_coefficient=2.0, rise_coefficient_sd=0.1)
    assert joined_joints([{"a": warm}, {"a": unknown, "b": unknown}]) == {
        "a": replace(warm, rise_coefficient=2.0, rise_coefficient_sd=pytest.approx(0.1)),
        "b": unknown,
    }
    first, second = CurrentPassage(amp_hours=2.0, max_amps=9.0), CurrentPassage(amp_hours=1.0, max_amps=30.0)
    assert joined_currents([{"a": first}, {"a": second}, {}]) == {
        "a": CurrentPassage(amp_hours=3.0, max_amps=30.0)
    }


# ---- whatever is decided ------------------------------------------------------------------------


@st.composite
def _found(draw: st.DrawFn) -> tuple[Piece, ...]:
    pieces, time = [], 0
    for n in range(1, draw(st.integers(1, 5)) + 1):
        start = time + draw(st.integers(1, 50))
        time = start + draw(st.integers(2, 50))
        pieces.append(Piece(found_id=n, start_time=start, end_time=time))
    if draw(st.booleans()):
        pieces[-1] = replace(pieces[-1], end_time=None)
    return tuple(pieces)


def _draw_decision(data: st.DataObject, found: tuple[Piece, ...], before: list[Decision]) -> Decision:
    """One that is in place: a split within a passage, a merge of neighbours, a name, or an undo."""
    passages = stand(found, before).passages
    number = len(before) + 1
    base = Decision(decision_id=number, time=number, deed=Deed.NAME, who="x", passage_id=1, words=str(number))
    place = data.draw(st.integers(0, len(passages) - 1))
    this = passages[place]
    deed = data.draw(st.sampled_from([Deed.NAME, Deed.SPLIT, Deed.SPLIT, Deed.MERGE, Deed.UNDO]))
    end = this.start_time + 100 if this.end_time is None else this.end_time
    if deed is Deed.SPLIT and end - this.start_time >= 2:
        cut = data.draw(st.integers(this.start_time + 1, end - 1))
        return replace(base, deed=deed, passage_id=this.passage_id, cut_time=cut, words=None)
    if deed is Deed.MERGE and place + 1 < len(passages):
        other = passages[place + 1].passage_id
        return replace(base, deed=deed, passage_id=this.passage_id, other_id=other, words=None)
    if deed is Deed.UNDO and stand(found, before).applied:
        return replace(base, deed=deed, undone_id=stand(found, before).applied[-1].decision_id, words=None)
    return replace(base, passage_id=this.passage_id)


@given(found=_found(), data=st.data())
def test_whatever_is_decided_all_that_was_found_stands_once(found: tuple[Piece, ...], data: Any) -> None:
    decisions: list[Decision] = []
    for _ in range(data.draw(st.integers(0, 12))):
        new = _draw_decision(data, found, decisions)
        check(found, decisions, new, now=2**40)
        before = stand(found, decisions)
        decisions.append(new)
        after = stand(found, decisions)
        assert after.idle == before.idle == ()
        pieces = [piece for passage in after.passages for piece in passage.pieces]
        for whole in found:
            its = [piece for piece in pieces if piece.found_id == whole.found_id]
            assert its[0].start_time == whole.start_time and its[-1].end_time == whole.end_time
            assert all(a.end_time == b.start_time for a, b in pairwise(its))
        assert [p.start_time for p in pieces] == sorted(p.start_time for p in pieces)
        numbers = [p.passage_id for p in after.passages]
        assert len(set(numbers)) == len(numbers)
        undo = Decision(
            decision_id=new.decision_id + 1, time=0, deed=Deed.UNDO, who="x", passage_id=0,
            undone_id=new.decision_id,
        )  # fmt: skip
        if new.deed is not Deed.UNDO:
            assert stand(found, [*decisions, undo]).passages == before.passages
        if new.deed is Deed.SPLIT:
            place = next(n for n, p in enumerate(after.passages) if p.passage_id == new.passage_id)
            merge = replace(
                new, decision_id=new.decision_id + 1, deed=Deed.MERGE, cut_time=None,
                other_id=after.passages[place + 1].passage_id,
            )  # fmt: skip
            assert stand(found, [*decisions, merge]).passages == before.passages
