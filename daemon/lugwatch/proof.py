"""Proof of a joint from a step: where the first minutes of a load say it will settle, and a verdict.

What the readings cannot tell yet stays in the interval: after three minutes the slow mode has hardly
begun, and the upper end says so. The weighing is in `step_response`.
Not here: learning over passages, tracking, words for people. May import: thermal, step_response, numpy.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lugwatch import thermal
from lugwatch.step_response import RISES_KELVIN, weigh

Array = NDArray[np.float64]

# Cooling by free convection and radiation improves with the rise: G ~ rise^m. m 0 to 0.25 is the usual
# range of load exponents, 2.0 to 1.6 (thermography practice); weights for mean and spread of m.
COOLING_EXPONENTS: Array = np.array([0.0, 0.12, 0.24])
COOLING_WEIGHTS: Array = np.array([1.0, 2.0, 1.0]) / 4.0

# A test is worth its name when… (thermography practice: below 30 % of the load only gross faults show,
# 40 to 50 % for a survey; the rest is judgement)
SHORTEST_MINUTES, FULL_MINUTES = 3.0, 20.0
LEAST_AMPS_RATIO = 0.3
UNSTEADY_RATIO = 0.25  # deviation of the current against its mean
MOVING_RATIO, MOVING_KELVIN = 0.3, 1.5  # the air against the joint's own rise, and at least

_TAIL = 0.025


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """A settling rise above the surroundings [K] with its 95 % interval, at one current."""

    current_amps: float
    kelvin: float  # median
    low_kelvin: float
    high_kelvin: float | None  # None: thermal runaway is not excluded
    sd_kelvin: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StepForecast:
    """What the first minutes of a load say."""

    minutes: float  # of load seen
    surroundings_celsius: float  # at the last reading; without an air probe, what the fit makes of the start
    tested: Rise  # at the mean current of the test
    asked: Rise  # at the other current
    slow_share: float  # of the settling rise, posterior mean
    without_slow_kelvin: float | None  # tested rise if there were no slow mode: one exponential
    still_to_come_kelvin: float  # median: tested rise less what is there already


def forecast_step(
    seconds: ArrayLike,
    probe_celsius: ArrayLike,
    reference_celsius: ArrayLike | None,
    current_amps: ArrayLike,
    *,
    load_began_seconds: float,
    asked_amps: float,
) -> StepForecast:
    """Settling rise from a step of load.

    seconds (n,), increasing, irregular; probe_celsius (n,) [°C]; reference_celsius (n,) [°C], the air
    around the joint, or None: then it is taken to hold still, at a temperature the fit finds;
    current_amps (n,) [A]. load_began_seconds: when the current came on; rows before it are rest and pin
    the offset. asked_amps: the other current, say the rated one. At least two rows under load.
    """
    t, probe, amps = (
        np.asarray(column, dtype=np.float64) for column in (seconds, probe_celsius, current_amps)
    )
    loaded = t > load_began_seconds
    if np.count_nonzero(loaded) < 2:
        raise ValueError("a step needs two readings under load")
    known = reference_celsius is not None
    air = np.asarray(reference_celsius, dtype=np.float64) if known else np.full(len(t), probe[0])
    squared = float(np.mean(amps[loaded] ** 2))
    grid = weigh(t, probe, air, amps, squared=squared, known=known, began=load_began_seconds)
    around = float(air[-1]) + (0.0 if known else grid.offset_kelvin)
    tested, asked = (
        _rise(grid.cold_weight, around, squared, float(wanted))
        for wanted in (math.sqrt(squared), abs(asked_amps))
    )
    return StepForecast(
        minutes=float(t[-1] - load_began_seconds) / 60.0,
        surroundings_celsius=around,
        tested=tested,
        asked=asked,
        slow_share=grid.slow_share,
        without_slow_kelvin=_alone(grid.fast_alone_kelvin, around),
        still_to_come_kelvin=max(0.0, tested.kelvin - (float(np.mean(probe[-3:])) - around)),
    )


class Verdict(StrEnum):
    """What a proof test says of a joint."""

    SOUND = "sound"  # the whole interval is below the allowed rise
    BAD = "bad"  # the whole interval is above it
    NOT_YET = "not_yet"  # keep the load on: the interval still straddles
    DOUBTFUL = "doubtful"  # it straddles although the test has run its time
    POOR_TEST = "poor_test"  # the test itself is not fit to judge by


class Poor(StrEnum):
    """Why a test is not fit to judge by."""

    TOO_SHORT = "too_short"
    TOO_LITTLE_CURRENT = "too_little_current"
    CURRENT_UNSTEADY = "current_unsteady"
    SURROUNDINGS_MOVING = "surroundings_moving"
    NOT_RESTED = "not_rested"  # still cooling or warming when the load came on


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A verdict, why there is none, and the figures it rests on."""

    verdict: Verdict
    poor: Poor | None
    forecast: StepForecast | None  # None: fewer than two readings under load


