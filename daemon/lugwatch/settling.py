"""Where joints end if their currents go on, and how far from the truth that and the rise may be.

All joints of a boat settle together, since each warms its neighbours:

    T_i = (1 − g_i)·air_i + g_i·mean of the neighbours' T + b_i + β_i·u_i·(1 + α·(T_i − 20 °C))

is one linear equation a joint, and they are solved at once. Deviations here are against the truth: what
errs alike now and earlier is in them. A change against itself earlier is `trend`'s, where that cancels.
Not here: how the filter's rows got there (`estimator`), the page's words. May import: thermal,
estimator, numpy.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import thermal
from lugwatch.coupling import Coupled, coupled_celsius
from lugwatch.estimator import (
    OFFSET,
    OWN,
    SHAPES_PER_JOINT,
    SOAK,
    STATES,
    Bank,
    Inputs,
    Tracked,
    mix,
    sum_variance,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """All joints at their present currents, solved: what every question about their ends begins from."""

    rows: "_Rows"
    coupled: Coupled
    share: Array  # (joints,) of the neighbours, over a joint's rows


def solve(bank: Bank, tracked: Tracked, inputs: Inputs, asked: Asked) -> Network:
    """A joint of which current, air or past is not known stays at its present temperature."""
    rows = _rows(bank, tracked, inputs, asked)
    share = _mean(rows.weight, rows.share)
    alone, feedback = _equation(rows, rows.drive)
    coupled = coupled_celsius(alone, share[:, None] * rows.near, feedback, ~rows.known, rows.now)
    return Network(rows=rows, coupled=coupled, share=share)


def settle(bank: Bank, tracked: Tracked, inputs: Inputs, asked: Asked) -> Settled:
    """Where every joint ends at the present currents and in the air of `inputs`."""
    return settled(solve(bank, tracked, inputs, asked))


def settled(network: Network) -> Settled:
    """As `settle`, of a network that was solved already."""
    return _ended(network.rows, network.coupled, np.zeros(len(network.share)))


def settled_later(network: Network, change_kelvin: Array, sd_kelvin: Array) -> Settled:
    """As `settled`, in an air that will have changed by so much (joints,) and is known no better than that.

    Only what joints hold alone is another, so the inverse of their equations is still right.
    """
    known = network.rows.known
    moved = (1.0 - network.rows.share) * np.where(known, change_kelvin, 0.0)[:, None]
    rows, before = replace(network.rows, apart=network.rows.apart + moved), network.coupled
    alone, _ = _equation(rows, rows.drive)
    fixed = ~known | before.runaway
    coupled = replace(before, celsius=before.gain @ np.where(fixed, rows.now, alone))
    return _ended(rows, coupled, np.where(known, (1.0 - network.share) * sd_kelvin, 0.0))


def _ended(rows: "_Rows", coupled: Coupled, air: Array) -> Settled:
    neighbours = rows.near @ coupled.celsius
    end = _end(rows, rows.drive, neighbours)
    spread = _spread(rows, rows.drive, end)
    sd = _total(coupled.gain, spread, spread, air)
    return _settled(rows, end, sd, coupled.runaway | (end.runaway > 0.5), neighbours)


def settle_rated(bank: Bank, tracked: Tracked, inputs: Inputs, asked: Asked) -> Settled:
    """Where each joint ends at its rated current and all others at their present ones, warmed by it."""
    return settled_rated(solve(bank, tracked, inputs, asked))


def settled_rated(network: Network) -> Settled:
    """As `settle_rated`, of a network that was solved already."""
    rows, found, share = network.rows, network.coupled, network.share
    rated = np.ones_like(rows.drive)
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
    others = _spread(rows, rows.drive, _end(rows, rows.drive, neighbours))
    own = _spread(rows, rated, end)
    sd = _total(found.gain * (gain / own_gain)[:, None], others, own, np.zeros(len(share)))
    return _settled(rows, end, sd, (left <= 0.0) | (end.runaway > 0.5), answered)


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
    modes: tuple[tuple[Array, Array], ...]  # each mode, and the β that drives it
    variance: tuple[Array, Array, Array]  # [K²] of β, of β with b, of b
    walk: Array  # [K²] heat that nothing measured tells of goes on coming until the joint has settled
    alone_ratio: Array  # (joints, 1) how much of the rows' disagreement counts
    draught: Array  # (joints,) share of the rise
    unsoaked: Array  # (joints,) share of the rise


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
    airless = np.isnan(inputs.air_celsius)
    known = tracked.started & ~np.isnan(present) & ~airless
    weight = weights(tracked).reshape(shape)
    fast, slow, own, soak, offset = tracked.mean.T.reshape(STATES, *shape)
    # where the air is not known nothing better is known than what still soaks through
    last = surroundings_celsius(bank, tracked).reshape(shape)
    modelled = _mean(weight, fast + slow + offset + last)
    seen = ~np.isnan(inputs.probe_celsius)
    near = (asked.metal & (known | seen) & ~np.isnan(inputs.neighbour_celsius)[:, None]).astype(float)
    count = near.sum(axis=1, keepdims=True)
    share = np.where(count > 0.0, bank.neighbour_weight.reshape(shape), 0.0)
    air = np.where(airless, 0.0, inputs.air_celsius)[:, None]
    drive = np.where(np.isnan(present), 0.0, present)[:, None] / bank.rated_amps_squared.reshape(shape)
    return _Rows(
        weight=weight,
        beta=own + soak,
        drive=drive,
        share=np.where(known[:, None], share, 0.0),
        apart=np.where(known[:, None], (1.0 - share) * air, last),
        offset=offset,
        known=known,
        now=np.where(seen, inputs.probe_celsius, modelled),
        near=near / np.maximum(count, 1.0),
        modes=((fast, own), (slow, soak)),
        variance=_variance(tracked, shape),
        walk=(bank.offset_walk_kelvin**2 * bank.tau_slow_seconds / HOUR_SECONDS).reshape(shape),
        alone_ratio=np.where(asked.learned, SHAPES_ALONE, 1.0)[:, None],
        draught=_draught_ratio(bank, weight),
        unsoaked=UNSOAKED_RATIO * (1.0 - asked.soaked),
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


def _spread(rows: _Rows, drive: Array, end: _End) -> _Spread:
    weight = rows.weight
    heating = drive * thermal.resistance_factor(end.celsius)[:, None]
    rise = np.abs(_mean(weight, rows.beta * heating))
    feedback = np.minimum(rows.beta * drive * thermal.COPPER_ALPHA_PER_KELVIN, 1.0)
    disagree = ((end.each - end.celsius[:, None]) * (1.0 - feedback)) ** 2 * rows.alone_ratio
    (fast, own), (slow, soak) = rows.modes
    coming = np.abs(own * heating - fast) + np.abs(soak * heating - slow)
    apart = _mean(weight, _steady_variance(rows.variance, heating) + disagree + rows.walk)
    apart += (rows.unsoaked * rise) ** 2
    alike = rows.draught * rise + COMING_RATIO * _mean(weight, coming)
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


def _variance(tracked: Tracked, shape: tuple[int, int]) -> tuple[Array, Array, Array]:
    """Of β, of β with b, of b (joints, shapes) [K²]."""
    covariance = tracked.covariance
    shared = covariance[:, OWN, OFFSET] + covariance[:, SOAK, OFFSET]
    beta = sum_variance(covariance)
    return beta.reshape(shape), shared.reshape(shape), covariance[:, OFFSET, OFFSET].reshape(shape)


def _steady_variance(variance: tuple[Array, Array, Array], heating: Array) -> Array:
    """Variance [K²] of β·heating + b of each row (joints, shapes): what β and b share cancels in it."""
    beta, shared, offset = variance
    return np.maximum(heating * (heating * beta + 2.0 * shared) + offset, 0.0)


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
    heating = np.maximum(np.maximum(_known(asked.hour_amps_squared), least) / rated, 1e-6)
    beta = (tracked.mean[:, OWN] + tracked.mean[:, SOAK]).reshape(shape)
    rise = np.abs(_mean(weight, beta))
    split = _mean(weight, _steady_variance(_variance(tracked, shape), heating[:, None]))
    share = bank.neighbour_weight.reshape(shape)
    warmer = _known(inputs.neighbour_celsius - inputs.air_celsius)
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


def _known(values: Array) -> Array:
    """0 for NaN. (numpy's own looks for infinities too, at five times the time.)"""
    return np.where(np.isnan(values), 0.0, values)


def _log_ratio(one: Array, other: Array) -> Array:
    """ln(one/other), 0 where either is not known."""
    known = (one > 0.0) & (_known(other) > 0.0)
    result: Array = np.log(np.where(known, one, 1.0) / np.where(known, other, 1.0))
    return result


def soaked_ratio(most_soaked: Array, busiest: Array) -> Array:
    """How far a record let each joint settle (joints,), 0 to 1: the largest mean heating over its slow time
    constant against the largest heating at all. 0 where it was never loaded."""
    result: Array = np.clip(most_soaked / np.where(busiest > 0.0, busiest, 1.0), 0.0, 1.0)
    return np.where(busiest > 0.0, result, 0.0)


def follow(before: Array, now: Array, length_seconds: float | Array, over_seconds: float | Array) -> Array:
    """An exponential mean (…,) one window of length_seconds further; NaN begins anew or ends it."""
    share = 1.0 - np.exp(-length_seconds / over_seconds)
    followed = before + share * (now - before)
    # NaN where either is
    result: Array = np.where(np.isnan(followed), now, followed)
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
