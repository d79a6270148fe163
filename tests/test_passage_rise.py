"""The figure of a whole passage: least squares, independent of others, honest, kept over a restart."""

import json
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

import boats
from lugwatch import estimator, passage_rise, pipeline, snapshot
from lugwatch.estimator import OFFSET, OWN, SOAK, Bank, Inputs, Tracked
from lugwatch.model import Event

Array = NDArray[np.float64]
RATED_AMPS = 100.0
AIR_CELSIUS = 20.0
TAU_FAST, TAU_SLOW = 150.0, 1500.0
WINDOW_SECONDS = 30.0
COPPER = 0.00393  # /K at 20 °C (IEC 60028)


def bank(walk_ratio: float = 1e-9, offset_walk: float = 1e-9) -> Bank:
    """One joint, six times the same shape."""
    row = (TAU_FAST, TAU_SLOW, 0.3, 0.0, offset_walk, walk_ratio, 0.04)
    tuning = replace(estimator.SHAPE_KNOWN, mode_walk_kelvin=1e-9)
    return estimator.bank_of(np.tile(row, (6, 1)), np.array([RATED_AMPS]), np.array([False]), tuning)


def load(steps: int, seed: int) -> Array:
    """I² against the rated current's: an hour of much, then less and less, with bursts."""
    random = np.random.default_rng(seed)
    share = np.where(np.arange(steps) < 120, 0.8, 0.3) * (random.random(steps) > 0.2)
    return np.asarray(np.repeat(share[::10], 10)[:steps] + 0.1)


class Joint:
    """Two modes driven by a load, and what a noisy probe makes of them."""

    def __init__(self, own: float, soak: float, offset: float, random: np.random.Generator) -> None:
        self.own, self.soak, self.offset, self.random = own, soak, offset, random
        self.modes = np.zeros(2)
        self.seconds = 0.0

    def window(self, share: float, noise: float = 0.04) -> Inputs:
        # the heating is worked out from what the probe says, as the filter does it
        keep = np.exp(-WINDOW_SECONDS / np.array([TAU_FAST, TAU_SLOW]))
        sharing = np.array([self.own, self.soak]) * share
        noise_kelvin = noise * self.random.standard_normal()
        # T appears on both sides, linearly: pull·(1 + α(T − 20)) with T = modes + offset + air + noise
        pull = (1.0 - keep) * sharing
        still = keep * self.modes + pull * (1.0 - COPPER * 20.0)
        base = AIR_CELSIUS + self.offset + noise_kelvin
        celsius = (still.sum() + base) / (1.0 - COPPER * pull.sum())
        self.modes = still + pull * COPPER * celsius
        self.seconds += WINDOW_SECONDS
        return Inputs(
            monotonic_seconds=self.seconds,
            probe_celsius=np.array([celsius]),
            probe_count=np.array([1.0]),
            air_celsius=np.array([AIR_CELSIUS]),
            neighbour_celsius=np.array([np.nan]),
            amps_squared=np.array([share * RATED_AMPS**2]),
            loaded=np.array([True]),
        )


def first(a_bank: Bank, own: float, soak: float) -> Tracked:
    """The tracking filter where a passage begins: what was learned, nothing in the modes."""
    tracked = estimator.initial(a_bank)
    mean = tracked.mean.copy()
    mean[:, OWN], mean[:, SOAK], mean[:, OFFSET] = own, soak, 0.0
    covariance = tracked.covariance.copy()
    covariance[:, :2, :2] = 0.0
    return replace(
        tracked,
        mean=mean,
        covariance=covariance,
        air_fast_celsius=np.full(6, AIR_CELSIUS),
        air_slow_celsius=np.full(6, AIR_CELSIUS),
        started=np.array([True]),
        stepped=np.zeros(1),
    )


def lived(
    joint: Joint, loads: Array, a_bank: Bank, *, learned: tuple[float, float], noise: float = 0.04
) -> tuple[passage_rise.Course, list[Inputs]]:
    """A passage of one joint; the modes are at rest when it begins."""
    tracked = first(a_bank, *learned)
    course = passage_rise.restart(passage_rise.empty(1), np.array([True]), tracked)
    course = replace(passage_rise.begin(course, tracked), broken=np.array([False]))
    inputs = []
    for share in loads:
        inputs.append(joint.window(float(share), noise))
        tracked = estimator.step(a_bank, tracked, inputs[-1], 600.0)
        course, _ = passage_rise.step(course, a_bank, tracked, inputs[-1])
    return course, inputs


