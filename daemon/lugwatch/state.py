"""Everything remembered between two events of the pipeline. Plain data; arrays are never changed in place.

Not here: how it changes (`pipeline`, `anew`), how it outlives a restart (`snapshot`). May import: the core
below `pipeline`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from lugwatch import (
    alert_states,
    climb,
    company,
    creep,
    current_doubt,
    estimator,
    intake,
    journal,
    judgement,
    jump,
    learning,
    passage_rise,
    passages,
    resistance,
    sources_health,
    trend,
)
from lugwatch.model import Boat
from lugwatch.plan import Plan, make


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Everything remembered between two events."""

    plan: Plan
    intake: intake.Intake
    currents: current_doubt.Memory
    tracked: estimator.Tracked
    bank: estimator.Bank
    record: learning.Record
    watch: jump.Watch
    company: company.Watch
    climb: climb.Watch
    baseline: trend.Baseline
    judgement: judgement.Memory
    journal: journal.Memory
    drops: resistance.Drops  # millivolts that the crew has measured
    book: alert_states.Book
    passages: passages.Tracker
    course: passage_rise.Course  # of the open passage
    creep: creep.History
    health: sources_health.Counts
    started_seconds: float  # monotonic
    window_time: int  # wall label of the open window's start


def begin(boat: Boat, monotonic_seconds: float, time: int) -> State:
    """A state that knows the boat and nothing else."""
    plan = make(boat)
    joints = len(boat.joints)
    return State(
        plan=plan,
        intake=intake.empty(plan.channels, monotonic_seconds),
        currents=current_doubt.empty(plan),
        tracked=estimator.initial(plan.bank),
        bank=plan.bank,
        record=learning.empty(plan.tracked),
        watch=jump.empty(joints),
        company=company.empty(joints, len(plan.group_channels)),
        climb=climb.empty(joints),
        baseline=trend.empty(joints),
        judgement=judgement.empty(joints),
        journal=journal.empty(joints),
        drops=resistance.no_drops(joints),
        book=alert_states.Book(manners=boat.manners),
        passages=passages.Tracker(),
        course=passage_rise.empty(joints),
        creep=creep.empty(joints),
        health=sources_health.empty(tuple(plan.channels_of_source)),
        started_seconds=monotonic_seconds,
        window_time=time,
    )


def with_memory(
    state: State,
    book: alert_states.Book,
    tracker: passages.Tracker,
    points: Mapping[str, Sequence[creep.Point]] | None = None,
) -> State:
    """A begun state with the alerts, numbers and each joint's passages that a store remembers."""
    history = creep.remember(state.creep, joint_ids(state), points or {})
    book = replace(book, manners=state.book.manners)
    return replace(state, book=book, passages=tracker, creep=history)


def with_drop(state: State, joint: str, drop: resistance.MillivoltDrop | None) -> State:
    """What the crew measured across a joint; None: it was worked on since, and that holds no more."""
    i = next(i for i, j in enumerate(state.plan.boat.joints) if j.joint == joint)
    return replace(state, drops=resistance.with_drop(state.drops, i, drop))


def joint_ids(state: State) -> tuple[str, ...]:
    """The joints in the order of the arrays."""
    return tuple(joint.joint for joint in state.plan.boat.joints)
