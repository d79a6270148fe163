"""A sudden change of a joint's own heating, found in the innovations of its filter.

If β_own has jumped by Δ at some moment, the filter's error since then is Δ times a signature that can be
computed alongside: it is driven by the load, fades through the modes, and is eaten by the filter's own
gains. Matching innovations against the signatures of several moments gives each an estimate of Δ and
its deviation (generalised likelihood ratio; Willsky and Jones 1976, in Basseville and Nikiforov,
Detection of Abrupt Changes, section 7.2.4; from memory). It sees a doubled contact in minutes because
it knows what one looks like, and is blind to a draught that comes and goes.
Only the central shape of each joint is looked at. Not here: what is said about it (`alert_rules`).
May import: change, estimator, numpy.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import change
from lugwatch.estimator import (
    FAST,
    OBSERVED,
    OWN,
    SHAPES_PER_JOINT,
    SLOW,
    SOAK,
    STATES,
    Bank,
    Inputs,
    Tracked,
    kept_by_centre,
    per_row,
    reference_celsius,
)

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

MOMENTS = 20  # at which a change may have begun…
APART_SECONDS = 60.0  # …so far apart
# An intermittent contact shows as restless innovations over about this long; one reading that is far
# off is no unrest.
UNREST_SECONDS = 600.0
LARGEST_SD = 10.0
# While modes still run after the current the shape's own errors show: the lag of a probe and whatever
# stands between it and the heat delay the first windows of a step by as much as they bring. Measured on
# bench boats, innovations grow by a half to all of what the modes still gain in a window.
LAGGING_RATIO = 0.5
# A load held for so long without a surprise is one that the shape is known at.
BUSY_SECONDS = 1200.0
QUIETEST = 0.25  # noises that were learned are hardly more than twice what they are
# Air that an engine warms runs so far ahead of what has come through to a joint; a hatch leaves twice that
# within minutes, and shows how well the way of the air is known.
USUAL_SWING_KELVIN = 1.5
# What a contact makes warms lug and stud at once and cable and bar later; halves, as in the step
# responses of many joints computed from their parts.
OWN_SHARE = 0.5
# Deviations beyond which a change is believed, and the smallest that matters, as a share of the rise.
BELIEVED_SD = 5.0
SMALLEST_RATIO = 0.08
# A contact does not heal while current flows: less heating is believed so much later, unless more was
# believed before. A battery's body or a fan does it on healthy passages (7 deviations); a probe that came
# off goes far beyond.
HEALING_RATIO = 1.6
LIKELY_RATIO = 1.0  # a contact that goes bad is likely to double what the joint makes
# A change that does not show by this much at the present load may be a neighbour's or the air's.
SMALLEST_KELVIN = 0.3
# A joint whose current makes less of a rise than this is not judged: what its neighbours do is more, and
# what is left of the heat of a machine's body after the current was turned down.
VISIBLE_KELVIN = 1.0
# A record of a joint that was well has deviations of about one; restless joints are believed later.
CALM_RMS = 1.5
# So many joints that share an air or a current tell what is common to all of them.
COMPANY = 3
COMMON_SD = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """What is being matched, (joints, MOMENTS, …); a moment that is not in use has no information."""

    error: Array  # (joints, MOMENTS, 5) the filter's error for Δ = 1 K
    information: Array  # [1/K²]
    evidence: Array  # [1/K]
    next_moment: int
    seconds_since_moment: float
    drift: Array  # (joints,) smoothed standardised innovation: 0 while the model holds
    square: Array  # (joints,) the same of its square: 1 while the model holds
    heating: Array  # (joints,) now; 1 is the rated current
    busiest: Array  # (joints,) largest heating it was learned from; 1 is the rated current
    known: Array  # (joints,) largest heating at which it is known by now
    ratio: Array  # (joints,) β after the changes believed so far against β before them

    @property
    def unrest(self) -> Array:
        """Variance of standardised innovations (joints,): a change that only grows is no unrest."""
        return np.maximum(self.square - self.drift**2, 0.0)


def empty(joints: int, busiest: Array | None = None) -> Watch:
    """Nothing seen yet. busiest: (joints,) largest heating each was learned from; None: any."""
    return Watch(
        error=np.zeros((joints, MOMENTS, STATES)),
        information=np.zeros((joints, MOMENTS)),
        evidence=np.zeros((joints, MOMENTS)),
        next_moment=0,
        seconds_since_moment=APART_SECONDS,
        drift=np.zeros(joints),
        square=np.ones(joints),
        ratio=np.ones(joints),
        heating=np.zeros(joints),
        busiest=np.full(joints, np.inf) if busiest is None else busiest,
        known=np.full(joints, np.inf) if busiest is None else busiest,
    )


def step(watch: Watch, bank: Bank, tracked: Tracked, inputs: Inputs) -> Watch:
    """Take in what the filter has just learned from one window."""
    centre = slice(None, None, SHAPES_PER_JOINT)
    seconds = tracked.stepped_by[centre]
    error = watch.error.copy()
    information, evidence = watch.information.copy(), watch.evidence.copy()
    number, since = watch.next_moment, watch.seconds_since_moment
    if since >= APART_SECONDS - 1e-6:
        error[:, number] = 0.0
        error[:, number, OWN] = OWN_SHARE
        error[:, number, SOAK] = 1.0 - OWN_SHARE
        information[:, number] = evidence[:, number] = 0.0
        number, since = (number + 1) % MOMENTS, 0.0
    keep_fast, keep_slow = kept_by_centre(bank, tracked)
    heating = tracked.heating[centre][:, None]
    error[:, :, FAST] = keep_fast * error[:, :, FAST] + (1.0 - keep_fast) * heating * error[:, :, OWN]
    error[:, :, SLOW] = keep_slow * error[:, :, SLOW] + (1.0 - keep_slow) * heating * error[:, :, SOAK]
    seen = error @ OBSERVED
    gain = tracked.gain[centre]
    # a load far beyond any it was learned from shows the shape's errors as well
    beyond = np.maximum(1.0, tracked.heating[centre] / np.maximum(watch.known, 1e-3))
    reference = reference_celsius(bank, inputs)[centre]
    swing = np.abs(reference - tracked.air_fast_celsius[centre])
    swing[np.isnan(swing)] = 0.0
    beyond *= np.maximum(1.0, swing / USUAL_SWING_KELVIN)
    mean = tracked.mean[centre]
    lagging = (1.0 - keep_fast[:, 0]) * (heating[:, 0] * mean[:, OWN] - mean[:, FAST])
    lagging += (1.0 - keep_slow[:, 0]) * (heating[:, 0] * mean[:, SOAK] - mean[:, SLOW])
    variance = (tracked.innovation_variance[centre] + (LAGGING_RATIO * lagging) ** 2) * beyond**2
    own_variance = variance.copy()
    # and of its noises: there they are taken to be what they have been lately
    lately = np.minimum(np.maximum(watch.square, QUIETEST), 1.0)
    variance *= np.where(tracked.heating[centre] > watch.busiest, lately, 1.0)
    visible = (mean[:, OWN] + mean[:, SOAK]) * heating[:, 0] > VISIBLE_KELVIN
    weight = np.where(inputs.loaded & visible & gain.any(axis=1), 1.0 / variance, 0.0)
    information += seen * seen * weight[:, None]
    evidence += seen * (weight * tracked.innovation[centre])[:, None]
    error -= seen[:, :, None] * gain[:, None, :]
    share = np.where(weight > 0.0, 1.0 - np.exp(-seconds / UNREST_SECONDS), 0.0)
    standard = tracked.innovation[centre] * np.sqrt(np.where(weight > 0.0, 1.0 / own_variance, 0.0))
    standard = np.minimum(np.maximum(standard, -LARGEST_SD), LARGEST_SD)
    known = np.where(weight > 0.0, 1.0 - np.exp(-seconds / BUSY_SECONDS), 0.0)
    known_heating = watch.known + known * np.maximum(tracked.heating[centre] - watch.known, 0.0)
    return Watch(
        error=error,
        information=information,
        evidence=evidence,
        next_moment=number,
        seconds_since_moment=since + float(seconds.max(initial=0.0)),
        drift=watch.drift + share * (standard - watch.drift),
        square=watch.square + share * (standard**2 - watch.square),
        ratio=watch.ratio,
        busiest=watch.busiest,
        known=known_heating,
        heating=tracked.heating[centre],
    )


def strongest(watch: Watch) -> tuple[Array, Array, NDArray[np.intp]]:
    """Per joint (joints,): deviations of the clearest change, its size Δ [K], and its moment."""
    deviations = watch.evidence / np.sqrt(np.maximum(watch.information, 1e-12))
    best = np.argmax(np.abs(deviations), axis=1)
    rows = np.arange(len(best))
    size = watch.evidence[rows, best] / np.maximum(watch.information[rows, best], 1e-12)
    return deviations[rows, best], size, best


def quiet(watch: Watch) -> bool:
    """Whether nothing in it is so clear that `find` could find anything: so in nearly every window."""
    least = min(BELIEVED_SD, COMMON_SD)
    return bool((watch.evidence * watch.evidence <= least * least * watch.information).all())


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Per joint (joints,): the clearest change, and whether it is believed to be the joint's own."""

    deviations: Array
    size_kelvin: Array
    moment: NDArray[np.intp]
    own: Flags  # beyond doubt, large enough, and not what its company shows too
    common: NDArray[np.intp]  # (groups,) 1 all warmer, -1 all cooler, 0 nothing in common


