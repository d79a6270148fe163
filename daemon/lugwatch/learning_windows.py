"""The windows that joints are learned from, as they are kept over a restart.

A window is kept exactly: six rows of eight-byte floats, little-endian, a column for each joint, NaN for
what was not known. Not here: when and what is learned (`learning`), where it is kept (`store`).
May import: estimator, learning, model, shape, numpy.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lugwatch import shape
from lugwatch.estimator import Inputs
from lugwatch.learning import WINDOWS_KEPT, Record
from lugwatch.model import LearningWindow

_ROWS = 6
# A pause of which nothing is known is at least so long: the modes are unknown after it.
PAUSE_SECONDS = 3600.0


def kept(joints: tuple[str, ...], record: Record, time: int) -> LearningWindow:
    """The latest window of the record; joints: their ids in the order of its arrays."""
    inputs = record.windows[-1]
    columns = (
        inputs.probe_celsius,
        inputs.probe_count,
        inputs.air_celsius,
        inputs.neighbour_celsius,
        inputs.amps_squared,
        inputs.loaded.astype(float),
    )
    return LearningWindow(
        time=time,
        record_seconds=inputs.monotonic_seconds,
        joints=joints,
        body=np.stack(columns).astype("<f8").tobytes(),
    )


def over(time: int) -> LearningWindow:
    """Nothing is left to learn."""
    return LearningWindow(time=time, record_seconds=0.0, joints=(), body=None)


def resumed(
    record: Record, joints: Sequence[str], windows: Sequence[LearningWindow], now: float, time: int
) -> Record:
    """A record that goes on where the kept windows end.

    record: as the snapshot left it, `ahead_seconds` NaN after a reboot; now [monotonic s], time [ms].
    A joint that is in the configuration no more is left out; one that came later was never read.
    """
    windows = windows[-WINDOWS_KEPT:]
    if not windows:
        # what it was learned from is gone: what comes is added to what is believed, not to nothing
        return replace(
            record,
            ahead_seconds=0.0,
            before=record.shapes,
            begun_seconds=np.full(len(joints), -np.inf),
            loaded_seconds=np.zeros(len(joints)),
        )
    ahead = record.ahead_seconds
    if np.isnan(ahead):
        last = windows[-1]
        # the wall clock may have been set; that it was a pause is sure
        pause = max((time - last.time) / 1000.0, PAUSE_SECONDS)
        ahead = last.record_seconds + pause - now
    return replace(
        record,
        ahead_seconds=ahead,
        before=shape.prior(len(joints)),
        windows=tuple(_inputs(window, joints) for window in windows),
        times=tuple(window.time for window in windows),
    )


def _inputs(window: LearningWindow, joints: Sequence[str]) -> Inputs:
    assert window.body is not None
    table: NDArray[np.float64] = np.frombuffer(window.body, dtype="<f8").reshape(_ROWS, -1)
    if window.joints != tuple(joints):
        place = {joint: i for i, joint in enumerate(window.joints)}
        padded = np.column_stack([table, np.full(_ROWS, np.nan)])
        table = padded[:, [place.get(joint, -1) for joint in joints]]
    probe, count, air, neighbour, squared, loaded = table
    return Inputs(
        monotonic_seconds=window.record_seconds,
        probe_celsius=probe,
        probe_count=np.nan_to_num(count),
        air_celsius=air,
        neighbour_celsius=neighbour,
        amps_squared=squared,
        loaded=loaded == 1.0,
    )
