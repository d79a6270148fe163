"""What joints show together: an air's reading that jumps, a neighbour's heat, a fan; joints are made here.

They have the filter's own two modes and lags on purpose: the arithmetic is tested. Whether real
air behaves is a matter of the distributed plant (tests/bench).
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from lugwatch import company, estimator, jump
from lugwatch.estimator import SHAPES_PER_JOINT, Bank, Inputs, Tracked

Array = NDArray[np.float64]
GAP_SECONDS = 600.0
# unlike on purpose: τ_fast, τ_slow, weight of the fast path
JOINTS = np.array([[90.0, 700.0, 0.2], [120.0, 1200.0, 0.5], [200.0, 1000.0, 0.1], [300.0, 1500.0, 0.7]])
COUNT = len(JOINTS)
AIRS = np.ones((1, COUNT), dtype=bool)
LEARNED = np.ones(COUNT, dtype=bool)
OWN, SOAK = 6.0, 8.0
BEFORE = 720


def bank() -> Bank:
    shapes = np.column_stack([JOINTS, np.tile([0.0, 0.05, 0.001, 0.03], (COUNT, 1))])
    return estimator.bank_of(
        np.repeat(shapes, SHAPES_PER_JOINT, axis=0),
        np.full(COUNT, 100.0),
        np.zeros(COUNT, dtype=bool),
        estimator.SHAPE_KNOWN,
    )


def lived(
    windows: int, *, misread: Array | None = None, own: Array | None = None, true: Array | None = None
) -> list[Inputs]:
    """Windows of 10 s read as 90 A in air of 20 °C; misread (windows,) [K] by which it is read too warm.

    true: (windows,) what the heating is of that at 90 A.
    """
    random = np.random.default_rng(4)
    own = np.full((windows, COUNT), OWN) if own is None else own
    misread = np.zeros(windows) if misread is None else misread
    true = np.ones(windows) if true is None else true
    fast, slow = np.zeros(COUNT), np.zeros(COUNT)
    found = []
    for k in range(windows):
        heating = 0.81 * true[k] * (1.0 + 0.00393 * (fast + slow))
        fast = fast + (1.0 - np.exp(-10.0 / JOINTS[:, 0])) * (own[k] * heating - fast)
        slow = slow + (1.0 - np.exp(-10.0 / JOINTS[:, 1])) * (SOAK * heating - slow)
        found.append(
            Inputs(
                monotonic_seconds=10.0 * (k + 1),
                probe_celsius=20.0 + fast + slow + 0.02 * random.standard_normal(COUNT),
                probe_count=np.full(COUNT, 2.0),
                air_celsius=np.full(COUNT, 20.0 + misread[k]),
                neighbour_celsius=np.full(COUNT, np.nan),
                amps_squared=np.full(COUNT, 8100.0),
                loaded=np.ones(COUNT, dtype=bool),
            )
        )
    return found


class Run:
    """The pipeline's order of things over windows: filter, changes, company."""

    def __init__(self) -> None:
        self.bank = bank()
        self.tracked: Tracked = estimator.initial(self.bank)
        self.jumps, self.company = jump.empty(COUNT), company.empty(COUNT, 1)
        self.found: company.Found | None = None

    def go(self, windows: list[Inputs], *, believing: bool = True) -> list[int]:
        """Windows in which a jump of the reading was believed."""
        believed = []
        for k, inputs in enumerate(windows):
            self.tracked = estimator.step(self.bank, self.tracked, inputs, GAP_SECONDS)
            self.jumps = jump.step(self.jumps, self.bank, self.tracked, inputs)
            self.company = company.step(self.company, self.bank, self.tracked, inputs)
            alone, _, _ = jump.strongest(self.jumps)
            self.found = company.find(self.company, AIRS, LEARNED, alone, AIRS)
            if self.found.believed.any():
                believed.append(k)
            if believing and self.found.believed.any():
                self.company, self.tracked = company.believe(
                    self.company, self.bank, self.tracked, inputs, self.found, AIRS
                )
                self.jumps = jump.calmed(self.jumps, AIRS[0])
        return believed

    @property
    def rise(self) -> Array:
        return estimator.mixed_rise(self.tracked, estimator.weights(self.tracked))[0]


