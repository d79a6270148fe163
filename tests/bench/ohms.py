"""How true the ohms are: `python tests/bench/ohms.py [--boats 40] [--plot FILE.png]`.

Sister boats of the simulator, whose plant shares no physics with what judges it. Each motors for four
passages. Every contact is sound or has grown by up to twelve times; before the fourth passage some grow
up to three times more. Shapes are learned after the first and second; on the third every joint is
measured with a multimeter, and "followed" is what that gives on the fourth. Whatever is shown is held
against the truth. Prints figures, passes nothing.
"""

import argparse
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from lugwatch import belief, config, learning, pipeline, resistance, thermal
from lugwatch.model import Scan, Tick
from lugwatch.pipeline import State
from lugwatch.resistance import Apparent, Law, Warming
from lugwatch.simulator.boat import SimulatedBoat, make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.electrics import CURRENTS
from lugwatch.simulator.record import Recorded, record
from lugwatch.simulator.scenarios import healthy_passage

START_TIME = 1_780_000_000_000
HOURS = 4.0
MOMENTS = ("first passage", "second passage", "third passage", "fourth passage")


@dataclass(frozen=True, kw_only=True)
class Shown:
    """One joint at one time: what was said of its ohms, and what was true."""

    seed: int
    joint: str
    moment: str
    true_ohms: float
    said: Apparent | None
    ways: tuple[Apparent | None, ...]  # heat balance, heat capacity: also where too unsure to be shown


def sail(state: State, recorded: Recorded) -> tuple[State, list[Warming]]:
    """A recording through the pipeline, without learning.

    Also what was known of each joint when it last carried half of its greatest current or more.
    """
    amps = np.abs(recorded.truth.amps)
    enough = amps >= 0.5 * amps.max(axis=0)
    last: list[Warming] = []
    for number, row in enumerate(recorded.rows):
        seconds = (row.time - START_TIME) / 1000.0
        values = tuple((k, v) for k, v in row.values.items() if v is not None)
        state, _ = pipeline.step(state, Scan(values=values, monotonic_seconds=seconds, time=row.time))
        state, _ = pipeline.step(state, Tick(monotonic_seconds=seconds, time=row.time))
        if number % 30 == 0:
            now = belief.warmings(state.bank, state.tracked, state.record.stage > 0)
            loaded = [enough[number, CURRENTS.index(j.current or "")] for j in state.plan.boat.joints]
            last = [n if on else old for n, on, old in zip(now, loaded, last or now, strict=True)]
    return state, last


def learned(state: State, stage: int) -> State:
    """As after a passage's end: shapes learned from what was kept."""
    plan = state.plan
    record = replace(state.record, stage=np.full_like(state.record.stage, stage - 1))
    record = replace(record, loaded_seconds=np.full_like(record.loaded_seconds, np.inf))
    record, asked = learning.request(record, True, plan.rated_amps, plan.has_neighbours, pipeline.GAP_SECONDS)
    state = replace(state, record=record)
    for request in asked:
        answer = learning.carry_out(request, state.intake.window_start_seconds, state.window_time)
        state, _ = pipeline.step(state, answer)
    return state


def certain(warming: Warming) -> bool:
    """Whether a watch would show this rise at all."""
    return 0.0 < warming.rise_coefficient_sd < 0.35 * warming.rise_coefficient


def look(
    seed: int,
    moment: str,
    laws: Sequence[Law],
    warmings: Sequence[Warming],
    recorded: Recorded,
    drops: resistance.Drops,
) -> list[Shown]:
    found = []
    for i, (law, warming) in enumerate(zip(laws, warmings, strict=True)):
        ways = (
            resistance.heat_balance(law, warming.lone_coefficient, warming.lone_coefficient_sd),
            resistance.heat_capacity(law, warming.early_slope, warming.early_slope_sd),
        )
        said = resistance.apparent(law, warming, drops.drops[i]) if certain(warming) else None
        found.append(
            Shown(
                seed=seed,
                joint=recorded.truth.joints[i],
                moment=moment,
                true_ohms=float(recorded.truth.resistance_ohms[-1, i]),
                said=said,
                ways=ways if certain(warming) else (None, None),
            )
        )
    return found


def measured(
    boat: SimulatedBoat,
    recorded: Recorded,
    laws: Sequence[Law],
    warmings: Sequence[Warming],
    random: np.random.Generator,
) -> resistance.Drops:
    """Every joint measured with a multimeter, at its greatest current of the passage."""
    drops = resistance.no_drops(len(laws))
    truth = recorded.truth
    for i, warming in enumerate(warmings):
        if not certain(warming):
            continue
        index = int(boat.network.current_index[i])
        row = int(np.argmax(np.abs(truth.amps[:, index])))
        amps, celsius = abs(float(truth.amps[row, index])), float(truth.celsius[row, i])
        hot = float(truth.resistance_ohms[row, i]) * float(thermal.resistance_factor(np.array(celsius)))
        volts = hot * amps * (1.0 + 0.003 * random.standard_normal()) + 1e-4 * random.standard_normal()
        try:
            drop = resistance.millivolt_drop(
                laws[i],
                volts=volts,
                amps=amps * (1.0 + 0.005 * random.standard_normal()),
                celsius=celsius + 0.3 * random.standard_normal(),
                rise_coefficient=warming.rise_coefficient,
                rise_coefficient_sd=warming.rise_coefficient_sd,
            )
        except ValueError:
            continue
        drops = resistance.with_drop(drops, i, drop)
    return drops


