"""Whether deviations and intervals are honest: predictions held against what the plant then does.

Short passages, the product going on from one to the next as on a boat. At two moments of each the
last estimate is held against the plant; innovations are taken inside the filter.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from recordings import DAY_MS, HOUR_SECONDS, PLANT_STEP_SECONDS, ROW_SECONDS, Recording
from setting import Setting, kept, simulator_digest
from truth import held_for, rise_coefficients, settles_in_still_air
from watched import Heard, boat_of, listen, trained

from lugwatch import estimator, pipeline
from lugwatch.model import Estimate
from lugwatch.simulator.boat import JOINTS, make_boat
from lugwatch.simulator.electrics import CURRENTS
from lugwatch.simulator.plant import Floats
from lugwatch.simulator.scenarios import MINUTE, Scenario, healthy_passage
from lugwatch.simulator.simulation import Simulation

PASSAGE_HOURS = 1.5
EARLY_SECONDS, LATE_SECONDS = 25 * MINUTE, 88 * MINUTE
HELD_SECONDS, MEAN_SECONDS = 4 * HOUR_SECONDS, 10 * MINUTE
PRESENT_SECONDS = 60.0  # "this current" is that of about the last minute
NORMAL_95 = 1.96
MOMENTS = ("25 min", "88 min")
WAYS = ("air held as it is", "weather and draughts living on, 4 h")


def short_passage(seed: int) -> Scenario:
    """An hour and a half of charging; near its end the inverter or the house may carry much."""
    random = np.random.default_rng([seed, 31])
    base = healthy_passage(seed, PASSAGE_HOURS)
    change = random.uniform(60.0, 75.0) * MINUTE
    house = random.uniform(40.0, 70.0) if random.random() < 0.33 else random.uniform(5.0, 20.0)
    inverter = random.uniform(60.0, 120.0) if random.random() < 0.5 else 0.8
    return replace(
        base,
        engine=base.engine[:1],
        bulk_seconds=100 * HOUR_SECONDS,
        house_amps=(*((s, a) for s, a in base.house_amps if s < change), (change, house)),
        inverter_amps=(*((s, a) for s, a in base.inverter_amps if s < change), (change, inverter)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lived:
    """A passage and what the plant would have done: (moments, ways, joints) and means of the passage."""

    recording: Recording
    settles_celsius: Floats
    simulation: Simulation  # as it was in the end
    rms_amps: Floats
    air_celsius: Floats
    draught: Floats


def live(boat_seed: int, number: int, start_time: int) -> Lived:
    """One passage, row by row as `record` does it, with the plant held at two moments."""
    boat = make_boat(boat_seed)
    seed = 1000 * boat_seed + 700 + number
    scenario = short_passage(seed)
    simulation = Simulation(boat, scenario, seed=seed)
    offsets = np.array(
        [next(p for p in boat.probes if p.channel == j.joint).offset_kelvin for j in boat.joints]
    )
    every = round(ROW_SECONDS / PLANT_STEP_SECONDS)
    share = 1.0 - math.exp(-PLANT_STEP_SECONDS / PRESENT_SECONDS)
    present = np.zeros(len(CURRENTS))
    values, celsius, amps, air, draughts, settles = [], [], [], [], [], []
    for count in range(round(scenario.duration_seconds / PLANT_STEP_SECONDS)):
        if count % every == 0:
            values.append([np.nan if v is None else v for v in simulation.readings().values()])
            celsius.append(simulation.joint_celsius())
            amps.append(simulation.amps.copy())
            air.append(simulation.air.celsius.copy())
            draughts.append(simulation.air.draught())
        if simulation.seconds in (EARLY_SECONDS, LATE_SECONDS):
            # the direction of a current does not matter to heat
            held = np.sqrt(present)
            ends = (settles_in_still_air(simulation, held),
                    held_for(simulation, held, HELD_SECONDS, MEAN_SECONDS))  # fmt: skip
            settles.append([end + offsets for end in ends])
        simulation.advance(PLANT_STEP_SECONDS)
        present += share * (simulation.amps**2 - present)
    hour = round(HOUR_SECONDS / ROW_SECONDS)
    recording = Recording(
        boat_seed=boat_seed,
        channels=boat.channels,
        times=start_time + np.arange(len(values), dtype=np.int64) * round(ROW_SECONDS * 1000),
        values=np.array(values),
        joints=tuple(j.joint for j in boat.joints),
        celsius=np.array(celsius),
        ohms=np.array(celsius) * np.nan,
        amps=np.array(amps),
        air_celsius=np.array(air),
        state=simulation.state(),
    )
    return Lived(
        recording=recording,
        settles_celsius=np.array(settles),
        simulation=simulation,
        rms_amps=np.sqrt(np.mean(np.array(amps)[-hour:] ** 2, axis=0)),
        air_celsius=np.mean(np.array(air)[-hour:], axis=0),
        draught=np.mean(np.array(draughts)[-hour:], axis=0),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One joint on one passage: errors over their deviations; None where the product said nothing."""

    joint: str
    boat_seed: int
    rise: float | None  # K/A²
    rise_sd: float | None
    rise_true: tuple[float, float]  # over the reference; by its own current alone
    settles: tuple[tuple[int, int, float, float], ...]  # moment, way, error [K], deviation [K]
    nis: float | None  # mean over the loaded windows of the passage
    windows: int


