"""Passages found from the current: when it began to flow, how much flowed, how hot each joint got.

A passage is open while any current is above its threshold and closes after a long enough pause.
Not here: what it says of a joint's heating (`passage_rise`, `passage_doubt`), storage, names, notes.
May import: model.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from lugwatch.model import CurrentPassage, JointPassage, Passage, RiseUnknown


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracker:
    """The open passage, if there is one, and the number of the next."""

    next_passage_id: int = 1
    open: Passage | None = None
    last_flow_seconds: float = 0.0  # monotonic
    last_flow_time: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One window of everything a passage is made of."""

    monotonic_seconds: float
    time: int
    start_time: int  # of the window
    seconds: float  # how long the window was
    flowing: bool  # a current is above its threshold
    amp_hours: Mapping[str, float]  # per current channel, this window
    peak_amps: Mapping[str, float]
    peak_celsius: Mapping[str, float]  # per joint


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """What a passage says of one joint's rise [K/A²]; deviations as in `JointPassage`."""

    rise_coefficient: float
    sd: float
    repeat_sd: float


def observe(tracker: Tracker, seen: Observation, gap_seconds: float) -> tuple[Tracker, tuple[Passage, ...]]:
    """Take in one window; returns passages that closed."""
    closed: tuple[Passage, ...] = ()
    paused = seen.monotonic_seconds - tracker.last_flow_seconds
    if tracker.open is not None and (paused > gap_seconds or paused < 0.0):
        closed = (replace(tracker.open, end_time=tracker.last_flow_time),)
        tracker = replace(tracker, open=None)
    if seen.flowing and tracker.open is None:
        opened = Passage(
            passage_id=tracker.next_passage_id,
            start_time=seen.start_time,
            end_time=None,
            amp_hours=0.0,
            max_amps=0.0,
            currents={},
            joints={},
        )
        tracker = replace(tracker, open=opened, next_passage_id=tracker.next_passage_id + 1)
    if tracker.open is None:
        return tracker, closed
    tracker = replace(tracker, open=_grow(tracker.open, seen))
    if seen.flowing:
        tracker = replace(tracker, last_flow_seconds=seen.monotonic_seconds, last_flow_time=seen.time)
    return tracker, closed


def tell(tracker: Tracker, rises: Mapping[str, Rise | RiseUnknown]) -> Tracker:
    """The open passage with what it says of joints by now.

    A joint that is not in `rises` keeps what was told of it, and one of which nothing is known any more, as
    when its current was lost, keeps its figure: `forget` takes one away.
    """
    if tracker.open is None or not rises:
        return tracker
    joints = dict(tracker.open.joints)
    for joint, told in rises.items():
        before = joints.get(joint, UNKNOWN)
        if isinstance(told, Rise):
            joints[joint] = replace(
                before,
                rise_coefficient=told.rise_coefficient,
                rise_coefficient_sd=told.sd,
                rise_coefficient_repeat_sd=told.repeat_sd,
                rise_coefficient_reason=None,
            )
        elif joint in joints and before.rise_coefficient is None:
            begun = before.rise_coefficient_reason is RiseUnknown.BEGUN_ANEW
            kept = begun and told is RiseUnknown.TOO_LITTLE_LOAD
            joints[joint] = before if kept else replace(before, rise_coefficient_reason=told)
    return replace(tracker, open=replace(tracker.open, joints=joints))


def forget(tracker: Tracker, joints: Iterable[str]) -> Tracker:
    """These joints are other ones from now on: what the open passage told of their rises is taken back."""
    if tracker.open is None:
        return tracker
    told = dict(tracker.open.joints)
    for joint in joints:
        if joint in told:
            told[joint] = replace(
                UNKNOWN,
                max_celsius=told[joint].max_celsius,
                rise_coefficient_reason=RiseUnknown.BEGUN_ANEW,
            )
    return replace(tracker, open=replace(tracker.open, joints=told))


UNKNOWN = JointPassage(max_celsius=None, rise_coefficient=None, rise_coefficient_sd=None)


def joint_passage(figures: Mapping[str, Any]) -> JointPassage:
    """One joint's figures by their names, as they were kept; what an older version did not know is absent."""
    reason = figures.get("rise_coefficient_reason")
    known = None if reason is None else RiseUnknown(reason)
    return JointPassage(**{**figures, "rise_coefficient_reason": known})


def _grow(passage: Passage, seen: Observation) -> Passage:
    none = CurrentPassage(amp_hours=0.0, max_amps=0.0)
    currents = dict(passage.currents)
    for channel, amp_hours in seen.amp_hours.items():
        before = currents.get(channel, none)
        currents[channel] = CurrentPassage(
            amp_hours=before.amp_hours + amp_hours,
            max_amps=max(before.max_amps, seen.peak_amps.get(channel, 0.0)),
        )
    joints = dict(passage.joints)
    for joint, peak in seen.peak_celsius.items():
        before_joint = joints.get(joint, UNKNOWN)
        highest = before_joint.max_celsius
        if highest is None or peak > highest:
            joints[joint] = replace(before_joint, max_celsius=peak)
    main = max(currents.values(), key=lambda current: current.amp_hours, default=none)
    return replace(
        passage,
        currents=currents,
        joints=joints,
        amp_hours=main.amp_hours,
        max_amps=main.max_amps,
    )
