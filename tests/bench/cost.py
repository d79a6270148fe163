"""What it costs: time of one step, of one row, of a replayed season; bytes a reading; memory.

Times depend on the machine, so each stands beside a plain loop over a general filter library
(filterpy) measured in the same run. What is compared: sixteen joints are 96 filters of five states.
The loop holds 96 filters of the library and for each row moves each filter's transition with the current
(as ours is moved), predicts once and updates once with one reading. It does nothing else. The replay
command gets rows one window apart, so its 96 filters step as often: once a row. It also reads the CSV,
takes readings into windows, learns shapes when passages end, looks for changes, judges and alerts,
works out what is told, and writes readings, estimates and passages to the database.
Both are timed by what they take of the processor, in one thread each, so that whatever else runs on the
machine counts for neither; what the command takes by the clock is told beside it.
"""

import resource
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from filterpy.kalman import KalmanFilter
from setting import Line, Setting, at_least, at_most, note

from lugwatch import estimator, pipeline
from lugwatch.model import Boat, Channel, Joint, Quantity, Scan, Tick, Watching

JOINTS = 16
STATES = 5
WINDOW_SECONDS = 10.0  # rows are one window apart
# a season is passages like this, one after the other
PASSAGE_ROWS, ANCHORED_ROWS = 2160, 360
FAST_SECONDS, SLOW_SECONDS = 240.0, 1800.0
SEASON_ROWS, QUICK_ROWS = 432_000, 17_280


def boat() -> Boat:
    """Sixteen joints on one current, six of them with a neighbour."""
    names = [f"joint_{i}" for i in range(JOINTS)]
    return Boat(
        name="Bench",
        slug="bench",
        channels=(
            *(Channel(channel=n, quantity=Quantity.CELSIUS, name=n, source=None) for n in names),
            Channel(channel="air", quantity=Quantity.CELSIUS, name="air", source=None),
            Channel(channel="amps", quantity=Quantity.AMPS, name="amps", source=None, rated_amps=120.0),
        ),
        joints=tuple(
            Joint(
                joint=n, name=n, probe=n, current="amps", air="air",
                neighbours=(names[(i + 1) % JOINTS],) if i < 6 else (),
                rated_amps=120.0, limit_celsius=90.0, limit_basis="bench",
            )
            for i, n in enumerate(names)
        ),
        watching=Watching(),
    )  # fmt: skip


def rows(count: int) -> Iterator[tuple[Scan, Tick]]:
    """Six hours under a load that hunts about 90 A, an hour at anchor, and so on.

    Every joint warms to a rise of its own by two time constants; probes have noise and steps of 1/16 K.
    """
    random = np.random.default_rng(1)
    rises = random.uniform(10.0, 30.0, JOINTS) * np.array([[0.6], [0.4]])
    keep = np.exp(-WINDOW_SECONDS / np.array([[FAST_SECONDS], [SLOW_SECONDS]]))
    modes = np.zeros((2, JOINTS))
    for k in range(count):
        t = k * WINDOW_SECONDS
        under_way = k % (PASSAGE_ROWS + ANCHORED_ROWS) < PASSAGE_ROWS
        amps = 90.0 + random.normal() * 3.0 if under_way else 0.5
        modes = keep * modes + (1.0 - keep) * rises * (amps / 90.0) ** 2
        warm = 20.0 + modes.sum(axis=0) + random.normal(size=JOINTS) * 0.03
        values = [(f"joint_{i}", float(round(c * 16) / 16)) for i, c in enumerate(warm)]
        yield (
            Scan(values=(*values, ("air", 20.0), ("amps", amps)), monotonic_seconds=t, time=int(t * 1000)),
            Tick(monotonic_seconds=t, time=int(t * 1000)),
        )


def pipeline_rows_per_second(count: int) -> float:
    """The pure core alone: no file, no learning, no database."""
    events = list(rows(count))
    state = pipeline.begin(boat(), 0.0, 0)
    start = time.process_time()
    for scan, tick in events:
        state, _ = pipeline.step(state, scan)
        state, _ = pipeline.step(state, tick)
    return count / (time.process_time() - start)


def step_seconds(steps: int) -> tuple[float, int]:
    """Median of one step of the estimator for all joints, and how many filters it ran."""
    bank = estimator.default_bank(np.full(JOINTS, 120.0), np.zeros(JOINTS, dtype=bool))
    tracked = estimator.initial(bank)
    everywhere = np.ones(JOINTS)
    times = []
    for k in range(steps):
        inputs = estimator.Inputs(
            monotonic_seconds=WINDOW_SECONDS * k,
            probe_celsius=everywhere * 35.0,
            probe_count=everywhere * 2.0,
            air_celsius=everywhere * 20.0,
            neighbour_celsius=everywhere * np.nan,
            amps_squared=everywhere * 8100.0,
            loaded=everywhere > 0,
        )
        start = time.perf_counter()
        tracked = estimator.step(bank, tracked, inputs, 600.0)
        times.append(time.perf_counter() - start)
    return float(np.median(times)), bank.rows


