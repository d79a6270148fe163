"""What must outlive a restart, as one JSON text: tracked joints, baselines, the open passage.

A snapshot fits only the same joints and shapes; anything else in it is left aside, joint by joint.
Not here: where it is kept (`store`). Alerts are restored from their own table. May import: pipeline
and the core below it.
"""

import json
from collections.abc import Sequence
from dataclasses import asdict, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lugwatch import (
    alert_memory,
    creep,
    journal,
    jump,
    learning,
    learning_windows,
    passage_rise,
    resistance,
    shape,
    trend,
)
from lugwatch.estimator import SHAPES_PER_JOINT, STATES, Tracked
from lugwatch.model import CurrentPassage, JointPassage, LearningWindow, Passage
from lugwatch.passages import Tracker, joint_passage
from lugwatch.state import State, joint_ids

VERSION = 4
_OF_JOINT_PASSAGE = tuple(field.name for field in fields(JointPassage))

Array = NDArray[np.float64]


def to_text(state: State, monotonic_seconds: float, time: int) -> str:
    """The snapshot of `state` taken now."""
    tracked, baseline, record, noted = state.tracked, state.baseline, state.record, state.journal
    joints: dict[str, Any] = {}
    for i, joint in enumerate(state.plan.boat.joints):
        rows = slice(i * SHAPES_PER_JOINT, (i + 1) * SHAPES_PER_JOINT)
        joints[joint.joint] = {
            "rated_amps": float(state.plan.rated_amps[i]),
            "shapes": _shapes(state, rows),
            "stage": int(record.stage[i]),
            # a question that is open now will not be answered after a restart: it is asked again
            "loaded_seconds": float(record.loaded_seconds[i] + record.asked_seconds[i]),
            "begun_seconds": _finite(record.begun_seconds[i]),
            "takes_baseline": bool(record.takes_baseline[i]),
            "shape_mean": record.shapes.mean[i].tolist(),
            "shape_covariance": record.shapes.covariance[i].tolist(),
            "mean": tracked.mean[rows].tolist(),
            "covariance": tracked.covariance[rows].tolist(),
            "air_fast_celsius": tracked.air_fast_celsius[rows].tolist(),
            "air_slow_celsius": tracked.air_slow_celsius[rows].tolist(),
            "log_weight": tracked.log_weight[rows].tolist(),
            "surprise": tracked.surprise[rows].tolist(),
            "started": bool(tracked.started[i]),
            "stepped": _finite(tracked.stepped[i]),
            "baseline_rise_kelvin": float(baseline.rise_kelvin[i]),
            "baseline_rise_sd_kelvin": float(baseline.rise_sd_kelvin[i]),
            "baseline_evidence_seconds": float(baseline.evidence_seconds[i]),
            "baseline_weight": float(baseline.weight[i]),
            "baseline_filter_sd_kelvin": float(baseline.filter_sd_kelvin[i]),
            "baseline_begun_time": int(noted.begun_time[i]),
            "baseline_taken_time": int(noted.taken_time[i]),
            "measurements": [asdict(measurement) for measurement in noted.measurements[i]],
            "drop": None if (drop := state.drops.drops[i]) is None else asdict(drop),
            "calm": _finite(record.calm[i]),
            "unrest": _finite(record.unrest[i]),
            "climbed": _finite(record.climbed[i]),
            "busiest": _finite(record.busiest[i]),
            "soaked": float(record.soaked[i]),
            "air_ahead": record.air_ahead[i].tolist(),
            "change_ratio": float(state.watch.ratio[i]),
            "passage_rise": passage_rise.saved(state.course, i),
            # of the creep only where it begins: the passages themselves stand in the store
            "creep_first_passage_id": state.creep.first_passage_id[i],
        }
    document = {
        "version": VERSION,
        "monotonic_seconds": monotonic_seconds,
        "time": time,
        "joints": joints,
        "record_ahead_seconds": record.ahead_seconds,
        "journal_taken_until": noted.taken_until,
        "journal_taken_beyond": sorted(noted.taken_beyond),
        "passage": _passage(state.passages),
    }
    return json.dumps(document, allow_nan=False, separators=(",", ":"))


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _shapes(state: State, rows: slice) -> list[list[float]]:
    bank = state.bank
    columns = (
        bank.tau_fast_seconds,
        bank.tau_slow_seconds,
        bank.fast_weight,
        bank.neighbour_weight,
        bank.offset_walk_kelvin,
        bank.mode_walk_ratio,
        bank.sensor_sd_kelvin,
    )
    return np.stack([column[rows] for column in columns], axis=1).tolist()  # type: ignore[no-any-return]


