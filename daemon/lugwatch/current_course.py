"""Where joints would be had a current that stands still really stood still: witnesses against it.

The course of a joint is a second copy of its filter that only predicts, from when its current began to stand
still. While that is true the joint stays on it within a few per cent of its rise; when the current has moved
unseen, all joints on it leave it together.

Not here: what is concluded (`current_doubt`). May import: estimator, numpy.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import estimator

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# A joint is off its course beyond so many deviations and so many kelvin.
OFF_COURSE_SD, OFF_COURSE_KELVIN = 3.0, 0.4
VISIBLE_KELVIN = 1.5  # a joint with less of a rise is no witness
COOLED_KELVIN = 0.5  # nor one that should have cooled by less, where cooling is what is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """tracked: rows of joints that are not on a course mean nothing; None: nobody is."""

    on: Flags  # (joints,)
    tracked: estimator.Tracked | None = None
    bank: estimator.Bank | None = None
    begun_kelvin: Array | None = None  # (joints,) of rise when the course began


def empty(joints: int) -> Course:
    """Nobody's current stands still."""
    return Course(on=np.zeros(joints, dtype=bool))


def follow(
    course: Course,
    on: Flags,
    bank: estimator.Bank,
    tracked: estimator.Tracked,
    inputs: estimator.Inputs,
    gap_seconds: float,
) -> Course:
    """Move on the courses of the joints `on` (joints,); those that were on none begin from `tracked`.

    tracked: as it was before this window; inputs: of this window, with the current as it was read.
    """
    if not on.any():
        return empty(len(on))
    begun, begun_kelvin = tracked, _rise_kelvin(tracked)
    # other shapes were learned: nothing of the old ones holds
    if course.tracked is not None and course.bank is bank and course.begun_kelvin is not None:
        begun = put_back(course, tracked, on & course.on)
        begun_kelvin = np.where(on & course.on, course.begun_kelvin, begun_kelvin)
    blind = replace(inputs, probe_celsius=np.full(len(on), np.nan))
    stepped = estimator.step(bank, begun, blind, gap_seconds)
    return Course(on=on, tracked=stepped, bank=bank, begun_kelvin=begun_kelvin)


def put_back(course: Course, tracked: estimator.Tracked, joints: Flags) -> estimator.Tracked:
    """Of these joints (joints,) what their course has, of the others what is tracked."""
    joints = joints & course.on
    if course.tracked is None or not joints.any():
        return tracked
    rows, own = estimator.per_row(joints), course.tracked
    return replace(
        tracked,
        mean=np.where(rows[:, None], own.mean, tracked.mean),
        covariance=np.where(rows[:, None, None], own.covariance, tracked.covariance),
        air_fast_celsius=np.where(rows, own.air_fast_celsius, tracked.air_fast_celsius),
        air_slow_celsius=np.where(rows, own.air_slow_celsius, tracked.air_slow_celsius),
        log_weight=np.where(rows, own.log_weight, tracked.log_weight),
        stepped=np.where(joints, own.stepped, tracked.stepped),
    )


def off_course(course: Course, probe_celsius: Array) -> Array:
    """How far each joint (joints,) is off for certain, as a share of its rise; NaN: no witness.

    Positive is warmer than this current would have made it; 0 is not certain.
    """
    if course.tracked is None or course.bank is None:
        return np.full(len(course.on), np.nan)
    error, certain = _error(course.tracked, course.bank, probe_celsius)
    rise = _rise_kelvin(course.tracked)
    # by its course or by its probe
    visible = np.maximum(rise, rise + error) >= VISIBLE_KELVIN
    witness = course.on & visible & ~np.isnan(error)
    share = error / np.maximum(rise, VISIBLE_KELVIN)
    return np.where(witness, np.where(certain, share, 0.0), np.nan)


def kept_share(course: Course, probe_celsius: Array) -> tuple[Array, Flags]:
    """Of what each joint (joints,) should have cooled by since its course began, the share that it has kept.

    About 1 where what warmed it goes on, about 0 where that stopped; NaN: no witness, or it should not have
    cooled visibly yet. And whether it is off its course for certain (joints,).
    """
    if course.tracked is None or course.bank is None or course.begun_kelvin is None:
        return np.full(len(course.on), np.nan), np.zeros(len(course.on), dtype=bool)
    error, certain = _error(course.tracked, course.bank, probe_celsius)
    cooled = course.begun_kelvin - _rise_kelvin(course.tracked)
    witness = course.on & (cooled >= COOLED_KELVIN)
    return np.where(witness, error / np.maximum(cooled, COOLED_KELVIN), np.nan), certain


def _rise_kelvin(tracked: estimator.Tracked) -> Array:
    modes = tracked.mean[:, estimator.FAST] + tracked.mean[:, estimator.SLOW]
    rise, _ = estimator.mix(estimator.weights(tracked), modes, np.zeros_like(modes))
    return rise


def _error(own: estimator.Tracked, bank: estimator.Bank, probe_celsius: Array) -> tuple[Array, Flags]:
    """How much warmer each joint (joints,) is than its course has it [K], and whether that is certain."""
    weight, observed = estimator.weights(own), estimator.OBSERVED
    celsius = own.mean @ observed + estimator.surroundings_celsius(bank, own)
    variance = np.maximum(np.einsum("i,rij,j->r", observed, own.covariance, observed), 0.0)
    expected, sd = estimator.mix(weight, celsius, variance + bank.sensor_sd_kelvin**2)
    error = probe_celsius - expected
    return error, (np.abs(error) >= OFF_COURSE_KELVIN) & (np.abs(error) >= OFF_COURSE_SD * sd)
