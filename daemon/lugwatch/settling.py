"""Where joints end if their currents go on, and how far from the truth that and the rise may be.

All joints of a boat settle together, since each warms its neighbours:

    T_i = (1 − g_i)·air_i + g_i·mean of the neighbours' T + b_i + β_i·u_i·(1 + α·(T_i − 20 °C))

is one linear equation a joint, and they are solved at once. Deviations here are against the truth: what
errs alike now and earlier is in them. A change against itself earlier is `trend`'s, where that cancels.
Not here: how the filter's rows got there (`estimator`), the page's words. May import: thermal,
estimator, numpy.
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
    STATES,
    Bank,
    Inputs,
    Tracked,
    mix,
    per_row,
    surroundings_celsius,
    weights,
)

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Shares that follow were set on bench boats 1 to 8 and looked at again on 9 to 13.
# Draughts of the hour and the day, and heat that is shed faster the hotter a joint is: what a steady rise
# differs by from the one that was learned, although the joint is the same.
DRAUGHT_RATIO = 0.045
# The modes' own noise, as learned, leaves this many times `mode_walk_ratio` of the rise in them
# (a first-order lag's stationary deviation: √(100 s / 2), see `estimator.DEFAULT_SHAPES`).
MODE_NOISE = float(np.sqrt(50.0))
# Of the rise that is still to come: two modes stand for a cable of many.
COMING_RATIO = 0.03
# Of the rise of a joint that was only ever loaded in bursts: its end was never seen.
UNSOAKED_RATIO = 0.13
# Of the rise, for each factor e between the heating of the last hour and that of its loaded part: a body
# behind a joint warms with the current and not with its square (−½), convection sheds faster when hot (−1/5).
OTHER_LOAD_RATIO = 0.12
# Rows of a learned bank stand as far apart as a record's likelihood to this power leaves them
# (`shape_fit.TEMPER`), for shape and draughts together; draughts are counted by themselves here, and of the
# rows' variance counts so much.
SHAPES_ALONE = 0.35
# What two probes, the joint's and the air's, disagree by (two of a class of ±0.5 K, most far better; common
# practice, no source). What the offset holds beyond it is heat.
CALIBRATION_KELVIN = 0.3
# A body's heat gathers in the offset over about so long before its rise is judged.
GATHERING_HOURS = 1.0
# A rise is told over the mean heating of the last hour under way, or that of twice the floor if it is more.
HOUR_SECONDS = 3600.0
LEAST_FLOORS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupled:
    """Joints that settle together, (joints,)."""

    celsius: Array  # those that run away stand at their held temperature
    gain: Array  # (joints, joints) kelvin of joint i for a kelvin more in the equation of joint j
    runaway: Flags


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """The end of every joint, (joints,)."""

    celsius: Array  # +inf: thermal runaway
    sd_kelvin: Array
    reference_celsius: (
        Array  # (rows,) what air and settled neighbours would make of each row, offset left out
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked for and what is known beside the filter, (joints,)."""

    present_amps_squared: Array  # NaN: not known
    hour_amps_squared: Array  # mean over the last hour under way; NaN: none yet
    loaded_amps_squared: Array  # mean over its last hour of load; NaN: none yet
    floor_amps: Array  # nothing is estimated from less
    metal: Flags  # (joints, joints) neighbours on the same metal
    learned: Flags  # the bank's rows are this joint's own shapes and not the default ones
    soaked: Array  # how far its record let it settle, see `soaked_ratio`


