"""Passages of an invented boat as data: engine, alternator, loads, weather, troubles.

Not here: how they are lived through (`simulation`). Seconds from the start of the scenario.
May import: the simulator's own.
"""

from dataclasses import dataclass

import numpy as np

from lugwatch.simulator.air import Weather
from lugwatch.simulator.electrics import Steps
from lugwatch.simulator.faults import PlantFault, Trouble

MINUTE = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """What happens from second 0 to `duration_seconds`."""

    name: str
    duration_seconds: float
    engine: Steps = ()  # 1 on, 0 off
    alternator_limit_amps: Steps = ((0.0, 95.0),)
    house_amps: Steps = ((0.0, 6.0),)
    inverter_amps: Steps = ()
    bulk_seconds: float = 2.0 * 3600.0
    taper_seconds: float = 3600.0
    weather: Weather | None = None  # None: the boat's own
    start_day_seconds: float = 9.0 * 3600.0  # time of day at second 0
    faults: tuple[PlantFault, ...] = ()


def demo_story() -> Scenario:
    """Ninety minutes of motoring in which "Bus bar, alternator stud" goes bad.

    Sound until minute 30; then the contact's resistance doubles every eight minutes. At minute 82
    the crew turns the charging down to 20 A and the joint cools.
    """
    return Scenario(
        name="demo story",
        duration_seconds=90 * MINUTE,
        engine=((0.5 * MINUTE, 1.0),),
        alternator_limit_amps=((0.0, 95.0), (82 * MINUTE, 20.0)),
        house_amps=((0.0, 9.0), (12 * MINUTE, 14.0), (55 * MINUTE, 8.0)),
        inverter_amps=(
            (0.0, 0.0),
            (20 * MINUTE, 85.0),
            (24 * MINUTE, 0.0),
            (48 * MINUTE, 70.0),
            (51 * MINUTE, 0.0),
        ),
        bulk_seconds=3.0 * 3600.0,
        weather=Weather(mean_celsius=26.0, swing_kelvin=3.0),  # a summer's day in the south
        faults=(
            PlantFault(
                kind=Trouble.RESISTANCE_GROWTH,
                where="bar_alternator",
                start_seconds=30 * MINUTE,
                end_seconds=82 * MINUTE,
                size=8 * MINUTE,
            ),
        ),
    )


def healthy_passage(seed: int, hours: float = 5.0) -> Scenario:
    """A passage on which nothing goes wrong: own weather, own loads, bulk and then taper."""
    random = np.random.default_rng([seed, 30])
    end = hours * 3600.0
    start = random.uniform(2.0, 8.0) * MINUTE
    limit = random.uniform(88.0, 100.0)
    return Scenario(
        name=f"healthy passage {seed}",
        duration_seconds=end,
        engine=((start, 1.0), (end - random.uniform(5.0, 15.0) * MINUTE, 0.0)),
        alternator_limit_amps=((0.0, limit),),
        house_amps=_house(end, random),
        inverter_amps=_inverter(end, random),
        bulk_seconds=random.uniform(0.35, 0.7) * end,
        taper_seconds=random.uniform(1800.0, 5400.0),
        weather=Weather(
            mean_celsius=random.uniform(12.0, 24.0),
            swing_kelvin=random.uniform(2.0, 6.0),
            wander_kelvin=random.uniform(0.5, 1.2),
        ),
        start_day_seconds=random.uniform(6.0, 14.0) * 3600.0,
    )


def _house(end: float, random: np.random.Generator) -> Steps:
    steps: list[tuple[float, float]] = []
    seconds = 0.0
    while seconds < end:
        steps.append((seconds, float(random.uniform(4.0, 28.0))))
        seconds += float(random.uniform(4.0, 25.0)) * MINUTE
    return tuple(steps)


def _inverter(end: float, random: np.random.Generator) -> Steps:
    """Kettle, tools, oven: 60 to 150 A for some minutes, then a long pause."""
    steps: list[tuple[float, float]] = [(0.0, 0.8)]
    seconds = float(random.uniform(5.0, 30.0)) * MINUTE
    while seconds < end:
        steps.append((seconds, float(random.uniform(60.0, 150.0))))
        seconds += float(random.uniform(2.0, 9.0)) * MINUTE
        steps.append((seconds, 0.8))
        seconds += float(random.uniform(10.0, 50.0)) * MINUTE
    return tuple(steps)


def anchored_night(after: Scenario, hours: float = 19.0) -> Scenario:
    """A night at anchor after that passage: engine off, small loads, the same weather."""
    return Scenario(
        name=f"night after {after.name}",
        duration_seconds=hours * 3600.0,
        house_amps=((0.0, 4.0), (0.6 * hours * 3600.0, 2.5)),
        weather=after.weather,
        start_day_seconds=(after.start_day_seconds + after.duration_seconds) % 86400.0,
    )
