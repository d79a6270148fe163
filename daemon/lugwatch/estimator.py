"""What is believed of each joint: the tracking filter over a small bank of thermal shapes.

A joint's temperature is T = F + S + A + b: a fast mode F (the joint itself), a slow mode S (what soaks
through cable and bar), the surroundings A carried through the same two lags, and a slow offset b.
Given the two time constants and how the surroundings reach it (its *shape*), the state
[F, S, β_own, β_soak, b] is exactly linear in what is measured, so a plain Kalman filter with
exact irregular steps tracks it. β is the rise at rated current [K]; B = β / I_rated² [K/A²].

Each joint has `SHAPES_PER_JOINT` rows, one per shape, weighted by how well each predicted; their
spread is part of the uncertainty. All rows of all joints step together.

Not here: baselines, alerts, learning of shapes, where the numbers come from. May import: bank, thermal,
kalman, numpy.
"""

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from lugwatch import kalman, thermal

# who tracks also says what is tracked with: the bank is asked for here
from lugwatch.bank import DEFAULT_SHAPES as DEFAULT_SHAPES
from lugwatch.bank import HASTE, Length
from lugwatch.bank import SHAPE_KNOWN as SHAPE_KNOWN
from lugwatch.bank import SHAPES_PER_JOINT as SHAPES_PER_JOINT
from lugwatch.bank import Bank as Bank
from lugwatch.bank import Tuning as Tuning
from lugwatch.bank import bank_of as bank_of
from lugwatch.bank import default_bank as default_bank

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
_T = TypeVar("_T", bound=np.generic)

FAST, SLOW, OWN, SOAK, OFFSET = range(5)
STATES = kalman.STATES
OBSERVED: Array = np.array([1.0, 1.0, 0.0, 0.0, 1.0])
# An offset does not walk for ever: after a day it is what it may be at all.
LONGEST_WALK_HOURS = 24.0


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
    return values.repeat(SHAPES_PER_JOINT, axis=0)


def reference_celsius(bank: Bank, inputs: Inputs) -> Array:
    """The learned mix of air and neighbours that drives each row, (rows,) [°C]; NaN where unknown.

    A joint whose neighbours are all silent falls back on the air alone.
    """
    apart = inputs.neighbour_celsius - inputs.air_celsius
    apart = np.where(np.isnan(apart), 0.0, apart)
    return per_row(inputs.air_celsius) + bank.neighbour_weight * per_row(apart)


def step(bank: Bank, tracked: Tracked, inputs: Inputs, gap_seconds: float) -> Tracked:
    """Advance every joint to `inputs.monotonic_seconds` and learn from what was measured.

    gap_seconds: after a longer pause, or after one without current or reference, the modes are
    unknown again while β, offset and weights are kept. A joint that misses something now is
    left as it was, its `stepped` too, so that the next step sees the whole pause.
    """
    now = inputs.monotonic_seconds
    # the usual case: all began, nothing is missing, all go on from the same moment; then what depends
    # on time is one number. (Lists, since numpy's `all` of sixteen takes thrice as long.)
    since = tracked.stepped.tolist()
    pause = now - since[0] if since and since.count(since[0]) == len(since) else -1.0
    everything = float(np.add.reduce(inputs.probe_celsius + inputs.air_celsius + inputs.amps_squared))
    if 0.0 <= pause <= gap_seconds and not math.isnan(everything) and all(tracked.started.tolist()):
        return _advance(bank, tracked, inputs, pause, None, None)
    return _unusual(bank, tracked, inputs, gap_seconds)


def _unusual(bank: Bank, tracked: Tracked, inputs: Inputs, gap_seconds: float) -> Tracked:
    """A step in which joints differ: some miss something, begin, or go on after a pause."""
    read = ~np.isnan(inputs.probe_celsius)
    usable = ~np.isnan(inputs.air_celsius + inputs.amps_squared) & (tracked.started | read)
    if not usable.any():
        return tracked
    now = inputs.monotonic_seconds
    pause = now - tracked.stepped
    fresh = usable & (~tracked.started | (pause > gap_seconds) | (pause < 0.0))
    state = _restart(bank, tracked, inputs, per_row(fresh), per_row(pause)) if fresh.any() else tracked
    seconds = per_row(np.where(usable & ~fresh, pause, 0.0))
    learned = _advance(bank, state, inputs, seconds, read & usable, usable)
    return learned if usable.all() else _merge(tracked, learned, usable, per_row(usable), now)


