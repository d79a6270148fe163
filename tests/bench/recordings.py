"""The invented boats' passages, lived through by the simulator and kept on disk.

Rows every 5 s, as an owner's recorder would write them; the truth beside them.
"""

from dataclasses import dataclass, replace

import numpy as np
from setting import Setting, kept, simulator_digest

from lugwatch.simulator.boat import SimulatedBoat, make_boat
from lugwatch.simulator.plant import Floats
from lugwatch.simulator.record import NIGHT_STEP_SECONDS, Recorded, record
from lugwatch.simulator.scenarios import Scenario, anchored_night, healthy_passage
from lugwatch.simulator.simulation import PlantState

START_TIME = 1_780_000_000_000  # an invented day
DAY_MS = 86_400_000
HOUR_SECONDS = 3600.0
# half of the quickest node's hundredth: an explicit step of 2.5 s errs by less than a probe's noise
PLANT_STEP_SECONDS = 2.5
ROW_SECONDS = 5.0
# the recorder stays on for an hour after a passage: soak is recorded, and the passage ends
AFTER_HOURS = 1.0
LEARNING_PASSAGES = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """Rows and truth as arrays; NaN: no reading."""

    boat_seed: int
    channels: tuple[str, ...]
    times: np.ndarray[tuple[int], np.dtype[np.int64]]  # ms
    values: Floats  # rows × channels
    joints: tuple[str, ...]
    celsius: Floats  # rows × joints, true
    ohms: Floats
    amps: Floats  # rows × currents, true
    air_celsius: Floats  # rows × spaces, true
    state: PlantState

    @property
    def hours(self) -> float:
        return len(self.times) * ROW_SECONDS / HOUR_SECONDS

    def seconds(self) -> Floats:
        """Of each row, from the first."""
        return (self.times - self.times[0]) / 1000.0

    def joint(self, name: str) -> int:
        return self.joints.index(name)

    def cut(self, rows: int) -> "Recording":
        """The first rows of it."""
        parts = ("times", "values", "celsius", "ohms", "amps", "air_celsius")
        return replace(self, **{name: getattr(self, name)[:rows] for name in parts})

    def after(self, rows: int) -> "Recording":
        """Without the first rows."""
        parts = ("times", "values", "celsius", "ohms", "amps", "air_celsius")
        return replace(self, **{name: getattr(self, name)[rows:] for name in parts})


def compact(boat: SimulatedBoat, recorded: Recorded) -> Recording:
    """A recording as arrays."""
    channels = boat.channels
    values = np.array(
        [[np.nan if (v := row.values[c]) is None else v for c in channels] for row in recorded.rows]
    )
    truth = recorded.truth
    return Recording(
        boat_seed=boat.seed,
        channels=channels,
        times=truth.times,
        values=values,
        joints=truth.joints,
        celsius=truth.celsius,
        ohms=truth.resistance_ohms,
        amps=truth.amps,
        air_celsius=truth.air_celsius,
        state=recorded.state,
    )


def lived(
    setting: Setting,
    boat_seed: int,
    scenario: Scenario,
    *,
    seed: int,
    start_time: int,
    previous: PlantState | None = None,
) -> Recording:
    """The scenario lived through by the sister of this seed, from the cache where it is known."""
    before = None if previous is None else (previous.celsius.tobytes(), previous.air_celsius.tobytes())
    key = (simulator_digest(), boat_seed, scenario, seed, start_time, before, PLANT_STEP_SECONDS)

    def make() -> Recording:
        boat = make_boat(boat_seed)
        recorded = record(
            boat,
            scenario,
            seed=seed,
            start_time=start_time,
            step_seconds=ROW_SECONDS,
            previous=previous,
            plant_step_seconds=PLANT_STEP_SECONDS,
        )
        return compact(boat, recorded)

    return kept(setting.cache, key, make)


def season(setting: Setting, boat_seed: int, passages: int, hours: float) -> list[Recording]:
    """Healthy passages of one boat, one a day: passage, hour at anchor, passage, hour at anchor, …

    The rest of each night is lived through and not recorded, so there is a gap of half a day.
    """
    key = (simulator_digest(), "season", boat_seed, passages, hours, PLANT_STEP_SECONDS)
    return kept(setting.cache, key, lambda: _season(boat_seed, passages, hours))


def _season(boat_seed: int, passages: int, hours: float) -> list[Recording]:
    boat = make_boat(boat_seed)
    found: list[Recording] = []
    state: PlantState | None = None
    for number in range(passages):
        seed = 1000 * boat_seed + number
        time = START_TIME + number * DAY_MS
        scenario = healthy_passage(seed, hours)
        night = anchored_night(scenario, AFTER_HOURS)
        for part, part_seed in ((scenario, seed), (night, seed + 500_000)):
            recorded = record(
                boat,
                part,
                seed=part_seed,
                start_time=time,
                step_seconds=ROW_SECONDS,
                previous=state,
                plant_step_seconds=PLANT_STEP_SECONDS,
            )
            found.append(compact(boat, recorded))
            state, time = recorded.state, recorded.end_time
        rest = record(
            boat,
            anchored_night(night, 23.0 - hours - AFTER_HOURS),
            seed=seed + 600_000,
            start_time=time,
            step_seconds=HOUR_SECONDS,
            previous=state,
            plant_step_seconds=NIGHT_STEP_SECONDS,
        )
        state = rest.state
        found[-1] = replace(found[-1], state=state)
    return found
