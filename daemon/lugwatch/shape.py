"""Learning the thermal shape of joints from recorded load, by the likelihood of the filter's innovations.

A shape is (τ_fast, τ_slow, weight of the fast path, weight of the neighbours) with two noises: how
much heat comes that nothing measured tells of, and how far draughts move the joint. What is believed
of one is a normal distribution over its transformed parameters: logarithms of times and noises,
log-odds of weights. Learning moves it by importance sampling: candidates drawn from what is believed
so far are all run through the same filter at once, and weighted by how well they foretold the probe.
Random numbers come from a fixed seed, so the same record gives the same shape.
Not here: when to learn, where shapes are kept. May import: estimator, numpy.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import estimator
from lugwatch.estimator import SHAPES_PER_JOINT, Bank, Inputs

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# What a joint of boat size may be before anything was recorded: median and spread (from the masses
# and surfaces of studs, lugs and cables of 16 to 95 mm²; common practice, no source).
PRIOR_MEAN: Array = np.array([np.log(170.0), np.log(2200.0), 0.0, 0.0, np.log(0.5), np.log(0.005)])
PRIOR_SD: Array = np.array([0.6, 0.5, 1.2, 1.2, 1.0, 0.6])
PARAMETERS = len(PRIOR_MEAN)
# those whose uncertainty the bank's rows spread over; the two noises stand at their centre
SPREAD = 4
# Errors of neighbouring windows are alike, so the likelihood is taken to this power.
TEMPER = 0.12
CANDIDATES = 8 * SHAPES_PER_JOINT
ROUNDS = 3
SEED = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapes:
    """What is believed of the shape of each joint, in transformed parameters."""

    mean: Array  # (joints, 6)
    covariance: Array  # (joints, 6, 6)


def prior(joints: int) -> Shapes:
    """Nothing recorded yet."""
    return Shapes(
        mean=np.tile(PRIOR_MEAN, (joints, 1)), covariance=np.tile(np.diag(PRIOR_SD**2), (joints, 1, 1))
    )


def physical(transformed: Array) -> Array:
    """(…, 6) transformed -> (…, 6), columns as `estimator.DEFAULT_SHAPES`."""
    result = np.empty_like(transformed)
    result[..., 0] = np.exp(np.clip(transformed[..., 0], np.log(30.0), np.log(900.0)))
    slow = np.exp(np.clip(transformed[..., 1], np.log(500.0), np.log(12_000.0)))
    # two modes that are one cannot be told apart
    result[..., 1] = np.maximum(slow, 3.0 * result[..., 0])
    result[..., 2:4] = 1.0 / (1.0 + np.exp(-np.clip(transformed[..., 2:4], -4.0, 4.0)))
    result[..., 4] = np.exp(np.clip(transformed[..., 4], np.log(0.1), np.log(20.0)))
    result[..., 5] = np.exp(np.clip(transformed[..., 5], np.log(0.0005), np.log(0.03)))
    return result


def _simplex() -> Array:
    """Five points in four dimensions, equally far apart, with unit covariance at weight 1/6 each."""
    points = np.zeros((5, 4))
    for axis in range(4):
        points[axis, axis] = np.sqrt(1.0 - (points[axis] ** 2).sum())
        for other in range(axis + 1, 5):
            points[other, axis] = (-0.25 - points[axis] @ points[other]) / points[axis, axis]
    result: Array = points * np.sqrt(4.0 * SHAPES_PER_JOINT / 5.0)
    return result


def representatives(shapes: Shapes) -> Array:
    """The rows a bank runs for what is believed, (joints·SHAPES_PER_JOINT, 6): centre and five around it."""
    offsets = np.vstack([np.zeros(SPREAD), _simplex()])
    spread = shapes.covariance[:, :SPREAD, :SPREAD]
    roots = np.linalg.cholesky(spread + 1e-9 * np.eye(SPREAD))
    points = np.repeat(shapes.mean[:, None, :], SHAPES_PER_JOINT, axis=1)
    points[:, :, :SPREAD] += np.einsum("jab,kb->jka", roots, offsets)
    return physical(points).reshape(-1, PARAMETERS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """Shapes, how the filter stands at the end of the record with them, and each joint's rise in it."""

    shapes: Shapes
    bank: Bank
    tracked: estimator.Tracked
    rise_kelvin: Array  # (joints,) mean of β over the loaded record
    rise_sd_kelvin: Array
    rise_spread_kelvin: Array  # (joints,) how far β wandered in it although the joint was well
    gain: Array  # log-likelihood against the default shapes, per window


