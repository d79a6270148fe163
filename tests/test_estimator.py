"""The tracking filter against its model written out plainly: one row at a time, in matrices.

The oracle is the text of `estimator` and `bank` as a loop over rows and general 5×5 algebra; nothing of it
is shared with the product but the constants of bank and tuning.
"""

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from lugwatch import estimator
from lugwatch.bank import LENGTHS_KEPT
from lugwatch.estimator import SHAPES_PER_JOINT, Bank, Inputs, Tracked

Array = NDArray[np.float64]

JOINTS = 5
GAP_SECONDS = 600.0
OBSERVED = np.array([1.0, 1.0, 0.0, 0.0, 1.0])
ALPHA = 0.00393  # copper, IEC 60028


class PlainRow:
    """One shape of one joint."""

    def __init__(self, bank: Bank, row: int) -> None:
        t = bank.tuning
        self.t, self.taus = t, np.array([bank.tau_fast_seconds[row], bank.tau_slow_seconds[row]])
        self.paths = np.array([bank.fast_weight[row], 1.0 - bank.fast_weight[row]])
        self.neighbours = bank.neighbour_weight[row]
        self.walks = bank.offset_walk_kelvin[row], bank.mode_walk_ratio[row], bank.sensor_sd_kelvin[row]
        self.rated = bank.rated_amps_squared[row]
        self.x = np.array([0.0, 0.0, t.prior_rise_kelvin, t.prior_rise_kelvin, 0.0])
        sd = (t.mode_sd_kelvin,) * 2 + (t.prior_rise_sd_kelvin,) * 2 + (t.offset_sd_kelvin,)
        self.p = np.diag(np.square(sd))
        self.around = np.zeros(2)
        self.log_weight = self.surprise = 0.0
        self.stepped: float | None = None

    def step(self, inputs: Inputs, joint: int) -> None:
        air, near = inputs.air_celsius[joint], inputs.neighbour_celsius[joint]
        probe, amps_squared = inputs.probe_celsius[joint], inputs.amps_squared[joint]
        loaded = bool(inputs.loaded[joint])
        if math.isnan(air) or math.isnan(amps_squared) or (self.stepped is None and math.isnan(probe)):
            return
        reference = air if math.isnan(near) else air + self.neighbours * (near - air)
        seconds = 0.0
        if self.stepped is None or not 0.0 <= inputs.monotonic_seconds - self.stepped <= GAP_SECONDS:
            pause = 0.0 if self.stepped is None else max(inputs.monotonic_seconds - self.stepped, 0.0)
            self._restart(reference, min(pause / 3600.0, 24.0))
        else:
            seconds = inputs.monotonic_seconds - self.stepped
        self.stepped = inputs.monotonic_seconds
        keep = np.exp(-seconds / self.taus)
        shown = self.x @ OBSERVED + self.paths @ self.around if math.isnan(probe) else probe
        heating = amps_squared / self.rated * (1.0 + ALPHA * (shown - 20.0))
        noise = self._noise(seconds, loaded)
        self.around = reference + keep * (self.around - reference)
        f = np.eye(5)
        f[0, 0], f[1, 1] = keep
        f[0, 2], f[1, 3] = (1.0 - keep) * heating
        self.x, self.p = f @ self.x, f @ self.p @ f.T + noise
        if not math.isnan(probe):
            self._update(probe - self.paths @ self.around, inputs.probe_count[joint], loaded, seconds)

    def _restart(self, reference: float, hours: float) -> None:
        self.x[:2] = 0.0
        self.p[:2, :] = self.p[:, :2] = 0.0
        self.p[0, 0] = self.p[1, 1] = self.t.mode_sd_kelvin**2
        self.p[4, 4] += self.walks[0] ** 2 * hours
        self.around[:] = reference

    def _noise(self, seconds: float, loaded: bool) -> Array:
        t, hours = self.t, seconds / 3600.0
        rise = min(abs(self.x[0]) + abs(self.x[1]), 40.0)
        beta = max(abs(self.x[2] + self.x[3]), 2.0)
        modes = (self.walks[1] * rise) ** 2 * 100.0 / self.taus + t.mode_walk_kelvin**2 * np.array([1.0, 0.1])
        share = 1.0 - math.exp(-max(seconds, 1.0) / t.surprise_seconds)
        deviations = abs(self.surprise) / math.sqrt(share / (2.0 - share)) / t.surprise_sd
        haste = min(1.0 + 20.0 * max(deviations - 1.0, 0.0) ** 2, 400.0)
        own = ((t.own_walk_ratio * beta) ** 2 + t.own_walk_kelvin**2) * haste * hours * loaded
        soak = (t.soak_walk_ratio * beta) ** 2 * hours * loaded
        return np.diag([*(modes * seconds), own, soak, self.walks[0] ** 2 * hours])

    def _update(self, value: float, count: float, loaded: bool, seconds: float) -> None:
        variance = self.walks[2] ** 2 * (0.5 + 0.5 / max(count, 1.0))
        s = OBSERVED @ self.p @ OBSERVED + variance
        gain = self.p @ OBSERVED / s
        if not loaded:
            gain[[2, 3]] = 0.0
        innovation = value - OBSERVED @ self.x
        self.x = self.x + gain * innovation
        rest = np.eye(5) - np.outer(gain, OBSERVED)
        self.p = rest @ self.p @ rest.T + variance * np.outer(gain, gain)
        likelihood = -0.5 * (math.log(2.0 * math.pi * s) + innovation**2 / s)
        kept = math.exp(-seconds / self.t.forgetting_seconds)
        self.log_weight = kept * self.log_weight + self.t.evidence_ratio * likelihood
        share = 1.0 - math.exp(-seconds / self.t.surprise_seconds)
        standard = innovation / math.sqrt(s) if loaded else 0.0
        self.surprise += share * (standard - self.surprise)