def test_it_is_the_least_squares_of_the_whole_passage() -> None:
    """numpy's least squares over all windows at once as the oracle: unknown are how much more than learned
    both modes are heated and the offset, with what is believed before as three more rows."""
    own, soak = 9.0, 6.0
    loads = load(400, 3)
    joint = Joint(10.5, 7.5, 0.2, np.random.default_rng(4))
    course, inputs = lived(joint, loads, bank(), learned=(own, soak))
    keep = np.exp(-WINDOW_SECONDS / np.array([TAU_FAST, TAU_SLOW]))
    learned, each = np.zeros(2), np.zeros(2)
    rows, values = [], []
    for share, window in zip(loads, inputs, strict=True):
        celsius = float(window.probe_celsius[0])
        heating = share * (1.0 + COPPER * (celsius - 20.0))
        learned = keep * learned + (1.0 - keep) * heating * np.array([own, soak])
        each = keep * each + (1.0 - keep) * heating
        rows.append([*each, 1.0])
        values.append(celsius - AIR_CELSIUS - learned.sum())
    root = np.linalg.cholesky(passage_rise.UNKNOWN * (own + soak) ** 2)
    rows += [[*row, 0.0] for row in (0.04 * np.linalg.inv(root)).tolist()]
    rows += [[0.0, 0.0, 0.04 / passage_rise.OFFSET_SD_KELVIN]]
    values += [0.0, 0.0, 0.0]
    found, *_ = np.linalg.lstsq(np.array(rows), np.array(values), rcond=None)
    more = float(found[0] + found[1])
    assert course.mean[[OWN, SOAK], 0].sum() == pytest.approx(own + soak + more, rel=2e-4)
    assert own + soak + more == pytest.approx(18.0, rel=0.02)


@pytest.mark.parametrize("gain", [1.0, 1.3, 2.0])
def test_a_joint_that_heats_more_is_told_by_as_much(gain: float) -> None:
    """What a contact makes more goes by halves into both modes."""
    more = 0.5 * (gain - 1.0) * 15.0
    joint = Joint(9.0 + more, 6.0 + more, 0.3, np.random.default_rng(1))
    course, _ = lived(joint, load(400, 2), bank(0.0005, 0.05), learned=(9.0, 6.0))
    rise, sd = passage_rise.rise_kelvin(course)
    assert rise[0] == pytest.approx(gain * 15.0, rel=0.02)
    assert 0.0 < sd[0] < 0.1 * rise[0]


def test_the_passage_before_is_forgotten() -> None:
    """Else passages would follow each other like a walk, and a rank test would see creeps."""
    a_bank = bank(0.0005, 0.05)
    after_much, _ = lived(
        Joint(20.0, 14.0, 0.0, np.random.default_rng(5)), load(300, 1), a_bank, learned=(9.0, 6.0)
    )
    figures = []
    for before in (after_much, passage_rise.empty(1)):
        tracked = first(a_bank, 9.0, 6.0)
        course = replace(before, split_kelvin=np.array([[9.0], [6.0]]))
        course = replace(passage_rise.begin(course, tracked), broken=np.array([False]))
        joint = Joint(9.0, 6.0, 0.0, np.random.default_rng(6))
        for share in load(300, 2):
            window = joint.window(float(share))
            tracked = estimator.step(a_bank, tracked, window, 600.0)
            course, _ = passage_rise.step(course, a_bank, tracked, window)
        figures.append(passage_rise.rise_kelvin(course)[0][0])
    assert figures[0] == figures[1]


