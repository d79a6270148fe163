"""What is claimed of lugwatch, measured: `python tests/bench/figures.py [NAME…] [--quick] [--plots DIR]`.

Each figure is printed with its target, what was reached, and a verdict. Invented boats are lived
through by the simulator and watched by the product's own pipeline. Everything is seeded: but for
`cost` and `buses` two runs print the same numbers. Exit status 0 when measured, whatever the verdicts.
"""

import os

# one thread each, so that two processes are two cores and sums are added in one order
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import accusations
import alert_rates
import buses
import cost
import curve
import detection
import history_figure
import honesty_figure
import ohms_figure
import passage_truth
import steadiness
from setting import Line, Setting

FIGURES: dict[str, Callable[[Setting], list[Line]]] = {
    "scatter": steadiness.scatter,
    "doubling": detection.doubling,
    "false_alerts": steadiness.false_alerts,
    "curve": curve.curve,
    "runaway": detection.runaway,
    "wrong_joint": accusations.wrong_joint,
    "air": accusations.air,
    "alert_rates": alert_rates.alert_rates,
    "honesty": honesty_figure.honesty_lines,
    "passages": passage_truth.passages,
    "ohms": ohms_figure.ohms,
    "cost": cost.cost,
    "buses": buses.buses,
    "storage": history_figure.storage,
    "wear": history_figure.wear,
    "lookback": history_figure.lookback,
}
DEFAULT_CACHE = Path(tempfile.gettempdir()) / "lugwatch-bench"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(FIGURES)}; none: all")
    parser.add_argument("--quick", action="store_true", help="fewer boats and passages, in three minutes")
    parser.add_argument("--plots", type=Path, metavar="DIR", help="write plots (PNG) here")
    parser.add_argument(
        "--cache",
        type=Path,
        default=DEFAULT_CACHE,
        metavar="DIR",
        help=f"recordings, kept in {DEFAULT_CACHE}",
    )
    asked = parser.parse_args()
    unknown = [name for name in asked.names if name not in FIGURES]
    if unknown:
        parser.error(f"no figure {unknown[0]!r}; there are {', '.join(FIGURES)}")
    names = asked.names or list(FIGURES)
    asked.cache.mkdir(parents=True, exist_ok=True)
    if asked.plots is not None:
        asked.plots.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="lugwatch-bench-run-") as run:
        setting = Setting(
            cache=asked.cache,
            run=Path(run),
            plots=asked.plots,
            quick=asked.quick,
            sweeping="curve" in names,
        )
        for name in names:
            start = time.perf_counter()
            lines = FIGURES[name](setting)
            show(name, FIGURES[name].__doc__ or "", lines, time.perf_counter() - start)


def show(name: str, about: str, lines: list[Line], seconds: float) -> None:
    print(f"\n{name}: {about.splitlines()[0]}  [{seconds:.0f} s]")
    for line in lines:
        if line.met is None:
            print(f"    {line.what}: {line.reached}")
        else:
            verdict = "met    " if line.met else "NOT MET"
            print(f"  {verdict} {line.what}: {line.reached}  (target {line.target})", flush=True)


if __name__ == "__main__":
    main()
