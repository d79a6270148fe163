"""Taking readings in: channels that tick at different rates become one window per estimation step.

Probes are averaged over the window; for currents the integral of I² is kept, since heat follows it
and not the mean current. What is too old is not used. Not here: physics, alerts.
May import: model, numpy.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lugwatch.model import Channel, Fault, FaultKind, Quantity, Watching

Array = NDArray[np.float64]

# Beyond these no probe on a joint and no shunt on a boat reads; the second layer after decoding.
COLDEST_CELSIUS, HOTTEST_CELSIUS = -55.0, 300.0
LARGEST_AMPS = 10_000.0
LARGEST_RATED_RATIO = 3.0
# A channel counts as silent after this many of its usual intervals (and `no_data_seconds`).
SILENT_INTERVALS = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Which channel stands where in the arrays."""

    channels: tuple[Channel, ...]
    index: dict[str, int]
    is_amps: NDArray[np.bool_]
    plausible: tuple[tuple[float, float], ...]  # least and largest value of each

    @property
    def size(self) -> int:
        return len(self.channels)


def layout(channels: Sequence[Channel]) -> Layout:
    """The order of the channels, fixed for a run."""
    return Layout(
        channels=tuple(channels),
        index={channel.channel: i for i, channel in enumerate(channels)},
        is_amps=np.array([channel.quantity is Quantity.AMPS for channel in channels], dtype=bool),
        plausible=tuple(_plausible(channel) for channel in channels),
    )


def _plausible(channel: Channel) -> tuple[float, float]:
    if channel.quantity is Quantity.CELSIUS:
        return COLDEST_CELSIUS, HOTTEST_CELSIUS
    largest = LARGEST_AMPS
    if channel.rated_amps is not None:
        largest = min(largest, LARGEST_RATED_RATIO * channel.rated_amps)
    return -largest, largest


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """Latest values and the open window; arrays (channels,), never changed in place."""

    value: Array  # latest good reading; NaN: never
    read_seconds: Array  # its monotonic time; -inf: never
    read_time: NDArray[np.int64]
    interval_seconds: Array  # usual spacing, slowly followed
    window_start_seconds: float
    window_sum: Array  # of the readings in the window
    window_count: Array
    window_peak: Array  # largest reading (probes) or size of current in the window; -inf: none
    covered_seconds: Array  # up to where the integrals reach
    covered_length: Array  # how much of the window they cover
    square_integral: Array  # ∫ I² dt over the window [A² s]
    charge_integral: Array  # ∫ |I| dt over the window [A s]
    faults_in_a_row: NDArray[np.int64]
    last_fault: tuple[Fault | None, ...]


def empty(plan: Layout, monotonic_seconds: float) -> Intake:
    """Nothing read yet."""
    n = plan.size
    zeros = np.zeros(n)
    return Intake(
        value=np.full(n, np.nan),
        read_seconds=np.full(n, -np.inf),
        read_time=np.zeros(n, dtype=np.int64),
        interval_seconds=np.full(n, np.nan),
        window_start_seconds=monotonic_seconds,
        window_sum=zeros,
        window_count=zeros,
        window_peak=np.full(n, -np.inf),
        covered_seconds=np.full(n, monotonic_seconds),
        covered_length=zeros,
        square_integral=zeros,
        charge_integral=zeros,
        faults_in_a_row=np.zeros(n, dtype=np.int64),
        last_fault=(None,) * n,
    )


def refusal(channel: Channel, value: float) -> tuple[FaultKind, str] | None:
    """Why a value cannot be a measurement of this channel, or None when it can."""
    if not math.isfinite(value):
        return FaultKind.NOT_FINITE, f"{value} is not a number"
    low, high = _plausible(channel)
    if low <= value <= high:
        return None
    if channel.quantity is Quantity.CELSIUS:
        return FaultKind.IMPLAUSIBLE, f"{value:g} °C is beyond any probe on a joint"
    return FaultKind.IMPLAUSIBLE, f"{value:g} A is beyond anything this shunt can read"


def silent_after_seconds(intake: Intake, watching: Watching) -> Array:
    """How long each channel may be silent before it counts as missing (channels,) [s]."""
    usual = np.where(np.isnan(intake.interval_seconds), 0.0, intake.interval_seconds)
    return np.maximum(watching.no_data_seconds, SILENT_INTERVALS * usual)


def take(
    plan: Layout, intake: Intake, values: Iterable[tuple[int, float]], now: float, time: int, hold: float
) -> Intake:
    """Take readings (index, value) of one instant `now` [monotonic s] into the window.

    hold: a current is held or interpolated over at most this long [s]; a longer pause is a gap.
    """
    fresh = np.full(plan.size, np.nan)
    for i, value in values:
        fresh[i] = value
    seen = ~np.isnan(fresh)
    if all(seen.tolist()) and _goes_on(intake, now, hold):
        return _take_all(plan, intake, fresh, now, time)
    new = np.where(seen, fresh, 0.0)
    size = np.where(plan.is_amps, np.abs(new), new)
    before_first = np.isinf(intake.read_seconds)
    spacing = np.where(before_first, 0.0, now - np.where(before_first, 0.0, intake.read_seconds))
    known = seen & (spacing > 0.0)
    usual = np.where(np.isnan(intake.interval_seconds), spacing, intake.interval_seconds)
    # follow slowly, and never let one long gap become the usual spacing
    followed = usual + 0.1 * (np.minimum(spacing, 3.0 * usual) - usual)
    stretch = np.where(seen, now - intake.covered_seconds, 0.0)
    bridged = known & (stretch > 0.0) & (spacing <= hold)
    before = np.where(bridged, intake.value, 0.0)
    stretch = np.where(bridged, stretch, 0.0)
    return replace(
        intake,
        value=np.where(seen, fresh, intake.value),
        read_seconds=np.where(seen, now, intake.read_seconds),
        read_time=np.where(seen, time, intake.read_time),
        interval_seconds=np.where(known, followed, intake.interval_seconds),
        window_sum=intake.window_sum + new,
        window_count=intake.window_count + seen,
        window_peak=np.where(seen, np.maximum(intake.window_peak, size), intake.window_peak),
        covered_seconds=np.where(seen, np.maximum(now, intake.covered_seconds), intake.covered_seconds),
        covered_length=intake.covered_length + stretch,
        square_integral=intake.square_integral + stretch * 0.5 * (before**2 + new**2),
        charge_integral=intake.charge_integral + stretch * 0.5 * (np.abs(before) + size),
        faults_in_a_row=np.where(seen, 0, intake.faults_in_a_row),
    )


