"""Passages of one invented joint with a rise coefficient each, for tests of the creep."""

from collections.abc import Sequence

from lugwatch import creep
from lugwatch.creep import DAY_MS, Point
from lugwatch.model import Creep, JointPassage, Passage

B = 4.0e-3  # K/A²
BASELINE = (B, 0.01 * B)
JUNE = 1_780_444_800_000  # 2026-06-03T00:00:00Z


def points(
    ratios: Sequence[float], days: Sequence[float] | None = None, sd_ratio: float = 0.02
) -> tuple[Point, ...]:
    days = days if days is not None else [2.0 * k for k in range(len(ratios))]
    return tuple(
        Point(
            passage_id=k + 1,
            time=JUNE + round(day * DAY_MS),
            rise_coefficient=B * ratio,
            rise_coefficient_sd=B * ratio * sd_ratio,
        )
        for k, (ratio, day) in enumerate(zip(ratios, days, strict=True))
    )


def passage(passage_id: int, rise: float | None, end_time: int | None = JUNE + 7_200_000) -> Passage:
    sd = None if rise is None else 0.02 * rise
    return Passage(
        passage_id=passage_id,
        start_time=JUNE,
        end_time=end_time,
        amp_hours=41.0,
        max_amps=95.0,
        currents={},
        joints={"bar": JointPassage(max_celsius=60.0, rise_coefficient=rise, rise_coefficient_sd=sd)},
    )


def judge(some: Sequence[Point], baseline: tuple[float, float] | None = BASELINE) -> Creep:
    return creep.judge("bar", some, baseline, some[-1].time if some else JUNE)
