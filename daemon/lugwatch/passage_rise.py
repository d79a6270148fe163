"""One figure of a joint's heating for a whole passage: a filter in which it does not change.

The tracking filter lets β walk, so that it may follow a joint that goes bad; what it says at any moment
rests on the last hour or two and wanders with draughts. The figure that is held against other passages
needs the opposite: a constant, weighed over all loaded time at once. A Kalman filter whose constant does
not walk ends at the least-squares estimate from its whole record (Kalman 1960; Durbin and Koopman, Time
Series Analysis by State Space Methods, section 4.4), so nothing of the passage has to be kept for it and
early windows weigh with what was learned later.

Each passage begins with β all but unknown, so passages are independent of each other. How β is shared
between the fast and the slow mode is as it was learned; what a contact makes beyond that warms lug and
stud at once, and cable and bar later and less, unless the passage shows otherwise. With both modes free the
slow one is taken for air and neighbours and the other way round, and passages scatter by a third more; with
the slow one held, joints of bench boats that were made worse by 30 % show 0.7 of what they gained, and as
it is 0.98 (0.6 to 1.25, each joint by its own).

Not here: when passages begin and end (`passages`), how far a figure may be from the truth and when it is not
told (`passage_doubt`), what passages say together (`creep`). May import: bank, estimator, kalman, numpy.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lugwatch import kalman
from lugwatch.estimator import FAST, OFFSET, OWN, SHAPES_PER_JOINT, SLOW, SOAK, Bank, Inputs, Tracked

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# A mode of two minutes is well seen in such steps, at a third of the cost of every window.
STEP_SECONDS = 30.0
# β may be anything from nothing to a few times what it was: its deviation is itself.
UNKNOWN_RATIO = 1.0
# of that in the fast and in the slow mode, and how alike both are
SHARES: Array = np.array([0.7, 0.3])
CORRELATION = 0.98
UNKNOWN: Array = np.outer(SHARES, SHARES) * np.array([[1.0, CORRELATION], [CORRELATION, 1.0]])
LEAST_KELVIN = 0.3
OFFSET_SD_KELVIN = 1.0
# An offset was learned to walk as if evenly; what engines and neighbours bring comes by the hour. With three
# times the walk β is told by what answers to the current and not by level: on bench boats 2, 5 and 6
# passages scatter a sixth less.
OFFSET_WALK_RATIO = 3.0
# Draughts make a rise another one for a while: deviation as a share of it, and how long they last. Of the
# mean over a passage less is left (bench boats; the deviation is that of `settling.DRAUGHT_RATIO`).
DRAUGHT_RATIO = 0.045
DRAUGHT_SECONDS = 1800.0
# A passage with less load, or of which the figure is known worse than this share, is not told of.
LEAST_LOADED_SECONDS = 300.0
TOLD_RATIO = 0.35
LARGEST_SQUARE = 25.0  # of one standardised innovation: a burst of noise is no misfit of the whole

# what a snapshot keeps of a joint beside its filter
SUMS = (
    *("loaded_seconds", "heating_sum", "heating_squares", "warmer_sum"),
    *("offset_low", "offset_high"),
)

_CENTRE = slice(None, None, SHAPES_PER_JOINT)
BETA = slice(OWN, SOAK + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The open passage so far; joints along the last axis."""

    split_kelvin: Array  # (2, joints) β_own and β_soak as they were learned
    mean: Array  # (5, joints) as in `kalman`
    covariance: Array  # (5, 5, joints)
    broken: Flags  # (joints,) its modes are to be taken from the tracking filter
    heating_seconds: Array  # (joints,) ∫ heating dt of the open step
    held_seconds: Array  # (joints,) time without load in the open step
    step_seconds: float  # length of the open step so far
    squares: Array  # (joints,) Σ of squared standardised innovations under load…
    steps: Array  # …and how many
    loaded_seconds: Array  # (joints,) that it rests on
    # what the load of those seconds was, for `passage_doubt` (joints,)
    heating_sum: Array  # Σ heating [s]; 1 is the rated current's
    heating_squares: Array  # Σ heating² [s]
    warmer_sum: Array  # Σ heating · (neighbours less air) [K s]
    offset_low: Array  # the least and the most that the offset was [K]
    offset_high: Array


def empty(joints: int) -> Course:
    """No passage yet and nothing learned."""
    zeros = np.zeros(joints)
    return Course(
        split_kelvin=np.zeros((2, joints)),
        mean=np.zeros((kalman.STATES, joints)),
        covariance=np.zeros((kalman.STATES, kalman.STATES, joints)),
        broken=np.ones(joints, dtype=bool),
        heating_seconds=zeros,
        held_seconds=zeros,
        step_seconds=0.0,
        squares=zeros,
        steps=zeros,
        loaded_seconds=zeros,
        heating_sum=zeros,
        heating_squares=zeros,
        warmer_sum=zeros,
        offset_low=zeros,
        offset_high=zeros,
    )


