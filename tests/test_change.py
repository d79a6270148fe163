"""Run lengths of the sums, and rank statistics against published examples and other libraries."""

import numpy as np
import pymannkendall
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from lugwatch import change

Array = NDArray[np.float64]

# Average run lengths of a two-sided CUSUM, k = 0.5, from zero, by shift of the mean in sigma.
# Montgomery, Introduction to Statistical Quality Control, table 9.3 (printed figures from memory;
# an 80-point Gauss-Legendre solution of the run-length integral equation gives the same digits).
RUN_LENGTHS = {
    4.0: {0.0: 167.68, 0.25: 74.22, 0.5: 26.63, 0.75: 13.29, 1.0: 8.38,
          1.5: 4.75, 2.0: 3.34, 2.5: 2.62, 3.0: 2.19, 4.0: 1.71},
    5.0: {0.0: 465.44, 0.25: 139.49, 0.5: 38.00, 0.75: 17.05, 1.0: 10.38,
          1.5: 5.75, 2.0: 4.01, 2.5: 3.11, 3.0: 2.57, 4.0: 2.01},
}  # fmt: skip
RUNS = 4000

# Annual flow of the Nile at Aswan, 1871 to 1970 [10⁸ m³]: Cobb 1978; data set `Nile` of R.
NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140,
    995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840,
    874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821,
    768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676,
    649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815,
    1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
], dtype=float)  # fmt: skip
RISING = np.array([1.0, 2.3, 3.1, 4.5, 5.2, 6.8, 7.1, 8.9, 9.5, 10.2])
WAVERING = np.array([5.1, 5.0, 5.3, 5.2, 5.6, 5.5, 5.9, 5.8, 6.1, 6.4])


def run_lengths(shift: float, threshold: float, two_sided: bool, runs: int, seed: int) -> Array:
    """Steps until the decision, many runs side by side as if each were a joint; the decided leave."""
    random = np.random.default_rng([seed, round(shift * 100), round(threshold * 10)])
    decide = change.has_shifted if two_sided else change.has_risen
    state, lengths, steps = change.cusum_start(runs), [], 0
    while len(state.above):
        steps += 1
        state = change.cusum(state, random.standard_normal(len(state.above)) + shift, 0.5)
        over = decide(state, threshold)
        if over.any():
            lengths.extend([steps] * int(over.sum()))
            left = ~over
            state = change.Cusum(
                above=state.above[left], below=state.below[left],
                above_steps=state.above_steps[left], below_steps=state.below_steps[left],
            )  # fmt: skip
    return np.array(lengths, dtype=float)


@pytest.mark.parametrize(
    ("threshold", "shift", "expected"),
    [(h, mu, length) for h, row in RUN_LENGTHS.items() for mu, length in row.items()],
)
def test_two_sided_sums_run_as_long_as_published(threshold: float, shift: float, expected: float) -> None:
    lengths = run_lengths(shift, threshold, True, RUNS, seed=1)
    assert len(lengths) == RUNS
    # printed digits: half of the last one besides the luck of the draw
    assert abs(lengths.mean() - expected) < 4.0 * lengths.std() / np.sqrt(RUNS) + 0.005


@pytest.mark.parametrize(("threshold", "expected"), [(4.0, 335.4), (5.0, 930.9)])
def test_one_sided_sums_run_twice_as_long(threshold: float, expected: float) -> None:
    """1/ARL = 1/ARL+ + 1/ARL−, and the same integral equation."""
    lengths = run_lengths(0.0, threshold, False, RUNS, seed=2)
    assert abs(lengths.mean() - expected) < 4.0 * lengths.std() / np.sqrt(RUNS)


@given(st.lists(st.one_of(st.floats(-6.0, 6.0), st.just(float("nan"))), max_size=40))
def test_a_sum_by_hand_and_unseen_values_change_nothing(values: list[float]) -> None:
    state, above, below = change.cusum_start(1), 0.0, 0.0
    for value in values:
        state = change.cusum(state, np.array([value]))
        if value == value:
            above = max(0.0, above + (value - 0.5))
            below = max(0.0, below + (-value - 0.5))
    assert state.above[0] == pytest.approx(above, abs=1e-9)
    assert state.below[0] == pytest.approx(below, abs=1e-9)