class Innovations:
    """Takes the filter's innovations while it runs: of each joint's likeliest shape, under load."""

    def __init__(self) -> None:
        self.stepped = np.array([])
        self.squares: list[Floats] = []

    def tick(self, state: pipeline.State) -> None:
        """At the end of a row; counts only where a window was closed."""
        tracked, joints = state.tracked, len(state.plan.boat.joints)
        if np.array_equal(tracked.stepped, self.stepped):
            return
        self.stepped = tracked.stepped
        best = np.arange(joints), estimator.weights(tracked).reshape(joints, -1).argmax(axis=1)
        innovation = tracked.innovation.reshape(joints, -1)[best]
        variance = tracked.innovation_variance.reshape(joints, -1)[best]
        amps_squared = np.nan_to_num(state.judgement.present_amps_squared)
        loaded = (amps_squared >= (2.0 * state.plan.floor_amps) ** 2) & (variance > 0.0)
        self.squares.append(np.where(loaded, innovation**2 / np.where(loaded, variance, 1.0), np.nan))


def judge(setting: Setting, boat_seed: int, passages: int) -> list[Judged]:
    """A season of short passages of one boat."""
    return kept(setting.run, ("judge", boat_seed, passages), lambda: _judge(setting, boat_seed, passages))


def _judge(setting: Setting, boat_seed: int, passages: int) -> list[Judged]:
    learned = trained(setting, boat_seed)
    weights = {s.joint: s.neighbour_weight for s in learned.heard.shapes}
    neighbour_weight = np.array([weights.get(j.joint, 0.0) for j in JOINTS])
    floors = np.array(
        [0.08 * next(c.rated_amps or 0.0 for c in boat_of(boat_seed).channels if c.channel == j.current)
         for j in JOINTS]
    )  # fmt: skip
    state = learned.state
    found: list[Judged] = []
    for number in range(passages):
        start_time = learned.next_time + number * DAY_MS
        key = (simulator_digest(), "honesty", boat_seed, number, start_time, PLANT_STEP_SECONDS, HELD_SECONDS)
        lived = kept(setting.cache, key, lambda n=number, t=start_time: live(boat_seed, n, t))
        estimates: list[Estimate] = []
        spy = Innovations()
        state = listen(state, lived.recording, Heard(), each_estimate=estimates.append, each_tick=spy.tick)
        true = rise_coefficients(
            lived.simulation, lived.rms_amps, lived.air_celsius, lived.draught, neighbour_weight
        )
        squares = np.array(spy.squares)
        found += [
            _joint(
                lived,
                row,
                estimates,
                (float(true[0, row]), float(true[1, row])),
                floors[row],
                boat_seed,
                squares[:, row],
            )
            for row in range(len(JOINTS))
        ]
    return found


def _joint(
    lived: Lived,
    row: int,
    estimates: list[Estimate],
    true: tuple[float, float],
    floor_amps: float,
    boat_seed: int,
    nis: Floats,
) -> Judged:
    joint = JOINTS[row]
    own = [e for e in estimates if e.joint == joint.joint]
    start = int(lived.recording.times[0])
    settles = []
    for m, moment in enumerate((EARLY_SECONDS, LATE_SECONDS)):
        until = [e for e in own if e.time <= start + moment * 1000]
        last = until[-1] if until else None
        loaded = last is not None and abs(last.current_amps or 0.0) >= floor_amps
        if last is None or not loaded:
            continue
        said = (
            (last.settles_at_celsius, last.settles_at_sd_kelvin),  # with the air as it is now
            (last.ends_at_celsius, last.ends_at_sd_kelvin),  # with the air where it is heading
        )
        for way, (celsius, sd) in enumerate(said):
            if celsius is not None and sd:
                settles.append((m, way, float(celsius - lived.settles_celsius[m, way, row]), sd))
    enough = lived.rms_amps[CURRENTS.index(joint.current)] >= floor_amps
    final = own[-1] if own else None
    known = final is not None and enough and final.rise_coefficient is not None
    counted = nis[~np.isnan(nis)]
    return Judged(
        joint=joint.joint,
        boat_seed=boat_seed,
        rise=final.rise_coefficient if known and final else None,
        rise_sd=final.rise_coefficient_sd if known and final else None,
        rise_true=true,
        settles=tuple(settles),
        nis=float(np.mean(counted)) if len(counted) else None,
        windows=len(counted),
    )
