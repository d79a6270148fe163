"""lugwatch beside what people would otherwise use, in one run: `python tests/bench/report.py [PART…]`.

Prints markdown tables with date and machine: programs that run, storage and queries, the filter's step, and
detection. A tool that is not here is named with its Debian package, and the rest is measured. `--quick` takes
a few minutes, all of it about an hour. Everything is on loopback. May import: the bench.
"""

import os

# one thread each, so that two processes are two cores and sums are added in one order
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import datetime
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[1]))  # the tests' broker

import cost
import report_detection
import report_processes
import report_storage
from figures import DEFAULT_CACHE
from report_text import Table, figure, heading
from setting import Setting


def filters(setting: Setting) -> Table:
    """One step of the estimator beside as many filters of a general library, one after the other."""
    step, count = cost.step_seconds(setting.pick(4000, 1000))
    loop = min(cost.plain_loop_seconds(count, setting.pick(100, 40)) for _ in range(3))
    single = cost.plain_loop_seconds(cost.JOINTS, setting.pick(300, 100))
    micro = 1e6 * step
    return Table(
        title="One step of the filters",
        columns=("", "lugwatch", "filterpy, a loop"),
        rows=[
            (
                f"{cost.JOINTS} joints, {count} filters of {cost.STATES} states",
                figure(micro, "µs", 0),
                figure(1e6 * loop, "µs", 0, ours=micro),
            ),
            (
                f"against {cost.JOINTS} filters, one a joint",
                figure(micro, "µs", 0),
                figure(1e6 * single, "µs", 0, ours=micro),
            ),
        ],
        notes=[
            "The loop predicts and updates and does nothing else; ours weighs the six models of a joint too."
        ],
    )


PARTS: dict[str, Callable[[Setting], Table]] = {
    "processes": report_processes.processes,
    "storage": report_storage.storage,
    "filter": filters,
    "detection": report_detection.detected,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("names", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)}; none: all")
    parser.add_argument("--quick", action="store_true", help="less of everything, in a few minutes")
    parser.add_argument(
        "--plots", type=Path, metavar="DIR", help="write pictures (PNG) here: needs matplotlib"
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the report here too")
    parser.add_argument(
        "--cache",
        type=Path,
        default=DEFAULT_CACHE,
        metavar="DIR",
        help=f"recordings, kept in {DEFAULT_CACHE}",
    )
    asked = parser.parse_args()
    unknown = [name for name in asked.names if name not in PARTS]
    if unknown:
        parser.error(f"no part {unknown[0]!r}; there are {', '.join(PARTS)}")
    asked.cache.mkdir(parents=True, exist_ok=True)
    if asked.plots is not None:
        asked.plots.mkdir(parents=True, exist_ok=True)
    told = [heading(quick=asked.quick, today=datetime.datetime.now(datetime.UTC).date())]
    print(f"{told[0]}\n", flush=True)
    with tempfile.TemporaryDirectory(prefix="lugwatch-bench-report-") as run:
        setting = Setting(
            cache=asked.cache, run=Path(run), plots=asked.plots, quick=asked.quick, sweeping=False
        )
        for name in asked.names or PARTS:
            begun = time.perf_counter()
            told.append(PARTS[name](setting).markdown())
            print(told[-1], flush=True)
            print(f"{name} took {time.perf_counter() - begun:.0f} s", file=sys.stderr, flush=True)
    if asked.out is not None:
        asked.out.write_text("\n\n".join(told) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
