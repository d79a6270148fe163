"""What every figure is given, what it gives back, and what is kept on disk between and within runs.

Figures are lists of `Line`. Recordings of the simulated boats are kept in `cache` under a digest of
the simulator's source and of what was asked; what the product made of them is kept in `run`, which
lives no longer than the run, so that figures share work and a changed product is never flattered.
"""

import hashlib
import math
import os
import pickle
import tempfile
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

import lugwatch.simulator

PROCESSES = 2
MAKERS = ("recordings.py", "honesty.py", "truth.py")  # of what is kept from run to run

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One run of the bench."""

    cache: Path  # simulated recordings
    run: Path  # what the product made of them; empty at the start
    plots: Path | None
    quick: bool
    sweeping: bool  # other thresholds are tried beside the product's own

    def pick(self, full: int, quick: int) -> int:
        """How many of something."""
        return quick if self.quick else full


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One figure: what, the target in words, what was reached in words; met None: no target."""

    what: str
    target: str
    reached: str
    met: bool | None


def at_most(what: str, value: float, limit: float, unit: str, digits: int = 1) -> Line:
    """A figure that must not be above its limit; NaN: nothing to measure, which meets nothing."""
    return Line(
        what=what,
        target=f"≤ {limit:g} {unit}",
        reached="nothing measured" if math.isnan(value) else f"{value:.{digits}f} {unit}",
        met=value <= limit,
    )


def at_least(what: str, value: float, limit: float, unit: str, digits: int = 1) -> Line:
    """A figure that must not be below its limit."""
    return Line(
        what=what,
        target=f"≥ {limit:g} {unit}",
        reached="nothing measured" if math.isnan(value) else f"{value:.{digits}f} {unit}",
        met=value >= limit,
    )


def none_of(what: str, found: Sequence[str], out_of: str) -> Line:
    """Something that must not happen at all."""
    return Line(what=what, target="none", reached=f"{len(found)} in {out_of}", met=not found)


def note(what: str, reached: str) -> Line:
    """Something worth reading without a target."""
    return Line(what=what, target="", reached=reached, met=None)


def median(values: Iterable[float]) -> float:
    """The median, of +inf too; NaN of nothing."""
    found = sorted(values)
    if not found:
        return math.nan
    middle = len(found) // 2
    if len(found) % 2:
        return found[middle]
    low, high = found[middle - 1], found[middle]
    return high if math.isinf(high) else 0.5 * (low + high)


def spread(work: Callable[..., Any], jobs: Sequence[tuple[Any, ...]]) -> list[Any]:
    """The work on each job's arguments, in two processes, in the order of the jobs."""
    if len(jobs) == 1:
        return [work(*jobs[0])]
    with ProcessPoolExecutor(PROCESSES) as pool:
        return [future.result() for future in [pool.submit(work, *job) for job in jobs]]


def kept(folder: Path, key: object, make: Callable[[], T]) -> T:
    """What `make` gives, made once for this key in this folder."""
    path = folder / f"{hashlib.sha256(repr(key).encode()).hexdigest()[:24]}.pickle"
    if path.exists():
        with path.open("rb") as file:
            return pickle.load(file)
    made = make()
    handle, name = tempfile.mkstemp(dir=folder, suffix=".part")
    with os.fdopen(handle, "wb") as file:
        pickle.dump(made, file, protocol=pickle.HIGHEST_PROTOCOL)
    Path(name).replace(path)
    return made


@cache
def simulator_digest() -> str:
    """Changes with the simulator, with what is made of it here, and with numpy's generators."""
    digest = hashlib.sha256(np.__version__.encode())
    here = [Path(__file__).with_name(name) for name in MAKERS]
    for path in [*sorted(Path(lugwatch.simulator.__file__).parent.glob("*.py")), *here]:
        digest.update(path.read_bytes())
    return digest.hexdigest()