def find(
    watch: Watch,
    rise_kelvin: Array,
    calm: Array,
    groups: Flags,
    metal: Flags | None = None,
    excused: Flags | None = None,
) -> Found:
    """Look at what has been matched.

    rise_kelvin: (joints,) β; calm: (joints,) root mean square of the deviations in the record it was
    learned from, NaN: not learned, never believed; groups: (groups, joints) joints that share an air
    or a current. A change that the others of a group show in the same proportion is air or shunt.
    metal: (joints, joints) neighbours on the same metal; None: nobody has any. A bad joint heats its
    neighbours: of them only the one whose change is clearest, or was believed before, is accused.
    excused: (joints,) what they show is better explained otherwise (`company`); None: nobody.
    """
    deviations, size, moment = strongest(watch)
    rows = np.arange(len(size))
    sharpness = np.sqrt(watch.information[rows, moment])
    rise = np.maximum(np.abs(rise_kelvin), 1e-6)
    share = np.where(sharpness > 0.0, size / rise, np.nan)
    bound = BELIEVED_SD * np.maximum(1.0, calm / CALM_RMS)
    bound = np.where((deviations < 0.0) & (watch.ratio <= 1.0), HEALING_RATIO * bound, bound)
    own = (np.abs(deviations) > bound) & (np.abs(share) > SMALLEST_RATIO)
    own &= (np.abs(size) * watch.heating > SMALLEST_KELVIN) & (rise * watch.heating > VISIBLE_KELVIN)
    if excused is not None:
        own &= ~excused
    if metal is not None:
        # only one who could be accused itself can have heated the others
        louder = own[None, :] & (np.abs(deviations)[None, :] > np.abs(deviations)[:, None])
        accused = watch.ratio[None, :] > np.maximum(watch.ratio[:, None], 1.0 + SMALLEST_RATIO)
        own &= ~(metal & (louder | accused)).any(axis=1)
    common = np.zeros(len(groups), dtype=np.intp)
    if not own.any() and np.abs(deviations).max(initial=0.0) <= COMMON_SD:
        groups = groups[:0]  # neither is anybody accused nor can a median be that far off
    for number, group in enumerate(groups):
        told = group & (watch.information.max(axis=1) > 0.0) & ~np.isnan(calm)
        if np.count_nonzero(told) < COMPANY:
            continue
        # weighed by how sharply each is seen, less its own voice
        for joint in np.flatnonzero(told & own):
            others = told.copy()
            others[joint] = False
            shared = _weighted_median(share[others], (sharpness * rise)[others])
            left = deviations[joint] - shared * rise[joint] * sharpness[joint]
            if abs(left) < bound[joint] or left * deviations[joint] < 0.0:
                own[joint] = False
        signs = np.sign(deviations[told])
        if abs(signs.sum()) == len(signs) and np.median(np.abs(deviations[told])) > COMMON_SD:
            common[number] = int(signs[0])
    return Found(deviations=deviations, size_kelvin=size, moment=moment, own=own, common=common)


