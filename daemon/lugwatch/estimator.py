"""What is believed of each joint: the tracking filter over a small bank of thermal shapes.

A joint's temperature is T = F + S + A + b: a fast mode F (the joint itself), a slow mode S (what soaks
through cable and bar), the surroundings A carried through the same two lags, and a slow offset b.
Given the two time constants and how the surroundings reach it (its *shape*), the state
[F, S, β_own, β_soak, b] is exactly linear in what is measured, so a plain Kalman filter with
exact irregular steps tracks it. β is the rise at rated current [K]; B = β / I_rated² [K/A²].

Each joint has `SHAPES_PER_JOINT` rows, one per shape, weighted by how well each predicted; their
spread is part of the uncertainty. All rows of all joints step together.

Not here: baselines, alerts, learning of shapes, where the numbers come from. May import: thermal,
kalman, numpy.
"""

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from lugwatch import kalman, thermal

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
_T = TypeVar("_T", bound=np.generic)

FAST, SLOW, OWN, SOAK, OFFSET = range(5)
STATES = 5
OBSERVED: Array = np.array([1.0, 1.0, 0.0, 0.0, 1.0])

# A first guess of what a joint of boat size may be, wide on purpose:
# (τ_fast s, τ_slow s, weight of the fast path to the air, weight of the neighbours in the reference,
# walk of the offset K per √hour, model error as a share of the rise per √second at τ = 100 s,
# noise of one reading K)
DEFAULT_SHAPES: tuple[tuple[float, ...], ...] = (
    (110.0, 1500.0, 0.5, 0.5, 0.25, 0.006, 0.06),
    (110.0, 3600.0, 0.3, 0.7, 0.25, 0.006, 0.06),
    (220.0, 1500.0, 0.5, 0.3, 0.25, 0.006, 0.06),
    (220.0, 3600.0, 0.3, 0.7, 0.25, 0.006, 0.06),
    (420.0, 2400.0, 0.5, 0.5, 0.25, 0.006, 0.06),
    (420.0, 5400.0, 0.3, 0.3, 0.25, 0.006, 0.06),
)
SHAPES_PER_JOINT = len(DEFAULT_SHAPES)
# An offset does not walk for ever: after a day it is what it may be at all.
LONGEST_WALK_HOURS = 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """How much the filter expects the world to differ from its model; an array has a value for each row."""

    prior_rise_kelvin: float = 15.0  # β before anything was seen: mean…
    prior_rise_sd_kelvin: float = 30.0  # …and spread, each of own and soak
    mode_sd_kelvin: float = 8.0  # what fast and slow mode may hold at a start
    offset_sd_kelvin: float = 0.7  # probe calibration and unseen air
    own_walk_ratio: float | Array = 0.15  # β_own: random walk, share of β per √hour (draughts, ageing)…
    own_walk_kelvin: float | Array = 1.0  # …and at least this many K per √hour
    surprise_seconds: float = 120.0  # innovations that keep one sign for so long are a change…
    surprise_sd: float | Array = 2.5  # …beyond this many of their own deviations; then β_own may move faster
    soak_walk_ratio: float = 0.02  # cable and bar do not age in an hour
    mode_walk_kelvin: float = 0.002  # model error: a floor, K per √second
    forgetting_seconds: float = 7200.0  # how long the bank remembers a shape's success
    evidence_ratio: float = 0.1  # neighbouring errors are alike: ten count as one


