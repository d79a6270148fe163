"""What a filter would have got wrong had something else been true: an error that is carried alongside.

Were one number of the world other than the filter has it (a joint's heating, the reading of an air, how
much of an air reaches a joint), the filter's error since then is that number times a signature. It is
driven by what is measured, fades through the modes and is eaten by the filter's own gains. Only the
central shape of each joint is looked at. Here too: what the changes of several joints have in common.
Not here: what is matched (`jump`, `company`). May import: estimator, numpy.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lugwatch.estimator import FAST, OBSERVED, OWN, SHAPES_PER_JOINT, SLOW, SOAK, Bank, Tracked

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

CENTRE = slice(None, None, SHAPES_PER_JOINT)
WITH_THEM_SD = 2.0  # deviations by which others show a change too
COMPANY = 3  # so many joints that share an air or a current tell what is common to all of them


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """What the last window did to any error, per joint (joints,)."""

    seconds: Array
    keep_fast: Array  # what is left of a mode
    keep_slow: Array
    heating: Array  # 1 is the rated current's
    gain: Array  # (joints, 5) with which the filter learned; 0 where nothing was measured


def passed(bank: Bank, tracked: Tracked) -> Passed:
    """The window that `tracked` has just taken in."""
    seconds = tracked.stepped_by[CENTRE]
    return Passed(
        seconds=seconds,
        keep_fast=np.exp(-seconds / bank.tau_fast_seconds[CENTRE]),
        keep_slow=np.exp(-seconds / bank.tau_slow_seconds[CENTRE]),
        heating=tracked.heating[CENTRE],
        gain=tracked.gain[CENTRE],
    )


def carry(error: Array, window: Passed) -> Array:
    """Move errors (joints, n, 5) through a window, in place; what of them is seen, (joints, n)."""
    for mode, driver, kept in ((FAST, OWN, window.keep_fast), (SLOW, SOAK, window.keep_slow)):
        keep, pull = kept[:, None], ((1.0 - kept) * window.heating)[:, None]
        error[:, :, mode] = keep * error[:, :, mode] + pull * error[:, :, driver]
    seen: Array = error @ OBSERVED
    return seen


def eat(error: Array, seen: Array, window: Passed) -> None:
    """What the filter has learned from what was seen (joints, n) is no error (joints, n, 5) any more."""
    error -= seen[:, :, None] * window.gain[:, None, :]


def together(deviations: Array, told: Flags, groups: Flags, bound_sd: float) -> NDArray[np.intp]:
    """Which groups (groups,) have changed as one: 1 all warmer, -1 all cooler, 0 nothing in common.

    deviations: (joints,) of the clearest change of each; told: (joints,) of whom that is known; groups:
    (groups, joints) that share an air or a current; bound_sd: which their median must pass. Of an air and a
    current that share joints only that is told which the rest of its joints shows too.
    """
    ways = np.zeros(len(groups), dtype=np.intp)
    if np.abs(deviations).max(initial=0.0) <= bound_sd:
        return ways
    for number, group in enumerate(groups):
        seen = deviations[group & told]
        if len(seen) >= COMPANY and abs(np.sign(seen).sum()) == len(seen):
            ways[number] = int(np.sign(seen[0])) if np.median(np.abs(seen)) > bound_sd else 0
    kept = ways.copy()
    for number in np.flatnonzero(ways).tolist():
        group, towards = groups[number] & told, deviations * ways[number]
        for other, way in zip(groups & told, ways, strict=True):
            rest, beyond = group & ~other, other & ~group
            if np.count_nonzero(group & other) < 2 or _shown(towards[rest]):
                continue
            if _shown(towards[beyond]) or (rest.any() and way == ways[number]):
                kept[number] = 0
    return kept


def _shown(deviations: Array) -> bool:
    return len(deviations) > 0 and bool(np.median(deviations) > WITH_THEM_SD)


def weighted_median(values: Array, weights: Array) -> float:
    """The value that half of the weight lies below."""
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
