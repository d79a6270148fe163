"""The fixed side of the tracking filter: thermal shapes of joints, and how far the world differs from them.

Each joint has `SHAPES_PER_JOINT` rows, one per shape; rows of one joint stand together.
Not here: what is tracked with them (`estimator`), how shapes are learned. May import numpy only.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# A first guess of what a joint of boat size may be, wide on purpose:
# (τ_fast s, τ_slow s, weight of the fast path to the air, weight of the neighbours in the reference,
# walk of the offset K per √hour, model error as a share of the rise per √second at τ = 100 s,
# noise of one reading K)
DEFAULT_SHAPES: tuple[tuple[float, ...], ...] = (
    (110.0, 1500.0, 0.5, 0.5, 0.25, 0.006, 0.06),
    (110.0, 3600.0, 0.3, 0.7, 0.25, 0.006, 0.06),
    (220.0, 1500.0, 0.5, 0.3, 0.25, 0.006, 0.06),
    (220.0, 3600.0, 0.3, 0.7, 0.25, 0.006, 0.06),
    (420.0, 2400.0, 0.5, 0.5, 0.25, 0.006, 0.06),
    (420.0, 5400.0, 0.3, 0.3, 0.25, 0.006, 0.06),
)
SHAPES_PER_JOINT = len(DEFAULT_SHAPES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """How much the filter expects the world to differ from its model; an array has a value for each row."""

    prior_rise_kelvin: float = 15.0  # β before anything was seen: mean…
    prior_rise_sd_kelvin: float = 30.0  # …and spread, each of own and soak
    mode_sd_kelvin: float = 8.0  # what fast and slow mode may hold at a start
    offset_sd_kelvin: float = 0.7  # probe calibration and unseen air
    own_walk_ratio: float | Array = 0.15  # β_own: random walk, share of β per √hour (draughts, ageing)…
    own_walk_kelvin: float | Array = 1.0  # …and at least this many K per √hour
    surprise_seconds: float = 120.0  # innovations that keep one sign for so long are a change…
    surprise_sd: float | Array = 2.5  # …beyond this many of their own deviations; then β_own may move faster
    soak_walk_ratio: float = 0.02  # cable and bar do not age in an hour
    mode_walk_kelvin: float = 0.002  # model error: a floor, K per √second
    forgetting_seconds: float = 7200.0  # how long the bank remembers a shape's success
    evidence_ratio: float = 0.1  # neighbouring errors are alike: ten count as one


# Once the shape is known, a change of the contact is found by its signature (`jump`), and the walk of
# β_own has only ageing and weather to follow.
SHAPE_KNOWN = Tuning(own_walk_ratio=0.05, own_walk_kelvin=0.2, surprise_sd=math.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bank:
    """The fixed side of the filter: shapes (rows,) and the scale of each joint's current."""

    tau_fast_seconds: Array
    tau_slow_seconds: Array
    fast_weight: Array
    neighbour_weight: Array
    offset_walk_kelvin: Array  # per √hour: heat that neither air nor neighbours tell of
    mode_walk_ratio: Array  # model error of the modes: draughts
    sensor_sd_kelvin: Array  # steps and noise of the probe, of a single reading
    rated_amps_squared: Array  # (rows,)
    tuning: Tuning
    per_step: "PerStep" = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "per_step", _per_step(self))

    @property
    def rows(self) -> int:
        return len(self.tau_fast_seconds)

    @property
    def joints(self) -> int:
        return self.rows // SHAPES_PER_JOINT


