"""A sudden change of a joint's own heating, found in the innovations of its filter.

If β_own has jumped by Δ at some moment, the filter's error since then is Δ times a signature that can be
computed alongside: it is driven by the load, fades through the modes, and is eaten by the filter's own
gains. Matching innovations against the signatures of several moments gives each an estimate of Δ and
its deviation (generalised likelihood ratio; Willsky and Jones 1976, in Basseville and Nikiforov,
Detection of Abrupt Changes, section 7.2.4; from memory). It sees a doubled contact in minutes because
it knows what one looks like, and is blind to a draught that comes and goes. Innovations are whitened
by what they have been lately (`lately`). What a joint would show that stands with a part of it outside
its air, on a battery or a machine, is computed alongside: so much of a change is not its own.
Only the central shape of each joint is looked at. Not here: what is said about it (`alert_rules`).
May import: signature, lately, change, estimator, numpy.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import change, lately, signature
from lugwatch.estimator import (
    FAST,
    OWN,
    SLOW,
    SOAK,
    STATES,
    Bank,
    Inputs,
    Tracked,
    per_row,
    reference_celsius,
)
from lugwatch.signature import CENTRE, COMPANY

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
# Air that an engine warms runs so far ahead of what has come through to a joint; a hatch leaves twice that
# within minutes, and shows how well the way of the air is known.
USUAL_SWING_KELVIN = 1.5
# Up to so much of what a joint without neighbours stands on does not follow its air: a battery's post keeps
# warm when a hatch opens. Where the air has been over hours is what such a body still shows.
UNFOLLOWED_RATIO = 0.4
BODY_SECONDS = 7200.0
# What a contact makes warms lug and stud at once and cable and bar later; halves, as in the step
# responses of many joints computed from their parts.
OWN_SHARE = 0.5
# Deviations beyond which a change is believed, and the smallest that matters, as a share of the rise.
BELIEVED_SD = 5.0
SMALLEST_RATIO = 0.08
# Where most of the rise is the heat of a machine's body a doubled contact adds less than that: so much of it
# is enough where it shows by so much at the present load.
SMALLEST_BESIDE_BODY_RATIO, SMALLEST_BESIDE_BODY_KELVIN = 0.05, 1.0
# A contact does not heal while current flows: less heating is believed so much later, unless more was
# believed before. A battery's body or a fan does it on healthy passages (7 deviations); a probe that came
# off goes far beyond.
HEALING_RATIO = 1.6
LIKELY_RATIO = 1.0  # a contact that goes bad is likely to double what the joint makes
BEYOND_GOOD_SD = 2.0  # by which a change of a cooled joint must pass what it was while it was good
# A change that does not show by this much at the present load may be a neighbour's or the air's.
SMALLEST_KELVIN = 0.3
# A joint whose current makes less of a rise than this is not judged: what its neighbours do is more, and
# what is left of the heat of a machine's body after the current was turned down.
VISIBLE_KELVIN = 1.0
# A record of a joint that was well has deviations of about one; restless joints are believed later.
CALM_RMS = 1.5
# All joints of an air or a current have changed the same way, their median by so many deviations.
COMMON_SD = 5.0
# A fan changes what each joint in its air sheds, each by its own share of what nearly all of them show.
RESPONSE_RATIO = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """What is being matched, (joints, MOMENTS, …); a moment that is not in use has no information."""

    # (joints, MOMENTS + 1, 5) the filter's error for Δ = 1 K; the last, were nothing of its air to reach it
    error: Array
    carried: Array  # (joints, MOMENTS + 1) what was seen of it, whitened
    information: Array  # [1/K²]
    evidence: Array  # [1/K]
    unfollowed: Array  # evidence that would be there if nothing of the joint's air reached it [1/K]
    body_celsius: Array  # (joints,) where the air has been over hours; NaN: not seen yet
    lately: lately.Lately
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
        error=np.zeros((joints, MOMENTS + 1, STATES)),
        carried=np.zeros((joints, MOMENTS + 1)),
        information=np.zeros((joints, MOMENTS)),
        evidence=np.zeros((joints, MOMENTS)),
        unfollowed=np.zeros((joints, MOMENTS)),
        body_celsius=np.full(joints, np.nan),
        lately=lately.empty(joints),
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
    window = signature.passed(bank, tracked)
    seconds, heating = window.seconds, window.heating
    error, carried = watch.error.copy(), watch.carried.copy()
    information, evidence = watch.information.copy(), watch.evidence.copy()
    unfollowed = watch.unfollowed.copy()
    number, since = watch.next_moment, watch.seconds_since_moment
    if since >= APART_SECONDS - 1e-6:
        error[:, number] = 0.0
        error[:, number, OWN] = OWN_SHARE
        error[:, number, SOAK] = 1.0 - OWN_SHARE
        for sums in (carried, information, evidence, unfollowed):
            sums[:, number] = 0.0
        number, since = (number + 1) % MOMENTS, 0.0
    seen = signature.carry(error, window)
    weight = bank.fast_weight[CENTRE]
    around = weight * tracked.air_fast_celsius[CENTRE] + (1.0 - weight) * tracked.air_slow_celsius[CENTRE]
    body = np.where(np.isnan(watch.body_celsius), around, watch.body_celsius)
    body += (1.0 - np.exp(-seconds / BODY_SECONDS)) * (around - body)
    seen[:, MOMENTS] += body - around
    variance, visible = _expected(watch, bank, tracked, inputs, window)
    use = inputs.loaded & visible & window.gain.any(axis=1)
    sure = np.where(use, 1.0 / np.sqrt(variance), 0.0)
    standard = tracked.innovation[CENTRE] * sure
    white = lately.whiten(
        watch.lately,
        standard,
        use,
        heating,
        bank.offset_walk_kelvin[CENTRE],
        seconds,
    )
    carried *= white.keep[:, None]
    carried += seen * sure[:, None]
    certain = carried[:, :MOMENTS] * white.certain[:, None]
    information += certain * carried[:, :MOMENTS]
    evidence += certain * white.innovation[:, None]
    # a joint between neighbours follows them, and they are read
    unfollowed += certain * (carried[:, MOMENTS] * (1.0 - bank.neighbour_weight[CENTRE]))[:, None]
    carried[~use] = 0.0
    signature.eat(error, seen, window)
    share = use * (1.0 - np.exp(seconds / -UNREST_SECONDS))
    known = use * (1.0 - np.exp(seconds / -BUSY_SECONDS))
    standard = np.minimum(np.maximum(standard, -LARGEST_SD), LARGEST_SD)
    return replace(
        watch,
        error=error,
        carried=carried,
        information=information,
        evidence=evidence,
        unfollowed=unfollowed,
        body_celsius=body,
        lately=white.lately,
        next_moment=number,
        seconds_since_moment=since + float(seconds.max(initial=0.0)),
        drift=watch.drift + share * (standard - watch.drift),
        square=watch.square + share * (standard**2 - watch.square),
        known=watch.known + known * np.maximum(heating - watch.known, 0.0),
        heating=heating,
    )


def _expected(
    watch: Watch, bank: Bank, tracked: Tracked, inputs: Inputs, window: signature.Passed
) -> tuple[Array, Flags]:
    """Of each joint's innovation (joints,) the variance, and whether its rise shows at all."""
    heating, mean = window.heating, tracked.mean[CENTRE]
    # a load far beyond any it was learned from shows the shape's errors as well
    beyond = np.maximum(1.0, heating / np.maximum(watch.known, 1e-3))
    reference = reference_celsius(bank, inputs)[CENTRE]
    swing = np.abs(reference - tracked.air_fast_celsius[CENTRE])
    beyond *= np.fmax(1.0, swing / USUAL_SWING_KELVIN)  # NaN is no swing
    lagging = (1.0 - window.keep_fast) * (heating * mean[:, OWN] - mean[:, FAST])
    lagging += (1.0 - window.keep_slow) * (heating * mean[:, SOAK] - mean[:, SLOW])
    variance = (tracked.innovation_variance[CENTRE] + (LAGGING_RATIO * lagging) ** 2) * beyond**2
    visible = (mean[:, OWN] + mean[:, SOAK]) * heating > VISIBLE_KELVIN
    return variance, visible


