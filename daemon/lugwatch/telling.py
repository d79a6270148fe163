"""What is said of each joint: one word for its state, and the row of figures that is put out of it.

Arrays become plain numbers here, and NaN becomes None. Not here: how the figures are found
(`judgement`). May import: the core below `pipeline`.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import alert_rules, resistance
from lugwatch.alert_states import Book
from lugwatch.intake import Intake
from lugwatch.journal import Compared
from lugwatch.judgement import Memory, Seen
from lugwatch.model import ACTIVE_STATES, Condition, Estimate, JointState
from lugwatch.plan import MISSING, Plan

Array = NDArray[np.float64]


def joint_states(plan: Plan, seen: Seen, book: Book, window_silent: Sequence[bool]) -> tuple[JointState, ...]:
    """One word per joint: the worst thing that is true of it."""
    active: dict[str, set[Condition]] = {}
    resting = set()
    for alert in book.alerts.values():
        if alert.joint is not None and alert.condition is Condition.OUT_OF_SERVICE:
            resting.add(alert.joint)
        if alert.joint is not None and alert.state in ACTIVE_STATES:
            active.setdefault(alert.joint, set()).add(alert.condition)
    states = []
    loaded, learning = seen.loaded.tolist(), np.isnan(seen.ratio).tolist()
    read, flows_unread = seen.read.tolist(), np.isnan(seen.amps).tolist()
    for i, joint in enumerate(plan.boat.joints):
        conditions = active.get(joint.joint)
        words = alert_rules.STATE_OF_CONDITION.items() if conditions else ()
        word = next((w for c, w in words if conditions and c in conditions), None)
        if joint.joint in resting:
            states.append(JointState.OUT_OF_SERVICE)
        elif window_silent[i]:
            # a hot joint that falls silent is still said to be hot by its alert, not by its state
            states.append(JointState.SILENT)
        elif word is not None:
            states.append(word)
        elif not plan.tracked[i]:
            states.append(JointState.LIMIT_ONLY)
        elif flows_unread[i] or (loaded[i] and not read[i]):
            # "no load" and "steady" are words for what is measured
            states.append(JointState.LIMIT_ONLY)
        elif not loaded[i]:
            states.append(JointState.NO_LOAD)
        elif learning[i]:
            states.append(JointState.LEARNING)
        else:
            states.append(JointState.STEADY)
    return tuple(states)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ohms:
    """What resistances are worked out from; `warmings` is called only when a row is put out."""

    warmings: Callable[[], tuple[resistance.Warming, ...]]
    drops: resistance.Drops


def estimates(
    plan: Plan,
    seen: Seen,
    book: Book,
    intake: Intake,
    window_silent: NDArray[np.bool_],
    ohms: Ohms,
    compared: Callable[[], Sequence[Compared]],
    time: int,
    now: float,
    due: bool,
) -> tuple[Memory, tuple[Estimate, ...]]:
    """The row of each joint, when it is time or when its state has changed.

    window_silent: (channels,) at the end of the window; compared: with what each joint is, called only when a
    row is put out; due: it is time.
    """
    silent = window_silent[plan.probe].tolist()
    states = joint_states(plan, seen, book, silent)
    asked = [i for i in range(len(states)) if due or states[i] is not seen.memory.states[i]]
    put_out = now if due else seen.memory.put_out_seconds
    memory = replace(seen.memory, states=states, put_out_seconds=put_out)
    if not asked:
        return memory, ()
    figures, apparent = _figures(plan, seen, intake), _apparent(plan, seen, ohms)
    against = compared()
    return memory, tuple(
        _estimate(plan, figures, i, states[i], silent[i], time, apparent[i], against[i]) for i in asked
    )


def _apparent(plan: Plan, seen: Seen, ohms: Ohms) -> Sequence[resistance.Apparent | None]:
    drops, certain = ohms.drops.drops, seen.certain.tolist()
    tellable = [
        sure and (law.known_ways or drop is not None)
        for sure, law, drop in zip(certain, plan.laws, drops, strict=True)
    ]
    if True not in tellable:
        return (None,) * len(tellable)
    return [
        resistance.apparent(law, warming, drop) if able else None
        for able, law, warming, drop in zip(tellable, plan.laws, ohms.warmings(), drops, strict=True)
    ]


Values = Sequence[float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Figures:
    """Figures of all joints as plain numbers, None where not known; taken from arrays once a row."""

    celsius: Values
    read_time: Sequence[int | None]
    reference: Values
    amps: Values
    rise_coefficient: Values
    rise_coefficient_sd: Values
    ratio: Values
    ratio_sd: Values
    settles: Values
    settles_sd: Values
    ends: Values
    ends_sd: Values
    settles_rated: Values
    settles_rated_sd: Values
    seconds_to_limit: Values
    loaded: Sequence[bool]
    certain: Sequence[bool]
    judged: Sequence[bool]


def _plain(values: Array) -> Values:
    return [value if math.isfinite(value) else None for value in values.tolist()]


def _figures(plan: Plan, seen: Seen, intake: Intake) -> _Figures:
    believed, further, probe = seen.believed, seen.believed.further(), plan.probe
    rated_squared = plan.rated_amps**2
    return _Figures(
        celsius=_plain(intake.value[probe]),
        read_time=[
            time if math.isfinite(seconds) else None
            for time, seconds in zip(
                intake.read_time[probe].tolist(), intake.read_seconds[probe].tolist(), strict=True
            )
        ],
        reference=_plain(np.where(seen.driven, believed.reference(), np.nan)),
        amps=_plain(seen.amps),
        rise_coefficient=(believed.rise_kelvin_at_rated / rated_squared).tolist(),
        rise_coefficient_sd=(further.truth_sd_kelvin_at_rated / rated_squared).tolist(),
        ratio=_plain(seen.ratio),
        ratio_sd=_plain(seen.ratio_sd),
        settles=_plain(believed.settles_celsius),
        settles_sd=_plain(believed.settles_sd_kelvin),
        ends=_plain(further.ends_celsius),
        ends_sd=_plain(further.ends_sd_kelvin),
        settles_rated=_plain(further.settles_rated_celsius),
        settles_rated_sd=_plain(further.settles_rated_sd_kelvin),
        seconds_to_limit=_plain(further.seconds_to_limit),
        loaded=seen.loaded.tolist(),
        certain=seen.certain.tolist(),
        judged=seen.judged.tolist(),
    )


def _estimate(
    plan: Plan,
    figures: _Figures,
    i: int,
    state: JointState,
    silent: bool,
    time: int,
    apparent: resistance.Apparent | None,
    against: Compared,
) -> Estimate:
    joint = plan.boat.joints[i]
    celsius = None if silent else figures.celsius[i]
    reference, certain = figures.reference[i], figures.certain[i]
    shown = certain and not silent and reference is not None
    settled = figures.settles[i] if shown else None
    ends = figures.ends[i] if shown else None
    at_rated = figures.settles_rated[i] if shown and joint.rated_amps is not None else None
    return Estimate(
        joint=joint.joint,
        time=time,
        state=state,
        reason=(
            "out of service while it is worked on: nothing is said of it"
            if state is JointState.OUT_OF_SERVICE
            else _reason(plan, figures, i, celsius)
        ),
        probe_time=figures.read_time[i],
        probe_celsius=celsius,
        reference_celsius=reference,
        rise_kelvin=None if celsius is None or reference is None else celsius - reference,
        current_amps=figures.amps[i],
        rise_coefficient=figures.rise_coefficient[i] if certain else None,
        rise_coefficient_sd=figures.rise_coefficient_sd[i] if certain else None,
        resistance_ohms=None if apparent is None else apparent.ohms,
        resistance_sd_ohms=None if apparent is None else apparent.sd_ohms,
        resistance_basis=None if apparent is None else apparent.basis.value,
        baseline_ratio=figures.ratio[i] if certain else None,
        baseline_ratio_sd=figures.ratio_sd[i] if certain else None,
        settles_at_celsius=settled,
        settles_at_sd_kelvin=None if settled is None else figures.settles_sd[i],
        ends_at_celsius=ends,
        ends_at_sd_kelvin=None if ends is None else figures.ends_sd[i],
        settles_at_rated_celsius=at_rated,
        settles_at_rated_sd_kelvin=None if at_rated is None else figures.settles_rated_sd[i],
        seconds_to_limit=figures.seconds_to_limit[i] if shown and figures.judged[i] else None,
        limit_celsius=joint.limit_celsius,
        baseline_rise_coefficient=against.rise_coefficient,
        baseline_rise_coefficient_sd=against.rise_coefficient_sd,
        baseline_time=against.baseline_time,
    )


def _reason(plan: Plan, figures: _Figures, i: int, celsius: float | None) -> str | None:
    """Why a figure is missing, in words; None when all that can be known is known."""
    if celsius is None:
        return "no reading from its probe"
    if plan.current[i] == MISSING:
        return "no current is configured for it"
    if plan.air[i] == MISSING:
        return 'configured with air = "none": watched by limit and rate of rise alone'
    if figures.reference[i] is None:
        if figures.amps[i] is None:
            return "its current is not being read"
        return "the air around it is not being read"
    if not figures.loaded[i]:
        return "not enough current now to judge"
    if not figures.certain[i]:
        if figures.ratio[i] is not None:
            return "its rise is too small or too unsure to tell"
        return "learning: too little load seen so far"
    if figures.ratio[i] is None:
        return "no baseline yet"
    return None
