"""How far from the truth a passage's rise may be, and when it is not told at all.

`passage_rise` states a deviation for passages against each other, in which what errs alike on all of them
cancels. Against the truth (the joint settled by its own current, less what its neighbours bring) more may be
wrong, and each part of it can be seen in the passage itself:

- what answers to the current and is not the joint: a machine's body behind it, with an engine that runs
  whenever its alternator charges. A joint on a bar has its neighbours read; of one that has none nobody tells
  how warm the thing is that it is bolted to, so a share of its rise may be that thing's. Where the shape has
  an offset that walks, how far this went on the passage shows more of it, the more of the walk is heat
  (`settling`);
- the neighbours' share: load on one joint of a bar is mostly load on the others too, so a share that fits
  may be another by SHARE_SD, and with it how many kelvin are the joint's own;
- a shape that was learned from bursts never saw the end of a rise;
- a shape that was learned from an hour or from one passage only, in the rise and in what air and neighbours
  make: the latter counts for little where much current flows and for much where little does.

A joint whose shape was not learned yet is not told of: passages by a default shape could be held against
nothing, and one in bursts was told a tenth of its rise.
Not here: the figure itself (`passage_rise`), a part of a passage (`passage_cuts`). May import: estimator,
settling, passage_rise, passages, model, numpy.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lugwatch import passage_rise
from lugwatch.estimator import SHAPES_PER_JOINT, Bank
from lugwatch.model import RiseUnknown
from lugwatch.passage_rise import Course
from lugwatch.passages import Rise
from lugwatch.settling import CALIBRATION_KELVIN, GATHERING_HOURS

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]

# Shares that follow were set on bench boats 1 to 8 and looked at again on 9 to 15 (bench: `passages`).
# Of the rise, on any passage: two modes for a cable of many, convection that is shed faster when hot.
MODEL_RATIO = 0.055
# Of the rise of a joint whose shape was only ever learned from bursts.
UNSOAKED_RATIO = 0.14
# The share of the neighbours may be another by so much although it fits.
SHARE_SD = 0.055
# Of the rise of a joint without neighbours, for what it is bolted to…
LONE_RATIO = 0.11
# …and of how far the offset went, where all of it is heat.
BODY_RATIO = 0.6
# Of the rise, by how often the shape was learned: from an hour, from that passage, from two.
LEARNED_RATIO: Array = np.array([np.nan, 0.12, 0.06, 0.0])
LEARNED_KELVIN: Array = np.array([np.nan, 0.2, 0.05, 0.0])
# Not told where the deviation is a larger share of the rise. Wide is honest and kept for creep, whose own
# deviation it is not: with a half a hardly loaded stud lost 9 of the 30 passages that creep could use.
TOLD_RATIO = 0.75

_CENTRE = slice(None, None, SHAPES_PER_JOINT)


def truth_sd_kelvin(
    course: Course, bank: Bank, repeat_sd_kelvin: Array, soaked: Array, stage: Indices
) -> Array:
    """Deviation of each joint's rise at rated current against the truth (joints,) [K]; NaN: not known.

    repeat_sd_kelvin: (joints,) what `passage_rise.rise_kelvin` states, NaN where it is not known; soaked:
    (joints,) how far the record that its shape was learned from let a joint settle, 0 to 1; stage: (joints,)
    how often its shape was learned.
    """
    beta = course.mean[passage_rise.BETA].sum(axis=0)
    # mean heating of the loaded time as heat weighs it
    heating = course.heating_squares / np.maximum(course.heating_sum, 1e-9)
    heating = np.maximum(heating, 1e-6)
    warmer = course.warmer_sum / np.maximum(course.heating_sum, 1e-9)
    walked = bank.offset_walk_kelvin[_CENTRE] ** 2 * GATHERING_HOURS
    is_heat = walked / (walked + CALIBRATION_KELVIN**2)
    body = BODY_RATIO * is_heat * (course.offset_high - course.offset_low)
    near = bank.neighbour_weight[_CENTRE] > 0.0
    neighbours = np.where(near, SHARE_SD * warmer, 0.0)
    times = np.minimum(stage, len(LEARNED_RATIO) - 1)
    lone = np.where(near, 0.0, LONE_RATIO)
    shares = MODEL_RATIO**2 + (UNSOAKED_RATIO * (1.0 - soaked)) ** 2 + lone**2 + LEARNED_RATIO[times] ** 2
    kelvin = body**2 + neighbours**2 + LEARNED_KELVIN[times] ** 2
    result: Array = np.sqrt(repeat_sd_kelvin**2 + kelvin / heating**2 + shares * beta**2)
    return result


def told(
    course: Course, bank: Bank, soaked: Array, stage: Indices, tracked: Flags, rated_amps: Array
) -> Sequence[Rise | RiseUnknown]:
    """What the passage so far says of each joint, in their order.

    soaked, stage: as for `truth_sd_kelvin`; tracked, rated_amps: (joints,) has a current and an air; [A].
    """
    rise, repeat_sd = passage_rise.rise_kelvin(course)
    sd = truth_sd_kelvin(course, bank, repeat_sd, soaked, stage)
    known = sd < TOLD_RATIO * rise  # False where NaN
    scale = 1.0 / rated_amps**2
    rows = zip(
        *((rise * scale).tolist(), (sd * scale).tolist(), (repeat_sd * scale).tolist()),
        *(known.tolist(), stage.tolist(), tracked.tolist()),
        strict=True,
    )
    return tuple(
        Rise(rise_coefficient=b, sd=s, repeat_sd=r)
        if sure and times
        else RiseUnknown.UNTRACKED
        if not has
        else RiseUnknown.TOO_LITTLE_LOAD
        if times
        else RiseUnknown.NOT_LEARNED
        for b, s, r, sure, times, has in rows
    )