def _windows(count: int, seed: int) -> list[Inputs]:
    """A load that comes and goes; readings, air, current and neighbours that go missing; pauses."""
    random = np.random.default_rng(seed)
    seconds, windows = 1000.0, []
    for number in range(count):
        seconds += float(random.choice([10.0, 10.0, 10.0, 10.3, 25.0]))
        seconds += 4000.0 if number == 150 else 0.0
        load = 0.0 if 80 < number % 200 < 120 else 90.0**2 * (1.0 + 0.1 * math.sin(number / 9.0))
        celsius = 25.0 + 10.0 * (1.0 - math.exp(-number / 60.0)) + random.normal(0.0, 0.06, JOINTS)
        amps_squared, air = np.full(JOINTS, load), np.full(JOINTS, 20.0 + math.sin(number / 50.0))
        near = air + np.array([3.0, np.nan, 5.0, 8.0, np.nan])
        odd = number % 7 == 3
        celsius[(random.random(JOINTS) < 0.4) & odd] = np.nan
        near[(random.random(JOINTS) < 0.4) & odd] = np.nan
        air[(random.random(JOINTS) < 0.3) & (number % 31 == 5)] = np.nan
        amps_squared[(random.random(JOINTS) < 0.3) & (number % 37 == 5)] = np.nan
        if number < 6:
            celsius[:2] = np.nan  # two begin later
        if 200 < number < 290:
            air[4] = np.nan  # one has a pause of its own
        windows.append(
            Inputs(
                monotonic_seconds=seconds,
                probe_celsius=celsius,
                probe_count=np.where(np.isnan(celsius), 0.0, float(random.integers(1, 4))),
                air_celsius=air,
                neighbour_celsius=near,
                amps_squared=amps_squared,
                loaded=amps_squared > 1000.0,
            )
        )
    return windows


