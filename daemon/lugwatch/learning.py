"""When shapes are learned, from what, and what changes when they are.

The pipeline keeps the windows of the passage under way; after an hour of load, and when a passage ends
with enough of it, a Request goes out. Whoever runs the pipeline carries it out (at once in a replay, in
a thread of low priority in a watch) and hands the Answer back in as an event. Shapes are learned three
times (first hour, first passage, second passage) and then stand until somebody works on the joint: they
never change silently.
May import: estimator, shape, shape_fit, trend, model, numpy.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import estimator, shape, shape_fit, trend
from lugwatch.estimator import Inputs
from lugwatch.model import LearnedShape

Array = NDArray[np.float64]

STAGES = 3
# Less load than this teaches nothing of a slow mode…
ENOUGH_LOADED_SECONDS = 1200.0
# …and after so much nobody waits for the end of the first passage.
LONG_LOADED_SECONDS = 3600.0
# Two passages of six hours in windows of ten seconds.
WINDOWS_KEPT = 4320
# A joint's rise known worse than this share is not taken as its baseline.
BASELINE_RATIO = 0.35
# Over so long the offset's walk is taken to be a part of what a rise may do while the joint is well.
UNSEEN_HOURS = 6.0
LEAST_HEATING = 0.02  # of the rated current's


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Windows to learn from, what is believed so far, and how often it was learned."""

    windows: tuple[Inputs, ...] = ()
    loaded_seconds: float = 0.0  # of the joint with most load, since the last request
    shapes: shape.Shapes | None = None  # None: nothing learned
    before: shape.Shapes | None = None  # believed before these windows; None: nothing
    calm: Array | None = None  # (joints,) see `jump.find`
    unrest: Array | None = None  # (joints,) the largest while it was well
    busiest: Array | None = None  # (joints,) the largest heating it was learned from
    stage: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """Please learn from this; `stage` is the one that the answer will reach."""

    record: Record
    stage: int
    rated_amps: Array
    has_neighbours: NDArray[np.bool_]
    gap_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What was learned; an event of the pipeline."""

    stage: int
    learned: shape_fit.Learned
    windows: int
    time: int
    monotonic_seconds: float


def note(record: Record, inputs: Inputs, under_way: bool, seconds: float) -> Record:
    """Keep one window of a passage."""
    if record.stage >= STAGES or not under_way:
        return record
    loaded = seconds if bool(inputs.loaded.any()) else 0.0
    return replace(
        record,
        windows=(*record.windows, inputs)[-WINDOWS_KEPT:],
        loaded_seconds=record.loaded_seconds + loaded,
    )


def request(
    record: Record,
    ended: bool,
    rated_amps: Array,
    has_neighbours: NDArray[np.bool_],
    gap_seconds: float,
) -> tuple[Record, Request | None]:
    """Ask to learn when a passage has ended with enough load in it, or the first one goes on for long."""
    enough = ENOUGH_LOADED_SECONDS if ended else LONG_LOADED_SECONDS
    if record.stage >= STAGES or record.loaded_seconds < enough or not (ended or record.stage == 0):
        return record, None
    asked = Request(
        record=record,
        stage=record.stage + 1,
        rated_amps=rated_amps,
        has_neighbours=has_neighbours,
        gap_seconds=gap_seconds,
    )
    return replace(record, loaded_seconds=0.0), asked


def carry_out(asked: Request, monotonic_seconds: float, time: int) -> Answer:
    """Learn; takes seconds, and depends on nothing but the request."""
    joints = len(asked.rated_amps)
    # the windows of earlier passages are in the record, so belief starts from before them each time
    before = shape.prior(joints) if asked.record.before is None else asked.record.before
    learned = shape_fit.learn(
        asked.record.windows,
        before,
        asked.rated_amps,
        asked.has_neighbours,
        asked.gap_seconds,
    )
    return Answer(
        stage=asked.stage,
        learned=learned,
        windows=len(asked.record.windows),
        time=time,
        monotonic_seconds=monotonic_seconds,
    )


def settle(record: Record, baseline: trend.Baseline, answer: Answer) -> tuple[Record, trend.Baseline]:
    """Take an answer in: shapes, and baselines of the joints whose rise is known well enough."""
    rise, sd = answer.learned.rise_kelvin, answer.learned.rise_sd_kelvin
    known = (rise > 0.0) & (sd < BASELINE_RATIO * rise)
    keep = Record(
        windows=record.windows if answer.stage < STAGES else (),
        loaded_seconds=record.loaded_seconds,
        shapes=answer.learned.shapes,
        before=record.before,
        calm=answer.learned.calm,
        unrest=answer.learned.unrest,
        busiest=answer.learned.busiest,
        stage=answer.stage,
    )
    # heat that nothing measured tells of (an alternator's body, a battery) is another on the next day
    offset_kelvin = shape.physical(answer.learned.shapes.mean)[:, 4] * math.sqrt(UNSEEN_HOURS)
    unseen = offset_kelvin / np.maximum(answer.learned.busiest, LEAST_HEATING)
    spread = np.hypot(answer.learned.rise_spread_kelvin, unseen)
    return keep, trend.take(baseline, rise, sd, spread, known, early=answer.stage < STAGES)


def unrest_ratio(record: Record, unrest: Array) -> Array:
    """Restlessness now against the most while it was well (joints,); NaN before anything was learned."""
    if record.unrest is None:
        return np.full(len(unrest), np.nan)
    return unrest / record.unrest


def rows(joints: tuple[str, ...], answer: Answer) -> tuple[LearnedShape, ...]:
    """One row a joint for the record of what was learned."""
    believed = answer.learned.shapes
    centre = shape.physical(believed.mean)
    sd = np.sqrt(np.diagonal(believed.covariance, axis1=1, axis2=2))
    return tuple(
        LearnedShape(
            joint=joint,
            time=answer.time,
            tau_fast_seconds=float(centre[i, 0]),
            tau_slow_seconds=float(centre[i, 1]),
            fast_weight=float(centre[i, 2]),
            neighbour_weight=float(centre[i, 3]),
            tau_fast_ratio_sd=float(sd[i, 0]),
            tau_slow_ratio_sd=float(sd[i, 1]),
            windows_count=answer.windows,
            stage=answer.stage,
            log_likelihood_gain=float(answer.learned.gain[i]),
        )
        for i, joint in enumerate(joints)
    )


def bank(record: Record, default: estimator.Bank, has_neighbours: NDArray[np.bool_]) -> estimator.Bank:
    """The bank that runs: the learned shapes, or the default ones."""
    if record.shapes is None:
        return default
    rated = np.sqrt(default.rated_amps_squared.reshape(default.joints, -1)[:, 0])
    return estimator.bank_of(
        shape.representatives(record.shapes), rated, has_neighbours, estimator.SHAPE_KNOWN
    )
