"""Proof from a step: the answer of common practice, honest intervals, and verdicts only when they are due."""

import numpy as np
import pytest
from numpy.typing import NDArray

from lugwatch import proof, thermal
from lugwatch import step_response as prior
from lugwatch.exponential import fit_exponential
from lugwatch.proof import Judgement, Poor, StepForecast, Verdict, forecast_step, judge
from lugwatch.simulator.air import Space
from lugwatch.simulator.boat import JOINTS, make_boat
from lugwatch.simulator.plant import heat_flows
from lugwatch.simulator.scenarios import Scenario
from lugwatch.simulator.simulation import Simulation

Array = NDArray[np.float64]
MINUTES = (3, 5, 10, 20)

# Common practice, no published source: a terminal at 90 A, and an alternator's 150 A for hours
PRACTICE = ([60.0, 300.0, 600.0], [33.0, 40.0, 42.2], [90.0, 90.0, 90.0])


def practice(reference: list[float] | None) -> StepForecast:
    seconds, probe, amps = PRACTICE
    return forecast_step(seconds, probe, reference, amps, load_began_seconds=0.0, asked_amps=150.0)


@pytest.mark.parametrize("reference", [None, [29.4, 29.4, 29.4]])
def test_the_terminal_of_common_practice(reference: list[float] | None) -> None:
    """A single exponential: from 29.4 °C to 42.8, a rise of 13.4 K, and about 37 K at 150 A."""
    got = practice(reference)
    # if there were nothing but what three readings show, it is that exponential
    assert got.without_slow_kelvin == pytest.approx(13.4, abs=0.7)
    assert got.surroundings_celsius == pytest.approx(29.4, abs=1.0)
    for rise, single in ((got.tested, 13.4), (got.asked, 13.4 * (150.0 / 90.0) ** 2)):
        assert rise.high_kelvin is not None
        assert rise.low_kelvin < single < rise.high_kelvin
        # the slow mode that three readings cannot see only adds: most of the interval lies above
        assert rise.high_kelvin - single > 3.0 * (single - rise.low_kelvin)
        assert rise.kelvin > single
    fit = fit_exponential(*PRACTICE[:2], with_start=True)
    assert fit is not None
    assert got.tested.low_kelvin < fit.size < got.tested.kelvin


def synthetic(random: np.random.Generator, minutes: float) -> tuple[Array, Array, Array, Array, float]:
    """A joint drawn from the stated prior with the stated errors: times, probe, air, current, true rise."""
    while True:
        fast = prior.TAU_FAST_MEDIAN_SECONDS * np.exp(prior.TAU_FAST_LOG_SD * random.standard_normal())
        slow = np.exp(random.uniform(*np.log(prior.TAU_SLOW_SECONDS[[0, -1]])))
        share = random.uniform(0.0, prior.SLOW_SHARES[-1])
        inside = prior.TAU_FAST_SECONDS[0] < fast < prior.TAU_FAST_SECONDS[-1]
        if inside and slow > prior.SLOWER_RATIO * fast and share * (slow - fast) <= slow:
            break
    rise = prior.RISE_MEDIAN_KELVIN * np.exp(prior.RISE_LOG_SD * random.standard_normal())
    air, amps = random.uniform(10.0, 40.0), random.uniform(40.0, 160.0)
    offset, held_fast, held_slow = (
        sd * random.standard_normal()
        for sd in (prior.OFFSET_SD_KELVIN, prior.MODE_SD_KELVIN, prior.MODE_SD_KELVIN)
    )
    times = np.sort(random.uniform(-180.0, 60.0 * minutes, round(12 * (minutes + 3))))
    times[-1] = 60.0 * minutes
    f, s, error, now = held_fast, held_slow, random.standard_normal(2), times[0]
    probe, current = np.empty(len(times)), np.empty(len(times))
    for i, moment in enumerate(times):
        load = 1.0 + 0.02 * random.standard_normal() if moment > 0.0 else 0.0
        for step in np.diff(np.linspace(now, moment, 3)):
            u = load**2 * (1.0 + 0.00393 * (air + offset + f + s - 20.0))
            since = step if now >= 0.0 else max(0.0, min(step, moment / 2.0))
            f = f * np.exp(-step / fast) + rise * (1.0 - share) * u * -np.expm1(-since / fast)
            s = s * np.exp(-step / slow) + rise * share * u * -np.expm1(-since / slow)
        keep = np.exp(-(moment - now) / prior.MODEL_SECONDS)
        error = keep * error + np.sqrt(1.0 - keep**2) * random.standard_normal(2)
        rate = (rise * (1.0 - share) * load**2 - f) / fast + (rise * share * load**2 - s) / slow
        late = prior.PROBE_LAG_SECONDS * error[1] * rate
        true = air + offset + (f + s) * (1.0 + prior.MODEL_RATIO * error[0]) - late
        probe[i], current[i] = true + prior.SENSOR_SD_KELVIN * random.standard_normal(), load * amps
        now = moment
    settling = rise * (1.0 + prior.SETTLING_RATIO * random.standard_normal())
    settled, runaway = thermal.settling_celsius(np.array(air), np.array(settling), np.array(1.0))
    return times, probe, np.full(len(times), air), current, np.inf if runaway else float(settled - air)


