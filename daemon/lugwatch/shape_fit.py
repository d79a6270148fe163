"""Learning thermal shapes from recorded load, by the likelihood of the filter's innovations.

What is believed of a shape is a normal distribution (`shape`); a record moves it to the maximum of
likelihood times prior, and its spread to the curvature there. First a handful of candidates drawn about
two places are tried, then the best of each is improved by Gauss and Newton's method with
Levenberg's damping (textbook: the expected information of Gaussian innovations from differences of
neighbouring candidates). All candidates of all joints run through the product's own filter at once.
Random numbers come from a fixed seed, so the same record gives the same shape.
Not here: when to learn, where shapes are kept. May import: shape, climb, jump, settling,
air_ahead, estimator, kalman, numpy.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import air_ahead, climb, estimator, jump, kalman, settling
from lugwatch.estimator import SHAPES_PER_JOINT, Bank, Inputs
from lugwatch.shape import PARAMETERS, Shapes, physical, representatives

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Steps of the filter while learning: a mode of two minutes is well seen, at a third of the cost.
STEP_SECONDS = 30.0
# Errors of neighbouring steps are alike (draughts last for minutes), so the likelihood is taken
# to this power: three steps count as one.
TEMPER = 0.35
SKIPPED_STEPS = 10  # the first minutes only find where the modes and β are
STARTS = 4 * SHAPES_PER_JOINT
# The likelihood has two hills: the air may reach a joint through its fast path or its slow one, and from
# the one no small step leads to the other. Both are climbed so far, and then the higher one to its top.
LATE_AIR: Array = np.array([-1.2, -0.6, -3.0, 1.2, -1.1, -1.1, -0.3])  # from what is believed to the second
LATE_SPREAD = 0.5  # of the draws about it
ROUNDS_OF_ALL = 6
ROUNDS_OF_BEST = 3
DIFFERENCE = 0.02  # of a transformed parameter
# damping tried in one round, as a share of the curvature; the last stays almost where it is
DAMPING: Array = np.array([0.0, 0.1, 0.5, 2.0, 8.0, 40.0])
LONGEST_STEP = 1.0  # of a transformed parameter in one round
NARROWEST_SD: Array = np.array([0.03, 0.03, 0.1, 0.1, 0.1, 0.1, 0.1])
SEED = 5
# The record is of a joint that is well: what is not shape or draught is no change of its contact.
OWN_WALK_RATIO = 0.03
OWN_WALK_KELVIN = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """Shapes, how the filter stands at the end of the record with them, and each joint's rise in it."""

    shapes: Shapes
    bank: Bank
    tracked: estimator.Tracked
    rise_kelvin: Array  # (joints,) mean of β over the loaded record
    rise_sd_kelvin: Array
    rise_spread_kelvin: Array  # (joints,) how far β wandered in it although the joint was well
    calm: Array  # (joints,) root mean square of what looked like a change in it (`jump`)
    unrest: Array  # (joints,) largest `jump.Watch.unrest` in it
    climbed: Array  # (joints,) largest `climb.Watch.ratio` in it
    busiest: Array  # (joints,) largest heating in it; 1 is the rated current
    soaked: Array  # (joints,) how far it let each joint settle, 0 to 1 (`settling.soaked_ratio`)
    air_ahead: Array  # (joints, 3) where each joint's air went in it (`air_ahead.learn`)
    gain: Array  # log-likelihood against the default shapes, per window


@dataclass(frozen=True, slots=True, kw_only=True)
class _Problem:
    record: tuple[Inputs, ...]  # in steps of learning
    believed: Shapes
    precision: Array  # (joints, 7, 7) of `believed`
    rated_amps: Array
    has_neighbours: Flags
    gap_seconds: float
    tuning: estimator.Tuning
    # the record for so many copies of each joint, made when first asked for
    repeated: dict[int, tuple[Inputs, ...]] = field(default_factory=dict)