def plain_loop_seconds(filters: int, steps: int) -> float:
    """Median time of one step of so many filters of the library, one after the other."""
    others = [KalmanFilter(dim_x=STATES, dim_z=1) for _ in range(filters)]
    for other in others:
        other.H = np.array([[1.0, 1.0, 0.0, 0.0, 1.0]])
        other.F[0, 0], other.F[1, 1] = 0.96, 0.994
    times = []
    for number in range(steps):
        drive = 0.5 + 0.1 * (number % 2)
        start = time.process_time()
        for other in others:
            # the model moves with the current, in ours too
            other.F[0, 2], other.F[1, 3] = 0.04 * drive, 0.004 * drive
            other.predict()
            other.update(15.0)
        times.append(time.process_time() - start)
    return float(np.median(times))


def replay_command(count: int) -> tuple[float, float, float]:
    """Seconds of the processor and by the clock for a row through the command, database included.

    And bytes of database per reading.
    """
    from click.testing import CliRunner

    from lugwatch.cli.main import commands

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        names = [f"joint_{i}" for i in range(JOINTS)]
        with (folder / "r.csv").open("w", encoding="utf-8") as file:
            file.write("time," + ",".join([*names, "air", "amps"]) + "\n")
            for scan, _ in rows(count):
                cells = ",".join(f"{v:.4f}" for _, v in scan.values)
                file.write(f"{scan.time / 1000:.0f},{cells}\n")
        text = ['[boat]\nname = "Bench"\n', '[[current]]\nid = "amps"\nrated_amps = 120\n']
        text += [f'[[probe]]\nid = "{n}"\n' for n in [*names, "air"]]
        text += [f'[[joint]]\nid = "{n}"\nprobe = "{n}"\ncurrent = "amps"\nair = "air"\n' for n in names]
        (folder / "c.toml").write_text("\n".join(text))
        arguments = ["replay", folder / "r.csv", "--config", folder / "c.toml", "--db", folder / "r.db"]
        start, started = time.process_time(), time.perf_counter()
        CliRunner().invoke(commands, [str(a) for a in arguments], catch_exceptions=False)
        busy, passed = time.process_time() - start, time.perf_counter() - started
        size = (folder / "r.db").stat().st_size
        return busy / count, passed / count, size / (count * (JOINTS + 2))


def cost(setting: Setting) -> list[Line]:
    """Time, memory and bytes for sixteen joints; times against a plain loop of the same run."""
    season = setting.pick(SEASON_ROWS, QUICK_ROWS)
    step, filters = step_seconds(setting.pick(2000, 500))
    loops = [plain_loop_seconds(filters, setting.pick(100, 50))]
    one_each = plain_loop_seconds(JOINTS, setting.pick(300, 100))
    alone = pipeline_rows_per_second(setting.pick(8000, 3000))
    loops.append(plain_loop_seconds(filters, setting.pick(100, 50)))
    whole, by_the_clock, size = replay_command(season)
    loops.append(plain_loop_seconds(filters, setting.pick(100, 50)))
    # the quickest of three, before, between and after: what disturbs the machine is not held against it
    as_many = min(loops)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return [
        at_most(
            f"one step of the estimator, {JOINTS} joints ({filters} filters), median", step * 1e6, 60, "µs", 0
        ),
        at_least(
            f"season replay by the command ({season} rows × {JOINTS} joints, one step of {filters} filters a"
            " row, alerts, estimates and database included), rows/s, over those of a loop that does the"
            f" {filters} filters' steps and nothing else",
            as_many / whole,
            10,
            "×",
        ),
        note(f"the plain loop, {JOINTS} filters", f"{one_each * 1e6:.0f} µs, {one_each / step:.1f} × ours"),
        note(f"the plain loop, {filters} filters", f"{as_many * 1e6:.0f} µs, {as_many / step:.1f} × ours"),
        note(
            "pipeline alone, without learning",
            f"{alone:.0f} rows/s, {1e6 / alone:.0f} µs a row, {alone * as_many:.1f} × the loop",
        ),
        note("replay command", f"{whole * 1e6:.0f} µs a row, {by_the_clock * 1e6:.0f} µs by the clock"),
        note("database", f"{size:.1f} bytes a reading, estimates and indexes included"),
        note("peak memory of this run", f"{memory:.0f} MB"),
    ]
