"""Sudden changes of a joint's own heating: the matched signature against brute force and counted chances.

Joints here are made with the filter's own two modes on purpose: the arithmetic is tested. Whether real
joints and draughts behave is a matter of the distributed plant (tests/bench).
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from lugwatch import estimator, jump
from lugwatch.estimator import OWN, SHAPES_PER_JOINT, SOAK, Bank, Inputs

Array = NDArray[np.float64]
GAP_SECONDS = 600.0


def bank(joints: int) -> Bank:
    shape = np.array([120.0, 1200.0, 0.3, 0.0, 0.05, 0.001, 0.03])
    shapes = np.tile(shape, (joints * SHAPES_PER_JOINT, 1))
    return estimator.bank_of(
        shapes, np.full(joints, 100.0), np.zeros(joints, dtype=bool), estimator.SHAPE_KNOWN
    )


def windows(celsius: Array, amps: Array) -> list[Inputs]:
    """celsius: (windows, joints); amps: (windows,), windows of 10 s in air of 20 °C."""
    joints = celsius.shape[1]
    return [
        Inputs(
            monotonic_seconds=10.0 * (k + 1),
            probe_celsius=celsius[k],
            probe_count=np.full(joints, 2.0),
            air_celsius=np.full(joints, 20.0),
            neighbour_celsius=np.full(joints, np.nan),
            amps_squared=np.full(joints, amps[k] ** 2),
            loaded=np.full(joints, amps[k] > 8.0),
        )
        for k in range(len(celsius))
    ]


def lived(own: Array, amps: Array, *, seed: int | None, soak: float = 8.0) -> Array:
    """Probe temperatures of joints with two modes: own (windows, joints) [K], exact steps of 10 s."""
    random = None if seed is None else np.random.default_rng(seed)
    fast, slow = np.zeros(own.shape[1]), np.zeros(own.shape[1])
    out = np.empty(own.shape)
    for k in range(len(own)):
        heating = (amps[k] / 100.0) ** 2 * (1.0 + 0.00393 * (fast + slow))
        fast += (1.0 - np.exp(-10.0 / 120.0)) * (own[k] * heating - fast)
        slow += (1.0 - np.exp(-10.0 / 1200.0)) * (soak * heating - slow)
        noise = 0.0 if random is None else 0.02 * random.standard_normal(own.shape[1])
        out[k] = 20.0 + fast + slow + noise
    return out


def settled(joints: int, own: float = 6.0) -> tuple[Bank, estimator.Tracked, Array]:
    """A filter that has followed two hours of 90 A, and the amps of the next hour."""
    amps = np.concatenate([np.zeros(12), np.full(720, 90.0)])
    b = bank(joints)
    tracked = estimator.initial(b)
    for inputs in windows(lived(np.full((len(amps), joints), own), amps, seed=3), amps):
        tracked = estimator.step(b, tracked, inputs, GAP_SECONDS)
    return b, tracked, amps


def go_on(b: Bank, tracked: estimator.Tracked, record: list[Inputs]) -> list[tuple[jump.Watch, Array, Array]]:
    watch, seen = jump.empty(b.joints), []
    for inputs in record:
        tracked = estimator.step(b, tracked, inputs, GAP_SECONDS)
        watch = jump.step(watch, b, tracked, inputs)
        deviations, size, _ = jump.strongest(watch)
        seen.append((watch, deviations, size))
    return seen


def test_the_signature_is_what_the_filter_would_have_got_wrong() -> None:
    """The error computed alongside equals the difference of two filters, with and without the change."""
    b, tracked, before = settled(1)
    amps = np.concatenate([before, np.full(30, 90.0)])
    own = np.full((len(amps), 1), 6.0)
    record = windows(lived(own, amps, seed=None), amps)[len(before) :]
    step = tracked
    watch = jump.empty(1)
    # a filter told of a jump of Δ at the first moment must stand at x + error·Δ ever after
    delta = 0.5
    told = replace(tracked, mean=tracked.mean.copy())
    told.mean[:, OWN] += jump.OWN_SHARE * delta
    told.mean[:, SOAK] += (1.0 - jump.OWN_SHARE) * delta
    for inputs in record:
        step = estimator.step(b, step, inputs, GAP_SECONDS)
        told = estimator.step(b, told, inputs, GAP_SECONDS)
        watch = jump.step(watch, b, step, inputs)
        # heating follows the probe, and noise depends a little on the mean: not to the last digit
        assert (told.mean - step.mean)[0] == pytest.approx(watch.error[0, 0] * delta, abs=0.01)


def test_a_jump_is_found_within_minutes_and_its_size_is_right() -> None:
    b, tracked, before = settled(1)
    amps = np.concatenate([before, np.full(180, 90.0)])
    own = np.full((len(amps), 1), 6.0)
    own[len(before) + 30 :] = 9.0
    seen = go_on(b, tracked, windows(lived(own, amps, seed=3), amps)[len(before) :])
    deviations = np.array([s[1][0] for s in seen])
    assert np.abs(deviations[:30]).max() < 4.0
    first = int(np.argmax(deviations > jump.BELIEVED_SD))
    assert 30 <= first < 48, "within three minutes of the change"
    # half of a change is expected in the slow mode, so 3 K in the fast mode alone look larger, at most twice
    assert 2.5 < seen[60][2][0] < 6.5


def test_without_a_change_the_deviations_are_as_rare_as_chance() -> None:
    """Twelve moments are looked at at once: the largest of them passes 5 in far under one look in 10⁴."""
    joints = 60
    b, tracked, before = settled(joints)
    amps = np.concatenate([before, np.full(360, 90.0)])
    own = np.full((len(amps), joints), 6.0)
    seen = go_on(b, tracked, windows(lived(own, amps, seed=8), amps)[len(before) :])
    deviations = np.array([s[1] for s in seen])[12:]
    assert np.sqrt((deviations**2).mean()) < 1.5
    assert np.abs(deviations).max() < jump.BELIEVED_SD


def test_without_load_nothing_is_matched() -> None:
    b, tracked, before = settled(2)
    record = windows(np.full((60, 2), 35.0), np.zeros(60))
    late = [replace(r, monotonic_seconds=r.monotonic_seconds + 10.0 * len(before)) for r in record]
    watch, deviations, _ = go_on(b, tracked, late)[-1]
    assert not watch.information.any() and not deviations.any()


def _found(own: Array, joints: int, groups: NDArray[np.bool_], calm: float = 1.0) -> jump.Found:
    b, tracked, before = settled(joints)
    amps = np.concatenate([before, np.full(len(own), 90.0)])
    whole = np.vstack([np.full((len(before), joints), 6.0), own])
    watch = go_on(b, tracked, windows(lived(whole, amps, seed=5), amps)[len(before) :])[-1][0]
    return jump.find(watch, np.full(joints, 14.0), np.full(joints, calm), groups)


def test_what_all_of_one_air_show_accuses_nobody() -> None:
    own = np.full((60, 5), 9.0)
    found = _found(own, 5, np.ones((1, 5), dtype=bool))
    assert not found.own.any()
    assert found.common[0] == 1
    apart = _found(own, 5, np.zeros((0, 5), dtype=bool))
    assert apart.own.all(), "without company each speaks for itself"


def test_one_of_many_is_accused_and_the_others_are_not() -> None:
    own = np.full((60, 5), 6.0)
    own[:, 2] = 10.0
    found = _found(own, 5, np.ones((1, 5), dtype=bool))
    assert found.own.tolist() == [False, False, True, False, False]
    assert found.common[0] == 0


def test_of_a_bar_only_the_clearest_is_accused_and_a_cooler_neighbour_shields_nobody() -> None:
    metal = ~np.eye(3, dtype=bool)
    b, tracked, before = settled(3)
    amps = np.concatenate([before, np.full(60, 90.0)])
    own = np.full((len(amps), 3), 6.0)
    own[len(before) :] = [12.0, 9.0, 6.0]
    watch = jump.empty(3)
    for inputs in windows(lived(own, amps, seed=5), amps)[len(before) :]:
        tracked = estimator.step(b, tracked, inputs, GAP_SECONDS)
        watch = jump.step(watch, b, tracked, inputs)
    rise, nobody = np.full(3, 14.0), np.zeros((0, 3), dtype=bool)
    assert jump.find(watch, rise, np.ones(3), nobody).own.tolist() == [True, True, False]
    assert jump.find(watch, rise, np.ones(3), nobody, metal).own.tolist() == [True, False, False]
    # one who was never learned is loud and cannot be accused: it shields nobody
    unknown = np.array([np.nan, 1.0, 1.0])
    assert jump.find(watch, rise, unknown, nobody, metal).own.tolist() == [False, True, False]


def test_unrest_is_what_comes_and_goes_and_not_what_grows() -> None:
    b, tracked, before = settled(2)
    amps = np.concatenate([before, np.full(90, 90.0)])
    own = np.full((len(amps), 2), 6.0)
    count = len(amps) - len(before)
    own[len(before) :, 0] = 6.0 + 12.0 * (np.arange(count) // 6 % 2)  # a minute well, a minute bad
    own[len(before) :, 1] = 6.0 + 6.0 * np.arange(count) / count  # twice as bad at the end
    seen = go_on(b, tracked, windows(lived(own, amps, seed=5), amps)[len(before) :])
    unrest = seen[-1][0].unrest
    assert unrest[0] > 5.0 and unrest[1] < 2.0


def test_a_joint_that_was_never_learned_or_is_restless_is_not_believed() -> None:
    own = np.full((60, 1), 8.0)
    nobody = np.zeros((0, 1), dtype=bool)
    assert _found(own, 1, nobody, calm=1.0).own.all()
    assert not _found(own, 1, nobody, calm=float("nan")).own.any()
    assert not _found(own, 1, nobody, calm=6.0).own.any()


def test_believing_moves_the_rise_and_starts_anew() -> None:
    b, tracked, before = settled(2)
    amps = np.concatenate([before, np.full(60, 90.0)])
    own = np.full((len(amps), 2), 6.0)
    own[len(before) :, 0] = 10.0
    watch = jump.empty(2)
    for inputs in windows(lived(own, amps, seed=5), amps)[len(before) :]:
        tracked = estimator.step(b, tracked, inputs, GAP_SECONDS)
        watch = jump.step(watch, b, tracked, inputs)
    rise, _ = estimator.mixed_rise(tracked, estimator.weights(tracked))
    found = jump.find(watch, rise, np.ones(2), np.zeros((0, 2), dtype=bool))
    after, moved = jump.believe(watch, tracked, found, rise)
    new, _ = estimator.mixed_rise(moved, estimator.weights(moved))
    assert found.own.tolist() == [True, False]
    assert new[0] > rise[0] + 1.5 and new[1] == rise[1]
    # against what it was before the change, of which the filter had followed a part by itself
    assert after.ratio[0] == pytest.approx(new[0] / (new[0] - found.size_kelvin[0]), rel=0.01)
    assert after.ratio[0] > new[0] / rise[0] and after.ratio[1] == 1.0
    assert not after.information[0].any() and after.information[1].any()
    assert jump.forget(after).ratio.tolist() == [1.0, 1.0]


def test_a_load_far_beyond_the_record_is_believed_less_until_it_has_been_held() -> None:
    b, tracked, before = settled(1)
    amps = np.concatenate([before, np.full(420, 90.0)])
    own = np.full((len(amps), 1), 6.0)
    own[len(before) + 360 :] = 9.0
    record = windows(lived(own, amps, seed=5), amps)[len(before) :]
    told = {}
    for held in (0, 360):
        watch, t = jump.empty(1, np.array([0.081])), tracked
        for k, inputs in enumerate(record):
            t = estimator.step(b, t, inputs, GAP_SECONDS)
            if k >= 360 - held:
                watch = jump.step(watch, b, t, inputs)
        told[held] = jump.strongest(watch)[0][0]
    assert told[0] < 0.5 * jump.BELIEVED_SD
    assert told[360] > jump.BELIEVED_SD


def test_a_probe_that_lags_looks_like_no_change() -> None:
    """Loads that come and go for minutes show the lag of a probe, which the two modes do not have."""
    b, tracked, before = settled(1)
    pulses = np.where(np.arange(540) // 18 % 2 == 0, 90.0, 20.0)
    amps = np.concatenate([before, pulses])
    celsius = lived(np.full((len(amps), 1), 6.0), amps, seed=None)
    for k in range(1, len(celsius)):  # 20 s
        celsius[k] = celsius[k - 1] + (1.0 - np.exp(-0.5)) * (celsius[k] - celsius[k - 1])
    celsius += 0.02 * np.random.default_rng(5).standard_normal(celsius.shape)
    record = windows(celsius, amps)[len(before) :]
    deviations = np.array([s[1][0] for s in go_on(b, tracked, record)])
    assert np.abs(deviations).max() < jump.BELIEVED_SD


def test_a_joint_without_a_visible_rise_is_not_matched() -> None:
    b, tracked, before = settled(1)
    amps = np.concatenate([before, np.full(60, 15.0)])  # 14 K at 100 A: 0.3 K
    record = windows(lived(np.full((len(amps), 1), 6.0), amps, seed=5), amps)[len(before) :]
    watch, _, _ = go_on(b, tracked, record)[-1]
    assert not watch.information.any()


def test_who_is_excused_is_not_accused() -> None:
    b, tracked, before = settled(2)
    amps = np.concatenate([before, np.full(60, 90.0)])
    own = np.full((len(amps), 2), 6.0)
    own[len(before) :] = 10.0
    watch = go_on(b, tracked, windows(lived(own, amps, seed=5), amps)[len(before) :])[-1][0]
    rise, nobody = np.full(2, 14.0), np.zeros((0, 2), dtype=bool)
    found = jump.find(watch, rise, np.ones(2), nobody, excused=np.array([True, False]))
    assert found.own.tolist() == [False, True]
    calm = jump.calmed(watch, np.array([True, False]))
    assert not calm.information[0].any() and calm.information[1].any()


def test_what_all_joints_of_a_current_show_together_is_no_contact() -> None:
    nan = float("nan")
    groups = np.array([[True, True, True, False, False], [False, False, False, True, True]])
    found = jump.own_unrest(np.array([8.0, 6.0, 7.0, 9.0, 1.0]), groups, range(5))
    assert (found[:3] < 1.5).all(), "one current that was read late"
    assert found[3] == 9.0, "two are no company"
    alone = jump.own_unrest(np.array([8.0, 0.9, 1.1, nan, nan]), groups, range(5))
    assert alone[0] == 8.0 and alone[1] == pytest.approx(0.9 / 4.55)
    assert np.isnan(alone[3:]).all()
    unknown = jump.own_unrest(np.array([8.0, nan, 5.0, nan, 4.0]), groups, range(5))
    assert unknown[0] == 8.0 and unknown[2] == 5.0


def test_a_contact_does_not_heal_by_itself_but_what_was_believed_may_be_taken_back() -> None:
    information, evidence = np.zeros((2, jump.MOMENTS)), np.zeros((2, jump.MOMENTS))
    information[:, 0], evidence[:, 0] = 50.0, -6.5 * np.sqrt(50.0)  # 6.5 deviations, 0.9 K of 8 K less
    seen = replace(jump.empty(2), information=information, evidence=evidence, heating=np.full(2, 0.8))
    nobody = np.zeros((0, 2), dtype=bool)
    believed_before = replace(seen, ratio=np.array([1.0, 1.4]))
    assert jump.find(believed_before, np.full(2, 8.0), np.ones(2), nobody).own.tolist() == [False, True]
    far = replace(seen, evidence=evidence * 1.5)
    assert jump.find(far, np.full(2, 8.0), np.ones(2), nobody).own.all(), "a probe that came off"
    worse = replace(seen, evidence=-evidence)
    assert jump.find(worse, np.full(2, 8.0), np.ones(2), nobody).own.all()


def test_a_change_is_counted_from_what_a_cooled_joint_was_while_it_was_good() -> None:
    """A fan that stops makes of a joint what it was when its baseline was taken."""
    b, tracked, before = settled(1)
    amps = np.concatenate([before, np.full(60, 90.0)])
    own = np.full((len(amps), 1), 6.0)
    own[len(before) :] = 9.0
    watch, _, _ = go_on(b, tracked, windows(lived(own, amps, seed=5), amps)[len(before) :])[-1]
    rise = np.full(1, 14.0)
    found = jump.find(watch, rise, np.ones(1), np.zeros((0, 1), dtype=bool))
    assert found.own.all()
    plain = jump.believe(watch, tracked, found, rise)[0].ratio[0]
    unknown = jump.believe(watch, tracked, found, rise, np.array([float("nan")]))[0].ratio[0]
    assert plain == unknown > 1.1
    back = jump.believe(watch, tracked, found, rise, np.array([30.0]))[0].ratio[0]
    assert back == 1.0
    beyond = jump.believe(watch, tracked, found, rise, np.array([rise[0] * 0.95]))[0].ratio[0]
    assert 1.0 < beyond <= plain


def test_an_air_that_does_not_reach_all_of_a_joint_is_no_change(monkeypatch: pytest.MonkeyPatch) -> None:
    """A battery's post keeps warm when a hatch opens: a third of its surroundings stays as it was."""
    b, tracked, before = settled(1)
    count = 240
    amps = np.concatenate([before, np.full(count, 90.0)])
    celsius = lived(np.full((len(amps), 1), 6.0), amps, seed=5)
    record = windows(celsius, amps)[len(before) :]
    air = 20.0 - 14.0 * (1.0 - np.exp(-np.arange(count) / 60.0))
    fast, slow, cold = 20.0, 20.0, []
    for k in range(count):
        fast += (1.0 - np.exp(-10.0 / 120.0)) * (air[k] - fast)
        slow += (1.0 - np.exp(-10.0 / 1200.0)) * (air[k] - slow)
        follows = 0.65 * (0.3 * fast + 0.7 * slow - 20.0)
        inputs = record[k]
        cold.append(
            replace(
                inputs,
                probe_celsius=inputs.probe_celsius + follows,
                air_celsius=np.full(1, air[k]),
            )
        )
    seen = go_on(b, tracked, cold)
    assert max(s[1][0] for s in seen) < jump.BELIEVED_SD
    monkeypatch.setattr(jump, "UNFOLLOWED_RATIO", 0.0)
    assert max(jump.strongest(s[0])[0][0] for s in seen) > jump.BELIEVED_SD


