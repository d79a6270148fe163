"""What a filter would have got wrong had something else been true: an error that is carried alongside.

Were one number of the world other than the filter has it (a joint's heating, the reading of an air, how
much of an air reaches a joint), the filter's error since then is that number times a signature. It is
driven by what is measured, fades through the modes and is eaten by the filter's own gains.
Only the central shape of each joint is looked at. Not here: what is matched. May import: estimator, numpy.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lugwatch.estimator import FAST, OBSERVED, OWN, SHAPES_PER_JOINT, SLOW, SOAK, Bank, Tracked

Array = NDArray[np.float64]

CENTRE = slice(None, None, SHAPES_PER_JOINT)
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
