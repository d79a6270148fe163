"""What is claimed about speed and memory, measured in one run: `python tests/bench/run.py`.

Prints figures with their ratio to something measured in the same run; nothing here passes or fails.
"""

import resource
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from filterpy.kalman import KalmanFilter

from lugwatch import estimator, pipeline
from lugwatch.model import Boat, Channel, Joint, Quantity, Scan, Tick, Watching

JOINTS = 16


def boat() -> Boat:
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


def rows(count: int, seconds: float = 5.0) -> Iterator[tuple[Scan, Tick]]:
    random = np.random.default_rng(1)
    for k in range(count):
        t = k * seconds
        amps = 90.0 + random.normal() * 3.0
        values = [(f"joint_{i}", round((30.0 + i + random.normal() * 0.05) * 16) / 16) for i in range(JOINTS)]
        yield (
            Scan(values=(*values, ("air", 20.0), ("amps", amps)), monotonic_seconds=t, time=int(t * 1000)),
            Tick(monotonic_seconds=t, time=int(t * 1000)),
        )


def bench_pipeline(count: int = 8000) -> float:
    events = list(rows(count))
    state = pipeline.begin(boat(), 0.0, 0)
    start = time.perf_counter()
    for scan, tick in events:
        state, _ = pipeline.step(state, scan)
        state, _ = pipeline.step(state, tick)
    return count / (time.perf_counter() - start)


def bench_filter(steps: int = 1500) -> tuple[float, float]:
    """Seconds per step of all joints: ours (with its whole bank), and filterpy with one filter a joint."""
    bank = estimator.default_bank(np.full(JOINTS, 120.0), np.zeros(JOINTS, dtype=bool))
    tracked = estimator.initial(bank)
    everywhere = np.ones(JOINTS)
    times = []
    for k in range(steps):
        inputs = estimator.Inputs(
            monotonic_seconds=10.0 * k,
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
    others = [KalmanFilter(dim_x=5, dim_z=1) for _ in range(JOINTS)]
    for other in others:
        other.H = np.array([[1.0, 1.0, 0.0, 0.0, 1.0]])
    other_times = []
    for _ in range(200):
        start = time.perf_counter()
        for other in others:
            other.predict()
            other.update(15.0)
        other_times.append(time.perf_counter() - start)
    return float(np.median(times)), float(np.median(other_times))


def bench_replay(count: int = 20_000) -> tuple[float, float]:
    """Rows per second through the command, database included, and bytes of database per reading."""
    from click.testing import CliRunner

    from lugwatch.cli.main import commands

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        names = [f"joint_{i}" for i in range(JOINTS)]
        lines = ["time," + ",".join([*names, "air", "amps"])]
        for scan, _ in rows(count):
            lines.append(f"{scan.time / 1000:g}," + ",".join(f"{v:.4f}" for _, v in scan.values))
        (folder / "r.csv").write_text("\n".join(lines) + "\n")
        text = ['[boat]\nname = "Bench"\n', '[[current]]\nid = "amps"\nrated_amps = 120\n']
        text += [f'[[probe]]\nid = "{n}"\n' for n in [*names, "air"]]
        text += [f'[[joint]]\nid = "{n}"\nprobe = "{n}"\ncurrent = "amps"\nair = "air"\n' for n in names]
        (folder / "c.toml").write_text("\n".join(text))
        arguments = ["replay", folder / "r.csv", "--config", folder / "c.toml", "--db", folder / "r.db"]
        start = time.perf_counter()
        CliRunner().invoke(commands, [str(a) for a in arguments], catch_exceptions=False)
        seconds = time.perf_counter() - start
        return count / seconds, (folder / "r.db").stat().st_size / (count * (JOINTS + 2))


def main() -> None:
    ours, other = bench_filter()
    print(
        f"filter, {JOINTS} joints with {estimator.SHAPES_PER_JOINT} shapes each: {ours * 1e6:.0f} µs a step"
    )
    print(f"  filterpy, one filter for each joint: {other * 1e6:.0f} µs; ratio {other / ours:.1f}")
    shapes = other * estimator.SHAPES_PER_JOINT / ours
    print(f"  for the same number of filters: ratio {shapes:.0f}")
    alone = bench_pipeline()
    print(f"pipeline alone, {JOINTS} joints, rows of 5 s: {alone:.0f} rows/s")
    whole, size = bench_replay()
    print(
        f"replay command with database: {whole:.0f} rows/s; ratio to the pipeline alone {whole / alone:.2f}"
    )
    print(f"  database: {size:.1f} bytes per reading, estimates and indexes included")
    print(f"peak memory of this run: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