def _goes_on(intake: Intake, now: float, hold: float) -> bool:
    """Whether every channel was read before, a while ago and no longer than `hold`, and has a usual spacing.

    (Lists, since of so few numbers numpy's own smallest and largest take thrice as long.)
    """
    read = intake.read_seconds.tolist()
    follows = now - max(read) > 0.0 and now - min(read) <= hold
    usual = sum(intake.interval_seconds.tolist())
    return follows and not math.isnan(usual) and now - max(intake.covered_seconds.tolist()) > 0.0


def _take_all(plan: Layout, intake: Intake, new: Array, now: float, time: int) -> Intake:
    """`take` of all channels at once, with no gap before: the same sums without asking of each."""
    size = np.where(plan.is_amps, np.abs(new), new)
    usual, before = intake.interval_seconds, intake.value
    longest = np.minimum(now - intake.read_seconds, 3.0 * usual)
    stretch = now - intake.covered_seconds
    half = 0.5 * stretch
    read_seconds, read_time = np.empty(plan.size), np.empty(plan.size, dtype=np.int64)
    read_seconds[:], read_time[:] = now, time
    return Intake(
        value=new,
        read_seconds=read_seconds,
        read_time=read_time,
        interval_seconds=usual + 0.1 * (longest - usual),
        window_start_seconds=intake.window_start_seconds,
        window_sum=intake.window_sum + new,
        window_count=intake.window_count + 1.0,
        window_peak=np.maximum(intake.window_peak, size),
        covered_seconds=read_seconds,
        covered_length=intake.covered_length + stretch,
        square_integral=intake.square_integral + half * (before * before + new * new),
        charge_integral=intake.charge_integral + half * (np.abs(before) + size),
        faults_in_a_row=np.zeros(plan.size, dtype=np.int64),
        last_fault=intake.last_fault,
    )


def note_fault(plan: Layout, intake: Intake, fault: Fault) -> Intake:
    """A channel failed once more; the old value is not renewed."""
    if fault.channel is None or fault.channel not in plan.index:
        return intake
    i = plan.index[fault.channel]
    run = intake.faults_in_a_row.copy()
    run[i] += 1
    last = (*intake.last_fault[:i], fault, *intake.last_fault[i + 1 :])
    return replace(intake, faults_in_a_row=run, last_fault=last)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """One closed window per channel (channels,); NaN is "not known" and stays inside the core."""

    start_seconds: float
    end_seconds: float
    mean: Array  # of readings; probes. Held from before the window for a slow, fresh channel
    count: Array  # readings in it
    peak: Array  # -inf: none
    amps_squared: Array  # mean of I²
    amp_seconds: Array  # ∫ |I| dt, 0 where not covered
    amps: Array  # latest current while it is fresh
    silent: NDArray[np.bool_]


def close(plan: Layout, intake: Intake, watching: Watching, now: float) -> tuple[Window, Intake]:
    """Close the window at `now` [monotonic s] and open the next."""
    length = now - intake.window_start_seconds
    limit = silent_after_seconds(intake, watching)
    age = now - intake.read_seconds
    silent = age > limit
    any_silent = True in silent.tolist()
    # the tail from the last reading to now: hold the value while it is fresh
    tail = np.maximum(now - intake.covered_seconds, 0.0)
    held = intake.value
    if any_silent:
        tail = np.where(silent, 0.0, tail)
        held = np.where(np.isnan(held), 0.0, held)
    square = intake.square_integral + tail * (held * held)
    charge = intake.charge_integral + tail * np.abs(held)
    covered = intake.covered_length + tail
    enough = (covered >= 0.5 * length) & (covered > 0.0)
    if any_silent:
        enough &= ~silent
    mean = intake.window_sum / np.maximum(intake.window_count, 1.0)
    unread = np.where(silent, np.nan, intake.value) if any_silent else intake.value
    window = Window(
        start_seconds=intake.window_start_seconds,
        end_seconds=now,
        mean=np.where(intake.window_count > 0, mean, unread),
        count=intake.window_count,
        peak=intake.window_peak,
        amps_squared=np.where(enough, square / np.where(enough, covered, 1.0), np.nan),
        amp_seconds=charge,
        amps=unread,
        silent=silent,
    )
    zeros = np.zeros(plan.size)
    opened = replace(
        intake,
        window_start_seconds=now,
        window_sum=zeros,
        window_count=zeros,
        window_peak=np.full(plan.size, -np.inf),
        covered_seconds=np.full(plan.size, now),
        covered_length=zeros,
        square_integral=zeros,
        charge_integral=zeros,
    )
    return window, opened