def _passage(tracker: Tracker) -> dict[str, Any] | None:
    if tracker.open is None:
        return None
    passage = tracker.open
    return {
        "passage_id": passage.passage_id,
        "start_time": passage.start_time,
        "currents": {c: [v.amp_hours, v.max_amps] for c, v in passage.currents.items()},
        "joints": {j: [getattr(v, name) for name in _OF_JOINT_PASSAGE] for j, v in passage.joints.items()},
        "last_flow_seconds": _finite(tracker.last_flow_seconds),
        "last_flow_time": tracker.last_flow_time,
    }


def resume(
    state: State,
    text: str,
    monotonic_seconds: float,
    time: int,
    windows: Sequence[LearningWindow] = (),
) -> State:
    """A begun `state` with what a snapshot remembers of the same joints.

    After a mere restart (wall and monotonic clock agree on the pause) the modes go on from where they
    were; after a reboot they are unknown again and only what a joint *is* is kept. A text that is
    not a snapshot of ours leaves the state as it is. windows: what joints were still to be learned from.
    """
    # where the record's time stands is for the snapshot to say, else for the windows
    state = replace(state, record=replace(state.record, ahead_seconds=np.nan))
    state = _with_snapshot(state, text, monotonic_seconds, time)
    record = learning_windows.resumed(state.record, joint_ids(state), windows, monotonic_seconds, time)
    return replace(state, record=record)


def _with_snapshot(state: State, text: str, monotonic_seconds: float, time: int) -> State:
    try:
        document = json.loads(text)
    except json.JSONDecodeError:
        return state
    if not isinstance(document, dict) or document.get("version") != VERSION:
        return state
    pause = monotonic_seconds - document["monotonic_seconds"]
    same_boot = alert_memory.same_boot(pause, (time - document["time"]) / 1000.0)
    state = _with_shapes(state, document, same_boot)
    tracked, baseline = state.tracked, state.baseline
    arrays = {
        name: getattr(tracked, name).copy()
        for name in ("mean", "covariance", "air_fast_celsius", "air_slow_celsius", "log_weight", "surprise")
    }
    started, stepped = tracked.started.copy(), tracked.stepped.copy()
    kept = {
        "baseline_rise_kelvin": baseline.rise_kelvin.copy(),
        "baseline_rise_sd_kelvin": baseline.rise_sd_kelvin.copy(),
        "baseline_evidence_seconds": baseline.evidence_seconds.copy(),
        "baseline_weight": baseline.weight.copy(),
        "baseline_filter_sd_kelvin": baseline.filter_sd_kelvin.copy(),
        "change_ratio": state.watch.ratio.copy(),
    }
    begun_time, taken_time = state.journal.begun_time.copy(), state.journal.taken_time.copy()
    measurements, drops = list(state.journal.measurements), state.drops
    history = state.creep
    for i, joint in enumerate(state.plan.boat.joints):
        rows = slice(i * SHAPES_PER_JOINT, (i + 1) * SHAPES_PER_JOINT)
        saved = document["joints"].get(joint.joint)
        if saved is not None:
            history = creep.forget(history, i, saved.get("creep_first_passage_id", 0))
        if saved is None or not _fits(state, i, rows, saved):
            continue
        for name, array in arrays.items():
            array[rows] = saved[name]
        started[i] = saved["started"]
        stepped[i] = saved["stepped"] if same_boot and saved["stepped"] is not None else -np.inf
        for key, array in kept.items():
            array[i] = saved[key]
        begun_time[i], taken_time[i] = saved["baseline_begun_time"], saved["baseline_taken_time"]
        measurements[i] = tuple(journal.Measurement(**values) for values in saved["measurements"])
        if saved["drop"] is not None:
            drops = resistance.with_drop(drops, i, resistance.MillivoltDrop(**saved["drop"]))
    tracked = replace(tracked, **arrays, started=started, stepped=stepped)
    return replace(
        state,
        tracked=tracked,
        course=_resume_course(state, tracked, document["joints"]),
        baseline=trend.Baseline(
            rise_kelvin=kept["baseline_rise_kelvin"],
            rise_sd_kelvin=kept["baseline_rise_sd_kelvin"],
            evidence_seconds=kept["baseline_evidence_seconds"],
            weight=kept["baseline_weight"],
            filter_sd_kelvin=kept["baseline_filter_sd_kelvin"],
        ),
        watch=replace(jump.empty(len(started), state.record.busiest), ratio=kept["change_ratio"]),
        creep=history,
        journal=journal.Memory(
            taken_until=document["journal_taken_until"],
            taken_beyond=frozenset(document["journal_taken_beyond"]),
            begun_time=begun_time,
            taken_time=taken_time,
            measurements=tuple(measurements),
        ),
        drops=drops,
        passages=_resume_passage(state.passages, document["passage"], same_boot),
    )


