"""Two invented passages with readings and estimates in them, for tests of what is decided by hand."""

from dataclasses import replace
from pathlib import Path

from invented_boat import JOINTS, invented_estimate, invented_passage, write_invented_history
from lugwatch.clock import Clock
from lugwatch.store.writer import Store

MINUTE = 60_000


def write_two_passages(database: Path, clock: Clock) -> Store:
    """Passage 1, 25 minutes, until 35 minutes ago; passage 2, from 25 minutes to 2 minutes ago.

    Between them the logger was off. Estimates each half minute; the alternator's stud heats twice as much in
    the last ten minutes, which is what passage 2 tells of it, as passages do. The open store.
    """
    store = write_invented_history(database, clock)
    now = clock.time()
    passages = [
        replace(
            invented_passage(now, passage_id=1), start_time=now - 60 * MINUTE, end_time=now - 35 * MINUTE
        ),
        replace(invented_passage(now, passage_id=2), start_time=now - 25 * MINUTE, end_time=now - 2 * MINUTE),
    ]
    bar = passages[1].joints["bar_alternator"]
    assert bar.rise_coefficient is not None and bar.rise_coefficient_sd is not None
    twice = replace(
        bar,
        rise_coefficient=2.0 * bar.rise_coefficient,
        rise_coefficient_sd=2.0 * bar.rise_coefficient_sd,
    )
    passages[1] = replace(passages[1], joints={**passages[1].joints, "bar_alternator": twice})
    estimates = []
    for half_minutes in range(120, 4, -1):
        if 50 < half_minutes < 70:
            continue
        time = now - half_minutes * MINUTE // 2
        for i in range(len(JOINTS)):
            estimate = invented_estimate(i, time)
            if i == 0 and half_minutes < 20 and estimate.rise_coefficient is not None:
                estimate = replace(estimate, rise_coefficient=2.0 * estimate.rise_coefficient)
            estimates.append(estimate)
    monotonic = clock.monotonic_seconds()
    store.write([*passages, *estimates], monotonic_seconds=monotonic + 1.0, time=now)
    return store
