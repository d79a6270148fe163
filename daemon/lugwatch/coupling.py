"""Where joints end that warm each other: one linear equation a joint, solved at once or only bounded.

    T_i = alone_i + Σ_j coupling_ij·T_j + feedback_i·T_i

Not here: what the equations hold (`settling`). May import numpy only.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupled:
    """Joints that settle together, (joints,)."""

    celsius: Array  # those that run away stand at their held temperature
    gain: Array  # (joints, joints) kelvin of joint i for a kelvin more in the equation of joint j
    runaway: Flags


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


def bounds(celsius: Array, alone: Array, feedback: Array, warmer: Array | None) -> Flags:
    """Joints (joints,) that `celsius` (joints,) bounds from above, if it does so for all others.

    alone, feedback: of each row (joints, shapes); warmer: what neighbours at their bounds bring it, at
    least 0; None: nobody has any. With A = coupling + feedback, non-negative off its diagonal, a bound
    v > 0 with (I − A)·v > 0 makes I − A inverse-positive (an M-matrix; Berman and Plemmons, ch. 6), so
    from (I − A)·v ≥ alone follows v ≥ T. What holds for each row of a joint holds for their mean.
    """
    bound = celsius[:, None]
    left = bound - feedback * bound
    if warmer is not None:
        left -= warmer
    result: Flags = ((left >= alone) & (left > 0.0)).all(axis=1) & (celsius > 0.0)
    return result