def strongest(watch: Watch) -> tuple[Array, Array, NDArray[np.intp]]:
    """Per joint (joints,): deviations of the clearest change, its size Δ [K], and its moment.

    Without as much of it as may be an air that does not reach all of what the joint stands on.
    """
    evidence = watch.evidence
    away = np.maximum(UNFOLLOWED_RATIO * watch.unfollowed * np.sign(evidence), 0.0)
    evidence = np.sign(evidence) * np.maximum(np.abs(evidence) - away, 0.0)
    information = np.maximum(watch.information, 1e-12)
    deviations = evidence / np.sqrt(information)
    best = np.argmax(np.abs(deviations), axis=1)
    rows = np.arange(len(best))
    return deviations[rows, best], evidence[rows, best] / information[rows, best], best


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
    clearest: tuple[Array, Array, NDArray[np.intp]] | None = None,
) -> Found:
    """Look at what has been matched.

    rise_kelvin: (joints,) β; calm: (joints,) root mean square of the deviations in the record it was
    learned from, NaN: not learned, never believed; groups: (groups, joints) joints that share an air
    or a current. A change that the others of a group show in the same proportion is air or shunt.
    metal: (joints, joints) neighbours on the same metal; None: nobody has any. A bad joint heats its
    neighbours: of them only the one whose change is clearest, or was believed before, is accused.
    excused: (joints,) what they show is better explained otherwise (`company`); None: nobody.
    clearest: `strongest` of the same watch, where somebody has it.
    """
    deviations, size, moment = strongest(watch) if clearest is None else clearest
    rise = np.maximum(np.abs(rise_kelvin), 1e-6)
    bound = BELIEVED_SD * np.maximum(1.0, calm / CALM_RMS)
    bound = np.where((deviations < 0.0) & (watch.ratio <= 1.0), HEALING_RATIO * bound, bound)
    share, now = np.abs(size) / rise, np.abs(size) * watch.heating
    large = (share > SMALLEST_RATIO) & (now > SMALLEST_KELVIN)
    large |= (share > SMALLEST_BESIDE_BODY_RATIO) & (now > SMALLEST_BESIDE_BODY_KELVIN)
    own = (np.abs(deviations) > bound) & large & (rise * watch.heating > VISIBLE_KELVIN)
    if excused is not None:
        own &= ~excused
    if metal is not None:
        # only one who could be accused itself can have heated the others
        louder = own[None, :] & (np.abs(deviations)[None, :] > np.abs(deviations)[:, None])
        accused = watch.ratio[None, :] > np.maximum(watch.ratio[:, None], 1.0 + SMALLEST_RATIO)
        own &= ~(metal & (louder | accused)).any(axis=1)
    known = (watch.information.max(axis=1) > 0.0) & ~np.isnan(calm)
    for group in groups if own.any() else ():
        told = group & known
        if np.count_nonzero(told) < COMPANY:
            continue
        for joint in np.flatnonzero(told & own):
            others = told.copy()
            others[joint] = False
            left = _left(watch, rise, deviations, int(joint), others, int(moment[joint]))
            if abs(left) < bound[joint] or left * deviations[joint] < 0.0:
                own[joint] = False
    # a restless joint, or one that was seen for an hour, is no clearer a witness than it is a suspect
    witnessed = deviations / np.maximum(1.0, np.where(np.isnan(calm), 1.0, calm / CALM_RMS))
    common = signature.together(witnessed, known, groups, COMMON_SD)
    return Found(deviations=deviations, size_kelvin=size, moment=moment, own=own, common=common)