def test_beside_a_machines_body_less_of_a_share_is_enough_if_it_is_a_whole_kelvin() -> None:
    information, evidence = np.zeros((2, jump.MOMENTS)), np.zeros((2, jump.MOMENTS))
    size = np.array([1.8, 0.9])  # 6 % of the rises below
    information[:, 0] = (7.0 / size) ** 2
    evidence[:, 0] = size * information[:, 0]
    seen = replace(jump.empty(2), information=information, evidence=evidence, heating=np.full(2, 0.7))
    nobody = np.zeros((0, 2), dtype=bool)
    assert jump.find(seen, np.array([30.0, 15.0]), np.ones(2), nobody).own.tolist() == [True, False]


def test_what_a_fan_makes_of_each_is_what_it_makes_of_the_others_give_or_take() -> None:
    count = 5
    information, evidence = np.zeros((2, count, jump.MOMENTS)), np.zeros((2, count, jump.MOMENTS))
    rise = np.full(count, 10.0)
    sharp = np.array([3.0, 2.0, 2.0, 2.0, 2.0])  # deviations for each kelvin
    for case, size in enumerate(([3.0, 2.0, 1.5, 2.5, 2.0], [3.0, 0.1, -0.1, 0.2, 0.0])):
        information[case, :, 0] = sharp**2
        evidence[case, :, 0] = np.array(size) * sharp**2
    everybody = np.ones((1, count), dtype=bool)
    for case, accused in ((0, False), (1, True)):
        seen = replace(
            jump.empty(count),
            information=information[case],
            evidence=evidence[case],
            heating=np.full(count, 0.8),
        )
        found = jump.find(seen, rise, np.ones(count), everybody)
        assert abs(found.deviations[0]) > jump.BELIEVED_SD
        assert found.own.tolist() == [accused, False, False, False, False]
