"""An invented boat living through a scenario, second by second, and what her instruments see of it.

Not here: files and devices (`record`, `devices`). May import: the simulator's own.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from lugwatch.simulator.air import Air, Space, air_at_rest
from lugwatch.simulator.boat import BODIES, ProbePart, ShuntPart, SimulatedBoat
from lugwatch.simulator.electrics import CURRENTS, Electrics, value_at
from lugwatch.simulator.faults import Burst, PlantFault, Trouble, bursts, resistance_ratio
from lugwatch.simulator.plant import Floats, heat_flows, step
from lugwatch.simulator.scenarios import Scenario

PROBE_STEP_KELVIN = 1.0 / 16.0
PROBE_NOISE_KELVIN = 0.03
# how fast each body follows its target [s], in the order of BODIES
BODY_SECONDS = np.array([420.0, 1500.0, 20000.0, 700.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantState:
    """What one scenario leaves to the next: temperatures, as the boat was left."""

    celsius: Floats
    probe_celsius: Floats
    air_celsius: Floats


class Simulation:
    """The boat in one scenario. `advance` moves it on; the rest only looks.

    Random things come from generators seeded by (boat, seed), so the same call gives the same
    passage. resistance_ratios: what each joint has already become before the scenario.
    """

    def __init__(
        self,
        boat: SimulatedBoat,
        scenario: Scenario,
        *,
        seed: int,
        previous: PlantState | None = None,
        resistance_ratios: Mapping[str, float] | None = None,
    ) -> None:
        self.boat = boat
        self.scenario = scenario
        self.seconds = 0.0
        self.amps: Floats = np.zeros(len(CURRENTS))
        seeds = [np.random.default_rng([boat.seed, seed, i]) for i in range(4)]
        self._noise = seeds[0]
        self._electrics = Electrics(
            bulk_seconds=scenario.bulk_seconds, taper_seconds=scenario.taper_seconds, random=seeds[1]
        )
        weather = scenario.weather or boat.weather
        self.air: Air = air_at_rest(weather, boat.spaces, scenario.start_day_seconds, seeds[2])
        self._spells: dict[PlantFault, tuple[Burst, ...]] = {
            fault: bursts(fault, scenario.duration_seconds, seeds[3])
            for fault in scenario.faults
            if fault.kind is Trouble.INTERMITTENT
        }
        self._sound_ratio = np.ones(len(boat.network.names))
        for joint, ratio in (resistance_ratios or {}).items():
            self._sound_ratio[boat.network.index(joint)] = ratio
        self.resistance_ratio = self._sound_ratio.copy()
        self._stuck_amps: dict[str, float] = {}
        self._nodes = [None if p.node is None else boat.network.index(p.node) for p in boat.probes]
        self._lags = np.array([p.lag_seconds for p in boat.probes])
        if previous is None:
            self.celsius: Floats = self.air.celsius[boat.network.space_index].copy()
            self.celsius[-len(BODIES) :] = self._body_targets(False)
            self.probe_celsius = self._under_probes()
        else:
            self.celsius = previous.celsius.copy()
            self.probe_celsius = previous.probe_celsius.copy()
            self.air.celsius[:] = previous.air_celsius

    def state(self) -> PlantState:
        """For the next scenario's `previous`."""
        return PlantState(
            celsius=self.celsius.copy(),
            probe_celsius=self.probe_celsius.copy(),
            air_celsius=self.air.celsius.copy(),
        )

    def advance(self, dt_seconds: float = 1.0) -> None:
        """One step of at most a few seconds."""
        scenario, seconds = self.scenario, self.seconds
        engine_on = value_at(scenario.engine, seconds) > 0.0
        self.amps = self._electrics.advance(
            limit_amps=value_at(scenario.alternator_limit_amps, seconds) if engine_on else 0.0,
            house_amps=value_at(scenario.house_amps, seconds),
            inverter_amps=value_at(scenario.inverter_amps, seconds),
            dt_seconds=dt_seconds,
        )
        fans = [self._size(Trouble.FAN, space.name.lower(), 1.0) for space in Space]
        hatches = [self._size(Trouble.HATCH, space.name.lower(), 0.0) > 0.0 for space in Space]
        self.air.advance(scenario.start_day_seconds + seconds, engine_on, hatches, dt_seconds)
        self._move_resistances()
        flows = heat_flows(
            self.boat.network,
            self.celsius,
            self.amps,
            self.air.celsius,
            self.air.draught(fans),
            self.resistance_ratio,
        )
        self.celsius = step(
            self.boat.network, self.celsius, flows, self._body_targets(engine_on), BODY_SECONDS, dt_seconds
        )
        share = 1.0 - np.exp(-dt_seconds / self._lags)
        self.probe_celsius = self.probe_celsius + share * (self._under_probes() - self.probe_celsius)
        self.seconds = seconds + dt_seconds

    def read_probe(self, part: ProbePart) -> float | None:
        """What this probe would say now [°C, in sixteenths]; None: it is dead."""
        if self._size(Trouble.PROBE_DEAD, part.channel, 0.0) > 0.0:
            return None
        true = self.probe_celsius[self.boat.probes.index(part)]
        too_cold = self._size(Trouble.AIR_PROBE_DRAUGHT, part.channel, 0.0)
        raw = true + part.offset_kelvin - too_cold + PROBE_NOISE_KELVIN * self._noise.standard_normal()
        return float(round(raw / PROBE_STEP_KELVIN) * PROBE_STEP_KELVIN)

    def read_shunt(self, part: ShuntPart) -> float:
        """What this shunt's amplifier would say now [A]."""
        gain, clip, stuck = part.gain, float("inf"), False
        for fault in self.scenario.faults:
            if fault.where == part.channel and fault.acts(self.seconds):
                if fault.kind is Trouble.SHUNT_GAIN:
                    gain *= 1.0 + fault.size * (self.seconds - fault.start_seconds) / 3600.0
                elif fault.kind is Trouble.SHUNT_REVERSED:
                    gain = -gain
                elif fault.kind is Trouble.SHUNT_CLIPPED:
                    clip = fault.size
                elif fault.kind is Trouble.SHUNT_STUCK:
                    stuck = True
        true = float(self.amps[CURRENTS.index(part.channel)])
        noise = part.noise_amps * float(self._noise.standard_normal())
        value = round(max(-clip, min(clip, gain * true + part.offset_amps + noise)), 2)
        if stuck:
            return self._stuck_amps.setdefault(part.channel, value)
        self._stuck_amps.pop(part.channel, None)
        return value

    def readings(self) -> dict[str, float | None]:
        """Every channel once, in the boat's order."""
        found: dict[str, float | None] = {p.channel: self.read_probe(p) for p in self.boat.probes}
        found.update((s.channel, self.read_shunt(s)) for s in self.boat.shunts)
        return found

    def joint_celsius(self) -> Floats:
        """True temperature of each joint, in the boat's order."""
        return self.celsius[: len(self.boat.joints)].copy()

    def joint_ohms(self) -> Floats:
        """True resistance of each joint at 20 °C, in the boat's order."""
        count = len(self.boat.joints)
        ohms: Floats = self.boat.network.resistance_ohms[:count] * self.resistance_ratio[:count]
        return ohms

    def _size(self, kind: Trouble, where: str, otherwise: float) -> float:
        for fault in self.scenario.faults:
            if fault.kind is kind and fault.where == where and fault.acts(self.seconds):
                return fault.size
        return otherwise

    def _move_resistances(self) -> None:
        if not self.scenario.faults:
            return
        self.resistance_ratio = self._sound_ratio.copy()
        for fault in self.scenario.faults:
            if fault.kind in (
                Trouble.RESISTANCE_STEP,
                Trouble.RESISTANCE_GROWTH,
                Trouble.INTERMITTENT,
            ):
                spells = self._spells.get(fault, ())
                index = self.boat.network.index(fault.where)
                self.resistance_ratio[index] *= resistance_ratio(fault, self.seconds, spells)

    def _under_probes(self) -> Floats:
        """True temperature of what each probe touches."""
        values = np.empty(len(self.boat.probes))
        for i, (part, node) in enumerate(zip(self.boat.probes, self._nodes, strict=True)):
            off = bool(self.scenario.faults) and self._size(Trouble.PROBE_OFF, part.channel, 0.0) > 0.0
            values[i] = self.air.celsius[part.space] if node is None or off else self.celsius[node]
        return values

    def _body_targets(self, engine_on: bool) -> Floats:
        """Where alternator, engine, battery and inverter are heading [°C]."""
        machinery, locker = self.air.celsius
        alternator, battery, _house, inverter = np.abs(self.amps)
        return np.array(
            [
                machinery + (14.0 if engine_on else 0.0) + 0.26 * alternator,
                max(machinery, 78.0) if engine_on else machinery,
                locker + 0.01 * battery,
                machinery + 0.12 * inverter,
            ]
        )
