"""All chips of one I2C bus: one owner, so that no two conversations mix and a stuck bus costs nobody else.

A transfer is tried again within a cycle where noise may have spoilt it. A chip that comes back, or
whose settings are gone, is checked and set up anew before it is believed. A bus on which everything
times out is left alone for longer and longer. Not here: registers (`i2c_chips`). May import: base,
i2c_bus, i2c_chips, clock, model.
"""

import errno
import threading
from collections.abc import Sequence

from lugwatch.clock import Clock
from lugwatch.model import Fault, FaultKind, Reading
from lugwatch.sources.base import Refused
from lugwatch.sources.i2c_bus import PASSING, Bus, SystemBus, explain
from lugwatch.sources.i2c_chips import Chip, RestartedError

_TRIES = 3
# a transfer that takes longer has met a bus that is stuck: no second try in this cycle
_SLOW_SECONDS = 0.25
_STUCK_AFTER = 3  # transfers in a row that timed out
_FIRST_PAUSE_SECONDS, _LONGEST_PAUSE_SECONDS = 5.0, 60.0


class I2cChips:
    """The chips of one bus. name: as `model.Channel.source` has it."""

    def __init__(
        self,
        *,
        name: str,
        path: str,
        chips: Sequence[Chip],
        interval_seconds: float,
        clock: Clock,
        stop: threading.Event,
        bus: Bus | None = None,
    ) -> None:
        self.name = name
        self.interval_seconds = interval_seconds
        self._path = path
        self._chips = tuple(chips)
        self._clock = clock
        self._stop = stop
        self._bus: Bus = bus or SystemBus(path)
        self._ready: set[int] = set()  # addresses that are set up
        self._timed_out = 0  # transfers in a row
        self._pause_seconds = _FIRST_PAUSE_SECONDS
        self._next_try_seconds: float | None = None  # of a bus that is stuck
        self._tell: list[Refused] = []  # of the whole bus

    def close(self) -> None:
        self._bus.close()

    def poll(self) -> Sequence[Reading | Fault]:
        """One cycle over all chips; the time of a stuck bus is bounded by a few of its own time-outs."""
        if self._next_try_seconds is not None:
            if self._clock.monotonic_seconds() < self._next_try_seconds:
                return [self._fault(c, _STUCK) for chip in self._chips for c in chip.channels]
            self._timed_out = _STUCK_AFTER - 1  # one more time-out and it is left alone again
        events: list[Reading | Fault] = []
        for chip in self._chips:
            if self._stop.is_set():
                break
            for channel, value in self._outcomes(chip):
                events.append(self._event(channel, value))
        events += [self._fault(None, refused) for refused in self._tell]
        self._tell = []
        return events

    def _outcomes(self, chip: Chip) -> Sequence[tuple[str, float | Refused]]:
        if self._timed_out >= _STUCK_AFTER:
            return [(channel, _STUCK) for channel in chip.channels]
        try:
            return self._read(chip)
        except OSError as error:
            self._ready.discard(chip.address)
            refused = explain(error, self._path, chip.address)
        except RestartedError as error:
            # not believed this time; set up at once, so that the next cycle has a measurement
            self._ready.discard(chip.address)
            refused = Refused(kind=FaultKind.RESTARTED, detail=f"{error}; set up anew")
            self._tell.append(refused)
            try:
                if chip.set_up(self._transfer) is None:
                    self._ready.add(chip.address)
            except OSError as gone:
                refused = explain(gone, self._path, chip.address)
        return [(channel, refused) for channel in chip.channels]

    def _read(self, chip: Chip) -> Sequence[tuple[str, float | Refused]]:
        if chip.address not in self._ready:
            wrong = chip.set_up(self._transfer)
            if wrong is not None:
                detail = f"at {chip.address:#04x} of {self._path}: {wrong.detail}"
                return [(channel, Refused(kind=wrong.kind, detail=detail)) for channel in chip.channels]
            self._ready.add(chip.address)
            # the first conversion under these settings has not ended yet
            self._clock.wait(self._stop, _SLOW_SECONDS + 0.1)
        return chip.read(self._transfer)

    def _transfer(self, address: int, data: bytes, read_bytes: int) -> bytes:
        for attempt in range(1, _TRIES + 1):
            began_seconds = self._clock.monotonic_seconds()
            try:
                answer = self._bus.transfer(address, data, read_bytes)
            except OSError as error:
                slow = self._clock.monotonic_seconds() - began_seconds > _SLOW_SECONDS
                if slow or error.errno == errno.ETIMEDOUT:
                    self._count_time_out()
                if slow or error.errno not in PASSING or attempt == _TRIES:
                    # a node that was taken away is opened anew when it is back
                    self._bus.close()
                    raise
            else:
                self._timed_out = 0
                self._pause_seconds = _FIRST_PAUSE_SECONDS
                self._next_try_seconds = None
                return answer
        raise AssertionError("the last try returns or raises")

    def _count_time_out(self) -> None:
        self._timed_out += 1
        if self._timed_out < _STUCK_AFTER:
            return
        if self._next_try_seconds is None:
            detail = (
                f"{self._path}: every transfer times out; something holds its lines: take its supply away"
            )
            self._tell.append(Refused(kind=FaultKind.BUS_STUCK, detail=detail))
        self._next_try_seconds = self._clock.monotonic_seconds() + self._pause_seconds
        self._pause_seconds = min(2 * self._pause_seconds, _LONGEST_PAUSE_SECONDS)

    def _event(self, channel: str, value: float | Refused) -> Reading | Fault:
        if isinstance(value, Refused):
            return self._fault(channel, value)
        return Reading(
            channel=channel,
            value=value,
            monotonic_seconds=self._clock.monotonic_seconds(),
            time=self._clock.time(),
        )

    def _fault(self, channel: str | None, refused: Refused) -> Fault:
        return Fault(
            source=self.name,
            channel=channel,
            kind=refused.kind,
            detail=refused.detail,
            monotonic_seconds=self._clock.monotonic_seconds(),
            time=self._clock.time(),
        )


_STUCK = Refused(kind=FaultKind.BUS_STUCK, detail="its bus is stuck")