def learn(
    record: tuple[Inputs, ...],
    believed: Shapes,
    rated_amps: Array,
    has_neighbours: Flags,
    gap_seconds: float,
    tuning: estimator.Tuning = estimator.SHAPE_KNOWN,
) -> Learned:
    """Move what is believed of all joints' shapes by a record of windows."""
    problem = _Problem(
        record=coarse(record, STEP_SECONDS),
        believed=believed,
        precision=_inverse(believed.covariance),
        rated_amps=rated_amps,
        has_neighbours=has_neighbours,
        gap_seconds=gap_seconds,
        tuning=replace(
            tuning,
            own_walk_ratio=OWN_WALK_RATIO,
            own_walk_kelvin=OWN_WALK_KELVIN,
            surprise_sd=math.inf,
        ),
    )
    shapes = _fit(problem)
    bank = estimator.bank_of(representatives(shapes), rated_amps, has_neighbours, tuning)
    first, likelihood = _passed(record, bank, gap_seconds)
    # once more, knowing at its beginning what its end has taught: the baseline is of the whole record
    again = replace(first, stepped=np.full(bank.joints, -math.inf))
    whole = _run(record, bank, gap_seconds, again)
    _, plain_likelihood = _passed(record, estimator.default_bank(rated_amps, has_neighbours), gap_seconds)
    return Learned(
        shapes=shapes,
        bank=bank,
        tracked=whole.tracked,
        rise_kelvin=whole.rise_kelvin,
        rise_sd_kelvin=whole.rise_sd_kelvin,
        rise_spread_kelvin=whole.rise_spread_kelvin,
        calm=whole.calm,
        unrest=whole.unrest,
        climbed=whole.climbed,
        busiest=whole.busiest,
        soaked=settling.soaked_ratio(whole.most_soaked, whole.busiest),
        air_ahead=air_ahead.learn(record),
        gain=(likelihood - plain_likelihood) / max(len(record), 1),
    )


def coarse(record: tuple[Inputs, ...], step_seconds: float) -> tuple[Inputs, ...]:
    """The same record in longer steps: the mean of what drives, the last of what is measured."""
    steps: list[Inputs] = []
    held: list[Inputs] = []
    start = -math.inf
    for inputs in record:
        now = inputs.monotonic_seconds
        before = held[-1].monotonic_seconds if held else start
        if now - before > step_seconds or now < before:
            start, held = now, []  # after a pause the first window only tells where the next begins
            continue
        held.append(inputs)
        if now - start >= step_seconds - 1e-6:
            mean = np.mean([h.amps_squared for h in held], axis=0)
            loaded = np.mean([h.loaded for h in held], axis=0) > 0.5
            steps.append(replace(inputs, amps_squared=mean, loaded=loaded))
            start, held = now, []
    return tuple(steps)


# ---- the search ------------------------------------------------------------------------------


def _fit(problem: _Problem) -> Shapes:
    here, value = _starts(problem)
    here, value = _climbed(problem, here, value, ROUNDS_OF_ALL)
    best = np.argmax(value, axis=1)
    rows = np.arange(len(best))
    here, value = _climbed(problem, here[rows, best][:, None], value[rows, best][:, None], ROUNDS_OF_BEST)
    _, information = _slope_and_information(problem, here)
    covariance = _inverse(information[:, 0]) + np.diag(NARROWEST_SD**2)
    return Shapes(mean=here[:, 0], covariance=covariance)


def _starts(problem: _Problem) -> tuple[Array, Array]:
    """Where each climb begins (joints, climbs, 7) and its height: the best of draws about either place."""
    joints = len(problem.rated_amps)
    random = np.random.default_rng(SEED)
    roots = np.linalg.cholesky(problem.believed.covariance)
    draws = random.standard_normal((joints, STARTS, PARAMETERS))
    half = STARTS // 2
    draws[:, 0] = draws[:, half] = 0.0
    away = np.einsum("jab,jkb->jka", roots, draws)
    usual = problem.believed.mean[:, None, :] + away[:, :half]
    late = problem.believed.mean + LATE_AIR
    points = np.stack([usual, late[:, None, :] + LATE_SPREAD * away[:, half:]], axis=1)
    return _best(points, _objective(problem, points))


