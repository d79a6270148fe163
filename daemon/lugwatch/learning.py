"""When shapes are learned, from what, and what changes when they are: joint by joint.

The pipeline keeps the windows of the passage under way; after an hour of load, and at the end of a passage
with enough of it, a Request goes out for the joints that carried it. Whoever runs the pipeline carries
it out (at once in a replay, in a slow thread in a watch) and hands the Answer back in as an event. A
joint's shape is learned three times (first hour, first and second passage) and then stands until somebody
works on the joint: it never changes silently. Work on one leaves every other as it is.
May import: estimator, air_ahead, shape, shape_fit, trend, model, numpy.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lugwatch import air_ahead, estimator, shape, shape_fit, trend
from lugwatch.estimator import SHAPES_PER_JOINT, Inputs
from lugwatch.model import LearnedShape

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]

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
    """Windows to learn from and, per joint (joints,), what was learned so far."""

    learns: Flags  # has a current and an air
    stage: Indices  # how often its shape was learned
    loaded_seconds: Array  # since it was last asked for
    asked_seconds: Array  # of load that an open question rests on
    begun_seconds: Array  # record time: later windows are of the joint as it is now
    takes_baseline: Flags  # all its windows are of one and the same joint, good throughout
    restarts: Indices  # an answer to an earlier question is not for this joint
    shapes: shape.Shapes  # the prior where nothing was learned
    before: shape.Shapes  # believed before these windows
    calm: Array  # see `jump.find`; NaN: nothing learned
    unrest: Array  # the largest while it was well; NaN: nothing learned
    climbed: Array  # see `climb.find`; NaN: nothing learned
    busiest: Array  # the largest heating it was learned from; inf: nothing learned
    # how far its record let it settle (`settling.soaked_ratio`); 1 where nothing was learned, since there the
    # default shapes' own disagreement says what is not known
    soaked: Array
    air_ahead: Array  # (joints, 3) see `air_ahead.learn`
    windows: tuple[Inputs, ...] = ()
    times: tuple[int, ...] = ()  # wall label of the end of each [ms]
    ahead_seconds: float = 0.0  # record time, which no reboot sets back, less monotonic time


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """Please learn the shapes of `joints` from this; `stage` is the one that the answer will reach."""

    joints: Indices
    stage: int
    restarts: Indices  # of `joints`, as they are now
    windows: tuple[Inputs, ...]  # of all joints
    before: shape.Shapes  # of `joints`, believed before these windows
    begun_time: int  # wall label of the first [ms]
    rated_amps: Array  # of all joints
    has_neighbours: Flags
    gap_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What was learned of `joints`; an event of the pipeline."""

    joints: Indices
    stage: int
    restarts: Indices
    learned: shape_fit.Learned  # of `joints` alone, in their order
    windows: int
    begun_time: int
    time: int
    monotonic_seconds: float


def empty(learns: Flags) -> Record:
    """Nothing recorded; `learns` (joints,) has a current and an air."""
    joints = len(learns)
    return Record(
        learns=learns,
        stage=np.zeros(joints, dtype=np.intp),
        loaded_seconds=np.zeros(joints),
        asked_seconds=np.zeros(joints),
        begun_seconds=np.full(joints, -np.inf),
        takes_baseline=np.ones(joints, dtype=bool),
        restarts=np.zeros(joints, dtype=np.intp),
        shapes=shape.prior(joints),
        before=shape.prior(joints),
        calm=np.full(joints, np.nan),
        unrest=np.full(joints, np.nan),
        climbed=np.full(joints, np.nan),
        busiest=np.full(joints, np.inf),
        soaked=np.ones(joints),
        air_ahead=air_ahead.unlearned(joints),
    )


