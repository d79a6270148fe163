"""False alerts against delay, for thresholds around the chosen one and for simpler rules beside it.

The simpler rules see the same readings: a fixed limit, a fixed rise over the air, a fixed rate of
rise, each the same for all joints and with the product's delays. The clairvoyant knows the plant, the
currents and the air exactly and only has the probe's noise against him: nobody can be much quicker.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import detection
import numpy as np
import steadiness
from recordings import LEARNING_PASSAGES, ROW_SECONDS, Recording, season
from setting import Line, Setting, median, none_of, note, spread
from sweep_points import BELIEVED, names, points
from watched import LEARNING_HOURS

from lugwatch.model import Condition
from lugwatch.simulator.boat import JOINTS, make_boat
from lugwatch.simulator.plant import Floats
from lugwatch.simulator.simulation import PROBE_NOISE_KELVIN, PROBE_STEP_KELVIN

ON_ROWS, OFF_ROWS = 12, 24  # the product's delays: a minute to set, two to clear
WINDOW_SECONDS = 10.0
RATE_ROWS = 12
CLAIRVOYANT_HEIGHTS = (6.0, 8.0, 10.0, 12.0, 14.0, 16.0)
SLACK = 0.5  # of the clairvoyant's cumulative sum, in deviations

CURRENTS = ("alternator", "battery", "house", "inverter")


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One threshold of one rule."""

    rule: str
    threshold: str
    false_per_1000_hours: float
    median_minutes: float
    seen: int
    doubled: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Simple:
    """A rule that needs no estimate: what it looks at, and the values it is tried at."""

    name: str
    unit: str
    values: Callable[[Recording], Floats]  # rows × joints
    limits: tuple[float, ...]
    on_rows: int


def probes(recording: Recording) -> Floats:
    """What the joints' probes say, rows × joints [°C]."""
    return recording.values[:, [recording.channels.index(j) for j in recording.joints]]


def over_air(recording: Recording) -> Floats:
    """Over the air probe of the joint's space [K]."""
    names = ["air_machinery" if j.space == 0 else "air_locker" for j in JOINTS]
    return probes(recording) - recording.values[:, [recording.channels.index(n) for n in names]]


def rate(recording: Recording) -> Floats:
    """Rise over the last minute [K/min], of means of 10 s."""
    celsius = probes(recording)
    smooth = celsius.copy()
    smooth[1:] = 0.5 * (celsius[1:] + celsius[:-1])
    found = np.zeros_like(smooth)
    found[RATE_ROWS:] = smooth[RATE_ROWS:] - smooth[:-RATE_ROWS]
    return found * (60.0 / (RATE_ROWS * ROW_SECONDS))


SIMPLE = (
    Simple(
        name="fixed limit", unit="°C", values=probes, limits=(40, 45, 50, 55, 60, 65, 70), on_rows=ON_ROWS
    ),
    Simple(name="fixed rise over air", unit="K", values=over_air, limits=(8, 12, 16, 20, 25, 30, 40),
           on_rows=ON_ROWS),
    Simple(name="rate of rise", unit="K/min", values=rate, limits=(0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0),
           on_rows=2),
)  # fmt: skip


def held(true: np.ndarray[tuple[int, int], np.dtype[np.bool_]], rows: int) -> np.ndarray:
    """Where it has been true for so many rows without a break."""
    count = np.cumsum(true, axis=0)
    before = np.zeros_like(count)
    before[rows:] = count[:-rows]
    return (count - before) == rows


def raised(values: Floats, limit: float, on_rows: int) -> list[np.ndarray]:
    """Rows at which each joint's alert is raised; a dead band of 7 % and the clearing delay."""
    on = held(values >= limit, on_rows)
    off = held(values < 0.93 * limit, OFF_ROWS)
    signal = on.astype(np.int8) - off.astype(np.int8)
    found = []
    for column in signal.T:
        rows = np.flatnonzero(column)
        state = column[rows]
        begins = (state == 1) & (np.concatenate(([-1], state[:-1])) == -1)
        found.append(rows[begins])
    return found