def _climbed(problem: _Problem, here: Array, value: Array, rounds: int) -> tuple[Array, Array]:
    """Gauss and Newton's rounds from `here` (joints, climbs, 7), all climbs of all joints at once."""
    for _ in range(rounds):
        slope, information = _slope_and_information(problem, here)
        scale = np.einsum("jcaa->jca", information)
        damped = information[:, :, None] + np.einsum("k,jca,ab->jckab", DAMPING, scale, np.eye(PARAMETERS))
        step = np.linalg.solve(damped, np.repeat(slope[:, :, None, :, None], len(DAMPING), axis=2))[..., 0]
        longest = np.abs(step).max(axis=3, keepdims=True)
        step *= np.minimum(1.0, LONGEST_STEP / np.maximum(longest, 1e-12))
        points = here[:, :, None, :] + step
        there, new = _best(points, _objective(problem, points))
        better = new > value
        gained = float(np.max(np.where(better, new - value, 0.0)))
        here, value = np.where(better[..., None], there, here), np.maximum(value, new)
        if gained < 0.05:
            break
    return here, value


def _inverse(matrices: Array) -> Array:
    result: Array = np.asarray(np.linalg.inv(matrices), dtype=np.float64)
    return result


def _best(points: Array, values: Array) -> tuple[Array, Array]:
    """The best candidate of each climb, (joints, climbs, 7) and (joints, climbs)."""
    best = np.argmax(values, axis=2)[..., None]
    chosen = np.take_along_axis(points, best[..., None], axis=2)
    return chosen[:, :, 0], np.take_along_axis(values, best, axis=2)[:, :, 0]


def _objective(problem: _Problem, points: Array) -> Array:
    """Tempered log-likelihood plus log prior of each candidate, (joints, climbs, candidates)."""
    innovations, variances = _innovations(problem, points)
    evidence = kalman.log_likelihood(innovations, variances)[SKIPPED_STEPS:].sum(axis=0)
    away = points - problem.believed.mean[:, None, None, :]
    prior = np.einsum("jcka,jab,jckb->jck", away, problem.precision, away)
    result: Array = TEMPER * evidence - 0.5 * prior
    return result


def _slope_and_information(problem: _Problem, here: Array) -> tuple[Array, Array]:
    """Gradient (joints, climbs, 7) of the objective and its expected curvature (joints, climbs, 7, 7)."""
    steps = np.concatenate([np.eye(PARAMETERS), -np.eye(PARAMETERS)]) * DIFFERENCE
    # rows of a bank come in sixes: the centre fills up
    idle = np.zeros((-len(steps) % SHAPES_PER_JOINT, PARAMETERS))
    innovations, variances = _innovations(problem, here[:, :, None, :] + np.concatenate([steps, idle]))
    v, s = innovations[SKIPPED_STEPS:], variances[SKIPPED_STEPS:]
    likelihood = kalman.log_likelihood(v, s).sum(axis=0)
    up, down = slice(0, PARAMETERS), slice(PARAMETERS, 2 * PARAMETERS)
    slope = (likelihood[..., up] - likelihood[..., down]) / (2.0 * DIFFERENCE)
    dv = (v[..., up] - v[..., down]) / (2.0 * DIFFERENCE)
    ds = (s[..., up] - s[..., down]) / (2.0 * DIFFERENCE)
    middle = s.mean(axis=3, keepdims=True)
    information = np.einsum("tjca,tjcb->jcab", dv / middle, dv)
    information += 0.5 * np.einsum("tjca,tjcb->jcab", ds / middle, ds / middle)
    away = here - problem.believed.mean[:, None, :]
    return (
        TEMPER * slope - np.einsum("jab,jcb->jca", problem.precision, away),
        TEMPER * information + problem.precision[:, None],
    )


def _innovations(problem: _Problem, points: Array) -> tuple[Array, Array]:
    """Innovations and variances of the record under each candidate, (steps, joints, climbs, candidates)."""
    copies = points.shape[1] * points.shape[2] // SHAPES_PER_JOINT
    bank = estimator.bank_of(
        physical(points).reshape(-1, PARAMETERS),
        np.repeat(problem.rated_amps, copies),
        np.repeat(problem.has_neighbours, copies),
        problem.tuning,
    )
    tracked = estimator.initial(bank)
    innovations = np.empty((len(problem.record), bank.rows))
    variances = np.empty_like(innovations)
    if copies not in problem.repeated:
        problem.repeated[copies] = tuple(_repeated(inputs, copies) for inputs in problem.record)
    for number, inputs in enumerate(problem.repeated[copies]):
        tracked = estimator.step(bank, tracked, inputs, problem.gap_seconds)
        innovations[number], variances[number] = tracked.innovation, tracked.innovation_variance
    shape = (len(problem.record), *points.shape[:3])
    return innovations.reshape(shape), variances.reshape(shape)