def restart(course: Course, joints: Flags, tracked: Tracked) -> Course:
    """These joints (joints,) are other ones or were learned anew: `tracked` holds what was learned."""
    learned = tracked.mean[_CENTRE, BETA].T
    return _begun(
        replace(course, split_kelvin=np.where(joints, learned, course.split_kelvin)), joints, tracked
    )


def begin(course: Course, tracked: Tracked) -> Course:
    """A passage has begun."""
    return _begun(replace(course, step_seconds=0.0), np.ones_like(course.broken), tracked)


def _begun(course: Course, joints: Flags, tracked: Tracked) -> Course:
    """β unknown, modes and offset as they are tracked."""
    mean, covariance = course.mean.copy(), course.covariance.copy()
    mean[:, joints] = tracked.mean[_CENTRE].T[:, joints]
    mean[BETA, joints] = course.split_kelvin[:, joints]
    covariance[:, :, joints] = 0.0
    covariance[OFFSET, OFFSET, joints] = OFFSET_SD_KELVIN**2
    fresh = np.where(joints, 0.0, 1.0)
    begun = replace(
        course,
        mean=mean,
        covariance=covariance,
        broken=course.broken | joints,
        heating_seconds=course.heating_seconds * fresh,
        held_seconds=course.held_seconds * fresh,
    )
    return reopened(begun, joints)


def reopened(course: Course, joints: Flags) -> Course:
    """These joints (joints,) heat differently from now on, or were misled: what was seen counts no more."""
    if not joints.any():
        return course
    covariance = course.covariance.copy()
    covariance[BETA, :, :] = np.where(joints, 0.0, covariance[BETA, :, :])
    covariance[:, BETA, :] = np.where(joints, 0.0, covariance[:, BETA, :])
    unknown = UNKNOWN_RATIO * np.maximum(course.mean[BETA].sum(axis=0), LEAST_KELVIN)
    covariance[BETA, BETA, :] += np.where(joints, UNKNOWN[:, :, None] * unknown**2, 0.0)
    kept = np.where(joints, 0.0, 1.0)
    return replace(
        course,
        covariance=covariance,
        squares=course.squares * kept,
        steps=course.steps * kept,
        loaded_seconds=course.loaded_seconds * kept,
        heating_sum=course.heating_sum * kept,
        heating_squares=course.heating_squares * kept,
        warmer_sum=course.warmer_sum * kept,
        offset_low=np.where(joints, course.mean[OFFSET], course.offset_low),
        offset_high=np.where(joints, course.mean[OFFSET], course.offset_high),
    )


def loosened(course: Course, joints: Flags) -> Course:
    """The air of these joints (joints,) was found to be misread: their offsets are open again."""
    covariance = course.covariance.copy()
    covariance[OFFSET, OFFSET] += np.where(joints, OFFSET_SD_KELVIN**2, 0.0)
    return replace(course, covariance=covariance)


def step(course: Course, bank: Bank, tracked: Tracked, inputs: Inputs) -> tuple[Course, bool]:
    """One window further; True when something was learned from it.

    tracked: the tracking filter at the end of the window; of it the air's lags and the heating are taken.
    """
    stepped_by, now = tracked.stepped_by[_CENTRE], inputs.monotonic_seconds
    stood, broken = None, course.broken
    # the usual case, in which all went on (lists, since numpy's own smallest of sixteen takes thrice as long)
    if min(stepped_by.tolist()) > 0.0 and min(tracked.stepped.tolist()) >= now:
        seconds = float(stepped_by[0])
    else:
        stood = (tracked.stepped < now) | (stepped_by <= 0.0)
        seconds = float(stepped_by.max(where=~stood, initial=0.0))
        broken = broken | stood
    length = course.step_seconds + seconds
    heating_seconds = course.heating_seconds + seconds * tracked.heating[_CENTRE]
    held_seconds = course.held_seconds
    if not all(inputs.loaded.tolist()):
        held_seconds = held_seconds + np.where(inputs.loaded, 0.0, seconds)
    if length < STEP_SECONDS - 1e-6:
        gathered = replace(
            course,
            broken=broken,
            heating_seconds=heating_seconds,
            held_seconds=held_seconds,
            step_seconds=length,
        )
        return gathered, False
    loaded = held_seconds < 0.5 * length
    per_step = bank.per_step
    keep = np.exp(per_step.rates[:, _CENTRE] * length)
    heating = np.where(broken, 0.0, heating_seconds / length)
    filters = kalman.pack(course.mean, course.covariance)
    kalman.predict(filters, keep, (1.0 - keep) * heating, _noise(course, bank) * length)
    around = per_step.paths[:, _CENTRE] * np.stack(
        [tracked.air_fast_celsius[_CENTRE], tracked.air_slow_celsius[_CENTRE]]
    )
    seen = ~broken & ~np.isnan(inputs.probe_celsius)
    value = np.where(seen, inputs.probe_celsius - around.sum(axis=0), 0.0)
    variance = per_step.sensor_variance[_CENTRE] * (1.0 + 1.0 / np.maximum(inputs.probe_count, 1.0))
    held = np.zeros_like(course.mean)
    held[BETA] = ~loaded
    held[:, ~seen] = 1.0
    innovation, deviation, _ = kalman.update(filters, value, variance, held)
    mean, covariance = kalman.mean_of(filters), kalman.covariance_of(filters)
    learned = seen & loaded
    square = np.minimum((innovation / deviation) ** 2, LARGEST_SQUARE)
    weight = np.where(learned, length * heating, 0.0)
    apart = inputs.neighbour_celsius - inputs.air_celsius
    if broken.any():
        _take_modes(mean, covariance, tracked, broken)
    taken = replace(
        course,
        mean=mean,
        covariance=covariance,
        broken=np.zeros_like(broken) if stood is None else stood,
        heating_seconds=np.zeros_like(heating_seconds),
        held_seconds=np.zeros_like(held_seconds),
        step_seconds=0.0,
        squares=course.squares + np.where(learned, square, 0.0),
        steps=course.steps + learned,
        loaded_seconds=course.loaded_seconds + np.where(learned, length, 0.0),
        heating_sum=course.heating_sum + weight,
        heating_squares=course.heating_squares + weight * heating,
        warmer_sum=course.warmer_sum + weight * np.where(np.isnan(apart), 0.0, apart),
        offset_low=np.minimum(course.offset_low, mean[OFFSET]),
        offset_high=np.maximum(course.offset_high, mean[OFFSET]),
    )
    return taken, bool(learned.any())