def test_its_deviation_is_honest_on_its_own_model() -> None:
    """60 passages: errors over deviations, without draughts, in the chi-square band of 99 %."""
    squares = []
    for seed in range(60):
        random = np.random.default_rng([seed, 9])
        share = random.normal(1.0, 0.2)
        half = 0.5 * (share - 1.0) * 15.0
        joint = Joint(9.0 + half, 6.0 + half, random.normal(0.0, 1.0), random)
        course, _ = lived(joint, load(120, seed), bank(), learned=(9.0, 6.0))
        variance = course.covariance[OWN : SOAK + 1, OWN : SOAK + 1, 0].sum()
        squares.append((course.mean[[OWN, SOAK], 0].sum() - 15.0 * share) ** 2 / variance)
    # chi-square of 60: 35.5 to 92.0 (NIST handbook table 1.3.6.7.4, from memory)
    assert 35.5 < sum(squares) < 92.0


def test_a_believed_change_begins_it_anew() -> None:
    a_bank = bank(0.0005, 0.05)
    joint = Joint(9.0, 6.0, 0.0, np.random.default_rng(7))
    tracked = first(a_bank, 9.0, 6.0)
    course = passage_rise.begin(
        passage_rise.restart(passage_rise.empty(1), np.array([True]), tracked), tracked
    )
    for number, share in enumerate(load(400, 2)):
        if number == 200:
            joint.own, joint.soak = joint.own + 4.0, joint.soak + 4.0
            course = passage_rise.reopened(course, np.array([True]))
        window = joint.window(float(share))
        tracked = estimator.step(a_bank, tracked, window, 600.0)
        course, _ = passage_rise.step(course, a_bank, tracked, window)
    assert passage_rise.rise_kelvin(course)[0][0] == pytest.approx(23.0, rel=0.03)


def test_little_load_tells_nothing() -> None:
    course, _ = lived(Joint(9.0, 6.0, 0.0, np.random.default_rng(8)), load(8, 1), bank(), learned=(9.0, 6.0))
    assert np.isnan(passage_rise.rise_kelvin(course)[0]).all()
    assert np.isnan(passage_rise.rise_kelvin(passage_rise.empty(3))[1]).all()


def test_a_current_that_is_missing_for_a_while_spoils_nothing() -> None:
    a_bank = bank(0.0005, 0.05)
    figures = []
    for missing in (range(0), range(150, 165)):
        joint = Joint(9.0, 6.0, 0.0, np.random.default_rng(10))
        tracked = first(a_bank, 9.0, 6.0)
        course = passage_rise.begin(
            passage_rise.restart(passage_rise.empty(1), np.array([True]), tracked), tracked
        )
        for number, share in enumerate(load(400, 2)):
            window = joint.window(float(share))
            if number in missing:
                window = replace(window, amps_squared=np.array([np.nan]), loaded=np.array([False]))
            tracked = estimator.step(a_bank, tracked, window, 300.0)
            course, _ = passage_rise.step(course, a_bank, tracked, window)
        figures.append(passage_rise.rise_kelvin(course)[0][0])
    assert figures[1] == pytest.approx(figures[0], rel=0.03)


def events(begin: int, end: int) -> list[Event]:
    found: list[Event] = []
    for k in range(begin, end):
        celsius = boats.two_mode_celsius(5.0 * k, 90.0)
        found += [
            boats.scan(5.0 * k, bar=round(celsius * 16) / 16, air=20.0, alternator=90.0),
            boats.tick(5.0 * k),
        ]
    return found


def test_a_restart_in_mid_passage_loses_nothing_of_it() -> None:
    through, _ = boats.run(boats.begin(boats.boat()), events(0, 1100))
    half, _ = boats.run(boats.begin(boats.boat()), events(0, 800))
    text = json.dumps(json.loads(snapshot.to_text(half, 3995.0, boats.START_TIME + 3_995_000)))
    resumed = snapshot.resume(
        pipeline.begin(boats.boat(), 3996.0, boats.START_TIME + 3_996_000),
        text,
        3996.0,
        boats.START_TIME + 3_996_000,
    )
    assert resumed.course.loaded_seconds == pytest.approx(half.course.loaded_seconds)
    resumed, _ = boats.run(resumed, events(800, 1100))
    assert through.passages.open is not None and resumed.passages.open is not None
    was, now = (s.passages.open.joints["bar"] for s in (through, resumed))  # type: ignore[union-attr]
    assert was.rise_coefficient is not None
    assert now.rise_coefficient == pytest.approx(was.rise_coefficient, rel=0.02)
