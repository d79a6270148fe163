"""Whether joints surely end below their limits, without working out where they end.

Nearly every joint in nearly every window is far below, and where it ends is told only now and then.
Not here: where it ends (`settling`). May import: settling, coupling, estimator, thermal, numpy.
"""

import numpy as np
from numpy.typing import NDArray

from lugwatch import coupling, thermal
from lugwatch.estimator import SHAPES_PER_JOINT, STATES, Bank, Inputs, Tracked, surroundings_celsius
from lugwatch.settling import Asked

Array = NDArray[np.float64]


def surely_below(bank: Bank, tracked: Tracked, inputs: Inputs, asked: Asked, celsius: Array) -> bool:
    """Whether `settling.settle` would have every joint end below `celsius` (joints,).

    False: it may, or may not. For a fraction of what that takes, so that nearly every window does
    without it.
    """
    shape = (bank.joints, SHAPES_PER_JOINT)
    present, air = asked.present_amps_squared, inputs.air_celsius[:, None]
    known = tracked.started & ~np.isnan(present + inputs.air_celsius)
    lonely = np.isnan(inputs.neighbour_celsius)
    if not known.all():
        # one that is not known stays where it is, which warms others no more than its bound if it is below
        if not (known | (inputs.probe_celsius < celsius)).all():
            return False
        present, lonely = np.where(np.isnan(present), 0.0, present), lonely | ~known
        air = np.where(known[:, None], air, surroundings_celsius(bank, tracked).reshape(shape))
    _, _, own, soak, offset = tracked.mean.T.reshape(STATES, *shape)
    heating = (own + soak) * (present[:, None] / bank.rated_amps_squared.reshape(shape))
    feedback = heating * thermal.COPPER_ALPHA_PER_KELVIN
    cold = 1.0 - thermal.COPPER_ALPHA_PER_KELVIN * thermal.REFERENCE_CELSIUS
    alone = heating * cold + offset
    alone += air
    if lonely.all():
        return bool(coupling.bounds(celsius, alone, feedback, None).all())
    near = asked.metal & ~lonely[:, None]
    count = near.sum(axis=1)
    share = np.where((count > 0)[:, None], bank.neighbour_weight.reshape(shape), 0.0)
    around = near @ celsius / np.maximum(count, 1)
    alone -= share * air
    return bool(coupling.bounds(celsius, alone, feedback, share * around[:, None]).all())