def note(record: Record, inputs: Inputs, under_way: bool, seconds: float, time: int) -> Record:
    """Keep one window of a passage, while there is a joint to learn of."""
    wanted = record.learns & (record.stage < STAGES)
    if not under_way or not wanted.any():
        return record
    noted = replace(inputs, monotonic_seconds=inputs.monotonic_seconds + record.ahead_seconds)
    return replace(
        record,
        windows=(*record.windows, noted)[-WINDOWS_KEPT:],
        times=(*record.times, time)[-WINDOWS_KEPT:],
        loaded_seconds=record.loaded_seconds + np.where(wanted & inputs.loaded, seconds, 0.0),
    )


def request(
    record: Record, ended: bool, rated_amps: Array, has_neighbours: Flags, gap_seconds: float
) -> tuple[Record, tuple[Request, ...]]:
    """Ask to learn of joints with enough load when no passage is under way, or their first goes on for long.

    One question for all joints of one history.
    """
    if not (record.stage < STAGES).any():
        return record, ()
    first = record.stage == 0
    enough = ENOUGH_LOADED_SECONDS if ended else np.where(first, LONG_LOADED_SECONDS, np.inf)
    ready = record.learns & (record.stage < STAGES) & (record.loaded_seconds >= enough)
    if not ready.any():
        return record, ()
    groups: dict[tuple[float, int], list[int]] = {}
    for i in np.flatnonzero(ready):
        groups.setdefault((float(record.begun_seconds[i]), int(record.stage[i])), []).append(int(i))
    asked = []
    for (begun, stage), members in groups.items():
        start = sum(1 for inputs in record.windows if inputs.monotonic_seconds <= begun)
        joints = np.array(members, dtype=np.intp)
        asked.append(
            Request(
                joints=joints,
                stage=stage + 1,
                restarts=record.restarts[joints],
                windows=record.windows[start:],
                before=_shapes_of(record.before, joints),
                begun_time=record.times[start],
                rated_amps=rated_amps,
                has_neighbours=has_neighbours,
                gap_seconds=gap_seconds,
            )
        )
    record = replace(
        record,
        loaded_seconds=np.where(ready, 0.0, record.loaded_seconds),
        asked_seconds=np.where(ready, record.loaded_seconds, record.asked_seconds),
    )
    return record, tuple(asked)


def carry_out(asked: Request, monotonic_seconds: float, time: int) -> Answer:
    """Learn; takes seconds, and depends on nothing but the request."""
    joints = asked.joints
    # the windows of earlier passages are in the record, so belief starts from before them each time
    learned = shape_fit.learn(
        tuple(_of(inputs, joints) for inputs in asked.windows),
        asked.before,
        asked.rated_amps[joints],
        asked.has_neighbours[joints],
        asked.gap_seconds,
    )
    return Answer(
        joints=joints,
        stage=asked.stage,
        restarts=asked.restarts,
        learned=learned,
        windows=len(asked.windows),
        begun_time=asked.begun_time,
        time=time,
        monotonic_seconds=monotonic_seconds,
    )


def _shapes_of(shapes: shape.Shapes, joints: Indices) -> shape.Shapes:
    return shape.Shapes(mean=shapes.mean[joints], covariance=shapes.covariance[joints])


def _of(inputs: Inputs, joints: Indices) -> Inputs:
    return replace(
        inputs,
        probe_celsius=inputs.probe_celsius[joints],
        probe_count=inputs.probe_count[joints],
        air_celsius=inputs.air_celsius[joints],
        neighbour_celsius=inputs.neighbour_celsius[joints],
        amps_squared=inputs.amps_squared[joints],
        loaded=inputs.loaded[joints],
    )


# ---- taking an answer in ---------------------------------------------------------------------


def heard(record: Record, answer: Answer) -> Indices:
    """Which places of `answer.joints` the answer is still for: not those worked on since the question."""
    return np.flatnonzero(record.restarts[answer.joints] == answer.restarts)