@dataclass(frozen=True, slots=True, kw_only=True)
class PerStep:
    """What each step asks of a bank, worked out once."""

    rates: Array  # (2, rows) of the two lags, below zero [1/s]
    paths: Array  # (2, rows) weights of the fast and the slow path
    draughts: Array  # (2, rows) walk of the modes at a rise of 1 K [K²/s]
    ageing: Array  # (2, rows) walk of β_own and β_soak at 1 K of β [K²/s]
    least_walk: Array  # (4, rows) of both modes and both β [K²/s]
    offset_walk: Array  # (rows,) [K²/s]
    sensor_variance: Array  # (rows,) half of that of a single reading [K²]
    mixes: bool  # some row is driven by neighbours beside its air
    hastens: bool  # β_own of some row may move faster when it surprises
    tuning: Tuning
    lengths: dict[float, "Length"] = field(default_factory=dict, repr=False, compare=False)  # of late

    def of_length(self, seconds: float | Array) -> "Length":
        """What a step of so many seconds, one number or (rows,), asks; kept, since steps are mostly alike."""
        if not isinstance(seconds, float):
            return self._of_length(seconds)
        found = self.lengths.get(seconds)
        if found is None:
            if len(self.lengths) >= LENGTHS_KEPT:
                self.lengths.clear()
            found = self.lengths[seconds] = self._of_length(seconds)
        return found

    def _of_length(self, seconds: float | Array) -> "Length":
        keep, tuning = np.exp(self.rates * seconds), self.tuning
        # smoothed standardised innovations have variance s/(2 − s) with s the smoothing share (exponentially
        # weighted moving average, textbook); what is beyond that many deviations is a joint that changes
        share = 1.0 - np.exp(-np.maximum(seconds, 1.0) / tuning.surprise_seconds)
        return Length(
            seconds=np.full(self.rates.shape[1], seconds),
            remembered=np.exp(-seconds / tuning.forgetting_seconds),
            surprised=1.0 - np.exp(-seconds / tuning.surprise_seconds),
            haste=HASTE**0.5 / (tuning.surprise_sd * (share / (2.0 - share)) ** 0.5),
            keep=keep,
            gone=1.0 - keep,
            draughts=self.draughts * seconds,
            ageing=self.ageing * seconds,
            least_walk=self.least_walk * seconds,
            offset_walk=self.offset_walk * seconds,
        )


LENGTHS_KEPT = 8
# Beyond what is expected by as much as is expected a surprise hastens β_own by this.
HASTE = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """What is left of both modes after a step, what is gone (2, rows), and `PerStep`'s walks over it [K²]."""

    seconds: Array  # (rows,)
    remembered: float | Array  # share of what was known of shapes; one number or (rows,), as all that follow
    surprised: float | Array  # share of a new surprise
    haste: float | Array  # by which a smoothed surprise is multiplied
    keep: Array
    gone: Array
    draughts: Array
    ageing: Array
    least_walk: Array
    offset_walk: Array


def _per_step(bank: Bank) -> PerStep:
    t, hour = bank.tuning, 3600.0
    taus = np.stack([bank.tau_fast_seconds, bank.tau_slow_seconds])

    def each(*values: float | Array) -> Array:
        return np.stack([np.broadcast_to(value, bank.rows) for value in values])

    return PerStep(
        rates=-1.0 / taus,
        paths=np.stack([bank.fast_weight, 1.0 - bank.fast_weight]),
        # a mode forgets its noise within its own time constant: what stays is about walk·√(τ/2)
        draughts=bank.mode_walk_ratio**2 * 100.0 / taus,
        ageing=each(t.own_walk_ratio, t.soak_walk_ratio) ** 2 / hour,
        least_walk=each(t.mode_walk_kelvin**2, 0.1 * t.mode_walk_kelvin**2, t.own_walk_kelvin**2 / hour, 0.0),
        offset_walk=bank.offset_walk_kelvin**2 / hour,
        sensor_variance=0.5 * bank.sensor_sd_kelvin**2,
        tuning=t,
        mixes=bool((bank.neighbour_weight != 0.0).any()),
        hastens=bool(np.isfinite(t.surprise_sd).any()),
    )


def bank_of(shapes: Array, rated_amps: Array, has_neighbours: Flags, tuning: Tuning | None = None) -> Bank:
    """A bank of given shapes (rows, 7), columns as DEFAULT_SHAPES; rows of one joint stand together."""
    lonely = np.repeat(~has_neighbours, SHAPES_PER_JOINT)
    return Bank(
        tau_fast_seconds=shapes[:, 0],
        tau_slow_seconds=shapes[:, 1],
        fast_weight=shapes[:, 2],
        neighbour_weight=np.where(lonely, 0.0, shapes[:, 3]),
        offset_walk_kelvin=shapes[:, 4],
        mode_walk_ratio=shapes[:, 5],
        sensor_sd_kelvin=shapes[:, 6],
        rated_amps_squared=np.repeat(np.asarray(rated_amps, dtype=float) ** 2, SHAPES_PER_JOINT),
        tuning=tuning or Tuning(),
    )


def default_bank(rated_amps: Array, has_neighbours: Flags, tuning: Tuning | None = None) -> Bank:
    """A bank of default shapes for joints rated at rated_amps (joints,) [A]."""
    shapes = np.tile(np.array(DEFAULT_SHAPES), (len(rated_amps), 1))
    return bank_of(shapes, rated_amps, has_neighbours, tuning)