def _restart(bank: Bank, tracked: Tracked, inputs: Inputs, rows: Flags, pause_seconds: Array) -> Tracked:
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
    reference = reference_celsius(bank, inputs)
    return replace(
        tracked,
        mean=mean,
        covariance=covariance,
        air_fast_celsius=np.where(rows, reference, tracked.air_fast_celsius),
        air_slow_celsius=np.where(rows, reference, tracked.air_slow_celsius),
    )


def _advance(
    bank: Bank,
    tracked: Tracked,
    inputs: Inputs,
    seconds: float | Array,
    measured: Flags | None,
    usable: Flags | None,
) -> Tracked:
    """One step of the filter for all rows.

    seconds: since the last step, one number or (rows,); measured, usable: (joints,) has a reading to
    learn from, has what drives it; None: all. What comes of one that is not usable is to be thrown away.
    """
    tuning, joints, loaded = bank.tuning, bank.joints, inputs.loaded
    air, amps_squared, probe = inputs.air_celsius, inputs.amps_squared, inputs.probe_celsius
    if usable is not None:
        air, amps_squared = np.where(usable, air, 0.0), np.where(usable, amps_squared, 0.0)
    if measured is not None:
        probe = np.where(measured, probe, 0.0)
    per_joint = np.empty((5, joints, 1))
    per_joint[0, :, 0] = air
    per_joint[1, :, 0] = amps_squared * thermal.resistance_factor(probe)
    per_joint[2, :, 0] = probe
    # quantisation does not average out while the temperature stands still
    per_joint[3, :, 0] = 1.0 + 1.0 / np.maximum(inputs.probe_count, 1.0)
    if bank.per_step.mixes:
        apart = inputs.neighbour_celsius - air
        per_joint[4, :, 0] = np.where(np.isnan(apart), 0.0, apart)
    table = np.empty((5, joints, SHAPES_PER_JOINT))
    table[...] = per_joint
    air, drive, probe, one_reading, apart = table.reshape(5, -1)

    # the surroundings through both lags
    length = bank.per_step.of_length(seconds)
    keep = length.keep
    reference = air
    if bank.per_step.mixes:
        apart *= bank.neighbour_weight
        reference = air + apart
    around = np.empty_like(keep)
    around[FAST], around[SLOW] = tracked.air_fast_celsius, tracked.air_slow_celsius
    if measured is not None:
        celsius = tracked.mean @ OBSERVED + (bank.per_step.paths * around).sum(axis=0)
        measured = per_row(measured)
        drive = np.where(measured, drive, per_row(amps_squared) * thermal.resistance_factor(celsius))
    around -= reference
    around *= keep
    around += reference
    heating = drive / bank.rated_amps_squared
    surroundings = bank.per_step.paths * around

    # a step of time
    filters = kalman.pack(tracked.mean.T, tracked.covariance.transpose(1, 2, 0))
    all_loaded = all(loaded.tolist())
    noise = _noise(bank, tracked, kalman.mean_of(filters), length, None if all_loaded else loaded)
    pull = length.gone * heating
    kalman.predict(filters, keep, pull, noise)

    # what was measured; without current nothing is learned of a resistance: engine soak would be
    # blamed on the joint
    held: Array | None = None
    if measured is not None or not all_loaded:
        held = np.zeros((STATES, bank.rows))
        held[OWN] = held[SOAK] = per_row(~loaded)
        if measured is not None:
            held[:, ~measured] = 1.0
    value = probe - surroundings[0]
    value -= surroundings[1]
    innovation, deviation, gain = kalman.update(
        filters, value, one_reading * bank.per_step.sensor_variance, held
    )

    standard = innovation / deviation
    variance = deviation * deviation
    evidence = standard * standard
    evidence *= 0.5
    evidence += np.log(deviation)
    evidence *= tuning.evidence_ratio
    log_weight = tracked.log_weight * length.remembered
    log_weight -= evidence
    if not all_loaded:  # without load a surprise says nothing of the joint
        standard = np.where(per_row(loaded), standard, 0.0)
    surprise = standard - tracked.surprise
    surprise *= length.surprised
    surprise += tracked.surprise
    if measured is not None:
        log_weight = np.where(measured, log_weight, tracked.log_weight)
        surprise = np.where(measured, surprise, tracked.surprise)
        innovation = np.where(measured, innovation, 0.0)
        variance = np.where(measured, variance, 1.0)
    stepped = np.empty(joints)
    stepped.fill(inputs.monotonic_seconds)
    weighed = log_weight.reshape(joints, SHAPES_PER_JOINT)
    return Tracked(
        mean=kalman.mean_of(filters).T,
        covariance=kalman.covariance_of(filters).transpose(2, 0, 1),
        air_fast_celsius=around[0],
        air_slow_celsius=around[1],
        log_weight=(weighed - np.maximum.reduce(weighed, axis=1, keepdims=True)).ravel(),
        surprise=surprise,
        innovation=innovation,
        innovation_variance=variance,
        gain=gain.T,
        heating=heating,
        stepped_by=length.seconds,
        started=tracked.started if usable is None else tracked.started | usable,
        stepped=stepped,
    )