def coupled_celsius(
    alone: Array, coupling: Array, feedback: Array, held: Flags, held_celsius: Array
) -> Coupled:
    """Solve T_i = alone_i + Σ_j coupling_ij·T_j + feedback_i·T_i for all joints (joints,).

    Joints that are `held` stay at held_celsius and warm the others from there. The other equations have a
    settled state exactly if their matrix, I − coupling − feedback, is inverse-positive (an M-matrix; Berman
    and Plemmons, Nonnegative Matrices in the Mathematical Sciences, ch. 6). Where it is not, the joints with
    the most feedback of their own run away; they are held in turn until the rest settles, so that a
    sound neighbour is not accused with them.
    """
    joints = len(alone)
    runaway = np.zeros(joints, dtype=bool)
    while True:
        fixed = held | runaway
        gain = _inverse(np.eye(joints) - np.where(fixed[:, None], 0.0, coupling + np.diag(feedback)))
        if fixed.all() or bool((gain >= -1e-9).all() and (np.diagonal(gain) > 0.0).all()):
            break
        most = feedback[~fixed].max()
        runaway = runaway | (~fixed & (feedback >= most - 1e-9))
    return Coupled(celsius=gain @ np.where(fixed, held_celsius, alone), gain=gain, runaway=runaway)


def _inverse(matrix: Array) -> Array:
    """Zeros where there is none."""
    try:
        return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.zeros_like(matrix)


def settle(
    bank: Bank, tracked: Tracked, inputs: Inputs, asked: Asked, air_sd_kelvin: Array | None = None
) -> Settled:
    """Where every joint ends at the present currents and in the air of `inputs`.

    A joint of which current, air or past is not known stays at its present temperature.
    air_sd_kelvin: (joints,) how far that air may be from the one in the end; None: it is held as it is.
    """
    rows = _rows(bank, tracked, inputs, asked)
    share = _mean(rows.weight, rows.share)
    found = _solve(rows, share)
    neighbours = rows.near @ found.celsius
    end = _end(rows, rows.drive, neighbours)
    spread = _spread(bank, tracked, rows, asked, rows.drive, end)
    air = np.zeros(len(share)) if air_sd_kelvin is None else (1.0 - share) * air_sd_kelvin
    sd = _total(found.gain, spread, spread, np.where(rows.known, air, 0.0))
    return _settled(rows, end, sd, found.runaway | (end.runaway > 0.5), neighbours)


def settle_rated(bank: Bank, tracked: Tracked, inputs: Inputs, asked: Asked) -> Settled:
    """Where each joint ends at its rated current and all others at their present ones, warmed by it."""
    rows = _rows(bank, tracked, inputs, asked)
    share, rated = _mean(rows.weight, rows.share), np.ones_like(rows.drive)
    found = _solve(rows, share)
    alone, feedback = _equation(rows, rows.drive)
    rated_alone, rated_feedback = _equation(rows, rated)
    fixed = found.runaway | ~rows.known
    neighbours, own_gain = rows.near @ found.celsius, np.diagonal(found.gain)
    # T = own_gain·(alone + drawn): what the others bring to this joint, and how they answer to it
    drawn = np.where(fixed, share * neighbours, found.celsius / own_gain - alone)
    answer = np.where(fixed, 0.0, 1.0 - feedback - 1.0 / own_gain)
    left = 1.0 - rated_feedback - answer
    gain = 1.0 / np.where(left > 0.0, left, 1.0)
    warmer = gain * (rated_alone + drawn) - found.celsius
    answered = neighbours + answer * warmer / np.where(share > 0.0, share, 1.0)
    end = _end(rows, rated, answered)
    others = _spread(bank, tracked, rows, asked, rows.drive, _end(rows, rows.drive, neighbours))
    own = _spread(bank, tracked, rows, asked, rated, end)
    sd = _total(found.gain * (gain / own_gain)[:, None], others, own, np.zeros(len(share)))
    return _settled(rows, end, sd, (left <= 0.0) | (end.runaway > 0.5), answered)


def _solve(rows: "_Rows", share: Array) -> Coupled:
    alone, feedback = _equation(rows, rows.drive)
    return coupled_celsius(alone, share[:, None] * rows.near, feedback, ~rows.known, rows.now)


