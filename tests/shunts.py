"""An invented boat that is motored with sound or bad shunts and watched by the real pipeline."""

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from lugwatch import config, pipeline
from lugwatch.model import Alert, AlertChange, AlertChangeKind, Boat, Condition, Estimate, Fault, Scan, Tick
from lugwatch.replay import step_and_learn
from lugwatch.simulator.air import Weather
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.electrics import CURRENTS
from lugwatch.simulator.faults import PlantFault
from lugwatch.simulator.record import record
from lugwatch.simulator.scenarios import Scenario
from lugwatch.simulator.simulation import PlantState

START_TIME = 1_780_000_000_000
BOAT_SEED = 3
MINUTE = 60.0
ACCUSING = (
    Condition.WARMING,
    Condition.HEADING_HOT,
    Condition.HOT,
    Condition.RISING_FAST,
    Condition.INTERMITTENT,
    Condition.PROBE_OFF_JOINT,
)
# what a row says, as somebody else would have read it
Spoil = Callable[[float, dict[str, float]], Mapping[str, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What was said, by minutes since the motoring began."""

    changes: list[tuple[float, AlertChangeKind, Alert]]
    estimates: list[tuple[float, Estimate]]
    state: pipeline.State

    def minutes(self, condition: Condition, kind: AlertChangeKind = AlertChangeKind.RAISED) -> list[float]:
        return [m for m, k, alert in self.changes if k is kind and alert.condition is condition]

    def accused(self) -> list[str]:
        return [
            f"{alert.condition} of {alert.joint} at {m:.1f}"
            for m, kind, alert in self.changes
            if alert.condition in ACCUSING and kind is not AlertChangeKind.RECTIFIED
        ]

    def doubts(self) -> list[Alert]:
        return [
            alert
            for _, kind, alert in self.changes
            if alert.condition is Condition.CURRENT_DOUBTFUL and kind is AlertChangeKind.RAISED
        ]

    def rows(self, joint: str, after: float, before: float) -> list[Estimate]:
        return [e for m, e in self.estimates if e.joint == joint and after <= m < before]


def motoring(minutes: float, *faults: PlantFault, alternator_amps: float = 92.0) -> Scenario:
    """Engine on from the first minute; loads come and go, the inverter twice."""
    return Scenario(
        name="motoring",
        duration_seconds=minutes * MINUTE,
        engine=((MINUTE, 1.0),),
        alternator_limit_amps=((0.0, alternator_amps),),
        house_amps=((0.0, 12.0), (14 * MINUTE, 20.0), (41 * MINUTE, 9.0)),
        inverter_amps=(
            (0.0, 0.8),
            (22 * MINUTE, 120.0),
            (27 * MINUTE, 0.8),
            (46 * MINUTE, 90.0),
            (50 * MINUTE, 0.8),
        ),
        bulk_seconds=4.0 * 3600.0,
        weather=Weather(mean_celsius=19.0, swing_kelvin=3.0),
        faults=faults,
    )


@cache
def watched_boat() -> Boat:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "lugwatch.toml"
        text = configuration_text(make_boat(BOAT_SEED), path.parent, ("127.0.0.1", 1883))
        path.write_text(text, encoding="utf-8")
        return config.load(path).boat


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Morning:
    """A boat that knows her joints, at anchor again."""

    state: pipeline.State
    plant: PlantState
    time: int


def steps_of(amps: float | None) -> Spoil:
    """Currents that are read in steps of so many A; None: as the shunt gives them, in hundredths."""

    def spoil(_minute: float, values: dict[str, float]) -> Mapping[str, float]:
        if amps is None:
            return values
        currents = {c: round(round(v / amps) * amps, 6) for c, v in values.items() if c in CURRENTS}
        return values | currents

    return spoil


@cache
def learned(step_amps: float | None = None) -> Morning:
    """Ninety minutes of motoring and forty at anchor: shapes are learned, the passage is over."""
    begun = pipeline.begin(watched_boat(), START_TIME / 1000.0, START_TIME)
    first = motoring(90.0)
    anchored = Scenario(name="anchored", duration_seconds=40 * MINUTE, house_amps=((0.0, 3.0),))
    told, plant = live(begun, first, None, START_TIME, seed=1, spoil=steps_of(step_amps))
    time = START_TIME + round(first.duration_seconds * 1000)
    told, plant = live(told.state, anchored, plant, time, seed=2, spoil=steps_of(step_amps))
    return Morning(state=told.state, plant=plant, time=time + round(anchored.duration_seconds * 1000))


def live(
    state: pipeline.State,
    scenario: Scenario,
    previous: PlantState | None,
    start_time: int,
    *,
    seed: int,
    spoil: Spoil | None = None,
    flagged: Callable[[float], str | None] | None = None,
) -> tuple[Told, PlantState]:
    """Live through a scenario. spoil: changes what is read; flagged: a channel whose source says it clips."""
    recorded = record(
        make_boat(BOAT_SEED), scenario, seed=seed, start_time=start_time, previous=previous,
        plant_step_seconds=2.5,
    )  # fmt: skip
    changes: list[tuple[float, AlertChangeKind, Alert]] = []
    estimates: list[tuple[float, Estimate]] = []
    for row in recorded.rows:
        minute = (row.time - start_time) / 60_000.0
        now = row.time / 1000.0
        values = {c: v for c, v in row.values.items() if v is not None}
        events: list[Scan | Fault | Tick] = []
        channel = None if flagged is None else flagged(minute)
        if channel is not None:
            del values[channel]
            events.append(clipped_fault(channel, now, row.time))
        read = values if spoil is None else spoil(minute, values)
        events.append(Scan(values=tuple(read.items()), monotonic_seconds=now, time=row.time))
        events.append(Tick(monotonic_seconds=now, time=row.time))
        for event in events:
            state, outputs = step_and_learn(state, event)
            for output in outputs:
                if isinstance(output, AlertChange):
                    changes.append((minute, output.change, output.alert))
                elif isinstance(output, Estimate):
                    estimates.append((minute, output))
    return Told(changes=changes, estimates=estimates, state=state), recorded.state


def clipped_fault(channel: str, now: float, time: int) -> Fault:
    from lugwatch.model import FaultKind

    return Fault(
        source="mqtt", channel=channel, kind=FaultKind.CLIPPED, detail="said to be clipped",
        monotonic_seconds=now, time=time,
    )  # fmt: skip


def second_passage(
    *faults: PlantFault,
    minutes: float = 60.0,
    step_amps: float | None = None,
    spoil: Spoil | None = None,
    **changes: Any,
) -> Told:
    """Motoring on the morning after, with these troubles and changes of the scenario."""
    morning = learned(step_amps)
    scenario = replace(motoring(minutes, *faults), **changes)
    first, then = steps_of(step_amps), spoil

    def read(minute: float, values: dict[str, float]) -> Mapping[str, float]:
        stepped = dict(first(minute, values))
        return stepped if then is None else then(minute, stepped)

    return live(morning.state, scenario, morning.plant, morning.time, seed=7, spoil=read)[0]