def settle(record: Record, answer: Answer) -> Record:
    """Take an answer in: the shapes of its joints."""
    place = heard(record, answer)
    joints, learned = answer.joints[place], answer.learned
    mean, covariance = record.shapes.mean.copy(), record.shapes.covariance.copy()
    mean[joints], covariance[joints] = learned.shapes.mean[place], learned.shapes.covariance[place]
    calm, unrest, busiest = record.calm.copy(), record.unrest.copy(), record.busiest.copy()
    calm[joints], unrest[joints] = learned.calm[place], learned.unrest[place]
    climbed = record.climbed.copy()
    climbed[joints] = learned.climbed[place]
    busiest[joints] = learned.busiest[place]
    soaked, ahead = record.soaked.copy(), record.air_ahead.copy()
    soaked[joints], ahead[joints] = learned.soaked[place], learned.air_ahead[place]
    stage = record.stage.copy()
    stage[joints] = answer.stage
    more = bool((record.learns & (stage < STAGES)).any())
    asked_seconds = record.asked_seconds.copy()
    asked_seconds[joints] = 0.0
    return replace(
        record,
        asked_seconds=asked_seconds,
        stage=stage,
        shapes=shape.Shapes(mean=mean, covariance=covariance),
        calm=calm,
        unrest=unrest,
        climbed=climbed,
        busiest=busiest,
        soaked=soaked,
        air_ahead=ahead,
        windows=record.windows if more else (),
        times=record.times if more else (),
    )


def settle_baseline(
    record: Record, baseline: trend.Baseline, answer: Answer
) -> tuple[trend.Baseline, Flags, Flags]:
    """Baselines of the joints whose rise the record tells well enough: (baseline, taken, begun anew).

    Of a joint that was called good in the midst of the record, the record tells nothing: its baseline
    begins anew, since another shape measures with another rod.
    """
    place = heard(record, answer)
    joints, learned, size = answer.joints[place], answer.learned, len(record.stage)
    rise, sd, spread, known = np.ones(size), np.ones(size), np.zeros(size), np.zeros(size, dtype=bool)
    rise[joints], sd[joints] = learned.rise_kelvin[place], learned.rise_sd_kelvin[place]
    # heat that nothing measured tells of (an alternator's body, a battery) is another on the next day
    offset_kelvin = shape.physical(learned.shapes.mean)[:, 4] * math.sqrt(UNSEEN_HOURS)
    unseen = offset_kelvin / np.maximum(learned.busiest, LEAST_HEATING)
    spread[joints] = np.hypot(learned.rise_spread_kelvin, unseen)[place]
    known[joints] = (rise[joints] > 0.0) & (sd[joints] < BASELINE_RATIO * rise[joints])
    moved = np.zeros(size, dtype=bool)
    moved[joints] = True
    anew = moved & ~record.takes_baseline
    taken = known & record.takes_baseline
    early = answer.stage < STAGES
    return trend.take(emptied(baseline, anew), rise, sd, spread, taken, early), taken, anew


def emptied(baseline: trend.Baseline, joints: Flags) -> trend.Baseline:
    """No baseline yet for these joints (joints,); the others stay as they are."""
    if not joints.any():
        return baseline
    zeroed = {f.name: np.where(joints, 0.0, getattr(baseline, f.name)) for f in fields(baseline)}
    return replace(baseline, **zeroed)


def placed(whole: estimator.Tracked, part: estimator.Tracked, joints: Indices) -> estimator.Tracked:
    """`whole` with the rows of `joints` replaced by those of `part`, which has no others."""
    rows = (joints[:, None] * SHAPES_PER_JOINT + np.arange(SHAPES_PER_JOINT)).ravel()
    arrays: dict[str, Any] = {}
    for field in fields(whole):
        array = getattr(whole, field.name).copy()
        array[joints if len(array) == len(whole.started) else rows] = getattr(part, field.name)
        arrays[field.name] = array
    return replace(whole, **arrays)


def picked(part: estimator.Tracked, places: Indices) -> estimator.Tracked:
    """The rows of the joints at `places` alone."""
    rows = (places[:, None] * SHAPES_PER_JOINT + np.arange(SHAPES_PER_JOINT)).ravel()
    size = len(part.started)
    arrays = {f.name: getattr(part, f.name) for f in fields(part)}
    return replace(part, **{n: a[places if len(a) == size else rows] for n, a in arrays.items()})