def widths(rises: list[tuple[proof.Rise, float]]) -> tuple[float, float]:
    """Share of intervals that hold the truth, and their median width against it."""
    inside = [r.low_kelvin <= t <= (r.high_kelvin or np.inf) for r, t in rises]
    # a joint that runs away has no width to compare
    width = [((r.high_kelvin or np.inf) - r.low_kelvin) / t for r, t in rises if np.isfinite(t)]
    return float(np.mean(inside)), float(np.median(width))


@pytest.mark.slow
def test_intervals_cover_what_they_state_on_joints_of_the_prior() -> None:
    """300 seeded joints for each length of test; the band 93 to 97 % is for all of them together."""
    found = []
    for minutes in MINUTES:
        random = np.random.default_rng([11, minutes])
        rises = []
        for _ in range(300):
            t, probe, air, amps, truth = synthetic(random, minutes)
            got = forecast_step(t, probe, air, amps, load_began_seconds=0.0, asked_amps=100.0)
            rises.append((got.tested, truth))
        found.append(widths(rises))
    covered, width = zip(*found, strict=True)
    assert 0.93 <= np.mean(covered) <= 0.97, covered
    # one length alone: three standard errors of 300 draws about 95 %
    assert all(0.91 <= c <= 0.99 for c in covered), covered
    assert list(width) == sorted(width, reverse=True), width
    assert width[-1] < 0.9 < 1.8 < width[0], width  # measured 0.80 and more than twice that


JOINTS_UNDER_LOAD = {
    "bar_battery": "battery",
    "bar_inverter": "inverter",
    "switch_battery": "battery",
    "battery_positive": "battery",
    "negative_battery": "battery",
    "inverter_positive": "inverter",
}
REST_SECONDS = 300.0


def step_on_a_boat(seed: int) -> tuple[Simulation, list[dict[str, float | None]], float]:
    """An evening at anchor: five minutes of rest, then the inverter for twenty; a row every 5 s."""
    random = np.random.default_rng([seed, 77])
    amps = float(random.uniform(60.0, 170.0))
    scenario = Scenario(
        name="proof",
        duration_seconds=REST_SECONDS + 1200.0,
        house_amps=((0.0, 4.0),),
        inverter_amps=((0.0, 0.0), (REST_SECONDS, amps)),
        start_day_seconds=float(random.uniform(0.0, 86400.0)),
    )
    boat = Simulation(make_boat(seed), scenario, seed=seed)
    rows = []
    for second in range(int(scenario.duration_seconds) + 1):
        if second % 5 == 0:
            rows.append(boat.readings())
        boat.advance(1.0)
    return boat, rows, amps


