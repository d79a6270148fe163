"""A clock for a machine without a clock battery: labels that never jump and are set right when they can be.

Wall time is a label. Until the machine's clock can be believed, labels go on from the last known time by the
monotonic clock, so nothing is ever labelled before what came before it, whatever the machine's clock does.
When it can be believed the labels take a step, and whoever holds labels moves those of this boot by as much.
Believed is a clock that the kernel says is synchronised, or that was set from a battery-backed clock at boot,
or a time from a satellite receiver; and only within reason. Not here: moving labels (`relabel`, the store).
May import: clock.
"""

import ctypes
import ctypes.util
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Lock

from lugwatch.clock import Clock

# No machine can run this version before it was written.
RELEASED_TIME = 1_767_225_600_000  # 2026-01-01
# Beyond the newest label known: a boat may lie in a shed for some winters, not until 2045.
LONGEST_AWAY_MS = 5 * 366 * 86_400_000
# Satellite time counts weeks with 10 bits (IS-GPS-200, 20.3.3.3.1.1): an old receiver is wrong by 1024 weeks.
ROLL_OVER_MS = 1024 * 7 * 86_400_000
SATELLITE_EPOCH = 315_964_800_000  # 1980-01-06, the first week of all
# Less than this is the slewing of a disciplined clock, not a step.
STEP_MS = 2_000
# A believed clock that steps again is followed when it has stayed there for so long.
AGAIN_SECONDS = 600.0

_TIME_ERROR = 5  # adjtimex(2): clock not synchronised
_STA_UNSYNC = 0x0040
_RTC_FOLDER = Path("/sys/class/rtc")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Labels from `first_time` to `last_time` [ms], of before `monotonic_seconds`, are `by_ms` too small."""

    first_time: int
    last_time: int
    by_ms: int
    monotonic_seconds: float
    early: bool  # the labels of this boot were never right: move them


class BoatClock:
    """`Clock` over the machine's. `look` once a second or so; everything else from any thread."""

    def __init__(
        self,
        machine: Clock,
        *,
        last_label: int,
        last_trusted: int,
        believed: Callable[[], bool],
        released_time: int = RELEASED_TIME,
    ) -> None:
        """last_label [ms]: no label of earlier boots is later; last_trusted: no right one of them."""
        self._machine = machine
        self._believed = believed
        self._lock = Lock()
        self._least = max(released_time, last_trusted)
        self._newest = self._least + LONGEST_AWAY_MS
        self._trusted = False
        self._differs_since: float | None = None
        self._heard: tuple[int, float] | None = None  # time [ms], monotonic seconds
        self._satellite: tuple[int, float] | None = None  # the same, when two agreed
        now, self._at = machine.time(), machine.monotonic_seconds()
        # one ms after all that is known where the machine's own label cannot be right
        after = max(self._least, last_label)
        self._label = now if after < now <= self._newest else after + 1
        self._first_label = self._label
        self.look()  # nobody holds a label yet that would have to be moved
        self._first_label = self._label

    @property
    def trusted(self) -> bool:
        """Whether labels are right, as far as anybody can tell."""
        return self._trusted

    def monotonic_seconds(self) -> float:
        return self._machine.monotonic_seconds()

    def time(self) -> int:
        """The label of now [ms]: never back, but for a step."""
        with self._lock:
            return self._label_at(self._machine.monotonic_seconds())

    def wait(self, event: Event, seconds: float) -> bool:
        return self._machine.wait(event, seconds)

    def hear(self, time: int, monotonic_seconds: float) -> bool:
        """A satellite receiver said this time [ms]; False if it is beyond reason."""
        if time < SATELLITE_EPOCH:
            return False
        while time < self._least - 86_400_000 and time + ROLL_OVER_MS <= self._newest:
            time += ROLL_OVER_MS
        if not self._least - 86_400_000 <= time <= self._newest:
            return False
        with self._lock:
            heard, self._heard = self._heard, (time, monotonic_seconds)
            if heard is None:
                return True
            # one sentence may be anything: it counts when the next goes on where it was
            passed = monotonic_seconds - heard[1]
            if passed > 0.0 and abs(heard[0] + passed * 1000.0 - time) <= STEP_MS:
                self._satellite = (time, monotonic_seconds)
        return True

    def look(self) -> Step | None:
        """Compare with the machine; the step that labels took, if they took one."""
        believed = self._believed()
        with self._lock:
            now = self._machine.monotonic_seconds()
            label, right = self._label_at(now), self._right_time(now, believed)
            if right is None:
                self._differs_since = None
                return None
            if abs(right - label) <= STEP_MS:
                self._trusted, self._differs_since = True, None
                # forward only: to be ahead by no more than that does no harm
                self._label, self._at = max(right, label), now
                return None
            if self._trusted:
                self._differs_since = now if self._differs_since is None else self._differs_since
                if now - self._differs_since < AGAIN_SECONDS:
                    return None
            step = Step(
                first_time=self._first_label,
                last_time=label,
                by_ms=right - label,
                monotonic_seconds=now,
                early=not self._trusted,
            )
            self._label, self._at, self._trusted, self._differs_since = right, now, True, None
            self._first_label = right
            return step

    def _label_at(self, now: float) -> int:
        return self._label + round((now - self._at) * 1000.0)

    def _right_time(self, now: float, believed: bool) -> int | None:
        """The time that can be believed now [ms]; None: there is none."""
        machine = self._machine.time()
        if believed and self._least - 86_400_000 <= machine <= self._newest:
            return machine
        if self._satellite is not None:
            time, heard = self._satellite
            return time + round((now - heard) * 1000.0)
        return None


def kernel_boot() -> str:
    """What names this boot of the machine, proc(5): within it all processes share one monotonic clock."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def machine_is_believed() -> bool:
    """Whether the kernel says that its clock is right: by network time, or from a clock with a battery."""
    return _is_synchronised() or _was_set_from_battery_clock()


class _Timex(ctypes.Structure):
    """The head of `struct timex`, adjtimex(2), and room for the rest of it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 256),
    )


def _is_synchronised() -> bool:
    try:
        library = ctypes.CDLL(None, use_errno=True)
        timex = _Timex()  # modes 0: only asks
        state = int(library.adjtimex(ctypes.byref(timex)))
    except (OSError, AttributeError):
        return False
    return 0 <= state < _TIME_ERROR and not timex.status & _STA_UNSYNC


def _was_set_from_battery_clock(folder: Path = _RTC_FOLDER) -> bool:
    """Linux Documentation/admin-guide/rtc.rst: `hctosys` is 1 if the system time was set from it at boot."""
    try:
        return any((clock / "hctosys").read_text().strip() == "1" for clock in folder.iterdir())
    except OSError:
        return False