# ---- beginning anew --------------------------------------------------------------------------


def restart(record: Record, joint: int, monotonic_seconds: float) -> Record:
    """Somebody worked on this joint: it is learned anew from what comes now, and no other is."""
    fresh = empty(record.learns)
    only = np.arange(len(record.stage)) == joint
    return replace(
        record,
        stage=np.where(only, 0, record.stage),
        loaded_seconds=np.where(only, 0.0, record.loaded_seconds),
        asked_seconds=np.where(only, 0.0, record.asked_seconds),
        begun_seconds=np.where(only, monotonic_seconds + record.ahead_seconds, record.begun_seconds),
        takes_baseline=record.takes_baseline | only,
        restarts=record.restarts + only,
        shapes=_with_fresh(record.shapes, fresh.shapes, only),
        before=_with_fresh(record.before, fresh.before, only),
        calm=np.where(only, np.nan, record.calm),
        unrest=np.where(only, np.nan, record.unrest),
        climbed=np.where(only, np.nan, record.climbed),
        busiest=np.where(only, np.inf, record.busiest),
        soaked=np.where(only, 1.0, record.soaked),
    )


def _with_fresh(shapes: shape.Shapes, fresh: shape.Shapes, only: Flags) -> shape.Shapes:
    return shape.Shapes(
        mean=np.where(only[:, None], fresh.mean, shapes.mean),
        covariance=np.where(only[:, None, None], fresh.covariance, shapes.covariance),
    )


def without_baseline(record: Record, joint: int) -> Record:
    """This joint was called good as it is: its earlier windows say nothing of its baseline."""
    return replace(record, takes_baseline=record.takes_baseline & (np.arange(len(record.stage)) != joint))


# ---- what others ask -------------------------------------------------------------------------


def unrest_ratio(record: Record, unrest: Array) -> Array:
    """Restlessness now against the most while it was well (joints,); NaN before anything was learned."""
    result: Array = unrest / record.unrest
    return result


def rows(joints: Sequence[str], record: Record, answer: Answer) -> tuple[LearnedShape, ...]:
    """One row for each joint that the answer is for."""
    believed = answer.learned.shapes
    centre = shape.physical(believed.mean)
    sd = np.sqrt(np.diagonal(believed.covariance, axis1=1, axis2=2))
    return tuple(
        LearnedShape(
            joint=joints[answer.joints[i]],
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
        for i in heard(record, answer)
    )


def bank(record: Record, default: estimator.Bank, has_neighbours: Flags) -> estimator.Bank:
    """The bank that runs: the learned shapes, and the default ones where nothing was learned."""
    learned = record.stage > 0
    if not learned.any():
        return default
    rated = np.sqrt(default.rated_amps_squared.reshape(default.joints, -1)[:, 0])
    shapes = shape.representatives(record.shapes)
    known = estimator.bank_of(shapes, rated, has_neighbours, estimator.SHAPE_KNOWN)
    return known if learned.all() else _mixed(known, default, estimator.per_row(learned))


def _mixed(known: estimator.Bank, default: estimator.Bank, learned: Flags) -> estimator.Bank:
    """Rows of both banks (rows,), each with the tuning of its own."""
    arrays = {
        f.name: np.where(learned, getattr(known, f.name), getattr(default, f.name))
        for f in fields(known)
        if f.init and f.name != "tuning"
    }
    tuning = replace(
        known.tuning,
        own_walk_ratio=np.where(learned, known.tuning.own_walk_ratio, default.tuning.own_walk_ratio),
        own_walk_kelvin=np.where(learned, known.tuning.own_walk_kelvin, default.tuning.own_walk_kelvin),
        surprise_sd=np.where(learned, known.tuning.surprise_sd, default.tuning.surprise_sd),
    )
    return replace(known, **arrays, tuning=tuning)