def kept_by_centre(bank: Bank, tracked: Tracked) -> tuple[Array, Array]:
    """What the last step left of the fast and the slow mode of each joint's central shape, (joints, 1)."""
    seconds = tracked.stepped_by
    first = float(seconds[0]) if len(seconds) else 0.0
    alike = bool((seconds == first).all())
    keep = bank.per_step.of_length(first if alike else seconds).keep[:, ::SHAPES_PER_JOINT, None]
    return keep[FAST], keep[SLOW]


def _noise(bank: Bank, tracked: Tracked, state: Array, length: Length, loaded: Flags | None) -> Array:
    """Process noise (5, rows): a share of what is there, since draughts scale the whole rise."""
    noise = np.empty(state.shape)
    modes = np.abs(state[:2])
    rise = modes[FAST] + modes[SLOW]
    np.minimum(rise, 40.0, out=rise)
    rise *= rise
    np.multiply(length.draughts, rise, out=noise[:2])
    beta = state[OWN] + state[SOAK]
    beta *= beta
    np.maximum(beta, 4.0, out=beta)
    np.multiply(length.ageing, beta, out=noise[2:4])
    noise[:4] += length.least_walk
    if bank.per_step.hastens:
        noise[OWN] *= _haste(tracked, length.haste)
    if loaded is not None:  # a joint without current neither ages nor shows it
        noise[OWN : SOAK + 1] *= per_row(loaded)
    noise[OFFSET] = length.offset_walk
    return noise


def _haste(tracked: Tracked, per_kelvin: float | Array) -> Array:
    """How many times faster β_own may walk (rows,): 1 while innovations are as expected."""
    over = np.abs(tracked.surprise)
    over *= per_kelvin
    over -= HASTE**0.5
    np.maximum(over, 0.0, out=over)
    over *= over
    over += 1.0
    return np.minimum(over, 400.0, out=over)


def surroundings_celsius(bank: Bank, tracked: Tracked) -> Array:
    weight = bank.fast_weight
    result: Array = weight * tracked.air_fast_celsius + (1.0 - weight) * tracked.air_slow_celsius
    return result


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
    table /= np.add.reduce(table, axis=1, keepdims=True)
    return table.ravel()


def sum_variance(covariance: Array) -> Array:
    """Variance of β = β_own + β_soak of each row (rows,) [K²]."""
    result: Array = covariance[:, OWN, OWN] + covariance[:, SOAK, SOAK] + 2.0 * covariance[:, OWN, SOAK]
    return np.maximum(result, 0.0)


def mix(weight: Array, mean: Array, variance: Array) -> tuple[Array, Array]:
    """Mean and standard deviation of each joint's mixture of rows."""
    w = weight.reshape(-1, SHAPES_PER_JOINT)
    m = mean.reshape(-1, SHAPES_PER_JOINT)
    centre = np.einsum("jk,jk->j", w, m)
    away = m - centre[:, None]
    away *= away
    away += variance.reshape(-1, SHAPES_PER_JOINT)
    return centre, np.sqrt(np.einsum("jk,jk->j", w, away))


def mixed_rise(tracked: Tracked, weight: Array) -> tuple[Array, Array]:
    """β of each joint (joints,) [K] and its variance [K²], the rows' disagreement in it."""
    beta = tracked.mean[:, OWN] + tracked.mean[:, SOAK]
    mean, sd = mix(weight, beta, sum_variance(tracked.covariance))
    return mean, sd * sd
