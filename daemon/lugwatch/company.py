"""What joints show together: an air or a current that is suddenly read wrong, and whose heat a joint shows.

All joints in one air are driven by the same reading. If that reading has jumped by d kelvin while the air
itself has not, each joint's filter errs by d times a signature that follows from its own lags and its
filter's own gains, as in `jump`; only the size is common to all of them. When one size explains what
the whole company shows, nobody's contact is accused and the air probe is named.

All joints on one current are heated by it. If it has changed and its reading has not, or the other way
round, each filter errs by one share of what the current makes of that joint. Whichever explains more is
weighed first: a shunt that sticks looks like an air that is read wrong to joints that stand in one air.
Not here: changes of single joints (`jump`), what is said (`alert_rules`).
May import: signature, change, estimator, numpy.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import change, signature
from lugwatch.estimator import (
    FAST,
    OFFSET,
    OWN,
    SLOW,
    SOAK,
    STATES,
    Bank,
    Inputs,
    Tracked,
    per_row,
)
from lugwatch.signature import CENTRE, COMPANY

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

MOMENTS = 10  # at which a reading may have jumped…
APART_SECONDS = 30.0  # …so far apart
# Deviations beyond which a jump of a reading is believed. On bench boats healthy passages reach 5.6, and air
# that hangs in a draught 3 K too cold reaches 10 within a minute.
BELIEVED_SD = 6.5
# One size must explain so much of what each joint alone would make of it: 0.98 and more for a reading that
# jumped, under 0.3 for a joint that went bad.
AGREED_RATIO = 0.85
# And so much of it where it is a current, since joints with a body behind them answer by another law.
HEATED_RATIO = 0.6
OTHERS_RATIO = 0.5
SMALLEST_KELVIN = 1.0  # less is weather, and excuses nobody
# What is said of a probe, and taken off its air. Where an engine stops, air and metal of a small space part
# by up to this on bench boats; a probe that has come off or hangs in a draught reads wrong by 2 K and more.
SMALLEST_TOLD_KELVIN = 1.5
# While a common jump is this clear, and clearer than anything one joint shows, joints are not accused yet.
PENDING_SD = 4.0
# A jump is the same for all joints only as far as their shapes are right.
SHAPE_RATIO = 0.1
# A fan takes a fifth and more off most of the rises in its air, a draught less than a tenth.
COOLED_RATIO = 0.93
# A bad joint warms what shares its metal: less than this part of its own excess is its doing.
SHADOW_RATIO = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """What is being matched; a moment that is not in use has no information."""

    error: Array  # (joints, 2·MOMENTS, 5) the filter's error for an air read 1 K too warm; then for twice
    # the heating that the current is read for
    fast: Array  # (joints, MOMENTS) how much of that kelvin has come through the fast lag
    slow: Array
    information: Array  # (joints, 2·MOMENTS) [1/K²]; then [1]
    evidence: Array  # [1/K]; then [1]
    next_moment: int
    seconds_since_moment: float
    shift_kelvin: Array  # (airs,) by which each air is believed to be read too warm


def empty(joints: int, airs: int) -> Watch:
    """Nothing seen yet."""
    zeros = np.zeros((joints, MOMENTS))
    return Watch(
        error=np.zeros((joints, 2 * MOMENTS, STATES)),
        fast=zeros,
        slow=zeros,
        information=np.zeros((joints, 2 * MOMENTS)),
        evidence=np.zeros((joints, 2 * MOMENTS)),
        next_moment=0,
        seconds_since_moment=APART_SECONDS,
        shift_kelvin=np.zeros(airs),
    )


def step(watch: Watch, bank: Bank, tracked: Tracked, inputs: Inputs) -> Watch:
    """Take in what the filter has just learned from one window."""
    window = signature.passed(bank, tracked)
    error, fast, slow = watch.error.copy(), watch.fast.copy(), watch.slow.copy()
    information, evidence = watch.information.copy(), watch.evidence.copy()
    number, since = watch.next_moment, watch.seconds_since_moment
    if since >= APART_SECONDS - 1e-6:
        both = [number, MOMENTS + number]
        fast[:, number] = slow[:, number] = 0.0
        error[:, both] = 0.0
        information[:, both] = evidence[:, both] = 0.0
        number, since = (number + 1) % MOMENTS, 0.0
    mean = tracked.mean[CENTRE]
    for mode, driver, keep in ((FAST, OWN, window.keep_fast), (SLOW, SOAK, window.keep_slow)):
        # what it is short of before this window passes
        error[:, MOMENTS:, mode] += ((1.0 / keep - 1.0) * window.heating * mean[:, driver])[:, None]
    seen = signature.carry(error, window)
    fast += (1.0 - window.keep_fast)[:, None] * (1.0 - fast)
    slow += (1.0 - window.keep_slow)[:, None] * (1.0 - slow)
    weight = bank.fast_weight[CENTRE][:, None]
    seen[:, :MOMENTS] -= _share(bank, inputs)[CENTRE, None] * (weight * fast + (1.0 - weight) * slow)
    measured = window.gain.any(axis=1)
    certain = np.where(measured, 1.0 / tracked.innovation_variance[CENTRE], 0.0)
    information += seen * seen * certain[:, None]
    evidence += seen * (certain * tracked.innovation[CENTRE])[:, None]
    signature.eat(error, seen, window)
    return Watch(
        error=error,
        fast=fast,
        slow=slow,
        information=information,
        evidence=evidence,
        next_moment=number,
        seconds_since_moment=since + float(window.seconds.max(initial=0.0)),
        shift_kelvin=watch.shift_kelvin,
    )


def _share(bank: Bank, inputs: Inputs) -> Array:
    """How much of the reference of each row is its air (rows,)."""
    silent = per_row(np.isnan(inputs.neighbour_celsius))
    result: Array = np.where(silent, 1.0, 1.0 - bank.neighbour_weight)
    return result


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Per air (airs,): the clearest jump of its reading, and whether it is believed."""

    deviations: Array
    size_kelvin: Array
    moment: NDArray[np.intp]
    believed: Flags
    excused: Flags  # (joints,) what they show is better explained by their air's reading or their current
    heated: Flags  # (joints,) of these, by their current


