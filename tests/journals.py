"""Two joints that are motored, learned and written about: what the journal's tests share."""

import functools
import math
from collections.abc import Iterator
from typing import Any

import numpy as np

import boats
from histories import START_TIME
from lugwatch.estimator import SHAPES_PER_JOINT
from lugwatch.learning import STAGES
from lugwatch.model import (
    Event,
    JournalEntry,
    JournalKind,
    LearnedShape,
    Output,
)
from lugwatch.pipeline import State
from lugwatch.replay import step_and_learn

TWO = boats.boat(boats.joint("bar"), boats.joint("fuse"))
AMPS = 90.0
STEP_SECONDS = 10.0


class Plain:
    """Two-mode joints stepped exactly, with a fixed wobble in place of noise; invented figures."""

    def __init__(self, **own_kelvin: float) -> None:
        self.own_kelvin = own_kelvin
        self.fast = dict.fromkeys(own_kelvin, 0.0)
        self.slow = dict.fromkeys(own_kelvin, 0.0)
        self.seconds = 0.0

    def go(self, minutes: float, amps: float) -> Iterator[Event]:
        share = (amps / 120.0) ** 2
        for _ in range(round(minutes * 60.0 / STEP_SECONDS)):
            self.seconds += STEP_SECONDS
            probes = {}
            for name, own in self.own_kelvin.items():
                celsius = 20.0 + self.fast[name] + self.slow[name]
                heating = share * (1.0 + 0.00393 * (celsius - 20.0))
                keep_fast, keep_slow = math.exp(-STEP_SECONDS / 180.0), math.exp(-STEP_SECONDS / 1500.0)
                self.fast[name] = own * heating + keep_fast * (self.fast[name] - own * heating)
                self.slow[name] = 8.0 * heating + keep_slow * (self.slow[name] - 8.0 * heating)
                wobble = 0.05 * math.sin(self.seconds / 37.0 + len(name))
                celsius = 20.0 + self.fast[name] + self.slow[name] + wobble
                probes[name] = round(celsius * 16) / 16
            yield boats.scan(self.seconds, **probes, air=20.0, alternator=amps)
            yield boats.tick(self.seconds)

    def passage(self, minutes: float) -> Iterator[Event]:
        """Load, and the pause that ends a passage."""
        yield from self.go(minutes, AMPS)
        yield from self.go(32.0, 0.0)


def follow(state: State, events: Iterator[Event] | list[Event]) -> tuple[State, list[Output]]:
    outputs: list[Output] = []
    for event in events:
        state, more = step_and_learn(state, event)
        outputs += more
    return state, outputs


def entry(kind: JournalKind, number: int = 1, joint: str | None = "bar", **changes: object) -> JournalEntry:
    values: dict[str, object] = {"entry_id": number, "joint": joint, "time": START_TIME, "kind": kind}
    values |= {"note": "Cleaned, new washer", "who": "Ida"}
    return JournalEntry(**{**values, **changes})  # type: ignore[arg-type]


MEASURED = {"volts": 0.0045, "amps": 90.0, "celsius": 41.0, "note": None}


def of_kind(outputs: list[Any], kind: type) -> list[Any]:
    return [o for o in outputs if isinstance(o, kind)]


@functools.cache
def learned_boat() -> tuple[State, Plain]:
    """Both joints after three passages: shapes and baselines stand. Go on with `again` of the second."""
    plain = Plain(bar=12.0, fuse=9.0)
    state, outputs = follow(boats.begin(TWO), [e for _ in range(STAGES) for e in plain.passage(45.0)])
    assert state.record.stage.tolist() == [STAGES, STAGES]
    assert state.record.windows == (), "nothing is kept when there is nothing left to learn"
    stages = [(s.joint, s.stage) for s in of_kind(outputs, LearnedShape)]
    assert sorted(stages) == [(joint, n + 1) for joint in ("bar", "fuse") for n in range(STAGES)]
    return state, plain


def again(plain: Plain, **own_kelvin: float) -> Plain:
    """A copy to go on from, its joints perhaps others than before."""
    copy = Plain(**{**plain.own_kelvin, **own_kelvin})
    copy.fast, copy.slow, copy.seconds = dict(plain.fast), dict(plain.slow), plain.seconds
    return copy


def rows_of(state: State, joint: int) -> dict[str, Any]:
    """Everything that is believed of one joint, exactly."""
    rows = slice(joint * SHAPES_PER_JOINT, (joint + 1) * SHAPES_PER_JOINT)
    named: dict[str, Any] = {}
    for part in (state.tracked, state.bank, state.baseline, state.watch, state.record, state.journal):
        for name in part.__slots__:
            array = getattr(part, name)
            if isinstance(array, np.ndarray):
                of = rows if len(array) == 2 * SHAPES_PER_JOINT else joint
                named[f"{type(part).__name__}.{name}"] = array[of].tolist()
    named["shape"] = state.record.shapes.mean[joint].tolist()
    named["shape covariance"] = state.record.shapes.covariance[joint].tolist()
    tuning = state.bank.tuning
    for name in ("own_walk_ratio", "own_walk_kelvin", "surprise_sd"):
        named[name] = np.broadcast_to(getattr(tuning, name), state.bank.rows)[rows].tolist()
    return named
