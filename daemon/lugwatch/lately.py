"""What a joint's innovations have been lately, against what its filter expects of them.

A shape is learned from whole passages, with the start of an engine and the changes of load in them, so its
noises are the largest of the day. In a calm hour the filter runs after every reading and its innovations
alternate; a small step is then lost in noise that is not there. Two figures tell: how neighbouring
innovations go together, and what is left of them when that is taken off. Whitened with them (an
autoregression's inverse, textbook), steps are seen as well as they can be, and healthy passages show
deviations of about one in every joint.
What they have been holds for the load they were seen at: behind a joint with a body whose heat the
current does not tell of, noise after a change of load is what was learned. Such a body shows as a walk
of the joint's offset.
Not here: what is matched (`jump`). May import numpy only.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

LATELY_SECONDS = 1200.0
MOST_ALIKE = 0.5  # beyond this draughts of many minutes look like steps
QUIETEST = 0.25  # noises that were learned are hardly more than twice what they are
# One wild reading is neither a change nor noise; changes are larger than noise.
LARGEST_SD, LARGEST_NOISE_SD = 10.0, 4.0
# A walk of the offset [K per √hour] that is wholly distrusted once the load has moved by its whole; half a
# share of distrust is forgiven.
BODY_WALK_KELVIN = 0.075
FORGIVEN = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Lately:
    """Per joint (joints,)."""

    square: Array  # of standardised innovations
    product: Array  # of neighbouring ones
    left: Array  # square of what is left of them
    last: Array  # the last standardised innovation
    carried: Array  # the last whitened one
    soaked: Array  # mean heating; 1 is the rated current's


def empty(joints: int) -> Lately:
    """As the filter expects."""
    zeros, ones = np.zeros(joints), np.ones(joints)
    return Lately(square=ones, product=zeros, left=ones, last=zeros, carried=zeros, soaked=zeros)


def restart(lately: Lately, joints: Flags) -> Lately:
    """Nothing seen yet of these joints (joints,)."""
    fresh = empty(len(joints))
    names = ("square", "product", "left", "last", "carried", "soaked")
    return Lately(**{name: np.where(joints, getattr(fresh, name), getattr(lately, name)) for name in names})


@dataclass(frozen=True, slots=True, kw_only=True)
class Whitened:
    """How this window is to be taken, per joint (joints,)."""

    keep: Array  # what of the last whitened value is added to the next
    innovation: Array  # whitened
    certain: Array  # one over its variance; 0: to be left out
    lately: Lately


def whiten(
    lately: Lately, standard: Array, use: Flags, heating: Array, offset_walk_kelvin: Array, seconds: Array
) -> Whitened:
    """Take in one window. standard: (joints,) standardised innovations; use: (joints,) they count."""
    share = 1.0 - np.exp(seconds / -LATELY_SECONDS)
    soaked = lately.soaked + share * (heating - lately.soaked)
    apart = np.abs(heating - soaked) / np.maximum(np.maximum(heating, soaked), 1e-3)
    steady = FORGIVEN - apart * (offset_walk_kelvin / BODY_WALK_KELVIN)
    steady = np.minimum(np.maximum(steady, 0.0), 1.0)
    # of a moving average of two with correlation −r the coefficient is (1 − √(1 − 4r²))/2r (textbook)
    twice = np.minimum(np.maximum(lately.product / lately.square * -2.0, 1e-6), 0.9999)
    keep = np.minimum((1.0 - np.sqrt(1.0 - twice * twice)) / twice, MOST_ALIKE) * steady
    clipped = np.minimum(np.maximum(standard, -LARGEST_SD), LARGEST_SD) * use
    innovation = (clipped + keep * lately.carried) * use
    left = np.maximum(np.where(lately.left < 1.0, 1.0 - (1.0 - lately.left) * steady, lately.left), QUIETEST)
    share *= use
    noise = np.minimum(np.maximum(clipped, -LARGEST_NOISE_SD), LARGEST_NOISE_SD)
    squared = np.minimum(innovation * innovation, LARGEST_NOISE_SD**2)
    return Whitened(
        keep=keep,
        innovation=innovation,
        certain=use / left,
        lately=replace(
            lately,
            square=np.maximum(lately.square + share * (noise * noise - lately.square), 1e-3),
            product=lately.product + share * (noise * lately.last - lately.product),
            left=lately.left + share * (squared - lately.left),
            last=noise,
            carried=innovation,
            soaked=soaked,
        ),
    )
