"""What is believed of the thermal shape of each joint, and the rows of a bank that stand for it.

A shape is (τ_fast, τ_slow, weight of the fast path, weight of the neighbours) with three
noises: how much heat comes that nothing measured tells of, how far draughts move the joint, how far a
reading errs. What is believed of one is a normal distribution over its transformed parameters:
logarithms of times and noises, log-odds of weights. Not here: how a record moves it (`shape_fit`), when
to learn. May import: estimator, numpy.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lugwatch.estimator import SHAPES_PER_JOINT

Array = NDArray[np.float64]

# What a joint of boat size may be before anything was recorded: median and spread (from the masses
# and surfaces of studs, lugs and cables of 16 to 95 mm²; common practice, no source).
PRIOR_MEAN: Array = np.array(
    [np.log(150.0), np.log(1200.0), 0.0, -0.85, np.log(0.15), np.log(0.003), np.log(0.04)]
)
PRIOR_SD: Array = np.array([0.45, 0.6, 1.2, 0.6, 1.0, 0.7, 0.5])
PARAMETERS = len(PRIOR_MEAN)
# those whose uncertainty the bank's rows spread over; the noises stand at their centre
SPREAD = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapes:
    """What is believed of the shape of each joint, in transformed parameters."""

    mean: Array  # (joints, 7)
    covariance: Array  # (joints, 7, 7)


def prior(joints: int) -> Shapes:
    """Nothing recorded yet."""
    return Shapes(
        mean=np.tile(PRIOR_MEAN, (joints, 1)), covariance=np.tile(np.diag(PRIOR_SD**2), (joints, 1, 1))
    )


def physical(transformed: Array) -> Array:
    """(…, 7) transformed -> (…, 7), columns as `estimator.DEFAULT_SHAPES`."""
    result = np.empty_like(transformed)
    result[..., 0] = np.exp(np.clip(transformed[..., 0], np.log(30.0), np.log(900.0)))
    slow = np.exp(np.clip(transformed[..., 1], np.log(300.0), np.log(12_000.0)))
    # two modes that are one cannot be told apart
    result[..., 1] = np.maximum(slow, 2.5 * result[..., 0])
    result[..., 2] = 1.0 / (1.0 + np.exp(-np.clip(transformed[..., 2], -4.0, 4.0)))
    # a reference that is nearly all neighbours would leave nothing of the joint's own rise
    result[..., 3] = 1.0 / (1.0 + np.exp(-np.clip(transformed[..., 3], -4.0, 0.9)))
    result[..., 4] = np.exp(np.clip(transformed[..., 4], np.log(0.01), np.log(20.0)))
    result[..., 5] = np.exp(np.clip(transformed[..., 5], np.log(0.0005), np.log(0.03)))
    result[..., 6] = np.exp(np.clip(transformed[..., 6], np.log(0.01), np.log(0.5)))
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
    """The rows a bank runs for what is believed, (joints·SHAPES_PER_JOINT, 7): centre and five around it."""
    offsets = np.vstack([np.zeros(SPREAD), _simplex()])
    spread = shapes.covariance[:, :SPREAD, :SPREAD]
    roots = np.linalg.cholesky(spread + 1e-9 * np.eye(SPREAD))
    points = np.repeat(shapes.mean[:, None, :], SHAPES_PER_JOINT, axis=1)
    points[:, :, :SPREAD] += np.einsum("jab,kb->jka", roots, offsets)
    return physical(points).reshape(-1, PARAMETERS)
