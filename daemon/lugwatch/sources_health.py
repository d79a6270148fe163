"""How each source is doing, from what came of it: counts, last fault, and whether it is silent.

May import: model, intake, plan, numpy.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch.intake import Layout
from lugwatch.model import Fault, SourceHealth
from lugwatch.plan import Plan

PUT_OUT_SECONDS = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """One source since the start."""

    readings: int = 0
    faults: int = 0
    faults_before: int = 0  # at the last look
    last_fault: str | None = None
    state: str = "starting"


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Every source, and when they were last put out."""

    sources: Mapping[str, Count] = field(default_factory=dict)
    put_out_seconds: float = -1e18


def empty(sources: tuple[str, ...]) -> Counts:
    """Nothing counted yet."""
    return Counts(sources={source: Count() for source in sources})


def count_readings(counts: Counts, channels: Layout, good: Iterable[tuple[int, float]], time: int) -> Counts:
    """Count good readings (channel index, value)."""
    more: dict[str, int] = {}
    for i, _ in good:
        source = channels.channels[i].source
        if source is not None:
            more[source] = more.get(source, 0) + 1
    if not more:
        return counts
    sources = dict(counts.sources)
    for source, number in more.items():
        sources[source] = replace(sources[source], readings=sources[source].readings + number)
    return replace(counts, sources=sources)


def count_fault(counts: Counts, fault: Fault) -> Counts:
    """Count one fault, of a channel or of the source itself."""
    before = counts.sources.get(fault.source, Count())
    words = f"{fault.kind.value}: {fault.detail}" if fault.detail else fault.kind.value
    after = replace(before, faults=before.faults + 1, last_fault=words)
    return replace(counts, sources={**counts.sources, fault.source: after})


def look(
    counts: Counts, plan: Plan, silent: NDArray[np.bool_], now: float, time: int
) -> tuple[Counts, tuple[SourceHealth, ...]]:
    """Every so often: the state of each source. `silent` is per channel."""
    due = now - counts.put_out_seconds >= PUT_OUT_SECONDS or now < counts.put_out_seconds
    said: list[SourceHealth] = []
    sources: dict[str, Count] = {}
    for source, count in counts.sources.items():
        of_source = plan.channels_of_source.get(source)
        all_silent = of_source is not None and bool(silent[of_source].all())
        if all_silent:
            state = "silent" if count.readings or count.faults else "starting"
        else:
            state = "faulty" if count.faults > count.faults_before else "reading"
        if due or (state != count.state and "silent" in (state, count.state)):
            said.append(
                SourceHealth(
                    source=source,
                    time=time,
                    state=state,
                    readings_count=count.readings,
                    faults_count=count.faults,
                    last_fault=count.last_fault,
                )
            )
        before = count.faults if due else count.faults_before
        same = state == count.state and before == count.faults_before
        sources[source] = count if same else replace(count, state=state, faults_before=before)
    return replace(counts, sources=sources, put_out_seconds=now if due else counts.put_out_seconds), tuple(
        said
    )
