"""An owner's season on an invented boat: what her bus says by address, delivered as her file tells drivers.

Whatever the owner sets right in the file (an address, an offset, a scale) or on the boat (a probe pressed on
again, a joint remade) shows in the next recording, and in nothing else. Everything past the recording goes
through commands. Not here: what is expected of them (`test_owners_season`).
"""

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner, Result

from lugwatch.cli.main import commands
from lugwatch.simulator.boat import SimulatedBoat, make_boat
from lugwatch.simulator.boat_text import addresses, configuration_text
from lugwatch.simulator.record import Row, record, write_recording_csv
from lugwatch.simulator.scenarios import Scenario, anchored_night, healthy_passage
from lugwatch.simulator.simulation import PlantState

START_TIME = 1_780_000_000_000
PROBE_STEP_KELVIN = 0.0625
HOURS = 3.0
ROW_SECONDS = 15.0


@dataclass(kw_only=True)
class Afloat:
    """The boat, her folder, and how she was left; `fallen`, `counterfeit` and `ratios` are hers for now."""

    folder: Path
    seed: int
    fallen: set[str] = field(default_factory=set)  # probes that hang in the air
    counterfeit_kelvin: Mapping[str, float] = field(default_factory=dict)  # by how much they read too warm
    ratios: dict[str, float] = field(default_factory=dict)  # of resistance, against her builder's
    time: int = START_TIME
    number: int = 0
    state: PlantState | None = None
    healthy: Scenario | None = None

    def __post_init__(self) -> None:
        self.boat: SimulatedBoat = make_boat(self.seed)
        self.by_address = {address: channel for channel, address in addresses(self.boat).items()}
        self.configuration = self.folder / "lugwatch.toml"
        self.database = self.folder / "lugwatch.db"
        self.configuration.write_text(
            configuration_text(self.boat, self.folder, ("127.0.0.1", 1883)), encoding="utf-8"
        )

    # ---- the owner's hands and words --------------------------------------------------------------

    def say(self, *words: object) -> Result:
        """A command that takes the database."""
        return CliRunner().invoke(commands, [*map(str, words), "--db", str(self.database)])

    def fit(self, *words: object) -> Any:
        """A step of the fitting, its answer as JSON."""
        words = ("fitting", *words, "--config", self.configuration, "--json")
        told = CliRunner().invoke(commands, [*map(str, words)])
        assert told.exit_code == 0, told.output
        return json.loads(told.output)

    def answer(self, *words: object) -> Any:
        """What a command says as JSON."""
        told = self.say(*words, "--json")
        assert told.exit_code == 0, told.output
        return json.loads(told.output)

    def edit(self, old: str, new: str) -> None:
        """The file in an editor."""
        text = self.configuration.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the file"
        self.configuration.write_text(text.replace(old, new), encoding="utf-8")

    def swap_in_file(self, one: str, other: str) -> None:
        """The addresses of two probes change places."""
        first, second = (addresses(self.boat)[probe] for probe in (one, other))
        text = self.configuration.read_text(encoding="utf-8")
        text = text.replace(first, "?").replace(second, first).replace("?", second)
        self.configuration.write_text(text, encoding="utf-8")

    # ---- what happens ------------------------------------------------------------------------------

    def motor(self, hours: float = HOURS) -> Result:
        """A passage, taken into the database."""
        self.healthy = healthy_passage(1000 * self.seed + self.number, hours)
        return self.live(self.healthy)

    def lie_at_anchor(self, hours: float = 9.0, *, watching: bool = False) -> None:
        """A night after a passage; the computer is off unless she is watching."""
        assert self.healthy is not None
        self.live(anchored_night(self.healthy, hours), taken_in=watching)

    def load_inverter(self, amps: float, minutes: float = 15.0) -> Result:
        """Ten minutes of rest, a known load on the inverter, five minutes without."""
        on, off = 600.0, 600.0 + 60.0 * minutes
        return self.live(
            Scenario(
                name="known load",
                duration_seconds=off + 300.0,
                house_amps=((0.0, 3.0),),
                inverter_amps=((0.0, 0.0), (on, amps), (off, 0.0)),
            )
        )

    def live(self, scenario: Scenario, *, taken_in: bool = True) -> Result:
        """Live through it; what was recorded goes through `replay`."""
        self.number += 1
        lived = record(
            self.boat,
            scenario,
            seed=100 * self.seed + self.number,
            start_time=self.time,
            step_seconds=ROW_SECONDS,
            previous=self.state,
            plant_step_seconds=2.5,
            resistance_ratios=self.ratios or None,
        )
        self.state, self.time = lived.state, lived.end_time
        if not taken_in:
            return Result(CliRunner(), b"", b"", b"", None, 0, None)
        path = self.folder / f"recorded-{self.number}.csv"
        rows = self._delivered(lived.rows)
        write_recording_csv(path, rows, list(rows[0].values))
        told = self.say("replay", path, "--config", self.configuration)
        assert told.exit_code == 0, told.output
        return told

    def _delivered(self, rows: list[Row]) -> list[Row]:
        """What the drivers make of it by the file as it is now."""
        document = tomllib.loads(self.configuration.read_text(encoding="utf-8"))
        airs = {int(p.space): p.channel for p in self.boat.probes if p.node is None}
        spaces = {p.channel: airs[int(p.space)] for p in self.boat.probes}
        random = np.random.default_rng([self.seed, self.number, 77])
        delivered = []
        for row in rows:
            seen = dict(row.values)
            for probe in self.fallen:
                air = row.values[spaces[probe]]
                assert air is not None
                seen[probe] = _stepped(air + 0.3 + float(random.normal(0.0, 0.02)))
            for probe, kelvin in self.counterfeit_kelvin.items():
                value = seen[probe]
                seen[probe] = None if value is None else value + kelvin
            values: dict[str, float | None] = {}
            for told in document["probe"]:
                raw = seen[self.by_address.get(told.get("address", ""), told["id"])]
                values[told["id"]] = None if raw is None else raw + told.get("offset_kelvin", 0.0)
            for told in document["current"]:
                raw = seen[told["id"]]
                scale = told.get("scale", 1.0)
                values[told["id"]] = None if raw is None else scale * raw - told.get("zero_amps", 0.0)
            delivered.append(replace(row, values=values))
        return delivered


def _stepped(celsius: float) -> float:
    return round(celsius / PROBE_STEP_KELVIN) * PROBE_STEP_KELVIN
