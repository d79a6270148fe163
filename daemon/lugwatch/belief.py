"""What the bank of shapes answers: rise, settling temperature and time left of every joint.

Each answer is the mixture of a joint's rows, and its spread has the rows' disagreement in it.
Not here: how the rows got there (`estimator`), the equations of joints that settle together (`settling`).
May import: thermal, resistance, estimator, settling, numpy.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from lugwatch import settling, thermal
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
from lugwatch.resistance import Warming

Array = NDArray[np.float64]

# What the share of the neighbours may be wrong by although it fits: load on one joint of a bar is mostly
# load on the others too. Measured on bench boats.
SHARE_SD = 0.12
# and what a steady rise may be wrong by, as a share, while shapes are the default ones
UNLEARNED_SD = 0.2


_Answer = TypeVar("_Answer")


class _Once(Generic[_Answer]):
    """An answer that is worked out when it is first asked, and kept."""

    __slots__ = ("_answer", "_ask")

    def __init__(self, ask: Callable[[], _Answer]) -> None:
        self._ask = ask
        self._answer: _Answer | None = None

    def __call__(self) -> _Answer:
        if self._answer is None:
            self._answer = self._ask()
        return self._answer


@dataclass(frozen=True, slots=True, kw_only=True)
class Believed:
    """The bank's answer per joint (joints,), each spread with the disagreement of shapes in it."""

    rise_kelvin_at_rated: Array  # β
    rise_sd_kelvin_at_rated: Array  # the filter's own: for what is held against itself earlier
    reference: Callable[[], Array]  # [°C] what the probe would show without current, offset included
    settles: Callable[[], settling.Settled]  # air as it is now; kept once asked, since it costs as much…
    further: Callable[[], "Further"]  # …as all else, and this thrice as much

    @property
    def settles_celsius(self) -> Array:
        """+inf: thermal runaway."""
        return self.settles().celsius

    @property
    def settles_sd_kelvin(self) -> Array:
        return self.settles().sd_kelvin