def test_the_sum_remembers_when_it_began_and_how_far_it_has_risen() -> None:
    state = change.cusum_start(2)
    for _ in range(10):
        state = change.cusum(state, np.array([-1.0, 0.0]))
    for _ in range(20):
        state = change.cusum(state, np.array([2.0, 0.0]))
    assert state.above_steps.tolist() == [20, 0]
    assert change.risen_by_sigma(state)[0] == pytest.approx(2.0)
    assert change.risen_by_sigma(state)[1] == 0.0
    assert change.has_risen(state).tolist() == [True, False]


@pytest.mark.parametrize(
    ("values", "score", "variance", "z", "p", "tau"),
    [
        # recomputed with pymannkendall 1.4.3 and scipy 1.17; formula: documentation of R package `trend`
        (RISING, 45, 125.0, 3.93548, 8.3031e-05, 1.0),
        (WAVERING, 37, 125.0, 3.21994, 0.00128218, 0.82222),
        (NILE, -1387, 112728.33, -4.12807, 3.6583e-05, -0.28020),
    ],
)
def test_mann_kendall_of_worked_examples(
    values: Array, score: int, variance: float, z: float, p: float, tau: float
) -> None:
    got = change.mann_kendall(values)
    assert got.score == score
    assert got.variance == pytest.approx(variance, abs=0.005)
    assert got.z == pytest.approx(z, abs=5e-6)
    assert got.p_value == pytest.approx(p, rel=1e-4)
    assert got.tau == pytest.approx(tau, abs=5e-6)


@pytest.mark.parametrize(("values", "slope"), [(RISING, 1.05), (WAVERING, 0.15), (NILE, -2.6)])
def test_theil_sen_of_worked_examples(values: Array, slope: float) -> None:
    assert change.theil_sen(np.arange(len(values)), values).slope == pytest.approx(slope, abs=1e-9)


def test_theil_sen_interval_and_intercept_of_the_worked_example() -> None:
    got = change.theil_sen(np.arange(10), WAVERING)
    assert (got.slope_low, got.slope_high) == (pytest.approx(0.10, abs=0.005), pytest.approx(0.18, abs=0.005))
    assert got.intercept == pytest.approx(4.95)


# ties in the values and, for Theil-Sen, unequal times
SMALL = st.lists(st.tuples(st.integers(0, 30), st.integers(-6, 6)), min_size=5, max_size=40)


@given(SMALL)
def test_mann_kendall_agrees_with_other_libraries(rows: list[tuple[int, int]]) -> None:
    values = np.array([float(v) for _, v in rows])
    if len(set(values)) == 1:
        assert change.mann_kendall(values).p_value == 1.0
        return
    got, theirs = change.mann_kendall(values), pymannkendall.original_test(values)
    assert (got.score, got.variance) == (int(theirs.s), pytest.approx(float(theirs.var_s)))
    assert got.z == pytest.approx(theirs.z, abs=1e-12)
    assert got.p_value == pytest.approx(theirs.p, abs=1e-12)
    assert got.tau == pytest.approx(theirs.Tau)
    if len(set(values)) == len(values):
        assert got.tau == pytest.approx(stats.kendalltau(np.arange(len(values)), values).statistic)


@given(SMALL)
def test_theil_sen_agrees_with_scipy(rows: list[tuple[int, int]]) -> None:
    # unequal steps, no two values at one time: of doubly tied rows scipy takes the root of a negative number
    times = np.cumsum([1.0 + r[0] for r in rows])
    values = np.array([float(r[1]) for r in rows])
    got, theirs = change.theil_sen(times, values), stats.theilslopes(values, times, method="joint")
    assert got.slope == pytest.approx(theirs.slope, abs=1e-12)
    assert got.intercept == pytest.approx(theirs.intercept, abs=1e-9)
    assert (got.slope_low, got.slope_high) == (
        pytest.approx(theirs.low_slope),
        pytest.approx(theirs.high_slope),
    )


