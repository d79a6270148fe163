"""The product over recordings: its own configuration, its own pipeline, what it said.

Nothing here looks into the estimator; the pipeline is stepped as `replay` steps it.
"""

import math
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

from recordings import DAY_MS, LEARNING_PASSAGES, START_TIME, Recording, season
from setting import Setting, kept

from lugwatch import alert_rules, alert_states, config, jump, pipeline
from lugwatch.model import (
    AlertChange,
    AlertChangeKind,
    AlertState,
    Boat,
    Condition,
    Estimate,
    LearnedShape,
    Passage,
    Scan,
    Tick,
)
from lugwatch.replay import step_and_learn
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.simulation import PlantState

LEARNING_HOURS = 5.0
# conditions that accuse a joint; the others are about probes, currents and the machine itself
OF_JOINTS = (
    Condition.WARMING,
    Condition.HEADING_HOT,
    Condition.HOT,
    Condition.RISING_FAST,
    Condition.INTERMITTENT,
    Condition.PROBE_OFF_JOINT,
    Condition.COMMON_MODE,
)
NEWS = (AlertChangeKind.RAISED, AlertChangeKind.RETURNED, AlertChangeKind.WORSENED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One piece of news."""

    time: int
    condition: Condition
    category: str
    joint: str | None
    channel: str | None
    text: str

    @property
    def whom(self) -> str:
        return self.joint or self.channel or "the boat"

    @property
    def accuses(self) -> bool:
        return self.condition in OF_JOINTS

    def __str__(self) -> str:
        return f"{self.condition} of {self.whom}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spoken:
    """Something that was brought to people, a repetition as well; nobody answers on these passages."""

    time: int
    category: str
    condition: Condition


@dataclass(slots=True, kw_only=True)
class Heard:
    """All that was said over some recordings; others: the same by other thresholds, in their order."""

    said: list[Said] = field(default_factory=list)
    passages: list[Passage] = field(default_factory=list)
    shapes: list[LearnedShape] = field(default_factory=list)
    others: list[list[Said]] = field(default_factory=list)
    hours: float = 0.0
    spoken: list[Spoken] = field(default_factory=list)


@cache
def boat_of(seed: int) -> Boat:
    """The sister's configuration as her owner would have written it, read by the product."""
    boat = make_boat(seed)
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "lugwatch.toml"
        path.write_text(configuration_text(boat, path.parent, ("127.0.0.1", 1883)), encoding="utf-8")
        return config.load(path).boat


class Sweep:
    """Other thresholds for `warming`, each with alert states of its own, beside one run of the pipeline.

    The product's own rule is asked again with the facts that it was asked with.
    """

    def __init__(self, thresholds: tuple[alert_rules.Thresholds, ...]) -> None:
        self.thresholds = thresholds
        self.books = [alert_states.Book() for _ in thresholds]
        self.facts: list[alert_rules.JointFacts] = []

    def rule(self, facts: alert_rules.JointFacts, own: alert_rules.Thresholds) -> alert_states.Finding:
        """Stands in for `alert_rules.warming`, and notes what it was asked."""
        self.facts.append(facts)
        return alert_rules.warming(facts, own)

    def close(self, tick: Tick, heard: Heard) -> None:
        """The window's facts by every other threshold."""
        if not heard.others:
            heard.others = [[] for _ in self.thresholds]
        for i, thresholds in enumerate(self.thresholds):
            findings = [alert_rules.warming(facts, thresholds) for facts in self.facts]
            self.books[i], changes = alert_states.apply(
                self.books[i], findings, tick.monotonic_seconds, tick.time
            )
            heard.others[i] += [_said(c) for c in changes if c.change in NEWS]
        self.facts = []


def _said(change: AlertChange) -> Said:
    alert = change.alert
    return Said(
        time=change.time,
        condition=alert.condition,
        category=str(alert.category),
        joint=alert.joint,
        channel=alert.channel,
        text=alert.text,
    )


def listen(
    state: pipeline.State,
    recording: Recording,
    heard: Heard,
    *,
    sweep: Sweep | None = None,
    each_estimate: Callable[[Estimate], None] | None = None,
    each_tick: Callable[[pipeline.State], None] | None = None,
) -> pipeline.State:
    """Feed a recording as a replay does; what is said is added to `heard`."""
    channels = recording.channels
    rules = alert_rules.JOINT_RULES
    if sweep is not None:
        alert_rules.JOINT_RULES = [sweep.rule if rule is alert_rules.warming else rule for rule in rules]
    try:
        for time, values in zip(recording.times.tolist(), recording.values.tolist(), strict=True):
            now = time / 1000.0
            read = tuple((c, v) for c, v in zip(channels, values, strict=True) if not math.isnan(v))
            tick = Tick(monotonic_seconds=now, time=time)
            for event in (Scan(values=read, monotonic_seconds=now, time=time), tick):
                state, outputs = step_and_learn(state, event)
                for output in outputs:
                    if isinstance(output, AlertChange) and output.speaks:
                        alert = output.alert
                        heard.spoken.append(
                            Spoken(time=time, category=str(alert.category), condition=alert.condition)
                        )
                    if isinstance(output, AlertChange) and output.change in NEWS:
                        heard.said.append(_said(output))
                    elif isinstance(output, Passage) and output.end_time is not None:
                        heard.passages.append(output)
                    elif isinstance(output, LearnedShape):
                        heard.shapes.append(output)
                    elif isinstance(output, Estimate) and each_estimate is not None:
                        each_estimate(output)
            if sweep is not None and sweep.facts:
                sweep.close(tick, heard)
            if each_tick is not None:
                each_tick(state)
    finally:
        alert_rules.JOINT_RULES = rules
    heard.hours += recording.hours
    return state


@contextmanager
def believing(deviations: float | None) -> Iterator[None]:
    """Sudden changes are believed from so many deviations on; None: as the product has it.

    This cannot be asked again afterwards: what is believed changes what is tracked.
    """
    own = jump.BELIEVED_SD
    jump.BELIEVED_SD = own if deviations is None else deviations
    try:
        yield
    finally:
        jump.BELIEVED_SD = own


def accused_already(state: pipeline.State, joint: str) -> bool:
    """Whether the book holds an active `warming` of this joint."""
    return any(
        alert.joint == joint
        and alert.condition is Condition.WARMING
        and alert.state is not AlertState.RECTIFIED_UNACKNOWLEDGED
        for alert in state.book.alerts.values()
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trained:
    """The product after two healthy passages of a boat, and the boat on the next morning."""

    state: pipeline.State
    heard: Heard
    previous: PlantState
    next_time: int


def trained(setting: Setting, boat_seed: int) -> Trained:
    """Learned once a run for each boat."""
    return kept(setting.run, ("trained", boat_seed), lambda: _train(setting, boat_seed))


def _train(setting: Setting, boat_seed: int) -> Trained:
    parts = season(setting, boat_seed, LEARNING_PASSAGES, LEARNING_HOURS)
    state = pipeline.begin(boat_of(boat_seed), START_TIME / 1000.0, START_TIME)
    heard = Heard()
    for part in parts:
        state = listen(state, part, heard)
    # what was said while learning is counted by false_alerts; later runs begin with an empty book
    book = replace(alert_states.Book(), next_alert_id=state.book.next_alert_id)
    return Trained(
        state=replace(state, book=book),
        heard=heard,
        previous=parts[-1].state,
        next_time=START_TIME + LEARNING_PASSAGES * DAY_MS,
    )
