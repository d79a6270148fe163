"""What does not change while a boat is watched: where each joint's channels stand in the arrays.

Built once from `model.Boat`. Not here: anything measured. May import: model, estimator, intake,
alert_grading, resistance, numpy.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lugwatch import alert_grading, estimator, intake, resistance
from lugwatch.alert_grading import Thresholds
from lugwatch.model import Boat, Joint

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

# A joint without any rating is scaled by this; it only sets the scale of the filter's numbers.
UNRATED_AMPS = 100.0
MISSING = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Indices per joint (joints,), -1 where a joint has no such channel."""

    boat: Boat
    channels: intake.Layout
    probe: Indices
    current: Indices
    air: Indices
    neighbours: NDArray[np.bool_]  # (joints, channels) probes of the joints on the same metal
    has_neighbours: NDArray[np.bool_]  # (joints,)
    rated_amps: Array  # (joints,)
    limit_celsius: Array
    floor_amps: Array  # nothing is estimated from less
    tracked: NDArray[np.bool_]  # has air and current
    bank: estimator.Bank
    laws: tuple[resistance.Law, ...]  # what a joint's parts say of its ohms
    thresholds: Thresholds  # for what is of no joint…
    of_joint: tuple[Thresholds, ...]  # …and of each joint
    loosest: Thresholds
    joint_of_probe: dict[str, Joint]
    channels_of_source: dict[str, Indices]
    groups: NDArray[np.bool_]  # (groups, joints) that share an air or a current
    group_channels: tuple[str, ...]  # (groups,) which
    airs: NDArray[np.bool_]  # (groups, joints) the same, of groups that share an air; nobody in the others
    currents: NDArray[np.bool_]  # (groups, joints) and of groups that share a current
    metal: NDArray[np.bool_]  # (joints, joints) neighbours on the same metal


def make(boat: Boat) -> Plan:
    """Lay a boat out in arrays."""
    graded = tuple(alert_grading.of(boat, joint) for joint in boat.joints)
    channels = intake.layout(boat.channels)
    joints = boat.joints
    probe_of = {joint.joint: joint.probe for joint in joints}

    def where(channel: str | None) -> int:
        return MISSING if channel is None else channels.index[channel]

    neighbours = np.zeros((len(joints), channels.size), dtype=bool)
    for row, joint in enumerate(joints):
        for neighbour in joint.neighbours:
            neighbours[row, channels.index[probe_of[neighbour]]] = True
    shunt_amps = {c.channel: c.rated_amps for c in boat.channels}
    rated = np.array([j.rated_amps or UNRATED_AMPS for j in joints])
    full_scale = np.array([(shunt_amps.get(j.current or "") or j.rated_amps or UNRATED_AMPS) for j in joints])
    sources: dict[str, list[int]] = {}
    for i, channel in enumerate(boat.channels):
        if channel.source is not None:
            sources.setdefault(channel.source, []).append(i)
    has_neighbours = np.asarray(neighbours.any(axis=1))
    current = np.array([where(j.current) for j in joints], dtype=np.intp)
    air = np.array([where(j.air) for j in joints], dtype=np.intp)
    shared = sorted({c for j in joints for c in (j.air, j.current) if c is not None})
    return Plan(
        boat=boat,
        channels=channels,
        probe=np.array([where(j.probe) for j in joints], dtype=np.intp),
        current=current,
        air=air,
        neighbours=neighbours,
        has_neighbours=has_neighbours,
        rated_amps=rated,
        limit_celsius=np.array([j.limit_celsius for j in joints]),
        floor_amps=boat.watching.current_floor_ratio * full_scale,
        tracked=(current != MISSING) & (air != MISSING),
        bank=estimator.default_bank(rated, has_neighbours),
        laws=tuple(resistance.law(joint) for joint in joints),
        thresholds=alert_grading.of(boat),
        of_joint=graded,
        loosest=alert_grading.loosest(graded),
        joint_of_probe={joint.probe: joint for joint in reversed(joints)},
        channels_of_source={s: np.array(i, dtype=np.intp) for s, i in sources.items()},
        groups=_table([[c in (j.air, j.current) for j in joints] for c in shared], len(joints)),
        group_channels=tuple(shared),
        airs=_table([[c == j.air for j in joints] for c in shared], len(joints)),
        currents=_table([[c == j.current for j in joints] for c in shared], len(joints)),
        metal=np.array([[n.joint in j.neighbours for n in joints] for j in joints], dtype=bool),
    )


def _table(rows: list[list[bool]], width: int) -> NDArray[np.bool_]:
    """Rows of `width`, also where there are none: no joint may have an air or a current."""
    return np.array(rows, dtype=bool).reshape(len(rows), width)