def sister(seed: int, *, weighed: bool = False) -> Iterator[Shown]:
    """One boat's two passages. weighed: her owner knows the grams of each joint's metal, to a tenth."""
    random = np.random.default_rng([seed, 83])
    simulated = make_boat(seed)
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "lugwatch.toml"
        path.write_text(configuration_text(simulated, Path(name), ("localhost", 1883)), encoding="utf-8")
        boat = config.load(path).boat
    if weighed:
        grams = simulated.network.capacity[: len(boat.joints)] / 0.385
        scale = 1.0 + 0.1 * random.standard_normal(len(grams))
        boat = replace(
            boat,
            joints=tuple(
                replace(j, facts={**j.facts, "metal_grams": float(g * s)})
                for j, g, s in zip(boat.joints, grams, scale, strict=True)
            ),
        )
    names = [j.joint for j in boat.joints]
    sound = random.random(len(names)) < 0.5
    ratios = np.where(sound, 1.0, np.exp(random.uniform(0.0, np.log(12.0), len(names))))
    grows = random.random(len(names)) < 0.7
    grown = ratios * np.exp(random.uniform(0.0, np.log(3.0), len(names)) * grows)
    state = pipeline.begin(boat, 0.0, START_TIME)
    laws, none, drops = state.plan.laws, resistance.no_drops(len(names)), resistance.no_drops(len(names))
    time = START_TIME
    for number, (moment, now) in enumerate(zip(MOMENTS, (ratios, ratios, ratios, grown), strict=True)):
        recorded = record(
            simulated, healthy_passage(seed + 500 * number, HOURS), seed=seed + 500 * number, start_time=time,
            step_seconds=10.0, resistance_ratios=dict(zip(names, now, strict=True)),
        )  # fmt: skip
        state, last = sail(state, recorded)
        yield from look(seed, moment, laws, last, recorded, none)
        if number < 2:
            state = learned(state, number + 1)
        elif number == 2:
            drops = measured(simulated, recorded, laws, last, random)
        else:
            yield from look(seed, "followed", laws, last, recorded, drops)
        time = recorded.end_time + 36_000_000


def errors(found: Sequence[tuple[Apparent, float]]) -> tuple[int, float, float, float, float]:
    """How many; median and 68th hundredth of the error's size [-]; coverage of ±2 sd; median sd [-]."""
    if not found:
        return 0, np.nan, np.nan, np.nan, np.nan
    said = np.array([a.ohms for a, _ in found])
    sd = np.array([a.sd_ohms for a, _ in found])
    true = np.array([t for _, t in found])
    error = np.abs(said / true - 1.0)
    inside = np.abs(said - true) <= 1.96 * sd
    return (
        len(found), float(np.median(error)), float(np.quantile(error, 0.68)), float(inside.mean()),
        float(np.median(sd / said)),
    )  # fmt: skip


def rows(shown: Sequence[Shown]) -> Iterator[tuple[str, tuple[int, float, float, float, float]]]:
    for moment in dict.fromkeys(s.moment for s in shown):
        here = [s for s in shown if s.moment == moment]
        said = [(s.said, s.true_ohms) for s in here if s.said is not None]
        yield f"{moment}: shown of {len(here)}", errors(said)
        for basis in resistance.Basis:
            some = [(a, t) for a, t in said if a.basis is basis]
            if some:
                yield f"    {basis.value}", errors(some)
        if moment == "followed":
            continue
        for n, word in enumerate(("heat balance", "heat capacity")):
            every = [(way, s.true_ohms) for s in here if (way := s.ways[n]) is not None]
            yield f"    {word}, shown or not", errors(every)


def plot(shown: Sequence[Shown], path: Path) -> None:
    try:
        import matplotlib
    except ImportError:
        sys.exit("--plot needs matplotlib; pip install 'lugwatch[bench]'")
    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(1, 2, figsize=(11, 5.5), constrained_layout=True)
    for axis, moments in zip(axes, (MOMENTS, ("followed",)), strict=True):
        for basis in resistance.Basis:
            some = [s for s in shown if s.moment in moments and s.said is not None and s.said.basis is basis]
            if some:
                axis.errorbar(
                    [s.true_ohms * 1e6 for s in some],
                    [s.said.ohms * 1e6 for s in some if s.said],
                    yerr=[1.96 * s.said.sd_ohms * 1e6 for s in some if s.said],
                    fmt=".", alpha=0.6, label=basis.value.replace("_", " "),
                )  # fmt: skip
        line = np.array([20.0, 3000.0])
        axis.plot(line, line, "k-", linewidth=0.8)
        axis.fill_between(line, 0.7 * line, 1.3 * line, color="k", alpha=0.08, label="30 %")
        axis.set(xscale="log", yscale="log", xlabel="true [µΩ at 20 °C]", ylabel="said [µΩ], ± 1.96 sd")
        axis.set_title("without measuring" if len(moments) > 1 else "followed from millivolts")
        axis.legend()
    figure.savefig(path, dpi=110)


def main() -> None:
    parser = argparse.ArgumentParser(description="errors and coverage of ohms over sister boats")
    parser.add_argument("--boats", type=int, default=40)
    parser.add_argument("--first", type=int, default=100, help="seed of the first boat")
    parser.add_argument("--weighed", action="store_true", help="metal_grams is configured")
    parser.add_argument("--plot", type=Path, metavar="FILE.png")
    options = parser.parse_args()
    shown: list[Shown] = []
    for seed in range(options.first, options.first + options.boats):
        shown += sister(seed, weighed=options.weighed)
    print(f"{options.boats} boats of {len({s.joint for s in shown})} joints")
    print(f"{'':34}{'n':>5} {'median':>8} {'68 %':>7} {'in 95 %':>8} {'own sd':>7}")
    for label, (n, median, high, inside, sd) in rows(shown):
        print(f"{label:34}{n:5d} {median:8.1%} {high:7.1%} {inside:8.1%} {sd:7.1%}")
    if options.plot:
        plot(shown, options.plot)


if __name__ == "__main__":
    main()