def test_a_line_through_one_time_is_refused() -> None:
    with pytest.raises(ValueError, match="two different times"):
        change.theil_sen([3.0, 3.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="two values"):
        change.mann_kendall([1.0])


@given(st.permutations(range(8)), st.integers(2, 8))
def test_the_exact_p_of_a_rise_agrees_with_scipy(order: list[int], n: int) -> None:
    values = np.array(order[:n], dtype=float)
    theirs = stats.kendalltau(np.arange(n), values, method="exact", alternative="greater").pvalue
    assert change.rising_p_value(values) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(("n", "orders"), [(4, 24), (5, 120), (6, 720), (7, 5040)])
def test_one_order_of_all_rises_throughout(n: int, orders: int) -> None:
    assert change.rising_p_value(np.arange(n)) == pytest.approx(1 / orders)
    assert change.rising_p_value(-np.arange(n)) == pytest.approx(1.0)


def test_the_exact_p_passes_over_into_the_normal_one() -> None:
    """As many values as are counted exactly: at p of a thousandth both ways agree to a tenth of it."""
    values = np.arange(change.EXACT_VALUES) + 40.0 * np.random.default_rng(8).standard_normal(60)
    assert change.rising_p_value(values) == pytest.approx(change.mann_kendall(values).p_value / 2, rel=0.1)
    # ties: the normal approximation, from either side
    tied = np.array([1.0, 1.0, 2.0, 3.0, 3.0, 4.0])
    assert change.rising_p_value(tied) == change.mann_kendall(tied).p_value / 2
    assert change.rising_p_value(-tied) == 1.0 - change.mann_kendall(tied).p_value / 2


@given(SMALL)
def test_the_line_by_time_apart_minimises_the_dispersion_of_its_residuals(
    rows: list[tuple[int, int]],
) -> None:
    """Jaeckel 1972: the slope that minimises Σ|e_j − e_i| over all pairs is the weighted median of theirs."""
    times = np.cumsum([1.0 + r[0] for r in rows])
    values = np.array([float(r[1]) for r in rows])
    first, second = np.triu_indices(len(times), k=1)

    def dispersion(slope: float) -> float:
        residual = values - slope * times
        return float(np.sum(np.abs(residual[second] - residual[first])))

    got = change.theil_sen_by_time_apart(times, values)
    slopes = (values[second] - values[first]) / (times[second] - times[first])
    # the dispersion is a convex polygon whose corners are the slopes of pairs
    assert dispersion(got.slope) == pytest.approx(min(map(dispersion, slopes)), abs=1e-9)
    assert got.slope_low <= got.slope <= got.slope_high


@pytest.mark.parametrize("spacing", ["even", "bursts"])
@pytest.mark.parametrize("n", [6, 12])
def test_the_interval_of_the_line_by_time_apart_holds_the_truth(spacing: str, n: int) -> None:
    random = np.random.default_rng([9, n, spacing == "even"])
    inside = 0
    for _ in range(1000):
        steps = np.ones(n) if spacing == "even" else np.where(random.random(n) < 0.3, 30.0, 0.5)
        times = np.cumsum(steps)
        got = change.theil_sen_by_time_apart(times, 0.7 * times + random.standard_t(3, n))
        inside += got.slope_low <= 0.7 <= got.slope_high
    assert 0.93 <= inside / 1000 <= 0.99


def test_pairs_of_one_busy_day_do_not_outvote_a_summer() -> None:
    # eight passages in a week, growing, then one after a hundred days that is as the last of them
    times, values = np.array([0.0, 1, 2, 3, 4, 5, 6, 7, 107]), np.array([0.0, 1, 2, 3, 4, 5, 6, 7, 7])
    assert change.theil_sen(times, values).slope == pytest.approx(1.0)  # 107 by the last day
    got = change.theil_sen_by_time_apart(times, values)
    assert got.slope * 107 < 10.0
    # and one late passage alone cannot bear an interval
    assert (got.slope_low, got.slope_high) == (-np.inf, np.inf)


@pytest.mark.parametrize("times", [[3.0, 3.0], [3.0, 2.0], [1.0]])
def test_times_of_a_creep_must_increase(times: list[float]) -> None:
    with pytest.raises(ValueError, match="must increase"):
        change.theil_sen_by_time_apart(times, np.arange(len(times)))


@pytest.mark.parametrize("share", [0.25, 0.5])
@pytest.mark.parametrize("count", [2, 3, 4, 5, 8, 16])
def test_the_quantile_of_all_others_is_that_of_numpy(share: float, count: int) -> None:
    values = np.random.default_rng(count).normal(size=count).round(1)  # rounded: some are equal
    expected = [float(np.quantile(np.delete(values, i), share)) for i in range(count)]
    assert change.quantile_of_others(values, share, range(count)) == pytest.approx(
        expected, rel=1e-12, abs=1e-12
    )