def own_unrest(unrest_ratio: Array, groups: Flags, asked: Sequence[int]) -> Array:
    """What of each joint's restlessness (joints,) its company does not share; NaN stays NaN.

    groups: as in `find`; asked: joints that somebody wants to know of, the others stay as they are.
    When all joints of one current are restless it is the current that was read late or not at all, and no
    contact: contacts do not come and go together.
    """
    result = unrest_ratio.copy()
    for group in groups:
        told = np.flatnonzero(group & ~np.isnan(unrest_ratio))
        if len(told) < COMPANY:
            continue
        values, places = unrest_ratio[told], np.flatnonzero(np.isin(told, asked)).tolist()
        for place, shared in zip(places, change.quantile_of_others(values, 0.5, places), strict=True):
            result[told[place]] = min(result[told[place]], values[place] / max(1.0, shared))
    return result


def calmed(watch: Watch, joints: Flags) -> Watch:
    """What these joints (joints,) showed was not theirs; what was believed before stands."""
    return replace(
        watch,
        error=np.where(joints[:, None, None], 0.0, watch.error),
        information=np.where(joints[:, None], 0.0, watch.information),
        evidence=np.where(joints[:, None], 0.0, watch.evidence),
        drift=np.where(joints, 0.0, watch.drift),
        square=np.where(joints, 1.0, watch.square),
    )