def _repeated(inputs: Inputs, copies: int) -> Inputs:
    return replace(
        inputs,
        probe_celsius=np.repeat(inputs.probe_celsius, copies),
        probe_count=np.repeat(inputs.probe_count, copies),
        air_celsius=np.repeat(inputs.air_celsius, copies),
        neighbour_celsius=np.repeat(inputs.neighbour_celsius, copies),
        amps_squared=np.repeat(inputs.amps_squared, copies),
        loaded=np.repeat(inputs.loaded, copies),
    )


# ---- what the record says of the rise --------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ran:
    """A record through one bank: where it ends, and per joint (joints,) what it says."""

    tracked: estimator.Tracked
    rise_kelvin: Array
    rise_sd_kelvin: Array
    rise_spread_kelvin: Array
    calm: Array
    unrest: Array
    climbed: Array
    busiest: Array
    most_soaked: Array  # largest mean heating over the slow time constant


def _passed(record: tuple[Inputs, ...], bank: Bank, gap_seconds: float) -> tuple[estimator.Tracked, Array]:
    """Where the filter stands at the end of a record, and the log-likelihood of each joint's readings."""
    tracked, likelihood = estimator.initial(bank), np.zeros(bank.joints)
    for inputs in record:
        tracked = estimator.step(bank, tracked, inputs, gap_seconds)
        each = kalman.log_likelihood(tracked.innovation, tracked.innovation_variance)
        each *= estimator.weights(tracked)
        likelihood += each.reshape(bank.joints, -1).sum(axis=1)
    return tracked, likelihood


def _run(record: tuple[Inputs, ...], bank: Bank, gap_seconds: float, tracked: estimator.Tracked) -> _Ran:
    zeros = np.zeros(bank.joints)
    weight_sum, rise, square = zeros.copy(), zeros.copy(), zeros.copy()
    variance = np.full(bank.joints, np.inf)
    watch, squares, looks, unrest = jump.empty(bank.joints), zeros.copy(), zeros.copy(), np.ones(bank.joints)
    climbing, climbed = climb.empty(bank.joints), np.ones(bank.joints)
    busiest, soaking, most_soaked = zeros.copy(), zeros.copy(), zeros.copy()
    slow = bank.tau_slow_seconds.reshape(bank.joints, -1)[:, 0]
    for inputs in record:
        tracked = estimator.step(bank, tracked, inputs, gap_seconds)
        heating = np.where(inputs.loaded, tracked.heating[::SHAPES_PER_JOINT], 0.0)
        busiest = np.maximum(busiest, heating)
        soaking = settling.follow(soaking, heating, tracked.stepped_by[::SHAPES_PER_JOINT], slow)
        most_soaked = np.maximum(most_soaked, soaking)
        weight = estimator.weights(tracked)
        beta, beta_variance = estimator.mixed_rise(tracked, weight)
        watch = jump.step(watch, bank, tracked, inputs)
        squares += np.where(inputs.loaded, jump.strongest(watch)[0] ** 2, 0.0)
        looks += inputs.loaded
        unrest = np.maximum(unrest, watch.unrest)
        seconds = float(tracked.stepped_by.max())
        climbing = climb.step(climbing, beta, heating, inputs.loaded, seconds)
        climbed = np.maximum(climbed, climbing.ratio)
        use = np.where(inputs.loaded & ~np.isnan(inputs.probe_celsius), 1.0 / beta_variance, 0.0)
        weight_sum += use
        rise += use * beta
        square += use * beta * beta
        variance = np.minimum(variance, np.where(use > 0.0, beta_variance, np.inf))
    known = weight_sum > 0.0
    mean = np.where(known, rise / np.where(known, weight_sum, 1.0), 0.0)
    wander = np.where(known, square / np.where(known, weight_sum, 1.0) - mean * mean, 0.0)
    return _Ran(
        tracked=tracked,
        rise_kelvin=mean,
        rise_sd_kelvin=np.sqrt(np.where(known, variance, np.inf)),
        rise_spread_kelvin=np.sqrt(np.maximum(wander, 0.0)),
        calm=np.sqrt(squares / np.maximum(looks, 1.0)),
        unrest=unrest,
        climbed=climbed,
        busiest=busiest,
        most_soaked=most_soaked,
    )