def settled(windows: list[Inputs]) -> Run:
    """Two hours seen; looked at afresh from then on."""
    run = Run()
    run.go(windows[:BEFORE], believing=False)
    run.jumps, run.company = jump.empty(COUNT), company.empty(COUNT, 1)
    return run


def misread_from(start: int, kelvin: float, end: int | None = None, windows: int = BEFORE + 180) -> Array:
    result = np.zeros(windows)
    result[start:end] = kelvin
    return result


@pytest.mark.parametrize("kelvin", [-3.0, 6.0])
def test_an_air_that_is_misread_is_named_and_no_joint_changes(kelvin: float) -> None:
    windows = lived(BEFORE + 180, misread=misread_from(BEFORE + 30, kelvin))
    run = settled(windows)
    rise = run.rise
    believed = run.go(windows[BEFORE:])
    assert 30 <= believed[0] < 42, "within two minutes"
    assert run.company.shift_kelvin[0] == pytest.approx(kelvin, abs=0.6)
    # half an hour later nobody's rise has moved, and nobody looks as though it had changed
    assert run.rise == pytest.approx(rise, rel=0.05)
    assert np.abs(jump.strongest(run.jumps)[0]).max() < jump.BELIEVED_SD


def test_while_it_is_only_likely_joints_are_excused() -> None:
    windows = lived(BEFORE + 180, misread=misread_from(BEFORE + 30, -3.0))
    run = settled(windows)
    believed = run.go(windows[BEFORE:], believing=False)
    again = settled(windows)
    again.go(windows[BEFORE : BEFORE + believed[0] + 1], believing=False)
    assert again.found is not None and again.found.excused.all()


def test_a_probe_that_is_put_back_is_believed_as_well() -> None:
    windows = lived(BEFORE + 180, misread=misread_from(BEFORE + 30, 6.0, BEFORE + 100))
    run = settled(windows)
    rise = run.rise
    run.go(windows[BEFORE:])
    assert abs(run.company.shift_kelvin[0]) < 0.6
    assert run.rise == pytest.approx(rise, rel=0.05)


def test_one_joint_that_goes_bad_is_no_misread_air() -> None:
    own = np.full((BEFORE + 120, COUNT), OWN)
    own[BEFORE + 30 :, 1] = 2.0 * OWN
    windows = lived(BEFORE + 120, own=own)
    run = settled(windows)
    assert run.go(windows[BEFORE:]) == []
    assert run.found is not None and not run.found.excused.any()
    assert jump.strongest(run.jumps)[0][1] > jump.BELIEVED_SD


@pytest.mark.parametrize("share", [0.4, 1.6])
def test_a_current_that_changes_unread_is_not_the_airs_doing(share: float) -> None:
    """All joints stand in one air and on one current: its reading would explain most of it, too.

    Looked at for as long as moments are kept.
    """
    true = np.ones(BEFORE + 36)
    true[BEFORE + 10 :] = share
    windows = lived(BEFORE + 36, true=true)
    run = settled(windows)
    assert run.go(windows[BEFORE:]) == []
    assert run.found is not None and run.found.heated.all() and run.found.excused.all()
    # asked without it, the air would be named
    alone = jump.strongest(run.jumps)[0]
    assert abs(company.find(run.company, AIRS, LEARNED, alone).deviations[0]) > company.BELIEVED_SD