def find(
    watch: Watch,
    airs: Flags,
    learned: Flags,
    alone: Array,
    currents: Flags | None = None,
    early: Array | None = None,
) -> Found:
    """Look at what has been matched.

    airs: (airs, joints) which joints stand in which air; learned: (joints,) whose shape is known;
    alone: (joints,) deviations of the clearest change of each joint's own heating (`jump.strongest`);
    currents: (currents, joints) which carry which; None: no joint has company on its current. Where
    a current explains more than an air does, it is what has changed, and nothing is believed of the air.
    early: (joints,) how much clearer it must be while shapes are not yet learned for good; None: no more.
    """
    count = len(airs)
    deviations, size, clear = np.zeros(count), np.zeros(count), np.zeros(count, dtype=bool)
    enough = np.full(count, BELIEVED_SD)
    moment = np.zeros(count, dtype=np.intp)
    information, evidence = watch.information[:, :MOMENTS], watch.evidence[:, :MOMENTS]
    known = learned & information.any(axis=1)
    for a in np.flatnonzero((airs & known).sum(axis=1) >= COMPANY):
        told = airs[a] & known
        total, common = information[told].sum(axis=0), evidence[told].sum(axis=0)
        each = common / np.sqrt(np.maximum(total, 1e-12))
        best = int(np.argmax(np.abs(each)))
        apart = (evidence[told, best] ** 2 / np.maximum(information[told, best], 1e-12)).sum()
        moment[a], deviations[a], size[a] = best, each[best], common[best] / max(total[best], 1e-12)
        enough[a] *= 1.0 if early is None else float(early[told].max())
        clear[a] = each[best] ** 2 > AGREED_RATIO * apart and abs(size[a]) > SMALLEST_KELVIN
    clear &= np.abs(deviations) > PENDING_SD
    heated = np.zeros(airs.shape[1], dtype=bool)
    if currents is not None and (clear.any() or np.abs(alone).max(initial=0.0) > PENDING_SD):
        for on, by in _heated(watch, currents, learned):
            clear &= (np.abs(deviations) > by) | ((airs & on).sum(axis=1) < 2)
            if by > np.abs(alone[on]).max():
                heated |= on
    excused = heated.copy()
    for a in np.flatnonzero(clear):
        if abs(deviations[a]) > np.abs(alone[airs[a] & known]).max():
            excused |= airs[a]
    return Found(
        deviations=deviations,
        size_kelvin=size,
        moment=moment,
        believed=clear & (np.abs(deviations) > enough) & (np.abs(size) > SMALLEST_TOLD_KELVIN),
        excused=excused,
        heated=heated,
    )


def _heated(watch: Watch, currents: Flags, learned: Flags) -> list[tuple[Flags, float]]:
    """Joints (joints,) of each current that all heat more or less in one proportion, and how clearly."""
    information, evidence = watch.information[:, MOMENTS:], watch.evidence[:, MOMENTS:]
    known = learned & information.any(axis=1)
    found = []
    for on in currents[(currents & known).sum(axis=1) >= COMPANY]:
        seen, sure = evidence[on & known], information[on & known]
        each = seen.sum(axis=0) / np.sqrt(np.maximum(sure.sum(axis=0), 1e-12))
        best = int(np.argmax(np.abs(each)))
        clear, seen, sure = float(each[best]), seen[:, best], np.maximum(sure[:, best], 1e-12)
        alone = seen**2 / sure
        # the others must say so too: to one that is seen far more sharply than they are, they are no company
        others = np.arange(len(alone)) != np.argmax(alone)
        left = float(seen[others].sum() / np.sqrt(sure[others].sum()))
        agreed = clear**2 > HEATED_RATIO * alone.sum() and left * np.sign(clear) > OTHERS_RATIO * abs(clear)
        if agreed and abs(clear) > PENDING_SD:
            found.append((on, abs(clear)))
    return found


