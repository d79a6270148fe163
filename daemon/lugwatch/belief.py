"""What the bank of shapes answers: rise, settling temperature and time left of every joint.

Each answer is the mixture of a joint's rows, and its spread has the rows' disagreement in it.
Not here: how the rows got there (`estimator`). May import: thermal, estimator, numpy.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lugwatch import thermal
from lugwatch.estimator import (
    FAST,
    OFFSET,
    OWN,
    SHAPES_PER_JOINT,
    SLOW,
    SOAK,
    Bank,
    Inputs,
    Tracked,
    mix,
    per_row,
    reference_celsius,
    sum_variance,
    surroundings_celsius,
    weights,
)

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Believed:
    """The bank's answer per joint (joints,), each spread with the disagreement of shapes in it."""

    rise_kelvin_at_rated: Array  # β
    rise_sd_kelvin_at_rated: Array
    own_kelvin_at_rated: Array
    reference_celsius: Array  # what the probe would show without current, offset included
    settles_celsius: Array  # +inf: thermal runaway
    settles_sd_kelvin: Array
    settles_rated_celsius: Array
    settles_rated_sd_kelvin: Array
    seconds_to_limit: Array  # +inf: never at this current


def believe(
    bank: Bank, tracked: Tracked, inputs: Inputs, present_amps_squared: Array, limit_celsius: Array
) -> Believed:
    """Answers at the present current (joints,) [A²] and at the rated one."""
    weight = weights(tracked)
    beta = tracked.mean[:, OWN] + tracked.mean[:, SOAK]
    beta_variance = sum_variance(tracked.covariance)
    offset, offset_variance = tracked.mean[:, OFFSET], tracked.covariance[:, OFFSET, OFFSET]
    reference = reference_celsius(bank, inputs)
    reference = np.where(np.isnan(reference), surroundings_celsius(bank, tracked), reference)
    loading = per_row(present_amps_squared) / bank.rated_amps_squared
    spread = {
        name: _mix_settling(weight, reference + offset, offset_variance, beta, beta_variance, drive)
        for name, drive in (("now", loading), ("rated", np.ones_like(loading)))
    }
    ahead = thermal.forward_celsius(
        tracked.mean[:, FAST] + bank.fast_weight * tracked.air_fast_celsius,
        tracked.mean[:, SLOW] + (1.0 - bank.fast_weight) * tracked.air_slow_celsius,
        offset,
        (tracked.mean[:, OWN] * loading, bank.fast_weight * reference),
        (tracked.mean[:, SOAK] * loading, (1.0 - bank.fast_weight) * reference),
        bank.tau_fast_seconds,
        bank.tau_slow_seconds,
    )
    mean_ahead = (weight[:, None] * ahead).reshape(bank.joints, SHAPES_PER_JOINT, -1).sum(axis=1)
    rise, rise_sd = mix(weight, beta, beta_variance)
    own, _ = mix(weight, tracked.mean[:, OWN], beta_variance)
    around, _ = mix(weight, reference + offset, offset_variance)
    return Believed(
        rise_kelvin_at_rated=rise,
        rise_sd_kelvin_at_rated=rise_sd,
        own_kelvin_at_rated=own,
        reference_celsius=around,
        settles_celsius=spread["now"][0],
        settles_sd_kelvin=spread["now"][1],
        settles_rated_celsius=spread["rated"][0],
        settles_rated_sd_kelvin=spread["rated"][1],
        seconds_to_limit=thermal.seconds_to_limit(mean_ahead, limit_celsius),
    )


def _mix_settling(
    weight: Array,
    unloaded_celsius: Array,
    unloaded_variance: Array,
    beta: Array,
    beta_variance: Array,
    drive: Array,
) -> tuple[Array, Array]:
    settled, runaway = thermal.settling_celsius(unloaded_celsius, beta, drive)
    finite = np.where(runaway, 0.0, settled)
    # dT/dβ = drive·(1 + α(T − 20)) / (1 − feedback); dT/db = 1 / (1 − feedback)
    feedback = np.where(runaway, 0.0, beta * drive * thermal.COPPER_ALPHA_PER_KELVIN)
    slope = drive * thermal.resistance_factor(finite) / (1.0 - feedback)
    variance = slope**2 * beta_variance + unloaded_variance / (1.0 - feedback) ** 2
    centre, sd = mix(weight, finite, variance)
    any_runaway = (weight * runaway).reshape(-1, SHAPES_PER_JOINT).sum(axis=1) > 0.5
    return np.where(any_runaway, np.inf, centre), np.where(any_runaway, np.inf, sd)