def judge(
    seconds: ArrayLike,
    probe_celsius: ArrayLike,
    reference_celsius: ArrayLike | None,
    current_amps: ArrayLike,
    *,
    load_began_seconds: float,
    rated_amps: float,
    allowed_rise_kelvin: float,
) -> Judgement:
    """Is the joint good for its rated current? Arguments as of `forecast_step`.

    allowed_rise_kelvin: what it may settle at above its surroundings at rated_amps. A verdict is given
    only when the whole 95 % interval lies on one side of it.
    """
    t, amps = np.asarray(seconds, dtype=np.float64), np.asarray(current_amps, dtype=np.float64)
    loaded = t > load_began_seconds
    if np.count_nonzero(loaded) < 2:
        return Judgement(verdict=Verdict.POOR_TEST, poor=Poor.TOO_SHORT, forecast=None)
    forecast = forecast_step(
        seconds, probe_celsius, reference_celsius, current_amps,
        load_began_seconds=load_began_seconds, asked_amps=rated_amps,
    )  # fmt: skip
    air = None if reference_celsius is None else np.asarray(reference_celsius, dtype=np.float64)
    poor = _poor(forecast, amps[loaded], air, rated_amps)
    if poor is not None:
        return Judgement(verdict=Verdict.POOR_TEST, poor=poor, forecast=forecast)
    low, high = forecast.asked.low_kelvin, forecast.asked.high_kelvin
    if high is not None and high < allowed_rise_kelvin:
        verdict = Verdict.SOUND
    elif low > allowed_rise_kelvin:
        verdict = Verdict.BAD
    else:
        verdict = Verdict.NOT_YET if forecast.minutes < FULL_MINUTES else Verdict.DOUBTFUL
    return Judgement(verdict=verdict, poor=None, forecast=forecast)


def _poor(forecast: StepForecast, amps: Array, air: Array | None, rated_amps: float) -> Poor | None:
    if forecast.minutes < SHORTEST_MINUTES:
        return Poor.TOO_SHORT
    size = np.abs(amps)
    if forecast.tested.current_amps < LEAST_AMPS_RATIO * rated_amps:
        return Poor.TOO_LITTLE_CURRENT
    if float(np.std(size)) > UNSTEADY_RATIO * float(np.mean(size)):
        return Poor.CURRENT_UNSTEADY
    moved = 0.0 if air is None else float(np.ptp(air))
    if moved > max(MOVING_KELVIN, MOVING_RATIO * forecast.tested.kelvin):
        return Poor.SURROUNDINGS_MOVING
    return None


# ---- from copper at 20 °C to what a thermometer will show ------------------------------------------


def _rise(cold_weight: Array, around: float, squared: float, amps: float) -> Rise:
    """Quantiles of the settling rise at `amps`, copper's own warming and cooling that improves in it."""
    at_test = _settled(around, np.ones_like(RISES_KELVIN), squared, squared, 0.0)
    values = [_settled(around, at_test, squared, amps**2, float(m)) for m in COOLING_EXPONENTS]
    value = np.concatenate(values)
    weight = np.concatenate([w * cold_weight for w in COOLING_WEIGHTS])
    order = np.argsort(value, kind="stable")
    value, weight = value[order], weight[order]
    reached = np.cumsum(weight) - weight / 2.0
    finite = np.isfinite(value)
    lost = float(weight[~finite].sum())

    def quantile(share: float) -> float:
        return float(np.interp(share, reached[finite], value[finite]))

    mean = float(weight[finite] @ value[finite]) / max(1.0 - lost, 1e-12)
    spread = math.sqrt(float(weight[finite] @ (value[finite] - mean) ** 2) / max(1.0 - lost, 1e-12))
    return Rise(
        current_amps=amps,
        kelvin=quantile(0.5),
        low_kelvin=quantile(_TAIL),
        high_kelvin=quantile(1.0 - _TAIL) if lost < _TAIL else None,
        sd_kelvin=spread if lost < 0.005 else None,
    )


def _alone(cold_kelvin: float | None, around: float) -> float | None:
    if cold_kelvin is None:
        return None
    celsius, runaway = thermal.settling_celsius(np.array(around), np.array(cold_kelvin), np.array(1.0))
    return None if bool(runaway) else float(celsius) - around


def _settled(around: float, rise_at_test: Array, squared: float, wanted: float, exponent: float) -> Array:
    """Settling rise [K] of every RISES_KELVIN at another current squared; +inf in thermal runaway.

    G grows as rise^m from what it was at the test's own settling rise. With m = 0 this is
    `thermal.settling_celsius`; otherwise r·(r/r1)^m = B·I²·(1 + α·(T_ref + r − 20)), by iteration from
    below, which climbs to the first solution.
    """
    celsius, runaway = thermal.settling_celsius(
        np.full(len(RISES_KELVIN), around), RISES_KELVIN / squared, np.array(wanted)
    )
    if exponent == 0.0 or wanted == squared:
        return np.where(runaway, np.inf, celsius - around)
    loading = RISES_KELVIN * (wanted / squared) * rise_at_test**exponent
    rise = np.minimum(rise_at_test, loading)
    for _ in range(80):
        heated = loading * thermal.resistance_factor(around + np.minimum(rise, 2000.0))
        rise = heated ** (1.0 / (1.0 + exponent))
    return np.where(rise > 1000.0, np.inf, rise)