# Once the shape is known, a change of the contact is found by its signature (`jump`), and the walk of
# β_own has only ageing and weather to follow.
SHAPE_KNOWN = Tuning(own_walk_ratio=0.05, own_walk_kelvin=0.2, surprise_sd=math.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bank:
    """The fixed side of the filter: shapes (rows,) and the scale of each joint's current."""

    tau_fast_seconds: Array
    tau_slow_seconds: Array
    fast_weight: Array
    neighbour_weight: Array
    offset_walk_kelvin: Array  # per √hour: heat that neither air nor neighbours tell of
    mode_walk_ratio: Array  # model error of the modes: draughts
    sensor_sd_kelvin: Array  # steps and noise of the probe, of a single reading
    rated_amps_squared: Array  # (rows,)
    tuning: Tuning

    @property
    def rows(self) -> int:
        return len(self.tau_fast_seconds)

    @property
    def joints(self) -> int:
        return self.rows // SHAPES_PER_JOINT


def bank_of(shapes: Array, rated_amps: Array, has_neighbours: Flags, tuning: Tuning | None = None) -> Bank:
    """A bank of given shapes (rows, 7), columns as DEFAULT_SHAPES; rows of one joint stand together."""
    lonely = np.repeat(~has_neighbours, SHAPES_PER_JOINT)
    return Bank(
        tau_fast_seconds=shapes[:, 0],
        tau_slow_seconds=shapes[:, 1],
        fast_weight=shapes[:, 2],
        neighbour_weight=np.where(lonely, 0.0, shapes[:, 3]),
        offset_walk_kelvin=shapes[:, 4],
        mode_walk_ratio=shapes[:, 5],
        sensor_sd_kelvin=shapes[:, 6],
        rated_amps_squared=np.repeat(np.asarray(rated_amps, dtype=float) ** 2, SHAPES_PER_JOINT),
        tuning=tuning or Tuning(),
    )


def default_bank(rated_amps: Array, has_neighbours: Flags, tuning: Tuning | None = None) -> Bank:
    """A bank of default shapes for joints rated at rated_amps (joints,) [A]."""
    shapes = np.tile(np.array(DEFAULT_SHAPES), (len(rated_amps), 1))
    return bank_of(shapes, rated_amps, has_neighbours, tuning)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracked:
    """The moving side: one row per joint and shape. Arrays are never changed in place."""

    mean: Array  # (rows, 5)
    covariance: Array  # (rows, 5, 5)
    air_fast_celsius: Array  # (rows,) surroundings through the fast lag
    air_slow_celsius: Array
    log_weight: Array  # (rows,)
    surprise: Array  # (rows,) smoothed standardised innovation: 0 while the model holds
    innovation: Array  # (rows,) [K] of the last measurement; 0 where there was none
    innovation_variance: Array  # (rows,) [K²]; 1 where there was none
    gain: Array  # (rows, 5) with which it was learned from
    heating: Array  # (rows,) loading of the last step, drive times resistance factor
    stepped_by: Array  # (rows,) seconds of the last step
    started: Flags  # (joints,) has seen a first temperature with a reference
    stepped: Array  # (joints,) monotonic seconds of the last step


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """What was measured over one step, per joint (joints,). NaN is "not known", only in here."""

    monotonic_seconds: float
    probe_celsius: Array
    probe_count: Array  # readings averaged into probe_celsius
    air_celsius: Array
    neighbour_celsius: Array
    amps_squared: Array  # mean of I² since the last step; 0 below the current floor
    loaded: Flags  # enough current to learn a resistance from


def initial(bank: Bank) -> Tracked:
    """Nothing known yet."""
    tuning = bank.tuning
    mean = np.zeros((bank.rows, STATES))
    mean[:, OWN] = mean[:, SOAK] = tuning.prior_rise_kelvin
    covariance = np.zeros((bank.rows, STATES, STATES))
    for state, sd in (
        (FAST, tuning.mode_sd_kelvin),
        (SLOW, tuning.mode_sd_kelvin),
        (OWN, tuning.prior_rise_sd_kelvin),
        (SOAK, tuning.prior_rise_sd_kelvin),
        (OFFSET, tuning.offset_sd_kelvin),
    ):
        covariance[:, state, state] = sd * sd
    return Tracked(
        mean=mean,
        covariance=covariance,
        air_fast_celsius=np.zeros(bank.rows),
        air_slow_celsius=np.zeros(bank.rows),
        log_weight=np.zeros(bank.rows),
        surprise=np.zeros(bank.rows),
        innovation=np.zeros(bank.rows),
        innovation_variance=np.ones(bank.rows),
        gain=np.zeros((bank.rows, STATES)),
        heating=np.zeros(bank.rows),
        stepped_by=np.zeros(bank.rows),
        started=np.zeros(bank.joints, dtype=bool),
        stepped=np.zeros(bank.joints),
    )


def per_row(values: NDArray[_T]) -> NDArray[_T]:
    """(joints, …) -> (rows, …)"""
    return np.repeat(values, SHAPES_PER_JOINT, axis=0)


def reference_celsius(bank: Bank, inputs: Inputs) -> Array:
    """The learned mix of air and neighbours that drives each row, (rows,) [°C]; NaN where unknown.

    A joint whose neighbours are all silent falls back on the air alone.
    """
    air, neighbours = per_row(inputs.air_celsius), per_row(inputs.neighbour_celsius)
    mixed = air + bank.neighbour_weight * (neighbours - air)
    result: Array = np.where(np.isnan(neighbours) | (bank.neighbour_weight == 0.0), air, mixed)
    return result


def step(bank: Bank, tracked: Tracked, inputs: Inputs, gap_seconds: float) -> Tracked:
    """Advance every joint to `inputs.monotonic_seconds` and learn from what was measured.

    gap_seconds: after a longer pause, or after one without current or reference, the modes are
    unknown again while β, offset and weights are kept. A joint that misses something now is
    left as it was, its `stepped` too, so that the next step sees the whole pause.
    """
    reference = reference_celsius(bank, inputs)
    drive = per_row(inputs.amps_squared) / bank.rated_amps_squared
    usable = ~(np.isnan(reference) | np.isnan(drive)).reshape(-1, SHAPES_PER_JOINT).any(axis=1)
    usable &= tracked.started | ~np.isnan(inputs.probe_celsius)
    if not usable.any():
        return tracked
    pause = inputs.monotonic_seconds - tracked.stepped
    fresh = usable & (~tracked.started | (pause > gap_seconds) | (pause < 0.0))
    state = _restart(bank, tracked, reference, per_row(fresh), per_row(pause)) if fresh.any() else tracked
    rows = per_row(usable)
    pause_rows = per_row(np.where(usable & ~fresh, pause, 0.0))
    drive = np.where(rows, drive, 0.0)
    reference = np.where(rows, reference, 0.0)
    moved = _predict(bank, state, reference, drive, pause_rows, inputs)
    measured = rows & ~np.isnan(per_row(inputs.probe_celsius))
    learned = _update(bank, moved, inputs, measured, pause_rows)
    if usable.all():
        return replace(
            learned,
            started=np.ones(bank.joints, dtype=bool),
            stepped=np.full(bank.joints, inputs.monotonic_seconds),
        )
    return _merge(tracked, learned, usable, rows, inputs.monotonic_seconds)


def _restart(bank: Bank, tracked: Tracked, reference: Array, rows: Flags, pause_seconds: Array) -> Tracked:
    """The modes of `rows` are unknown: forget them and what they share with β.

    The offset of one that had begun has walked on unseen: a battery is still warm from yesterday.
    """
    mean, covariance = tracked.mean.copy(), tracked.covariance.copy()
    mean[rows, FAST] = mean[rows, SLOW] = 0.0
    for state in (FAST, SLOW):
        covariance[rows, state, :] = 0.0
        covariance[rows, :, state] = 0.0
        covariance[rows, state, state] = bank.tuning.mode_sd_kelvin**2
    paused = rows & per_row(tracked.started)
    hours = np.clip(np.where(paused, pause_seconds, 0.0) / 3600.0, 0.0, LONGEST_WALK_HOURS)
    covariance[:, OFFSET, OFFSET] += np.where(rows, bank.offset_walk_kelvin**2 * hours, 0.0)
    return replace(
        tracked,
        mean=mean,
        covariance=covariance,
        air_fast_celsius=np.where(rows, reference, tracked.air_fast_celsius),
        air_slow_celsius=np.where(rows, reference, tracked.air_slow_celsius),
    )


def _predict(
    bank: Bank, tracked: Tracked, reference: Array, drive: Array, seconds: Array, inputs: Inputs
) -> Tracked:
    keep_fast = np.exp(-seconds / bank.tau_fast_seconds)
    keep_slow = np.exp(-seconds / bank.tau_slow_seconds)
    air_fast = reference + keep_fast * (tracked.air_fast_celsius - reference)
    air_slow = reference + keep_slow * (tracked.air_slow_celsius - reference)
    celsius = tracked.mean @ OBSERVED + surroundings_celsius(bank, tracked)
    probe = per_row(inputs.probe_celsius)
    heating = drive * thermal.resistance_factor(np.where(np.isnan(probe), celsius, probe))
    transition = np.zeros((bank.rows, STATES, STATES))
    transition[:, FAST, FAST] = keep_fast
    transition[:, FAST, OWN] = (1.0 - keep_fast) * heating
    transition[:, SLOW, SLOW] = keep_slow
    transition[:, SLOW, SOAK] = (1.0 - keep_slow) * heating
    transition[:, OWN, OWN] = transition[:, SOAK, SOAK] = transition[:, OFFSET, OFFSET] = 1.0
    noise = _noise(bank, tracked, seconds, inputs)
    mean, covariance = kalman.predict(tracked.mean, tracked.covariance, transition, noise)
    return replace(
        tracked,
        mean=mean,
        covariance=covariance,
        air_fast_celsius=air_fast,
        air_slow_celsius=air_slow,
        heating=heating,
    )


def _noise(bank: Bank, tracked: Tracked, seconds: Array, inputs: Inputs) -> Array:
    """Process noise (rows, 5, 5): a share of what is there, since draughts scale the whole rise."""
    t = bank.tuning
    hours = seconds / 3600.0
    # a joint without current neither ages nor shows it
    loaded_hours = np.where(per_row(inputs.loaded), hours, 0.0)
    beta = np.maximum(np.abs(tracked.mean[:, OWN] + tracked.mean[:, SOAK]), 2.0)
    rise = np.abs(tracked.mean[:, FAST]) + np.abs(tracked.mean[:, SLOW])
    noise = np.zeros((bank.rows, STATES, STATES))
    # a mode forgets its noise within its own time constant: what stays is about walk·√(τ/2)
    share = bank.mode_walk_ratio * np.minimum(rise, 40.0)
    floor = t.mode_walk_kelvin**2
    noise[:, FAST, FAST] = (share**2 * 100.0 / bank.tau_fast_seconds + floor) * seconds
    noise[:, SLOW, SLOW] = (share**2 * 100.0 / bank.tau_slow_seconds + floor * 0.1) * seconds
    walk = (t.own_walk_ratio * beta) ** 2 + t.own_walk_kelvin**2
    noise[:, OWN, OWN] = walk * _haste(bank, tracked, seconds) * loaded_hours
    noise[:, SOAK, SOAK] = (t.soak_walk_ratio * beta) ** 2 * loaded_hours
    noise[:, OFFSET, OFFSET] = bank.offset_walk_kelvin**2 * hours
    return noise


def _haste(bank: Bank, tracked: Tracked, seconds: Array) -> Array:
    """How many times faster β_own may walk (rows,): 1 while innovations are as expected.

    Smoothed standardised innovations have variance s/(2 − s) with s the smoothing share (exponentially
    weighted moving average, textbook); what is beyond that many deviations is a joint that changes.
    """
    t = bank.tuning
    share = 1.0 - np.exp(-np.maximum(seconds, 1.0) / t.surprise_seconds)
    deviations = np.abs(tracked.surprise) / np.sqrt(share / (2.0 - share))
    result: Array = 1.0 + np.maximum(deviations / t.surprise_sd - 1.0, 0.0) ** 2 * 20.0
    return np.minimum(result, 400.0)


def surroundings_celsius(bank: Bank, tracked: Tracked) -> Array:
    weight = bank.fast_weight
    result: Array = weight * tracked.air_fast_celsius + (1.0 - weight) * tracked.air_slow_celsius
    return result


def _update(bank: Bank, tracked: Tracked, inputs: Inputs, measured: Flags, seconds: Array) -> Tracked:
    value = np.where(measured, per_row(inputs.probe_celsius) - surroundings_celsius(bank, tracked), 0.0)
    count = np.maximum(per_row(inputs.probe_count), 1.0)
    # quantisation does not average out while the temperature stands still
    variance = bank.sensor_sd_kelvin**2 * (0.5 + 0.5 / count)
    gain_factor = np.ones((bank.rows, STATES))
    gain_factor[~measured] = 0.0
    idle = ~per_row(inputs.loaded)
    # without current nothing is learned of a resistance: engine soak would be blamed on the joint
    gain_factor[idle, OWN] = gain_factor[idle, SOAK] = 0.0
    mean, covariance, innovation, innovation_variance, gain = kalman.update(
        tracked.mean, tracked.covariance, OBSERVED, value, variance, gain_factor
    )
    log_likelihood = np.where(measured, kalman.log_likelihood(innovation, innovation_variance), 0.0)
    evidence = log_likelihood * bank.tuning.evidence_ratio
    kept = tracked.log_weight * np.exp(-seconds / bank.tuning.forgetting_seconds)
    log_weight = np.where(measured, kept + evidence, tracked.log_weight)
    table = log_weight.reshape(-1, SHAPES_PER_JOINT)
    log_weight = (table - table.max(axis=1, keepdims=True)).ravel()
    share = np.where(measured, 1.0 - np.exp(-seconds / bank.tuning.surprise_seconds), 0.0)
    standard = innovation / np.sqrt(innovation_variance)
    # without load a surprise says nothing of the joint
    calm = np.where(idle, 0.0, standard)
    return replace(
        tracked,
        mean=mean,
        covariance=covariance,
        log_weight=log_weight,
        innovation=np.where(measured, innovation, 0.0),
        innovation_variance=np.where(measured, innovation_variance, 1.0),
        gain=gain,
        stepped_by=seconds,
        surprise=tracked.surprise + share * (calm - tracked.surprise),
    )


def _merge(before: Tracked, after: Tracked, usable: Flags, rows: Flags, now: float) -> Tracked:
    return Tracked(
        mean=np.where(rows[:, None], after.mean, before.mean),
        covariance=np.where(rows[:, None, None], after.covariance, before.covariance),
        air_fast_celsius=np.where(rows, after.air_fast_celsius, before.air_fast_celsius),
        air_slow_celsius=np.where(rows, after.air_slow_celsius, before.air_slow_celsius),
        log_weight=np.where(rows, after.log_weight, before.log_weight),
        surprise=np.where(rows, after.surprise, before.surprise),
        innovation=np.where(rows, after.innovation, 0.0),
        innovation_variance=np.where(rows, after.innovation_variance, 1.0),
        gain=np.where(rows[:, None], after.gain, 0.0),
        heating=np.where(rows, after.heating, 0.0),
        stepped_by=np.where(rows, after.stepped_by, 0.0),
        started=before.started | usable,
        stepped=np.where(usable, now, before.stepped),
    )


def weights(tracked: Tracked) -> Array:
    """Weight of each row within its joint (rows,), summing to 1 per joint."""
    table = np.exp(tracked.log_weight).reshape(-1, SHAPES_PER_JOINT)
    result: Array = (table / table.sum(axis=1, keepdims=True)).ravel()
    return result


def sum_variance(covariance: Array) -> Array:
    """Variance of β = β_own + β_soak of each row (rows,) [K²]."""
    result: Array = covariance[:, OWN, OWN] + covariance[:, SOAK, SOAK] + 2.0 * covariance[:, OWN, SOAK]
    return np.maximum(result, 0.0)


def mix(weight: Array, mean: Array, variance: Array) -> tuple[Array, Array]:
    """Mean and standard deviation of each joint's mixture of rows."""
    w = weight.reshape(-1, SHAPES_PER_JOINT)
    m = mean.reshape(-1, SHAPES_PER_JOINT)
    centre = (w * m).sum(axis=1)
    second = (w * (variance.reshape(-1, SHAPES_PER_JOINT) + (m - centre[:, None]) ** 2)).sum(axis=1)
    return centre, np.sqrt(second)


def mixed_rise(tracked: Tracked, weight: Array) -> tuple[Array, Array]:
    """β of each joint (joints,) [K] and its variance [K²], the rows' disagreement in it."""
    beta = tracked.mean[:, OWN] + tracked.mean[:, SOAK]
    mean, sd = mix(weight, beta, sum_variance(tracked.covariance))
    return mean, sd * sd