def _left(watch: Watch, rise: Array, deviations: Array, joint: int, others: Flags, moment: int) -> float:
    """Deviations of a joint's change beyond what the others (joints,) show in proportion since that moment.

    What is common to them is weighed by how sharply each is seen, and is the joint's own too, give or take.
    """
    sharpness = np.sqrt(watch.information[:, moment]) * rise
    there = others & (sharpness > 0.0)
    if np.count_nonzero(there) < COMPANY - 1:
        return float(deviations[joint])
    share = watch.evidence[there, moment] / (watch.information[there, moment] * rise[there])
    shared = signature.weighted_median(share, sharpness[there]) * sharpness[joint]
    return float((deviations[joint] - shared) / np.hypot(1.0, RESPONSE_RATIO * shared))


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
        _cleared(watch, joints),
        drift=np.where(joints, 0.0, watch.drift),
        square=np.where(joints, 1.0, watch.square),
    )


def _cleared(watch: Watch, joints: Flags) -> Watch:
    each, of_changes = joints[:, None], np.arange(MOMENTS + 1) < MOMENTS
    return replace(
        watch,
        error=np.where(each[:, :, None] & of_changes[:, None], 0.0, watch.error),
        carried=np.where(each & of_changes, 0.0, watch.carried),
        information=np.where(each, 0.0, watch.information),
        evidence=np.where(each, 0.0, watch.evidence),
        unfollowed=np.where(each, 0.0, watch.unfollowed),
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
        calmed(watch, joints),
        error=np.where(joints[:, None, None], 0.0, watch.error),
        carried=np.where(joints[:, None], 0.0, watch.carried),
        body_celsius=np.where(joints, np.nan, watch.body_celsius),
        lately=lately.restart(watch.lately, joints),
        busiest=np.where(joints, busiest, watch.busiest),
        known=np.where(joints, busiest, watch.known),
        ratio=np.where(joints, 1.0, watch.ratio),
    )


def believe(
    watch: Watch, tracked: Tracked, found: Found, rise_kelvin: Array, good_kelvin: Array | None = None
) -> tuple[Watch, Tracked]:
    """The filter moves to where it would be had it known of the changes that are joints' own.

    good_kelvin: (joints,) what each rise was while it was known to be good, where it may have been cooled
    meanwhile, by a fan; NaN, None: not so. One that heats what it did then, or not surely more, is not worse.
    """
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
    counted = after / before
    if good_kelvin is not None:
        origin = np.fmax(before, good_kelvin)
        above = np.where(after - origin > BEYOND_GOOD_SD * np.sqrt(variance), after / origin, 1.0)
        counted = np.where((size > 0.0) & ~np.isnan(good_kelvin), above, counted)
    moved = np.where(own[:, None], error * size[:, None], 0.0)
    spread = np.einsum("ja,jb,j->jab", error, error, np.where(own, variance, 0.0))
    return (
        replace(_cleared(watch, own), ratio=np.where(own, watch.ratio * counted, watch.ratio)),
        replace(
            tracked,
            mean=tracked.mean + per_row(moved),
            covariance=tracked.covariance + per_row(spread),
        ),
    )