def _with_shapes(state: State, document: dict[str, Any], same_boot: bool) -> State:
    """The learned shapes of the joints that are still there; a new joint has yet to be learned."""
    record = state.record
    loaded_seconds, begun_seconds = record.loaded_seconds.copy(), record.begun_seconds.copy()
    takes_baseline = record.takes_baseline.copy()
    stage, mean, covariance = record.stage.copy(), record.shapes.mean.copy(), record.shapes.covariance.copy()
    kept = {
        name: getattr(record, name).copy()
        for name in ("calm", "unrest", "climbed", "busiest", "soaked", "air_ahead")
    }
    for i, joint in enumerate(state.plan.boat.joints):
        saved = document["joints"].get(joint.joint)
        if saved is None:
            continue
        loaded_seconds[i], takes_baseline[i] = saved["loaded_seconds"], saved["takes_baseline"]
        if saved["begun_seconds"] is not None:
            begun_seconds[i] = saved["begun_seconds"]
        if not saved["stage"]:
            continue
        stage[i] = saved["stage"]
        mean[i], covariance[i] = saved["shape_mean"], saved["shape_covariance"]
        for name, values in kept.items():
            # a snapshot of an earlier version does not hold all of them
            values[i] = values[i] if saved.get(name) is None else saved[name]
    record = replace(
        record,
        stage=stage,
        loaded_seconds=loaded_seconds,
        begun_seconds=begun_seconds,
        takes_baseline=takes_baseline,
        ahead_seconds=document["record_ahead_seconds"] if same_boot else np.nan,
        shapes=shape.Shapes(mean=mean, covariance=covariance),
        **kept,
    )
    bank = learning.bank(record, state.plan.bank, state.plan.has_neighbours)
    return replace(state, record=record, bank=bank)


def _fits(state: State, i: int, rows: slice, saved: dict[str, Any]) -> bool:
    same_scale = saved["rated_amps"] == float(state.plan.rated_amps[i])
    same_form = np.shape(saved["mean"]) == (SHAPES_PER_JOINT, STATES)
    return bool(same_scale and same_form and saved["shapes"] == _shapes(state, rows))


def _resume_course(state: State, tracked: Tracked, joints: dict[str, Any]) -> passage_rise.Course:
    course = passage_rise.restart(state.course, np.ones(len(tracked.started), dtype=bool), tracked)
    for i, joint in enumerate(state.plan.boat.joints):
        rows = slice(i * SHAPES_PER_JOINT, (i + 1) * SHAPES_PER_JOINT)
        saved = joints.get(joint.joint)
        # an earlier version does not hold it
        if saved is not None and "passage_rise" in saved and _fits(state, i, rows, saved):
            course = passage_rise.resumed(course, i, saved["passage_rise"])
    return course


def _resume_passage(tracker: Tracker, saved: dict[str, Any] | None, same_boot: bool) -> Tracker:
    if saved is None:
        return tracker
    currents = {c: CurrentPassage(amp_hours=v[0], max_amps=v[1]) for c, v in saved["currents"].items()}
    joints = {
        # an earlier version kept three of them
        j: joint_passage(dict(zip(_OF_JOINT_PASSAGE, v, strict=False)))
        for j, v in saved["joints"].items()
    }
    passage = Passage(
        passage_id=saved["passage_id"],
        start_time=saved["start_time"],
        end_time=None,
        amp_hours=max((c.amp_hours for c in currents.values()), default=0.0),
        max_amps=max(currents.values(), key=lambda c: c.amp_hours).max_amps if currents else 0.0,
        currents=currents,
        joints=joints,
    )
    return Tracker(
        next_passage_id=max(tracker.next_passage_id, passage.passage_id + 1),
        open=passage,
        # after a reboot nobody knows how long the pause was: close it at the first look
        last_flow_seconds=(
            saved["last_flow_seconds"]
            if same_boot and saved["last_flow_seconds"] is not None
            else float("inf")
        ),
        last_flow_time=saved["last_flow_time"],
    )
