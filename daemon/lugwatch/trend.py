"""Change against a baseline: what the rise coefficient was when the joint was known to be good.

The baseline is the mean of the tracked rise at rated current over the first stretch of load in which
it was certain enough, and then stands until somebody works on the joint.
Not here: alerts, trends over passages. May import numpy only.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A rise less certain than this share is not worth comparing with later.
CERTAIN_RATIO = 0.2
# Loaded time with a certain rise after which the baseline may be used, and after which it stands:
# two slow time constants, since what is learned within one of them is one piece of evidence.
USABLE_SECONDS = 1800.0
SETTLED_SECONDS = 7200.0
# Draughts move every joint by this much from one day to the next, seen or not.
SMALLEST_SPREAD_RATIO = 0.05
# How much of the filter's own deviation does not cancel between then and now: other loads, other air.
LEFT_RATIO = 0.35
# One passage shows less of what draughts can do than two.
EARLY_SPREAD = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """Per joint (joints,): rise at rated current [K], its deviation, and what it rests on."""

    rise_kelvin: Array
    rise_sd_kelvin: Array
    evidence_seconds: Array  # loaded time with a certain rise
    weight: Array  # seconds over variance [s/K²]: a later, surer rise counts more
    filter_sd_kelvin: Array  # the filter's own deviation then; what it errs by then and now cancels


def empty(joints: int) -> Baseline:
    """No baseline yet."""
    zeros = np.zeros(joints)
    return Baseline(
        rise_kelvin=zeros,
        rise_sd_kelvin=zeros,
        evidence_seconds=zeros,
        weight=zeros,
        filter_sd_kelvin=zeros,
    )


def learn(
    baseline: Baseline, rise_kelvin: Array, sd_kelvin: Array, loaded: NDArray[np.bool_], seconds: float
) -> Baseline:
    """Add one step of `seconds` to each joint whose baseline is still open."""
    certain = (rise_kelvin > 0.0) & (sd_kelvin < CERTAIN_RATIO * rise_kelvin)
    open_ = loaded & certain & (baseline.evidence_seconds < SETTLED_SECONDS)
    if not open_.any():
        return baseline
    evidence = np.where(open_, baseline.evidence_seconds + seconds, baseline.evidence_seconds)
    gained = np.where(open_, seconds / np.maximum(sd_kelvin, 1e-3) ** 2, 0.0)
    weight = baseline.weight + gained
    share = gained / np.maximum(weight, 1e-12)
    return replace(
        baseline,
        rise_kelvin=baseline.rise_kelvin + share * (rise_kelvin - baseline.rise_kelvin),
        rise_sd_kelvin=baseline.rise_sd_kelvin + share * (sd_kelvin - baseline.rise_sd_kelvin),
        evidence_seconds=evidence,
        weight=weight,
    )


def take(
    baseline: Baseline,
    rise_kelvin: Array,
    filter_sd_kelvin: Array,
    spread_kelvin: Array,
    known: NDArray[np.bool_],
    early: bool,
) -> Baseline:
    """Baselines from a record of load, for the joints `known` well enough; the others stay as they are.

    spread_kelvin: how far the rise wandered in the record although the joint was well: what it did
    while it was well is no sign that it is ill. early: the shape is not yet learned for good, so the
    filter's deviations then and now are of two shapes and do not cancel.
    """
    sd_kelvin = np.hypot(
        spread_kelvin, (EARLY_SPREAD if early else 1.0) * SMALLEST_SPREAD_RATIO * rise_kelvin
    )
    sd_kelvin = np.hypot(sd_kelvin, (1.0 if early else LEFT_RATIO) * filter_sd_kelvin)
    return Baseline(
        rise_kelvin=np.where(known, rise_kelvin, baseline.rise_kelvin),
        rise_sd_kelvin=np.where(known, sd_kelvin, baseline.rise_sd_kelvin),
        evidence_seconds=np.where(known, SETTLED_SECONDS, baseline.evidence_seconds),
        weight=np.where(known, SETTLED_SECONDS / np.maximum(sd_kelvin, 1e-3) ** 2, baseline.weight),
        filter_sd_kelvin=np.where(known, filter_sd_kelvin, baseline.filter_sd_kelvin),
    )


def ratio(baseline: Baseline, rise_kelvin: Array, sd_kelvin: Array) -> tuple[Array, Array]:
    """Rise against baseline [-] and its standard deviation; NaN where there is no baseline yet."""
    usable = baseline.evidence_seconds >= USABLE_SECONDS
    base = np.where(usable, baseline.rise_kelvin, np.nan)
    value = rise_kelvin / base
    # both come from one filter and one shape: what the filter was unsure of then it is unsure of now in
    # the same direction, and only what is more than that counts
    more = np.sqrt(np.maximum(sd_kelvin**2 - baseline.filter_sd_kelvin**2, 0.0))
    # in kelvin, so that a rise of nothing and less, as of a probe that has come off, is as sure as any
    return value, np.hypot(more, value * baseline.rise_sd_kelvin) / base
