"""One exponential, fitted and run forward: for a thing that has one time constant, and to compare with.

A joint on a cable has more than one, so nothing is judged by this; `proof` is for joints.
Not here: intervals of forecasts. May import numpy only.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_SCAN = 400
_STEPS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Exponential:
    """y = start + size·(1 − exp(−rate·x)) by least squares, with standard deviations."""

    start: float  # 0 where none was asked for
    size: float
    rate: float
    size_sd: float | None  # None: no reading more than there are unknowns
    rate_sd: float | None
    squares: float  # residual sum of squares


def fit_exponential(x: ArrayLike, y: ArrayLike, *, with_start: bool = False) -> Exponential | None:
    """Least squares fit by variable projection: only the rate is searched, the rest follows exactly.

    None when there are fewer readings than unknowns, or the best rate lies at the edge of what the
    readings can tell (a straight line, or a step before the second reading).
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    unknowns = 3 if with_start else 2
    span = float(np.max(np.abs(x))) if len(x) else 0.0
    if len(x) < unknowns or span == 0.0:
        return None
    rates = np.geomspace(1e-3 / span, 20.0 * len(x) / span, _SCAN)
    found = [_linear(x, y, float(rate), with_start)[1] for rate in rates]
    best = int(np.argmin(found))
    if best in (0, _SCAN - 1):
        return None
    rate = _narrow(x, y, float(rates[best - 1]), float(rates[best + 1]), with_start)
    parts, squares = _linear(x, y, rate, with_start)
    slope = parts[0] * x * np.exp(-rate * x)
    design = np.column_stack([*_design(x, rate, with_start), slope])
    size_sd = rate_sd = None
    if len(x) > unknowns:
        variance = squares / (len(x) - unknowns) * np.linalg.inv(design.T @ design)
        size_sd, rate_sd = math.sqrt(variance[0, 0]), math.sqrt(variance[-1, -1])
    return Exponential(
        start=float(parts[1]) if with_start else 0.0,
        size=float(parts[0]),
        rate=rate,
        size_sd=size_sd,
        rate_sd=rate_sd,
        squares=squares,
    )


def seconds_to_rise(
    now_kelvin: float, settled_kelvin: float, limit_kelvin: float, tau_seconds: float
) -> float | None:
    """Time [s] until a rise reaches a limit on its way to settled: t = τ·ln((θ∞ − θ0)/(θ∞ − θ_limit)).

    0 when it is there, None when it never gets there. IEC 60255-149 with θ = (I/(k·I_B))².
    """
    if now_kelvin >= limit_kelvin:
        return 0.0
    if settled_kelvin <= limit_kelvin:
        return None
    return tau_seconds * math.log((settled_kelvin - now_kelvin) / (settled_kelvin - limit_kelvin))


def _design(x: Array, rate: float, with_start: bool) -> list[Array]:
    bend = -np.expm1(-rate * x)
    return [bend, np.ones(len(x))] if with_start else [bend]


def _linear(x: Array, y: Array, rate: float, with_start: bool) -> tuple[Array, float]:
    design = np.column_stack(_design(x, rate, with_start))
    parts: Array = np.linalg.lstsq(design, y, rcond=None)[0].astype(np.float64)
    return parts, float(np.sum((y - design @ parts) ** 2))


def _narrow(x: Array, y: Array, low: float, high: float, with_start: bool) -> float:
    """The rate between two others: golden section to its limit, then Gauss-Newton on all unknowns."""
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    for _ in range(_STEPS):
        near, far = high - golden * (high - low), low + golden * (high - low)
        if _linear(x, y, near, with_start)[1] < _linear(x, y, far, with_start)[1]:
            high = far
        else:
            low = near
    rate = (low + high) / 2.0
    for _ in range(_STEPS):
        parts, _ = _linear(x, y, rate, with_start)
        columns = _design(x, rate, with_start)
        design = np.column_stack([*columns, parts[0] * x * np.exp(-rate * x)])
        residual = y - np.column_stack(columns) @ parts
        step = float(np.linalg.lstsq(design, residual, rcond=None)[0][-1])
        if abs(step) < 1e-13 * rate or abs(step) > 0.1 * rate:
            break
        rate += step
    return rate