def learn(
    record: tuple[Inputs, ...],
    believed: Shapes,
    rated_amps: Array,
    has_neighbours: Flags,
    gap_seconds: float,
    tuning: estimator.Tuning | None = None,
) -> Learned:
    """Move what is believed of all joints' shapes by a record of windows."""
    joints = len(rated_amps)
    random = np.random.default_rng(SEED)
    shapes = believed
    for number in range(ROUNDS):
        # first wide, then where it matters
        widening = 1.0 if number == 0 else 1.5
        roots = np.linalg.cholesky(shapes.covariance * widening + 1e-9 * np.eye(PARAMETERS))
        draws = random.standard_normal((joints, CANDIDATES, PARAMETERS))
        points = shapes.mean[:, None, :] + np.einsum("jab,jkb->jka", roots, draws)
        evidence = _evidence(record, points, rated_amps, has_neighbours, gap_seconds, tuning)
        log_proposal = -0.5 * (draws**2).sum(axis=2)
        log_weight = TEMPER * evidence + _log_density(points, believed) - log_proposal
        shapes = _moments(points, log_weight, shapes)
    bank = estimator.bank_of(representatives(shapes), rated_amps, has_neighbours, tuning)
    tracked, rise, rise_sd, spread, likelihood = _run(record, bank, gap_seconds)
    _, _, _, _, plain = _run(record, estimator.default_bank(rated_amps, has_neighbours, tuning), gap_seconds)
    return Learned(
        shapes=shapes,
        bank=bank,
        tracked=tracked,
        rise_kelvin=rise,
        rise_sd_kelvin=rise_sd,
        rise_spread_kelvin=spread,
        gain=(likelihood - plain) / max(len(record), 1),
    )


def _log_density(points: Array, believed: Shapes) -> Array:
    away = points - believed.mean[:, None, :]
    inverse = np.linalg.inv(believed.covariance)
    result: Array = -0.5 * np.einsum("jka,jab,jkb->jk", away, inverse, away)
    return result


def _moments(points: Array, log_weight: Array, before: Shapes) -> Shapes:
    """Mean and covariance of weighted candidates; never narrower than the candidates can resolve."""
    # flatten the weights until a fair number of candidates carries them
    for power in (1.0, 0.6, 0.35, 0.2, 0.1, 0.05):
        scaled = power * (log_weight - log_weight.max(axis=1, keepdims=True))
        weight = np.exp(scaled)
        weight /= weight.sum(axis=1, keepdims=True)
        if (1.0 / (weight**2).sum(axis=1)).min() >= 6.0:
            break
    mean = np.einsum("jk,jka->ja", weight, points)
    away = points - mean[:, None, :]
    covariance = np.einsum("jk,jka,jkb->jab", weight, away, away)
    floor = np.eye(PARAMETERS) * np.array([0.05, 0.05, 0.1, 0.1, 0.1, 0.1]) ** 2
    return replace(before, mean=mean, covariance=covariance + floor)


def _evidence(
    record: tuple[Inputs, ...],
    points: Array,
    rated_amps: Array,
    has_neighbours: Flags,
    gap_seconds: float,
    tuning: estimator.Tuning | None,
) -> Array:
    """Log-likelihood of the record under each candidate, (joints, candidates)."""
    joints, candidates, _ = points.shape
    copies = candidates // SHAPES_PER_JOINT
    bank = estimator.bank_of(
        physical(points).reshape(-1, PARAMETERS),
        np.repeat(rated_amps, copies),
        np.repeat(has_neighbours, copies),
        tuning,
    )
    tracked = estimator.initial(bank)
    total = np.zeros(bank.rows)
    for number, inputs in enumerate(record):
        tracked = estimator.step(bank, tracked, _repeated(inputs, copies), gap_seconds)
        # the first minutes only find where the modes and β are
        if number >= 30:
            total += tracked.log_likelihood
    return total.reshape(joints, candidates)


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


def _run(
    record: tuple[Inputs, ...], bank: Bank, gap_seconds: float
) -> tuple[estimator.Tracked, Array, Array, Array, Array]:
    """The record through one bank: where it ends, each joint's mean β, deviation, spread, likelihood."""
    tracked = estimator.initial(bank)
    weight_sum = np.zeros(bank.joints)
    rise = np.zeros(bank.joints)
    square = np.zeros(bank.joints)
    variance = np.full(bank.joints, np.inf)
    likelihood = np.zeros(bank.joints)
    for inputs in record:
        tracked = estimator.step(bank, tracked, inputs, gap_seconds)
        weight = estimator.weights(tracked)
        likelihood += (weight * tracked.log_likelihood).reshape(bank.joints, -1).sum(axis=1)
        beta, beta_variance = estimator.mixed_rise(tracked, weight)
        use = np.where(inputs.loaded & ~np.isnan(inputs.probe_celsius), 1.0 / beta_variance, 0.0)
        weight_sum += use
        rise += use * beta
        square += use * beta * beta
        variance = np.minimum(variance, np.where(use > 0.0, beta_variance, np.inf))
    known = weight_sum > 0.0
    mean = np.where(known, rise / np.where(known, weight_sum, 1.0), 0.0)
    wander = np.where(known, square / np.where(known, weight_sum, 1.0) - mean * mean, 0.0)
    return (
        tracked,
        mean,
        np.sqrt(np.where(known, variance, np.inf)),
        np.sqrt(np.maximum(wander, 0.0)),
        likelihood,
    )