@dataclass(frozen=True, slots=True, kw_only=True)
class Further:
    """What is worked out only when somebody is told (joints,)."""

    truth_sd_kelvin_at_rated: Array  # of the rise, against the truth: for what is shown
    ends_celsius: Array  # as settles, where the air is heading; NaN: not known
    ends_sd_kelvin: Array
    settles_rated_celsius: Array
    settles_rated_sd_kelvin: Array
    seconds_to_limit: Array  # +inf: never at this current


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What the bank is asked, (joints,)."""

    settling: settling.Asked
    # expected change and its deviation [K]; NaN: not known
    air_to_come: Callable[[], tuple[Array, Array]]
    limit_celsius: Array


def believe(bank: Bank, tracked: Tracked, inputs: Inputs, question: Question) -> Believed:
    """Answers at the present currents and, when asked further, at the rated ones."""
    weight = weights(tracked)
    beta = tracked.mean[:, OWN] + tracked.mean[:, SOAK]
    network = _Once(partial(settling.solve, bank, tracked, inputs, question.settling))
    settles = _Once(lambda: settling.settled(network()))
    rise, rise_sd = mix(weight, beta, sum_variance(tracked.covariance))
    return Believed(
        rise_kelvin_at_rated=rise,
        rise_sd_kelvin_at_rated=rise_sd,
        reference=partial(_reference_celsius, bank, tracked, inputs, weight),
        settles=settles,
        further=_Once(lambda: _further(bank, tracked, inputs, question, network(), settles())),
    )


def _reference_celsius(bank: Bank, tracked: Tracked, inputs: Inputs, weight: Array) -> Array:
    reference = reference_celsius(bank, inputs)
    unknown = np.isnan(reference)
    reference = np.where(unknown, surroundings_celsius(bank, tracked), reference)
    around = weight * (reference + tracked.mean[:, OFFSET])
    result: Array = around.reshape(bank.joints, -1).sum(axis=1)
    return result


def _further(
    bank: Bank,
    tracked: Tracked,
    inputs: Inputs,
    question: Question,
    network: settling.Network,
    settled: settling.Settled,
) -> Further:
    asked, (change, change_sd) = question.settling, question.air_to_come()
    rated = settling.settled_rated(network)
    known = ~np.isnan(change)
    ends = settling.settled_later(network, np.where(known, change, 0.0), np.where(known, change_sd, 0.0))
    return Further(
        truth_sd_kelvin_at_rated=settling.rise_sd_kelvin(bank, tracked, inputs, asked),
        ends_celsius=np.where(known, ends.celsius, np.nan),
        ends_sd_kelvin=np.where(known, ends.sd_kelvin, np.nan),
        settles_rated_celsius=rated.celsius,
        settles_rated_sd_kelvin=rated.sd_kelvin,
        seconds_to_limit=_seconds_to_limit(bank, tracked, question, settled.reference_celsius),
    )


def _seconds_to_limit(bank: Bank, tracked: Tracked, question: Question, reference: Array) -> Array:
    """Heads for where the neighbours settle at once: a little early, and it ends where settling ends."""
    present = question.settling.present_amps_squared
    loading = per_row(np.where(np.isnan(present), 0.0, present)) / bank.rated_amps_squared
    ahead = thermal.ahead_of(
        tracked.mean[:, FAST] + bank.fast_weight * tracked.air_fast_celsius,
        tracked.mean[:, SLOW] + (1.0 - bank.fast_weight) * tracked.air_slow_celsius,
        tracked.mean[:, OFFSET],
        (tracked.mean[:, OWN] * loading, bank.fast_weight * reference),
        (tracked.mean[:, SOAK] * loading, (1.0 - bank.fast_weight) * reference),
        bank.tau_fast_seconds,
        bank.tau_slow_seconds,
    )
    joints = (bank.joints, SHAPES_PER_JOINT)
    shares = weights(tracked).reshape(joints)
    left = np.full(bank.joints, np.inf)
    # most joints stay below their limit by a bound that costs a twentieth of running them forward
    with np.errstate(invalid="ignore"):  # a row of no weight that runs away is looked at
        bound = (shares * ahead.at_most_celsius().reshape(joints)).sum(axis=1)
    near = ~(bound < question.limit_celsius)
    if near.any():
        celsius = ahead.of(per_row(near)).celsius().reshape(int(near.sum()), SHAPES_PER_JOINT, -1)
        mean = np.einsum("jk,jkt->jt", shares[near], celsius)
        left[near] = thermal.seconds_to_limit(mean, question.limit_celsius[near])
    return left


def warmings(bank: Bank, tracked: Tracked, learned: NDArray[np.bool_]) -> tuple[Warming, ...]:
    """What ohms are worked out from, one for each joint; for when they are asked, not for every window.

    learned: (joints,) the bank's shapes are these joints' own.
    """
    joints = (bank.joints, SHAPES_PER_JOINT)
    weight = weights(tracked)
    beta = tracked.mean[:, OWN] + tracked.mean[:, SOAK]
    variance = sum_variance(tracked.covariance)
    rise, rise_sd = mix(weight, beta, variance)
    share, _ = mix(weight, bank.neighbour_weight, np.zeros_like(weight))
    alone = 1.0 - share
    lone = rise / alone
    # d ln(β/(1 − g)): rows that blame the neighbours more find less rise, so the two errors partly cancel
    away = beta - per_row(rise) + per_row(lone) * (bank.neighbour_weight - per_row(share))
    lone_variance = (weight * (away * away + variance)).reshape(joints).sum(axis=1) / alone**2
    confounded = np.where(share > 0.0, SHARE_SD / alone, 0.0)
    untaught = lone * np.hypot(confounded, np.where(learned, 0.0, UNLEARNED_SD))
    fast, slow = 1.0 / bank.tau_fast_seconds, 1.0 / bank.tau_slow_seconds
    slopes = tracked.mean[:, OWN] * fast + tracked.mean[:, SOAK] * slow
    covariance = tracked.covariance
    slope_variance = (
        covariance[:, OWN, OWN] * fast**2
        + covariance[:, SOAK, SOAK] * slow**2
        + 2.0 * covariance[:, OWN, SOAK] * fast * slow
    )
    slope, slope_sd = mix(weight, slopes, np.maximum(slope_variance, 0.0))
    scale = bank.rated_amps_squared.reshape(joints)[:, 0]
    columns = (rise, rise_sd, lone, np.sqrt(lone_variance + untaught**2), slope, slope_sd)
    return tuple(
        Warming(
            rise_coefficient=row[0],
            rise_coefficient_sd=row[1],
            lone_coefficient=row[2],
            lone_coefficient_sd=row[3],
            early_slope=row[4],
            early_slope_sd=row[5],
        )
        for row in (np.stack(columns, axis=1) / scale[:, None]).tolist()
    )