def _noise(course: Course, bank: Bank) -> Array:
    """Process noise for a second (5, joints): draughts and offset, none of β."""
    noise = np.zeros_like(course.mean)
    rise = np.minimum(np.abs(course.mean[FAST]) + np.abs(course.mean[SLOW]), 40.0)
    modes = bank.per_step.draughts[:, _CENTRE] * rise**2 + bank.per_step.least_walk[:2, _CENTRE]
    noise[FAST], noise[SLOW] = modes[FAST], modes[SLOW]
    noise[OFFSET] = OFFSET_WALK_RATIO**2 * bank.per_step.offset_walk[_CENTRE]
    return noise


def _take_modes(mean: Array, covariance: Array, tracked: Tracked, joints: Flags) -> None:
    """In place: the modes of these joints as they are tracked, and what they shared with β forgotten."""
    modes = slice(FAST, SLOW + 1)
    mean[modes, joints] = tracked.mean[_CENTRE, modes].T[:, joints]
    covariance[modes, :, joints] = 0.0
    covariance[:, modes, joints] = 0.0
    spread = tracked.covariance[_CENTRE, modes, modes].transpose(1, 2, 0)
    covariance[modes, modes, joints] = spread[:, :, joints]


def rise_kelvin(course: Course) -> tuple[Array, Array]:
    """β at rated current over the passage so far (joints,) [K] and its deviation against other passages;
    NaN where too little was seen.

    The deviation is the filter's, by as much larger as its innovations are larger than it expects
    (reduced chi-square, as in the Review of Particle Physics, section 5.2.2; from memory), and what is left
    of draughts in the mean of an Ornstein-Uhlenbeck process over so long.
    """
    beta = course.mean[BETA].sum(axis=0)
    variance = np.maximum(course.covariance[BETA, BETA].sum(axis=(0, 1)), 0.0)
    misfit = np.maximum(course.squares / np.maximum(course.steps, 1.0), 1.0)
    lasting = np.maximum(course.loaded_seconds, 1.0) / DRAUGHT_SECONDS
    left = 2.0 * (lasting - 1.0 + np.exp(-lasting)) / lasting**2
    sd = np.sqrt(variance * misfit + DRAUGHT_RATIO**2 * left * beta**2)
    known = (course.loaded_seconds >= LEAST_LOADED_SECONDS) & (sd < TOLD_RATIO * beta)
    return np.where(known, beta, np.nan), np.where(known, sd, np.nan)


# ---- over a restart --------------------------------------------------------------------------


def saved(course: Course, i: int) -> dict[str, Any]:
    """What a snapshot keeps of joint i."""
    return {
        "split_kelvin": course.split_kelvin[:, i].tolist(),
        "mean": course.mean[:, i].tolist(),
        "covariance": course.covariance[:, :, i].tolist(),
        "squares": float(course.squares[i]),
        "steps": float(course.steps[i]),
        **{name: float(getattr(course, name)[i]) for name in SUMS},
    }


def resumed(course: Course, i: int, row: dict[str, Any]) -> Course:
    """Joint i as it was saved; its modes are taken anew from the tracking filter."""
    arrays = {name: getattr(course, name).copy() for name in row}
    for name, values in row.items():
        if not np.all(np.isfinite(values)) or np.shape(arrays[name][..., i]) != np.shape(values):
            return course
        arrays[name][..., i] = values
    broken = course.broken.copy()
    broken[i] = True
    return replace(course, **arrays, broken=broken)