def test_one_sharp_joint_that_goes_bad_is_not_excused_by_its_current() -> None:
    own = np.full((BEFORE + 60, COUNT), OWN)
    own[BEFORE + 10 :, 0] = 2.0 * OWN
    windows = lived(BEFORE + 60, own=own)
    run = settled(windows)
    run.go(windows[BEFORE:])
    # as one that is seen far more sharply than the others
    sharp = np.array([1.0, 1e-3, 1e-3, 1e-3])[:, None]
    seen = replace(
        run.company, information=run.company.information * sharp, evidence=run.company.evidence * sharp
    )
    found = company.find(seen, AIRS, LEARNED, jump.strongest(run.jumps)[0], AIRS)
    assert not found.heated.any() and not found.excused.any()


def test_a_fan_has_cooled_the_others_or_nobody_can_tell() -> None:
    airs = np.array([[True] * 5 + [False] * 2, [False] * 5 + [True] * 2])
    nan = float("nan")
    cool = company.cooled(np.array([0.7, 0.8, 0.9, 0.75, 1.1, 1.0, 1.0]), airs)
    assert cool.tolist() == [True] * 7, "of two in an air nobody can tell"
    still = company.cooled(np.array([0.6, 1.0, 0.97, 1.1, 1.02, 1.0, 1.0]), airs)
    assert still[:5].tolist() == [False] * 5
    few = company.cooled(np.array([0.6, 1.0, nan, nan, 1.02, 1.0, 1.0]), airs)
    assert few.tolist() == [True, True, False, False, True, True, True], "a joint's own ratio is no witness"


def test_nothing_is_found_while_nothing_happens_or_while_too_few_are_there() -> None:
    windows = lived(BEFORE + 360, misread=misread_from(BEFORE + 300, 6.0, windows=BEFORE + 360))
    run = settled(windows)
    assert run.go(windows[BEFORE : BEFORE + 300]) == []
    run.go(windows[BEFORE + 300 :], believing=False)
    few = np.arange(COUNT) < company.COMPANY - 1
    found = company.find(run.company, AIRS, few, np.zeros(COUNT))
    assert not found.believed.any() and not found.excused.any()


def test_after_a_passage_the_offsets_are_open_again() -> None:
    run = settled(lived(BEFORE))
    shifted = replace(run.company, shift_kelvin=np.array([5.0]))
    after, opened = company.forget(shifted, run.tracked, AIRS)
    before = run.tracked.covariance[:, estimator.OFFSET, estimator.OFFSET]
    assert opened.covariance[:, estimator.OFFSET, estimator.OFFSET] == pytest.approx(before + 25.0)
    assert not after.shift_kelvin.any()
    assert company.forget(after, opened, AIRS)[1] is opened


def test_heat_of_a_bad_neighbour_is_its_shadow_and_a_joint_as_bad_is_not() -> None:
    metal = np.array([[False, True, True], [True, False, True], [True, True, False]])
    ratio, rise = np.array([3.0, 1.3, 1.8]), np.array([9.0, 6.5, 9.0])
    # gained: 6.0, 1.5 and 4.0 K
    seen = company.beside(ratio, rise, np.zeros((1, 3), dtype=bool), metal, range(3))
    assert seen.shadowed.tolist() == [False, True, False]
    alone = company.beside(ratio, rise, np.zeros((1, 3), dtype=bool), np.zeros((3, 3), dtype=bool), range(3))
    assert not alone.shadowed.any()


def test_what_nearly_all_in_one_air_show_is_taken_off_each() -> None:
    airs = np.ones((1, 5), dtype=bool)
    metal = np.zeros((5, 5), dtype=bool)
    fan = company.beside(np.array([1.3, 1.25, 1.3, 1.2, 1.4]), np.full(5, 5.0), airs, metal, range(5))
    assert (fan.ratio > 1.15).all()
    one = company.beside(np.array([1.0, 1.02, 2.0, 0.98, 1.01]), np.full(5, 5.0), airs, metal, range(5))
    assert one.ratio == pytest.approx(1.0, abs=0.02)
    unknown = company.beside(
        np.array([1.3, np.nan, np.nan, np.nan, 1.3]), np.full(5, 5.0), airs, metal, range(5)
    )
    assert unknown.ratio.tolist() == [1.0] * 5