def forget(watch: Watch) -> Watch:
    """A passage has ended: changes believed in it are judged against the baseline from now on."""
    return replace(watch, ratio=np.ones(len(watch.ratio)))


def restart(watch: Watch, joints: Flags, busiest: Array) -> Watch:
    """Nothing seen yet of these joints (joints,): their shape or the joints themselves are others now.

    busiest: (joints,) as in `empty`; inf: nothing learned.
    """
    if joints.all():
        return empty(len(joints), busiest)
    return replace(
        watch,
        error=np.where(joints[:, None, None], 0.0, watch.error),
        information=np.where(joints[:, None], 0.0, watch.information),
        evidence=np.where(joints[:, None], 0.0, watch.evidence),
        drift=np.where(joints, 0.0, watch.drift),
        square=np.where(joints, 1.0, watch.square),
        busiest=np.where(joints, busiest, watch.busiest),
        known=np.where(joints, busiest, watch.known),
        ratio=np.where(joints, 1.0, watch.ratio),
    )


def _weighted_median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def believe(watch: Watch, tracked: Tracked, found: Found, rise_kelvin: Array) -> tuple[Watch, Tracked]:
    """The filter moves to where it would be had it known of the changes that are joints' own."""
    rows = np.arange(len(found.moment))
    error = watch.error[rows, found.moment]
    own = found.own
    # what has only just been seen is not sharp: before it, a change is as large as the rise, give or take
    information = watch.information[rows, found.moment]
    variance = 1.0 / (information + (LIKELY_RATIO * np.maximum(rise_kelvin, 1e-3)) ** -2)
    size = found.size_kelvin * information * variance
    after = np.maximum(rise_kelvin + size * error[:, [OWN, SOAK]].sum(axis=1), 1e-6)
    # the filter has followed a part of the change by itself: what was before it is the whole size less
    before = np.maximum(after - size, 1e-6)
    moved = np.where(own[:, None], error * size[:, None], 0.0)
    spread = np.einsum("ja,jb,j->jab", error, error, np.where(own, variance, 0.0))
    return (
        replace(
            watch,
            error=np.where(own[:, None, None], 0.0, watch.error),
            information=np.where(own[:, None], 0.0, watch.information),
            evidence=np.where(own[:, None], 0.0, watch.evidence),
            ratio=np.where(own, watch.ratio * after / before, watch.ratio),
        ),
        replace(
            tracked,
            mean=tracked.mean + per_row(moved),
            covariance=tracked.covariance + per_row(spread),
        ),
    )