@pytest.mark.parametrize("tuning", [None, estimator.SHAPE_KNOWN], ids=["default", "shape known"])
def test_every_row_is_as_the_plain_algebra_has_it(tuning: estimator.Tuning | None) -> None:
    bank = estimator.default_bank(
        np.array([120.0, 100.0, 90.0, 120.0, 60.0]), np.array([True, False, True, True, True]), tuning
    )
    tracked, plain = estimator.initial(bank), [PlainRow(bank, row) for row in range(bank.rows)]
    for inputs in _windows(400, seed=4):
        tracked = estimator.step(bank, tracked, inputs, GAP_SECONDS)
        for row, other in enumerate(plain):
            other.step(inputs, row // SHAPES_PER_JOINT)
        np.testing.assert_allclose(tracked.mean, [o.x for o in plain], rtol=1e-9, atol=1e-9)
        np.testing.assert_allclose(tracked.covariance, [o.p for o in plain], rtol=1e-9, atol=1e-9)
        np.testing.assert_allclose(tracked.surprise, [o.surprise for o in plain], rtol=1e-7, atol=1e-9)
        around = np.stack([tracked.air_fast_celsius, tracked.air_slow_celsius], axis=1)
        np.testing.assert_allclose(around, [o.around for o in plain], rtol=1e-12)
        weight = np.exp([o.log_weight for o in plain]).reshape(JOINTS, -1)
        weight /= weight.sum(axis=1, keepdims=True)
        np.testing.assert_allclose(estimator.weights(tracked).reshape(JOINTS, -1), weight, rtol=1e-7)
    assert (np.abs(tracked.surprise) > 0.0).any()


def test_a_bank_of_two_tunings_runs_each_row_with_its_own() -> None:
    rated, near = np.full(2, 100.0), np.zeros(2, dtype=bool)
    first = np.repeat([True, False], SHAPES_PER_JOINT)
    known, calm = estimator.Tuning(), estimator.SHAPE_KNOWN
    mixed = estimator.default_bank(
        rated,
        near,
        replace(
            known,
            own_walk_ratio=np.where(first, known.own_walk_ratio, calm.own_walk_ratio),
            own_walk_kelvin=np.where(first, known.own_walk_kelvin, calm.own_walk_kelvin),
            surprise_sd=np.where(first, known.surprise_sd, calm.surprise_sd),
        ),
    )
    banks = [mixed, estimator.default_bank(rated, near, known), estimator.default_bank(rated, near, calm)]
    run = [estimator.initial(bank) for bank in banks]
    for k in range(300):
        inputs = Inputs(
            monotonic_seconds=10.0 * k,
            probe_celsius=np.full(2, 30.0 if k < 150 else 36.0),
            probe_count=np.full(2, 2.0),
            air_celsius=np.full(2, 20.0),
            neighbour_celsius=np.full(2, np.nan),
            amps_squared=np.full(2, 6400.0),
            loaded=np.ones(2, dtype=bool),
        )
        run = [
            estimator.step(bank, tracked, inputs, GAP_SECONDS)
            for bank, tracked in zip(banks, run, strict=True)
        ]
    np.testing.assert_array_equal(run[0].mean[first], run[1].mean[first])
    np.testing.assert_array_equal(run[0].mean[~first], run[2].mean[~first])
    assert not np.allclose(run[1].mean, run[2].mean)


def test_a_step_leaves_what_it_was_given_as_it_was() -> None:
    bank = estimator.default_bank(np.full(JOINTS, 100.0), np.ones(JOINTS, dtype=bool))
    tracked: Tracked = estimator.initial(bank)
    for inputs in _windows(120, seed=9):
        before = {f.name: getattr(tracked, f.name).copy() for f in fields(tracked)}
        given = {f.name: np.copy(getattr(inputs, f.name)) for f in fields(inputs)}
        after = estimator.step(bank, tracked, inputs, GAP_SECONDS)
        for name, array in before.items():
            np.testing.assert_array_equal(getattr(tracked, name), array)
        for name, array in given.items():
            np.testing.assert_array_equal(getattr(inputs, name), array)
        tracked = after


def test_what_is_kept_of_earlier_lengths_changes_no_step() -> None:
    """More lengths than are kept, each twice, against a bank that never saw any."""
    rated, lonely = np.full(3, 100.0), np.zeros(3, dtype=bool)
    kept = estimator.default_bank(rated, lonely)
    one = other = estimator.initial(kept)
    now = 0.0
    for seconds in [10.0, 11.0, 9.5, 10.0, 3.0, 60.0, 10.0, 12.0, 13.0, 14.0, 15.0, 16.0, 17.0, 11.0, 10.0]:
        now += seconds
        inputs = Inputs(
            monotonic_seconds=now,
            probe_celsius=np.array([30.0, 40.0, 35.0]) + now / 100.0,
            probe_count=np.ones(3),
            air_celsius=np.full(3, 20.0),
            neighbour_celsius=np.full(3, np.nan),
            amps_squared=np.full(3, 6400.0),
            loaded=np.ones(3, dtype=bool),
        )
        before = one.mean.copy(), one.covariance.copy()
        moved = estimator.step(kept, one, inputs, GAP_SECONDS)
        np.testing.assert_array_equal(one.mean, before[0])  # a state is never changed in place
        np.testing.assert_array_equal(one.covariance, before[1])
        one, other = moved, estimator.step(estimator.default_bank(rated, lonely), other, inputs, GAP_SECONDS)
        for field in fields(Tracked):
            np.testing.assert_array_equal(getattr(one, field.name), getattr(other, field.name))
    assert len(kept.per_step.lengths) <= LENGTHS_KEPT
