"""Where the air around a joint is heading: an engine warms its space for hours after a current is steady.

The change of the air over the hours to come is taken to be drift + factor·(its change over the last ten
minutes): an air that follows a warm engine with one time constant keeps such a factor for good, and the
drift is what a day and an air behind the air do. Both are learned from the record by least squares with a
prior, and so is what is left over, which is the forecast's deviation. Weather of another kind than on the
recorded passages is in it only as far as the prior says.
Not here: what a joint makes of its air (`settling`). May import: estimator, numpy.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lugwatch.estimator import Inputs

Array = NDArray[np.float64]

SPAN_SECONDS = 600.0
EVERY_SECONDS = 60.0
# A forecast is for the hours of a motoring spell, and is learned from pairs so far apart at least.
LONGEST_SECONDS = 4.0 * 3600.0
SHORTEST_SECONDS = 1.5 * 3600.0
GAP_SECONDS = 600.0
# "Goes on": of the joints that were loaded then so many are loaded still.
STILL_LOADED_RATIO = 0.5
# Before anything is recorded: a space that follows with 40 min keeps 1/(exp(10/40) − 1) = 3.5 of its last ten
# minutes to come. Weights are in K² of such changes and in passages; the deviation is of common weather
# (common practice, no source).
PRIOR_FACTOR, PRIOR_FACTOR_WEIGHT = 3.5, 2.0
PRIOR_DRIFT_WEIGHT = 0.1
PRIOR_SD_KELVIN, PRIOR_SD_WEIGHT = 2.1, 2.0
# Of what is expected to come: an air does not follow with one time constant alone.
EXPECTED_RATIO = 0.12
FACTOR, DRIFT, SD = range(3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """The air of the last minutes, newest last; NaN: not known."""

    celsius: Array  # (times, joints)
    seconds: Array  # (times,) monotonic


def empty(joints: int) -> Past:
    """Nothing seen yet."""
    times = round(SPAN_SECONDS / EVERY_SECONDS) + 1
    return Past(celsius=np.full((times, joints), np.nan), seconds=np.full(times, -np.inf))


def remember(past: Past, celsius: Array, now_seconds: float) -> Past:
    """One window later; a clock that went back begins anew."""
    age = now_seconds - past.seconds[-1]
    if age < 0.0:
        past = empty(len(celsius))
    elif age < EVERY_SECONDS - 1e-6:
        return past
    return Past(
        celsius=np.concatenate([past.celsius[1:], celsius[None]]),
        seconds=np.append(past.seconds[1:], now_seconds),
    )


def expected(past: Past, learned: Array, celsius: Array, now_seconds: float) -> tuple[Array, Array]:
    """What the air is expected to change by (joints,) [K], and that deviation; NaN: seen for too short.

    learned: (joints, 3) as `learn` gives it.
    """
    age = now_seconds - past.seconds
    seen = np.flatnonzero((age >= SPAN_SECONDS - 1e-6) & (age < 1.5 * SPAN_SECONDS))
    if not len(seen):
        return np.full(len(celsius), np.nan), np.full(len(celsius), np.nan)
    change = (celsius - past.celsius[seen[-1]]) * SPAN_SECONDS / age[seen[-1]]
    to_come = learned[:, FACTOR] * change
    return learned[:, DRIFT] + to_come, np.hypot(learned[:, SD], EXPECTED_RATIO * to_come)


def unlearned(joints: int) -> Array:
    """The prior (joints, 3): factor [-], drift [K], deviation [K]; of one passage nobody has seen."""
    return np.tile([PRIOR_FACTOR, 0.0, PRIOR_SD_KELVIN * np.sqrt(2.0)], (joints, 1))


def learn(record: Sequence[Inputs]) -> Array:
    """Factor [-], drift [K] and deviation [K] of each joint's air (joints, 3) from recorded windows."""
    joints = len(record[0].air_celsius) if record else 0
    learned = unlearned(joints)
    spells = [_pairs(spell) for spell in _spells(record)]
    for i in range(joints):
        information = np.diag([PRIOR_FACTOR_WEIGHT, PRIOR_DRIFT_WEIGHT])
        told = np.array([PRIOR_FACTOR_WEIGHT * PRIOR_FACTOR, 0.0])
        kept = []
        for change, later in spells:
            good = ~np.isnan(change[:, i] + later[:, i])
            if not good.any():
                continue
            design = np.stack([change[good, i], np.ones(int(good.sum()))], axis=1)
            # minutes of one passage are alike: an hour or more of them counts as one passage
            weight = min(1.0, float(good.sum()) * EVERY_SECONDS / 3600.0)
            information += weight * design.T @ design / len(design)
            told += weight * design.T @ later[good, i] / len(design)
            kept.append((weight, design, later[good, i]))
        passages = sum(weight for weight, _, _ in kept)
        if passages == 0.0:
            continue
        fit = np.linalg.solve(information, told)
        left = sum(weight * float(np.mean((later - design @ fit) ** 2)) for weight, design, later in kept)
        variance = (PRIOR_SD_WEIGHT * PRIOR_SD_KELVIN**2 + left) / (PRIOR_SD_WEIGHT + passages)
        # the next passage is another day, and the drift is of these few
        learned[i] = *fit, np.sqrt(variance * (1.0 + 1.0 / (1.0 + passages)))
    return learned


def _spells(record: Sequence[Inputs]) -> list[list[Inputs]]:
    """The record thinned to one window a minute and cut at its pauses."""
    spells: list[list[Inputs]] = []
    last = -np.inf
    for inputs in record:
        now = inputs.monotonic_seconds
        if not spells or now - last > GAP_SECONDS or now < last:
            spells.append([inputs])
        elif now - spells[-1][-1].monotonic_seconds >= EVERY_SECONDS - 1e-6:
            spells[-1].append(inputs)
        last = now
    return spells


def _pairs(spell: list[Inputs]) -> tuple[Array, Array]:
    """Change over the last ten minutes and change to come, (times, joints); NaN where nothing tells."""
    seconds = np.array([inputs.monotonic_seconds for inputs in spell])
    celsius = np.array([inputs.air_celsius for inputs in spell])
    loaded = np.array([inputs.loaded for inputs in spell], dtype=float)
    change, later = np.full_like(celsius, np.nan), np.full_like(celsius, np.nan)
    for now in range(len(spell)):
        before = int(np.searchsorted(seconds, seconds[now] - SPAN_SECONDS + 1e-6, side="right")) - 1
        if before < 0 or not loaded[now].any():
            continue
        ahead = np.arange(
            int(np.searchsorted(seconds, seconds[now] + SHORTEST_SECONDS)),
            int(np.searchsorted(seconds, seconds[now] + LONGEST_SECONDS, side="right")),
        )
        goes_on = ahead[loaded[ahead] @ loaded[now] >= STILL_LOADED_RATIO * loaded[now].sum()]
        if len(goes_on):
            change[now] = celsius[now] - celsius[before]
            later[now] = celsius[goes_on[-1]] - celsius[now]
    return change, later