def settled_celsius(boat: Simulation, amps: Array) -> Array:
    """Where the boat's own network comes to rest with this air and current: damped fixed point."""
    network, air = boat.boat.network, boat.air.celsius.copy()
    lumps = len(network.names) - network.body_count
    boat.amps = amps
    celsius = boat.celsius.copy()
    celsius[lumps:] = boat._body_targets(False)
    still, around = np.ones(2), air[network.space_index]
    watts = amps[network.current_index] ** 2 * network.resistance_ohms
    for _ in range(60):
        flows = heat_flows(network, celsius, amps, air, still, boat.resistance_ratio)
        difference = celsius - around
        small = np.abs(difference) < 1e-6
        loss = np.where(small, 0.5 * network.surface * network.convection, flows.lost / (difference + small))
        matrix = (network.conduction - np.diag(loss) + np.diag(watts * network.resistance_per_kelvin))[:lumps]
        known = -(loss * around)[:lumps] - (watts * (1.0 - 20.0 * network.resistance_per_kelvin))[:lumps]
        solved = np.linalg.solve(matrix[:, :lumps], known - matrix[:, lumps:] @ celsius[lumps:])
        celsius[:lumps] += 0.5 * (solved - celsius[:lumps])
    return celsius


@pytest.mark.slow
def test_intervals_hold_the_truth_on_a_plant_that_is_not_the_model() -> None:
    """Cables of many nodes, cooling that is not linear, draughts, heavy bodies: 12 boats, six joints each."""
    at_test: dict[int, list[tuple[proof.Rise, float]]] = {m: [] for m in MINUTES}
    half_more: dict[int, list[tuple[proof.Rise, float]]] = {m: [] for m in MINUTES}
    for seed in range(12):
        boat, rows, amps = step_on_a_boat(seed)
        t = np.arange(len(rows)) * 5.0 - REST_SECONDS
        currents = np.array([0.0, -amps - 4.0, 4.0, amps])
        settled, settled_more = settled_celsius(boat, currents), settled_celsius(boat, 1.5 * currents)
        for joint, current in JOINTS_UNDER_LOAD.items():
            space = next(j.space for j in JOINTS if j.joint == joint)
            air = "air_machinery" if space is Space.MACHINERY else "air_locker"
            column = {c: np.array([r[c] for r in rows], dtype=float) for c in (joint, air, current)}
            node = boat.boat.network.index(joint)
            flowing = amps + 4.0 if current == "battery" else amps
            for minutes in MINUTES:
                seen = t <= 60.0 * minutes
                got = forecast_step(
                    t[seen], column[joint][seen], column[air][seen], column[current][seen],
                    load_began_seconds=0.0, asked_amps=1.5 * flowing,
                )  # fmt: skip
                outside = boat.air.celsius[space]
                at_test[minutes].append((got.tested, settled[node] - outside))
                half_more[minutes].append((got.asked, settled_more[node] - outside))
    found = {m: (widths(at_test[m]), widths(half_more[m])) for m in MINUTES}
    for (covered, _), _ in found.values():
        assert covered >= 0.90, found
    assert np.mean([more[0] for _, more in found.values()]) >= 0.90, found
    width = [found[m][0][1] for m in MINUTES]
    assert width == sorted(width, reverse=True), found


def step(
    rise: float, minutes: float = 20.0, amps: float = 100.0, wander: float = 0.0, warming: float = 0.0
) -> tuple[Array, Array, Array, Array]:
    """A joint with τ 200 and 1500 s, 30 % slow, without copper's own warming."""
    t = np.arange(-60.0, 60.0 * minutes + 1.0, 10.0)
    on = np.maximum(t, 0.0)
    air = 22.0 + warming * on / (60.0 * minutes)
    shape = 0.7 * -np.expm1(-on / 200.0) + 0.3 * -np.expm1(-on / 1500.0)
    swing = 1.0 + wander * np.where(np.arange(len(t)) % 2 == 0, 1.0, -1.0)
    return t, air + rise * shape, air, np.where(t > 0.0, amps * swing, 0.0)