def simple_false(setting: Setting, boat_seed: int) -> list[list[int]]:
    """How often each simple rule speaks on the healthy passages, by rule and limit."""
    count = LEARNING_PASSAGES + setting.pick(steadiness.PASSAGES, steadiness.QUICK_PASSAGES)
    parts = season(setting, boat_seed, count, LEARNING_HOURS)[2 * LEARNING_PASSAGES :]
    return [
        [
            sum(len(rows) for part in parts for rows in raised(rule.values(part), limit, rule.on_rows))
            for limit in rule.limits
        ]
        for rule in SIMPLE
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Delays:
    """One doubled joint: seconds until each rule at each limit and the clairvoyant at each height speak."""

    simple: list[list[float]]
    clairvoyant: list[float]


def delays(setting: Setting, boat_seed: int) -> list[Delays]:
    """Every doubling of `doubling`, by the other rules."""
    found = []
    boat = make_boat(boat_seed)
    for doubling in detection.doublings(setting, boat_seed):
        circuit = next(j.current for j in JOINTS if j.joint == doubling.joint)
        sound = detection.loaded(setting, boat_seed, circuit)
        bad = detection.loaded(setting, boat_seed, circuit, detection.doubled(doubling.joint))
        index = bad.joint(doubling.joint)
        first = int(np.searchsorted(bad.seconds(), detection.DOUBLED_SECONDS))
        simple = [
            [_delay(raised(rule.values(bad), limit, rule.on_rows)[index], first) for limit in rule.limits]
            for rule in SIMPLE
        ]
        lag = next(p.lag_seconds for p in boat.probes if p.channel == doubling.joint)
        random = np.random.default_rng([boat_seed, index, 77])
        warmer = bad.celsius[first:, index] - sound.celsius[first:, index]
        found.append(Delays(simple=simple, clairvoyant=clairvoyant(warmer, lag, random)))
    return found


def _delay(rows: np.ndarray, first: int) -> float:
    """Until the first word after the fault; a rule that already speaks says nothing new."""
    later = rows[rows >= first]
    return float(later[0] - first) * ROW_SECONDS if len(later) else math.inf


def window_sd_kelvin() -> float:
    """Of a mean of two readings: the probe's noise and its steps (uniform: step/√12)."""
    return math.hypot(PROBE_NOISE_KELVIN, PROBE_STEP_KELVIN / math.sqrt(12.0)) / math.sqrt(2.0)


def clairvoyant(warmer: Floats, lag_seconds: float, random: np.random.Generator) -> list[float]:
    """Seconds until a cumulative sum of what the plant cannot explain passes each height.

    warmer (rows,): how much warmer the joint truly is than it should be [K].
    """
    share = 1.0 - math.exp(-ROW_SECONDS / lag_seconds)
    seen = np.zeros_like(warmer)
    for row in range(1, len(warmer)):
        seen[row] = seen[row - 1] + share * (warmer[row] - seen[row - 1])
    pairs = seen[: len(seen) // 2 * 2].reshape(-1, 2).mean(axis=1)
    standard = pairs / window_sd_kelvin() + random.standard_normal(len(pairs))
    total, sums = 0.0, np.zeros(len(pairs))
    for row, value in enumerate(standard):
        total = max(0.0, total + value - SLACK)
        sums[row] = total
    times = [np.flatnonzero(sums > height) for height in CLAIRVOYANT_HEIGHTS]
    return [float(rows[0] + 1) * WINDOW_SECONDS if len(rows) else math.inf for rows in times]


def clairvoyant_false_per_1000_hours(height: float, joints: int) -> float:
    """By Siegmund's approximation of a cumulative sum's average run length (1985; from memory)."""
    b = height + 1.166
    windows = (math.exp(2.0 * SLACK * b) - 2.0 * SLACK * b - 1.0) / (2.0 * SLACK * SLACK)
    return joints * 1000.0 * 3600.0 / WINDOW_SECONDS / windows


def curve(setting: Setting) -> list[Line]:
    """False alerts per 1,000 h of a boat with twelve joints against the median delay of a doubling."""
    healthy = spread(steadiness.healthy, [(setting, seed) for seed in steadiness.boats(setting)])
    doubled = [
        d
        for part in spread(detection.doublings, [(setting, b) for b in detection.boats(setting)])
        for d in part
    ]
    hours = sum(heard.hours for heard in healthy)
    found: list[Point] = []

    def add(rule: str, threshold: str, false: float, seconds: Iterable[float]) -> None:
        times = list(seconds)
        seen = sum(math.isfinite(s) for s in times)
        found.append(
            Point(rule=rule, threshold=threshold, false_per_1000_hours=false,
                  median_minutes=median(times) / 60.0, seen=seen, doubled=len(times))
        )  # fmt: skip

    for i, (what, thresholds) in enumerate(zip(names(), points(), strict=True)):
        false = sum(len(heard.others[i]) for heard in healthy if heard.others)
        add(
            what,
            f"ratio {thresholds.warming_ratio:.2f}, {thresholds.certainty_sd:g} sd",
            1000.0 * false / hours,
            (d.sweep_seconds[i] if d.sweep_seconds else math.inf for d in doubled),
        )
    for sd in BELIEVED[: setting.pick(len(BELIEVED), 1)]:
        calm = spread(steadiness.healthy, [(setting, seed, sd) for seed in steadiness.boats(setting)])
        changed = spread(detection.doublings, [(setting, b, sd) for b in detection.boats(setting)])
        false = sum(s.condition is Condition.WARMING for heard in calm for s in heard.said)
        add(
            "the product, belief in a change",
            f"from {sd:g} sd on",
            1000.0 * false / hours,
            (d.seconds for part in changed for d in part),
        )
    false_counts = spread(simple_false, [(setting, seed) for seed in steadiness.boats(setting)])
    others = [d for part in spread(delays, [(setting, b) for b in detection.boats(setting)]) for d in part]
    for r, rule in enumerate(SIMPLE):
        for k, limit in enumerate(rule.limits):
            false = sum(counts[r][k] for counts in false_counts)
            add(rule.name, f"{limit:g} {rule.unit}", 1000.0 * false / hours, (d.simple[r][k] for d in others))
    for k, height in enumerate(CLAIRVOYANT_HEIGHTS):
        false_rate = clairvoyant_false_per_1000_hours(height, len(JOINTS))
        add("clairvoyant", f"height {height:g}", false_rate, (d.clairvoyant[k] for d in others))
    if setting.plots is not None:
        plot(found, setting, hours)
    at_own = [s.time for h in healthy for s in h.said if s.condition is Condition.WARMING]
    again = [s.time for h in healthy if h.others for s in h.others[0]]
    differing = sorted(set(at_own) ^ set(again))
    lines = [
        none_of(
            "alerts that the rule asked again puts elsewhere than the product did",
            [str(t) for t in differing],
            f"{len(at_own)} alerts",
        ),
        note(
            "measured over",
            f"{hours:.0f} h healthy, {len(doubled)} doublings; one alert is {1000 / hours:.1f}",
        ),
        note(f"{'rule':34} {'threshold':22}", "false/1000 h   median delay   seen"),
    ]
    for p in found:
        delay = "not seen" if math.isinf(p.median_minutes) else f"{p.median_minutes:.1f} min"
        lines.append(
            note(
                f"{p.rule:34} {p.threshold:22}",
                f"{p.false_per_1000_hours:12.1f}   {delay:>12}   {p.seen}/{p.doubled}",
            )
        )
    return lines


def plot(found: list[Point], setting: Setting, hours: float) -> None:
    """Each rule's curve; what was never seen stands at the right edge."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    assert setting.plots is not None
    nothing = 0.3 * 1000.0 / hours  # where "none in all hours" is drawn
    never = (detection.PASSAGE_HOURS * 3600.0 - detection.DOUBLED_SECONDS) / 60.0
    figure, axes = pyplot.subplots(figsize=(8.0, 5.5))
    for rule in dict.fromkeys(p.rule for p in found):
        mine = [p for p in found if p.rule == rule]
        x = [min(p.median_minutes, never) for p in mine]
        y = [
            p.false_per_1000_hours if rule == "clairvoyant" else max(p.false_per_1000_hours, nothing)
            for p in mine
        ]
        single = len(mine) == 1
        axes.plot(
            x,
            y,
            "*" if single else "o-",
            markersize=14 if single else 4,
            label=rule,
            zorder=3 if single else 2,
        )
    axes.axhline(nothing, color="0.7", linewidth=0.8)
    axes.text(0.01, nothing * 1.15, f"none in {hours:.0f} h", color="0.4", fontsize=8,
              transform=axes.get_yaxis_transform())  # fmt: skip
    axes.axvline(never, color="0.7", linewidth=0.8)
    axes.text(never * 0.95, 0.02, "half of them or more not seen", rotation=90, ha="right", color="0.4",
              fontsize=8, transform=axes.get_xaxis_transform())  # fmt: skip
    # fmt: off
    axes.set(xscale="log", yscale="log", xlabel="median delay after a joint doubled [min]",
             ylabel="false alerts per 1,000 h, twelve joints", title="False alerts against delay")
    # fmt: on
    axes.legend(fontsize=8, loc="lower left", bbox_to_anchor=(0.22, 0.0))
    figure.tight_layout()
    figure.savefig(setting.plots / "curve.png", dpi=130)
    pyplot.close(figure)
