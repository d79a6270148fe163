"""The JSON people script against: every agreed key, RFC 3339 times, null where unknown, never NaN."""

import json
import math
from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.json_shapes import (
    alert_change_object,
    alert_object,
    dump,
    estimate_object,
    passage_object,
    source_health_object,
)
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
    CurrentPassage,
    Estimate,
    JointPassage,
    JointState,
    Passage,
    SourceHealth,
)
from lugwatch.units import parse_time

# the keys that were promised; more may be added, none may go
JOINT_KEYS = [
    "joint",
    "time",
    "state",
    "probe_celsius",
    "reference_celsius",
    "rise_kelvin",
    "current_amps",
    "rise_coefficient",
    "rise_coefficient_sd",
    "resistance_ohms",
    "resistance_sd_ohms",
    "resistance_basis",
    "baseline_ratio",
    "baseline_ratio_sd",
    "settles_at_celsius",
    "ends_at_celsius",
    "settles_at_rated_celsius",
    "seconds_to_limit",
]
ALERT_KEYS = [
    "alert_id",
    "joint",
    "condition",
    "category",
    "state",
    "raised_time",
    "rectified_time",
    "acknowledged_time",
    "text",
    "advice",
]
PASSAGE_KEYS = ["passage_id", "start_time", "end_time", "amp_hours", "max_amps", "joints"]
PASSAGE_JOINT_KEYS = ["max_celsius", "rise_coefficient", "rise_coefficient_sd"]

ids = st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True)
times = st.integers(0, 4_000_000_000_000)
maybe_times = st.none() | times
numbers = st.none() | st.floats()  # NaN and the infinities on purpose
words = st.none() | st.text(max_size=20)

estimates = st.builds(
    Estimate,
    **{
        field.name: numbers
        for field in fields(Estimate)
        if field.name not in {"joint", "time", "state", "reason", "probe_time", "resistance_basis"}
    },
    joint=ids,
    time=times,
    state=st.sampled_from(JointState),
    reason=words,
    probe_time=maybe_times,
    resistance_basis=words,
)
alerts = st.builds(
    Alert,
    alert_id=st.integers(1, 10**9),
    joint=st.none() | ids,
    channel=st.none() | ids,
    condition=st.sampled_from(Condition),
    category=st.sampled_from(Category),
    state=st.sampled_from(AlertState),
    raised_time=times,
    rectified_time=maybe_times,
    acknowledged_time=maybe_times,
    acknowledged_by=words,
    text=st.text(max_size=40),
    advice=st.text(max_size=40),
)
changes = st.builds(
    AlertChange,
    sequence=st.integers(1, 10**9),
    time=times,
    change=st.sampled_from(AlertChangeKind),
    alert=alerts,
)
passages = st.builds(
    Passage,
    passage_id=st.integers(1, 10**6),
    start_time=times,
    end_time=maybe_times,
    amp_hours=st.floats(),
    max_amps=st.floats(),
    currents=st.dictionaries(
        ids, st.builds(CurrentPassage, amp_hours=st.floats(), max_amps=st.floats()), max_size=2
    ),
    joints=st.dictionaries(
        ids,
        st.builds(JointPassage, max_celsius=numbers, rise_coefficient=numbers, rise_coefficient_sd=numbers),
        max_size=2,
    ),
)


def strict(document: str) -> object:
    def refuse(word: str) -> object:
        pytest.fail(f"{word} is not JSON")

    return json.loads(document, parse_constant=refuse)


@given(estimates)
def test_a_joint_keeps_every_key_and_every_finite_number(estimate: Estimate) -> None:
    back = strict(dump(estimate_object(estimate)))
    assert isinstance(back, dict)
    assert back.keys() >= set(JOINT_KEYS)
    for field in fields(Estimate):
        value = getattr(estimate, field.name)
        if isinstance(value, float):
            assert back[field.name] == (value if math.isfinite(value) else None)
        elif value is None:
            assert back[field.name] is None
    assert parse_time(back["time"]) == estimate.time
    assert back["state"] == estimate.state.value


@given(changes)
def test_a_change_is_its_alert_and_what_happened(change: AlertChange) -> None:
    alone = strict(dump(alert_object(change.alert)))
    back = strict(dump(alert_change_object(change)))
    assert isinstance(alone, dict) and isinstance(back, dict)
    assert alone.keys() >= set(ALERT_KEYS)
    assert back == {
        **alone,
        "sequence": change.sequence,
        "time": back["time"],
        "change": change.change.value,
        "who": change.who,
        "speaks": change.speaks,
    }
    assert parse_time(back["time"]) == change.time
    for name in ("raised_time", "rectified_time", "acknowledged_time"):
        given_time = getattr(change.alert, name)
        assert (parse_time(alone[name]) if alone[name] else None) == given_time
    assert alone["text"] == change.alert.text and alone["category"] == change.alert.category.value


@given(passages)
def test_a_passage_is_keyed_by_joint(passage: Passage) -> None:
    back = strict(dump(passage_object(passage)))
    assert isinstance(back, dict)
    assert back.keys() >= set(PASSAGE_KEYS)
    assert back["joints"].keys() == passage.joints.keys()
    for joint in back["joints"].values():
        assert joint.keys() >= set(PASSAGE_JOINT_KEYS)
    assert (back["end_time"] is None) == (passage.end_time is None)


def test_a_source_is_shown_with_its_last_fault() -> None:
    health = SourceHealth(
        source="onewire",
        time=1_780_000_000_000,
        state="faulty",
        readings_count=3,
        faults_count=1,
        last_fault="starved: 28-0a",
    )
    assert source_health_object(health) == {
        "source": "onewire",
        "time": "2026-05-28T20:26:40Z",
        "state": "faulty",
        "readings_count": 3,
        "faults_count": 1,
        "last_fault": "starved: 28-0a",
    }


def test_words_of_a_closed_set_are_plain_strings() -> None:
    assert type(strict(dump([Condition.HOT]))[0]) is str  # type: ignore[index]


def test_a_number_that_is_none_is_refused_loudly() -> None:
    with pytest.raises(ValueError):
        dump({"probe_celsius": math.nan})