def judged(rows: tuple[Array, Array, Array, Array], allowed: float, rated: float = 100.0) -> Judgement:
    return judge(*rows, load_began_seconds=0.0, rated_amps=rated, allowed_rise_kelvin=allowed)


@pytest.mark.parametrize(
    ("rise", "minutes", "allowed", "verdict"),
    [
        (15.0, 20.0, 40.0, Verdict.SOUND),
        (60.0, 20.0, 25.0, Verdict.BAD),
        (60.0, 10.0, 25.0, Verdict.BAD),  # bad is often plain before the end
        (15.0, 4.0, 16.0, Verdict.NOT_YET),
        (15.0, 20.0, 15.5, Verdict.DOUBTFUL),
    ],
)
def test_a_verdict_only_when_the_interval_is_on_one_side(
    rise: float, minutes: float, allowed: float, verdict: Verdict
) -> None:
    got = judged(step(rise, minutes), allowed)
    assert (got.verdict, got.poor) == (verdict, None)
    assert got.forecast is not None
    low, high = got.forecast.asked.low_kelvin, got.forecast.asked.high_kelvin
    straddles = low <= allowed and (high is None or high >= allowed)
    assert straddles == (verdict in (Verdict.NOT_YET, Verdict.DOUBTFUL))


@pytest.mark.parametrize(
    ("rows", "rated", "poor"),
    [
        (step(15.0, 2.0), 100.0, Poor.TOO_SHORT),
        (step(15.0, 0.1), 100.0, Poor.TOO_SHORT),
        (step(15.0), 400.0, Poor.TOO_LITTLE_CURRENT),
        (step(15.0, wander=0.5), 100.0, Poor.CURRENT_UNSTEADY),
        (step(15.0, warming=12.0), 100.0, Poor.SURROUNDINGS_MOVING),
    ],
)
def test_a_poor_test_says_why(rows: tuple[Array, Array, Array, Array], rated: float, poor: Poor) -> None:
    got = judged(rows, 500.0, rated)
    assert (got.verdict, got.poor) == (Verdict.POOR_TEST, poor)


def test_another_current_goes_by_the_square_and_less_as_cooling_improves() -> None:
    got = forecast_step(*step(15.0), load_began_seconds=0.0, asked_amps=200.0)
    # load exponents of 1.6 to 2.0, and copper that is warmer by some 50 K
    assert 2.0**1.6 < got.asked.kelvin / got.tested.kelvin < 2.0**2 * 1.25
    assert got.asked.low_kelvin / got.asked.kelvin < got.tested.low_kelvin / got.tested.kelvin
    same = forecast_step(*step(15.0), load_began_seconds=0.0, asked_amps=100.0)
    assert same.asked.kelvin == pytest.approx(same.tested.kelvin)


def test_runaway_has_no_upper_end() -> None:
    got = forecast_step(*step(60.0), load_began_seconds=0.0, asked_amps=300.0)
    assert got.asked.high_kelvin is None
    assert got.asked.sd_kelvin is None
    assert np.isfinite(got.asked.low_kelvin)


def test_the_same_readings_give_the_same_answer_and_two_are_needed() -> None:
    assert practice(None) == practice(None)
    with pytest.raises(ValueError, match="two readings"):
        forecast_step([0.0, 5.0], [20.0, 21.0], None, [0.0, 9.0], load_began_seconds=0.0, asked_amps=9.0)


def test_irregular_and_doubled_readings_tell_the_same() -> None:
    t, probe, air, amps = step(15.0)
    random = np.random.default_rng(8)
    some = np.sort(random.choice(len(t), len(t) // 2, replace=False))
    whole = forecast_step(t, probe, air, amps, load_began_seconds=0.0, asked_amps=100.0)
    part = forecast_step(
        t[some], probe[some], air[some], amps[some], load_began_seconds=0.0, asked_amps=100.0
    )
    assert part.tested.kelvin == pytest.approx(whole.tested.kelvin, rel=0.05)
