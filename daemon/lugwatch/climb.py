"""A joint whose heating climbs while its load stays as it is: slower than a change, faster than a creep.

A contact that doubles every half hour is followed by its filter as it goes, so no moment of it looks like a
change (`jump`), and against a baseline of another day draughts, bodies and probes leave a certain
excess late. Within one stretch of an even load all those stand still and only the joint moves: what is
compared is the tracked rise with the lowest that it was since that load began. Held against the
same in the record that the joint was learned from, and against what its air and its metal show. After a
restart it begins anew; what was lost by then is told of against the baseline.

Not here: what is said about it (`alert_rules`). May import: company, numpy.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import company

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

STEP_SECONDS = 30.0
# What of the tracked rise is looked at: its mean over about so long.
SMOOTH_SECONDS = 180.0
# A load is even while its mean square over ten minutes stays by the one over an hour, as a factor e to this.
LATELY_SECONDS, LONG_SECONDS, EVEN_RATIO = 600.0, 3600.0, 0.15
PRESENT_RATIO = 0.7
# After a load began to be even the modes are still running for a while.
SETTLING_SECONDS = 1200.0
# The lowest is forgotten by so much of itself in an hour: draughts of an hour are no climb.
FORGETTING_PER_HOUR = 0.06
# A joint whose current makes less than this is not judged, as for sudden changes.
VISIBLE_KELVIN = 1.0
# Air that an engine warms runs 1 to 2 K ahead of what has come through to a joint; beyond this a hatch was
# opened or a probe fell off, and what a rise is measured from is not known well enough.
SWING_KELVIN = 3.0
SMALLEST_KELVIN = 0.3
# So much is a climb, unless the joint did nearly as much while it was well. On 30 healthy passages of five
# bench boats eleven of twelve joints stay below 1.07, the twelfth reaches 1.17 and has shown it before.
CLIMBING_RATIO = 1.10
LEARNED_RATIO = 1.5
# When a fan stops or a shunt drifts all joints of it climb, by half to twice as much; one other that is not
# warmed by it through metal can tell.
SHARED_POWER = 2.0
# While a shape is young, by how often it was learned: never, from the first hour, from one passage, two.
EARLY_RATIO: Array = np.array([np.inf, np.inf, 1.5, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Per joint (joints,); NaN: nothing seen since the load began."""

    level: Array  # ln β [ln K], smoothed
    lowest: Array  # of the level since the load is even and the modes have run
    lately: Array  # mean heating over ten minutes; 1 is the rated current
    long: Array  # and over an hour
    even_seconds: Array  # how long the load has been even
    heating_seconds: Array  # ∫ heating dt of the open step
    step_seconds: float
    ratio: Array  # rise against its lowest under this load, at least 1; 1 where nothing is known
    most: float  # the largest of them


def empty(joints: int) -> Watch:
    """Nothing seen yet."""
    unknown, zeros = np.full(joints, np.nan), np.zeros(joints)
    return Watch(
        level=unknown,
        lowest=unknown,
        lately=unknown,
        long=unknown,
        even_seconds=zeros,
        heating_seconds=zeros,
        step_seconds=0.0,
        ratio=np.ones(joints),
        most=1.0,
    )


def restart(watch: Watch, joints: Flags) -> Watch:
    """These joints (joints,) are others now, or were misled."""
    if not joints.any():
        return watch
    return replace(
        watch,
        level=np.where(joints, np.nan, watch.level),
        lowest=np.where(joints, np.nan, watch.lowest),
        lately=np.where(joints, np.nan, watch.lately),
        long=np.where(joints, np.nan, watch.long),
        even_seconds=np.where(joints, 0.0, watch.even_seconds),
        heating_seconds=np.where(joints, 0.0, watch.heating_seconds),
        ratio=np.where(joints, 1.0, watch.ratio),
    )


def unsettled(watch: Watch, swing_kelvin: Array) -> Watch:
    """Joints whose air runs ahead by so much (joints,) begin anew; NaN: not known."""
    return restart(watch, np.abs(swing_kelvin) > SWING_KELVIN)