def believe(
    watch: Watch, bank: Bank, tracked: Tracked, inputs: Inputs, found: Found, airs: Flags
) -> tuple[Watch, Tracked]:
    """The filter moves to where it would be had the reading always been off by so much.

    The lags of the surroundings are filled with the jump and the offset takes it off again, so that what
    is read from now on needs no correction.
    """
    size = found.believed * found.size_kelvin @ airs  # (joints,) 0 where nothing is believed
    at = np.max(np.where(airs, found.moment[:, None], 0), axis=0)
    rows = np.arange(len(size))
    share = per_row(size) * _share(bank, inputs)
    mean, covariance = (
        tracked.mean + per_row(watch.error[rows, at] * size[:, None]),
        tracked.covariance.copy(),
    )
    mean[:, OFFSET] -= share
    covariance[:, OFFSET, OFFSET] += (SHAPE_RATIO * share) ** 2
    gone = size != 0.0
    return (
        replace(
            watch,
            error=np.where(gone[:, None, None], 0.0, watch.error),
            information=np.where(gone[:, None], 0.0, watch.information),
            evidence=np.where(gone[:, None], 0.0, watch.evidence),
            shift_kelvin=watch.shift_kelvin + found.believed * found.size_kelvin,
        ),
        replace(
            tracked,
            mean=mean,
            covariance=covariance,
            air_fast_celsius=tracked.air_fast_celsius + share * per_row(1.0 - watch.fast[rows, at]),
            air_slow_celsius=tracked.air_slow_celsius + share * per_row(1.0 - watch.slow[rows, at]),
        ),
    )


def forget(watch: Watch, tracked: Tracked, airs: Flags) -> tuple[Watch, Tracked]:
    """A passage has ended: whether a reading is still off will be seen, so offsets are open by as much."""
    if not watch.shift_kelvin.any():
        return watch, tracked
    covariance = tracked.covariance.copy()
    covariance[:, OFFSET, OFFSET] += per_row((watch.shift_kelvin @ airs) ** 2)
    return replace(watch, shift_kelvin=np.zeros_like(watch.shift_kelvin)), replace(
        tracked, covariance=covariance
    )


def restart(watch: Watch, joints: Flags) -> Watch:
    """Nothing seen yet of these joints (joints,): their shape or the joints themselves are others now."""
    return replace(
        watch,
        error=np.where(joints[:, None, None], 0.0, watch.error),
        information=np.where(joints[:, None], 0.0, watch.information),
        evidence=np.where(joints[:, None], 0.0, watch.evidence),
    )


# ---- slow changes ----------------------------------------------------------------------------


def cooled(ratio: Array, airs: Flags) -> Flags:
    """Joints (joints,) whose air takes more heat than when they were good, or of whose air nobody can tell.

    ratio: (joints,) rise against baseline, NaN: not known; airs: (airs, joints). A fan cools nearly all
    joints of its air; when it stops, what each of them gains back is no change of a contact.
    """
    known = ~np.isnan(ratio)
    result = np.ones(len(ratio), dtype=bool)
    for air in airs:
        for joint in np.flatnonzero(air):
            others = air & known
            others[joint] = False
            if np.count_nonzero(others) >= COMPANY:
                result[joint] = float(np.median(ratio[others])) < COOLED_RATIO
    return result


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Per joint (joints,): how it stands beside those it shares an air or a metal with."""

    ratio: Array  # rise against baseline that the others of its air show too, at least 1
    shadowed: Flags  # what it shows is little beside what a joint on the same metal shows


def beside(ratio: Array, rise_now_kelvin: Array, airs: Flags, metal: Flags, asked: Sequence[int]) -> Beside:
    """What of a slow change may be a fan that stopped, or a neighbour's heat.

    ratio: (joints,) rise against baseline, NaN: not known or not judged now; rise_now_kelvin: (joints,)
    what the present current makes of it; airs: (airs, joints); metal: (joints, joints);
    asked: joints that somebody wants to know of.
    """
    known = ~np.isnan(ratio)
    gained = np.where(known, rise_now_kelvin * (1.0 - 1.0 / np.maximum(ratio, 1e-3)), 0.0)
    loudest = np.max(np.where(metal, gained[None, :], 0.0), axis=1, initial=0.0)
    shadowed = known & (gained > 0.0) & (gained < SHADOW_RATIO * loudest)
    common = np.ones(len(ratio))
    for air in airs:
        told = np.flatnonzero(air & known)
        if len(told) <= COMPANY:
            continue
        # what three quarters of the others show at least
        places = np.flatnonzero(np.isin(told, asked)).tolist()
        common[told[places]] = np.maximum(1.0, change.quantile_of_others(ratio[told], 0.25, places))
    return Beside(ratio=common, shadowed=shadowed)