def _settled(rows: "_Rows", end: "_End", sd: Array, runaway: Flags, neighbours: Array) -> Settled:
    return Settled(
        celsius=np.where(runaway, np.inf, end.celsius),
        sd_kelvin=np.where(runaway, np.inf, sd),
        reference_celsius=(rows.apart + rows.share * neighbours[:, None]).ravel(),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """One equation for each shape of each joint, (joints, shapes); without shapes (joints,)."""

    weight: Array
    beta: Array
    drive: Array  # u, current squared against the rated one
    share: Array  # g
    apart: Array  # what air alone gives: (1 − g)·air
    offset: Array
    known: Flags  # (joints,)
    now: Array  # (joints,) present temperature
    near: Array  # (joints, joints) weights of the neighbours, each row summing to 1 or 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _End:
    celsius: Array  # (joints,)
    each: Array  # (joints, shapes)
    runaway: Array  # (joints,) weight of the shapes that have no end


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spread:
    """What the equations may be wrong by, (joints,): apart from each other [K²], and all alike [K]."""

    apart: Array
    alike: Array


def _mean(weight: Array, values: Array) -> Array:
    result: Array = (weight * values).sum(axis=1)
    return result


def _alone(rows: _Rows, drive: Array) -> Array:
    """What each row's equation holds without its neighbours [°C]."""
    return rows.apart + rows.offset + rows.beta * drive * thermal.resistance_factor(np.zeros(1))


def _equation(rows: _Rows, drive: Array) -> tuple[Array, Array]:
    """Of each joint, over its rows (joints,): what it holds alone [°C], and its feedback."""
    feedback = _mean(rows.weight, rows.beta * drive) * thermal.COPPER_ALPHA_PER_KELVIN
    return _mean(rows.weight, _alone(rows, drive)), feedback


def _rows(bank: Bank, tracked: Tracked, inputs: Inputs, asked: Asked) -> _Rows:
    present = asked.present_amps_squared
    shape = (bank.joints, SHAPES_PER_JOINT)
    known = tracked.started & ~np.isnan(present) & ~np.isnan(inputs.air_celsius)
    weight = weights(tracked).reshape(shape)
    modelled = _mean(
        weight,
        (
            tracked.mean[:, FAST]
            + tracked.mean[:, SLOW]
            + tracked.mean[:, OFFSET]
            + surroundings_celsius(bank, tracked)
        ).reshape(shape),
    )
    seen = ~np.isnan(inputs.probe_celsius)
    near = (asked.metal & (known | seen) & ~np.isnan(inputs.neighbour_celsius)[:, None]).astype(float)
    count = near.sum(axis=1, keepdims=True)
    share = np.where(count > 0.0, bank.neighbour_weight.reshape(shape), 0.0)
    air = np.nan_to_num(inputs.air_celsius)[:, None]
    # where the air is not known nothing better is known than what still soaks through
    last = surroundings_celsius(bank, tracked).reshape(shape)
    beta = (tracked.mean[:, OWN] + tracked.mean[:, SOAK]).reshape(shape)
    drive = (per_row(np.nan_to_num(present)) / bank.rated_amps_squared).reshape(shape)
    return _Rows(
        weight=weight,
        beta=beta,
        drive=drive,
        share=np.where(known[:, None], share, 0.0),
        apart=np.where(known[:, None], (1.0 - share) * air, last),
        offset=tracked.mean[:, OFFSET].reshape(shape),
        known=known,
        now=np.where(seen, inputs.probe_celsius, modelled),
        near=near / np.maximum(count, 1.0),
    )


def _end(rows: _Rows, drive: Array, neighbours: Array) -> _End:
    """The end of each row with its neighbours where they settle (joints,)."""
    feedback = rows.beta * drive * thermal.COPPER_ALPHA_PER_KELVIN
    runaway = feedback >= 1.0
    bare = _alone(rows, drive) + rows.share * neighbours[:, None]
    each = np.where(runaway, 0.0, bare / np.where(runaway, 1.0, 1.0 - feedback))
    return _End(
        celsius=_mean(rows.weight, each), each=each, runaway=_mean(rows.weight, runaway.astype(np.float64))
    )


def _spread(bank: Bank, tracked: Tracked, rows: _Rows, asked: Asked, drive: Array, end: _End) -> _Spread:
    shape, weight = rows.weight.shape, rows.weight
    heating = drive * thermal.resistance_factor(end.celsius)[:, None]
    rise = np.abs(_mean(weight, rows.beta * heating))
    feedback = np.minimum(rows.beta * drive * thermal.COPPER_ALPHA_PER_KELVIN, 1.0)
    disagree = ((end.each - end.celsius[:, None]) * (1.0 - feedback)) ** 2
    disagree *= np.where(asked.learned, SHAPES_ALONE, 1.0)[:, None]
    # heat that nothing measured tells of goes on coming until the joint has settled
    walk = (bank.offset_walk_kelvin**2 * bank.tau_slow_seconds / HOUR_SECONDS).reshape(shape)
    unsoaked = UNSOAKED_RATIO * (1.0 - asked.soaked) * rise
    coming = np.zeros(shape)
    for mode, beta in ((FAST, OWN), (SLOW, SOAK)):
        coming += np.abs(
            tracked.mean[:, beta].reshape(shape) * heating - tracked.mean[:, mode].reshape(shape)
        )
    apart = _mean(weight, _steady_variance(tracked, heating) + disagree + walk) + unsoaked**2
    alike = _draught_ratio(bank, weight) * rise + COMING_RATIO * _mean(weight, coming)
    return _Spread(apart=np.where(rows.known, apart, 0.0), alike=np.where(rows.known, alike, 0.0))


def _total(gain: Array, others: _Spread, own: _Spread, air: Array) -> Array:
    """The deviation of each joint's end [K]; own: of its equation at another current than the others'.

    air: what the airs of the equations may be wrong by, all alike (joints,) [K].
    """
    diagonal = np.diagonal(gain)
    apart = gain**2 @ others.apart + diagonal**2 * (own.apart - others.apart)
    alike = gain @ others.alike + diagonal * (own.alike - others.alike)
    result: Array = np.sqrt(apart + alike**2 + (gain @ air) ** 2)
    return result


def _steady_variance(tracked: Tracked, heating: Array) -> Array:
    """Variance [K²] of β·heating + b of each row (joints, shapes): what β and b share cancels in it."""
    slope = np.zeros((len(tracked.mean), STATES))
    slope[:, OWN] = slope[:, SOAK] = heating.ravel()
    slope[:, OFFSET] = 1.0
    result: Array = np.einsum("ra,rab,rb->r", slope, tracked.covariance, slope).reshape(heating.shape)
    return np.maximum(result, 0.0)


def _draught_ratio(bank: Bank, weight: Array) -> Array:
    learned = MODE_NOISE * _mean(weight, bank.mode_walk_ratio.reshape(weight.shape))
    result: Array = np.hypot(DRAUGHT_RATIO, learned)
    return result


def rise_sd_kelvin(bank: Bank, tracked: Tracked, inputs: Inputs, asked: Asked) -> Array:
    """Deviation of each joint's rise at rated current against the truth (joints,) [K].

    The truth: settled, all that a joint is warmer by than its reference, over the mean heating of the
    last hour. Beside what the filter is unsure of it holds

    - the split between rise and offset: what of the offset is heat and not calibration belongs to the rise as
      much as not. A body behind a joint (alternator, battery, inverter) warms with the current, and nothing
      measured tells its heat from the joint's own. The more an offset was learned to walk, the more of
      it is heat (two normals: W = walk²·hours / (walk²·hours + calibration²));
    - draughts, on its own rise and on what its neighbours bring; load in bursts that never let it settle, or
      that were another load than the hour's mean.

    Rows of the bank that blame the neighbours more find less rise; they are compared over one reference.
    """
    shape = (bank.joints, SHAPES_PER_JOINT)
    weight = weights(tracked).reshape(shape)
    rated = bank.rated_amps_squared.reshape(shape)[:, 0]
    least = (LEAST_FLOORS * asked.floor_amps) ** 2
    heating = np.maximum(np.maximum(np.nan_to_num(asked.hour_amps_squared), least) / rated, 1e-6)
    beta = (tracked.mean[:, OWN] + tracked.mean[:, SOAK]).reshape(shape)
    rise = np.abs(_mean(weight, beta))
    split = _mean(weight, _steady_variance(tracked, np.repeat(heating[:, None], shape[1], axis=1)))
    share = bank.neighbour_weight.reshape(shape)
    warmer = np.nan_to_num(inputs.neighbour_celsius - inputs.air_celsius)
    over_one = beta + (share - _mean(weight, share)[:, None]) * (warmer / heating)[:, None]
    _, disagree = mix(weight.ravel(), over_one.ravel(), np.zeros(over_one.size))
    offset = _mean(weight, tracked.mean[:, OFFSET].reshape(shape))
    walked = _mean(weight, bank.offset_walk_kelvin.reshape(shape)) ** 2 * GATHERING_HOURS
    is_heat = walked / (walked + CALIBRATION_KELVIN**2)
    confounded = (is_heat * offset) ** 2 + is_heat * CALIBRATION_KELVIN**2
    unsoaked, draught = UNSOAKED_RATIO * (1.0 - asked.soaked), _draught_ratio(bank, weight)
    brought = draught * _mean(weight, share) * warmer / heating
    other = OTHER_LOAD_RATIO * _log_ratio(heating * rated, asked.loaded_amps_squared)
    shares = rise**2 * (draught**2 + unsoaked**2 + other**2) + brought**2
    apart = disagree**2 * np.where(asked.learned, SHAPES_ALONE, 1.0)
    result: Array = np.sqrt((split + confounded) / heating**2 + apart + shares)
    return result


def _log_ratio(one: Array, other: Array) -> Array:
    """ln(one/other), 0 where either is not known."""
    known = (one > 0.0) & (np.nan_to_num(other) > 0.0)
    result: Array = np.log(np.where(known, one, 1.0) / np.where(known, other, 1.0))
    return result


def soaked_ratio(most_soaked: Array, busiest: Array) -> Array:
    """How far a record let each joint settle (joints,), 0 to 1: the largest mean heating over its slow time
    constant against the largest heating at all. 0 where it was never loaded."""
    result: Array = np.clip(most_soaked / np.where(busiest > 0.0, busiest, 1.0), 0.0, 1.0)
    return np.where(busiest > 0.0, result, 0.0)


def follow(before: Array, now: Array, length_seconds: float | Array, over_seconds: float | Array) -> Array:
    """An exponential mean (…,) one window of length_seconds further; NaN begins anew or ends it."""
    share = 1.0 - np.exp(-np.asarray(length_seconds) / over_seconds)
    followed = before + share * (now - before)
    result: Array = np.where(np.isnan(before) | np.isnan(now), now, followed)
    return result


def follow_hours(hour: Array, loaded: Array, inputs: Inputs, length_seconds: float) -> tuple[Array, Array]:
    """Mean square currents (joints,) [A²] of the last hour under way, and of each joint's last hour of load.

    Time passes for the one only while some joint is loaded, for the other while this one is.
    """
    now = inputs.amps_squared
    known = ~np.isnan(now)
    under_way = known & bool(inputs.loaded.any())
    return (
        np.where(under_way, follow(hour, now, length_seconds, HOUR_SECONDS), hour),
        np.where(known & inputs.loaded, follow(loaded, now, length_seconds, HOUR_SECONDS), loaded),
    )