def step(watch: Watch, rise_kelvin: Array, heating: Array, judged: Flags, seconds: float) -> Watch:
    """One window further.

    rise_kelvin: (joints,) β; heating: (joints,) 1 at the rated current; judged: (joints,) loaded and every
    input there; one that is not judged now makes no heat that is known of.
    """
    heating_seconds = watch.heating_seconds + seconds * np.where(judged, heating, 0.0)
    length = watch.step_seconds + seconds
    if length < STEP_SECONDS - 1e-6:
        return replace(watch, heating_seconds=heating_seconds, step_seconds=length)
    mean = heating_seconds / length
    lately = _followed(watch.lately, mean, length / LATELY_SECONDS)
    visible = rise_kelvin * lately > VISIBLE_KELVIN
    long = np.where(np.isnan(watch.long), lately, watch.long)
    # the moment in which a load is turned down is not yet in the mean of ten minutes
    seen = judged & visible & (mean > PRESENT_RATIO * long)
    with np.errstate(divide="ignore", invalid="ignore"):  # a load that is gone is not even
        even = np.abs(np.log(lately / long)) < EVEN_RATIO
    even &= visible
    level = np.log(np.maximum(rise_kelvin, 1e-3))
    level = np.where(seen, _followed(watch.level, level, length / SMOOTH_SECONDS), watch.level)
    level = np.where(even, level, np.nan)
    even_seconds = np.where(even, watch.even_seconds + np.where(seen, length, 0.0), 0.0)
    before = np.where(even, watch.lowest + FORGETTING_PER_HOUR * length / 3600.0, np.nan)
    settled = seen & (even_seconds > SETTLING_SECONDS)
    lowest = np.where(settled, np.fmin(before, level), before)
    above = level - lowest
    ratio = np.exp(np.where(above > 0.0, above, 0.0))
    return Watch(
        level=level,
        lowest=lowest,
        lately=lately,
        long=np.where(even, _followed(long, lately, length / LONG_SECONDS), lately),
        even_seconds=even_seconds,
        heating_seconds=np.zeros_like(heating_seconds),
        step_seconds=0.0,
        ratio=ratio,
        most=float(ratio.max(initial=1.0)),
    )


def _followed(before: Array, now: Array, lengths: float) -> Array:
    return np.where(np.isnan(before), now, before - math.expm1(-lengths) * (now - before))


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Per joint (joints,)."""

    ratio: Array  # its own climb, beyond what its air shows too; at least 1
    climbing: Flags  # beyond its bound


def find(
    watch: Watch, rise_now_kelvin: Array, visible: Flags, learned: Array, stage: NDArray[np.intp],
    groups: Flags, metal: Flags,
) -> Found:  # fmt: skip
    """Whose climb is its own.

    rise_now_kelvin: (joints,) what the present current makes; learned: (joints,) largest `ratio` while the
    joint was well, NaN: not learned; stage: (joints,) how often it was; groups: (groups, joints) that share
    an air or a current; metal: (joints, joints) neighbours on the same metal, of which one that shows much
    more may have heated the others.
    """
    climbed = watch.ratio
    if watch.most < CLIMBING_RATIO:
        return Found(ratio=climbed, climbing=np.zeros(len(climbed), dtype=bool))
    shown = np.where(visible & ~np.isnan(watch.lowest), climbed, np.nan)
    own = climbed / _shared(shown, groups, metal) ** SHARED_POWER
    nobody = np.zeros((0, len(climbed)), dtype=bool)
    shadowed = company.beside(shown, rise_now_kelvin, nobody, metal, ()).shadowed
    usual = 1.0 + LEARNED_RATIO * (np.where(np.isnan(learned), 1.0, learned) - 1.0)
    early = EARLY_RATIO[np.minimum(stage, len(EARLY_RATIO) - 1)]
    bound = 1.0 + early * (np.maximum(CLIMBING_RATIO, usual) - 1.0)
    more_kelvin = rise_now_kelvin * (1.0 - 1.0 / own)
    climbing = visible & (own >= bound) & ~shadowed & (more_kelvin > SMALLEST_KELVIN)
    return Found(ratio=np.maximum(own, 1.0), climbing=climbing)


def _shared(shown: Array, groups: Flags, metal: Flags) -> Array:
    """What three quarters of the others show that share an air or a current with each joint, at least 1."""
    common = np.ones(len(shown))
    known = ~np.isnan(shown)
    for group in groups:
        told = np.flatnonzero(group & known)
        for joint in told:
            others = told[told != joint]
            if len(others) > 1 or (len(others) == 1 and not metal[joint, others[0]]):
                common[joint] = max(float(common[joint]), float(np.quantile(shown[others], 0.25)))
    return common
