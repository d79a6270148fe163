"""Passages found from the current: when it began to flow, how much flowed, how hot each joint got.

First form: a passage is open while any current is above its threshold and closes after a long
enough pause. Not here: storage, names, notes. May import: model.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from lugwatch.model import CurrentPassage, JointPassage, Passage

# Windows weigh by their variance, and a variance of nothing would weigh everything.
LEAST_SD_RATIO = 1e-4


class RiseMean(NamedTuple):
    """Running weighted mean of one joint's rise coefficient over a passage [K/A²].

    A tuple, because one is made for each joint in each window.
    """

    weight: float  # Σ w, with w = seconds over variance
    mean: float
    squares: float  # Σ w·(value − mean)²
    least_sd: float  # of any window

    @property
    def sd(self) -> float:
        """Deviation of the mean as the figure of this passage.

        Neighbouring windows come from one filter and err alike, so it is not divided by their number: it
        is that of the surest window, and what the coefficient wandered within the passage.
        """
        return math.hypot(self.least_sd, math.sqrt(max(self.squares, 0.0) / self.weight))


def take(before: RiseMean | None, rise: float, sd: float, seconds: float) -> RiseMean:
    """One more window of `seconds` in which the coefficient was `rise` ± `sd` [K/A²]."""
    sd = max(sd, LEAST_SD_RATIO * abs(rise))
    weight = seconds / sd**2
    if before is None:
        return RiseMean(weight=weight, mean=rise, squares=0.0, least_sd=sd)
    old_weight, old_mean, old_squares, old_sd = before
    total = old_weight + weight
    away = rise - old_mean
    return RiseMean(
        total,
        old_mean + weight / total * away,
        # of the two usual forms the one in which nothing cancels, however unlike the weights
        old_squares + old_weight * weight / total * away**2,
        min(old_sd, sd),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracker:
    """The open passage, if there is one, and the number of the next."""

    next_passage_id: int = 1
    open: Passage | None = None
    rises: Mapping[str, RiseMean] = field(default_factory=dict)  # per joint, of the open passage
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
    rises: Mapping[str, tuple[float, float]]  # per joint: rise coefficient and deviation, loaded and certain


def observe(tracker: Tracker, seen: Observation, gap_seconds: float) -> tuple[Tracker, tuple[Passage, ...]]:
    """Take in one window; returns passages that closed."""
    closed: tuple[Passage, ...] = ()
    paused = seen.monotonic_seconds - tracker.last_flow_seconds
    if tracker.open is not None and (paused > gap_seconds or paused < 0.0):
        closed = (replace(tracker.open, end_time=tracker.last_flow_time),)
        tracker = replace(tracker, open=None, rises={})
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
        tracker = replace(tracker, open=opened, rises={}, next_passage_id=tracker.next_passage_id + 1)
    if tracker.open is None:
        return tracker, closed
    rises = dict(tracker.rises)
    for joint, (rise, sd) in seen.rises.items():
        if seen.seconds > 0.0 and rise > 0.0 and sd > 0.0:
            rises[joint] = take(rises.get(joint), rise, sd, seen.seconds)
    tracker = replace(tracker, open=_grow(tracker.open, seen, rises), rises=rises)
    if seen.flowing:
        tracker = replace(tracker, last_flow_seconds=seen.monotonic_seconds, last_flow_time=seen.time)
    return tracker, closed


def _grow(passage: Passage, seen: Observation, rises: Mapping[str, RiseMean]) -> Passage:
    none = CurrentPassage(amp_hours=0.0, max_amps=0.0)
    currents = dict(passage.currents)
    for channel, amp_hours in seen.amp_hours.items():
        before = currents.get(channel, none)
        currents[channel] = CurrentPassage(
            amp_hours=before.amp_hours + amp_hours,
            max_amps=max(before.max_amps, seen.peak_amps.get(channel, 0.0)),
        )
    joints = dict(passage.joints)
    unknown = JointPassage(max_celsius=None, rise_coefficient=None, rise_coefficient_sd=None)
    for joint in {**seen.peak_celsius, **seen.rises}:
        before_joint = joints.get(joint, unknown)
        highest, peak = before_joint.max_celsius, seen.peak_celsius.get(joint)
        if highest is None or (peak is not None and peak > highest):
            highest = peak
        mean = rises.get(joint)
        joints[joint] = JointPassage(
            max_celsius=highest,
            rise_coefficient=before_joint.rise_coefficient if mean is None else mean.mean,
            rise_coefficient_sd=before_joint.rise_coefficient_sd if mean is None else mean.sd,
        )
    main = max(currents.values(), key=lambda current: current.amp_hours, default=none)
    return replace(
        passage,
        currents=currents,
        joints=joints,
        amp_hours=main.amp_hours,
        max_amps=main.max_amps,
    )
