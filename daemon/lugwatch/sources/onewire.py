"""One-wire thermometers through the kernel's folder: who is there, what each says, when it measured.

A cycle asks each bus to measure at once where the kernel can do that, else reads probe after probe
(about 0.8 s each at 12 bit). Identity is the full id; the order of the folder means nothing. A bus that is
slow and brings nothing is looked at last, in what is left of the interval, so that others keep theirs.
Not here: decoding (`onewire_decode`), what a fault leads to (the core). May import: base, onewire_bus,
onewire_decode, clock, model.
"""

import errno
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from lugwatch.clock import Clock
from lugwatch.model import Fault, FaultKind, Reading
from lugwatch.sources.base import Refused
from lugwatch.sources.onewire_bus import (
    MASTER_PREFIX,
    Bulk,
    BulkEnd,
    Files,
    Moment,
    SystemFiles,
    convert_all,
    now,
)
from lugwatch.sources.onewire_decode import (
    FAMILY_DS18S20,
    Conversion,
    decode_temperature,
    decode_w1_slave,
    family_of,
    normalise_id,
)

FULL_BITS = 12
DEFAULT_BULK_SECONDS = 3.0  # four times the longest conversion (0.75 s, DS18B20 datasheet)
# A read that took this long was a conversion of its own, not the bulk result [s]: 9 bit needs 0.094 s
# (DS18B20 datasheet, figure 10), 12 bit 0.75 s, and a read of nine bytes about 0.015 s.
_OWN_CONVERSION_SECONDS = 0.09
# A value that a failure also looks like is believed only as a small step from a recent good one.
_STEP_KELVIN, _STEP_KELVIN_PER_SECOND, _STEP_SECONDS = 2.0, 0.5, 10.0
_RECENT_SECONDS = 60.0
_DEAD_SHARE = 0.5  # of the interval: a bus that brings nothing and takes longer is dead
_DEAD_UNTIL_SHARE = 0.9  # of the interval: by then looking at a dead bus is to be over
_MOST_UNASSIGNED = 16  # noise on the bus makes up ids without end
_GONE = (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR)


@dataclass(slots=True, kw_only=True)
class _Probe:
    channel: str
    address: str
    offset_kelvin: float = 0.0
    last: tuple[float, float] | None = None  # °C and monotonic seconds of the last good reading
    resolution_bits: int = FULL_BITS


class OneWire:
    """All thermometers under one folder.

    probes: channel id -> normalised id. offsets_kelvin: added to what a probe says, after it was judged by
    its own bytes. bulk_seconds: how long a bus may take to measure.
    """

    name = "onewire"

    def __init__(
        self,
        *,
        path: Path,
        probes: Mapping[str, str],
        offsets_kelvin: Mapping[str, float] = MappingProxyType({}),
        interval_seconds: float,
        clock: Clock,
        stop: threading.Event,
        files: Files | None = None,
        bulk_seconds: float = DEFAULT_BULK_SECONDS,
    ) -> None:
        self.interval_seconds = interval_seconds
        self._path = path
        self._probes = [
            _Probe(channel=channel, address=address, offset_kelvin=offsets_kelvin.get(channel, 0.0))
            for channel, address in probes.items()
        ]
        self._clock = clock
        self._stop = stop
        self._files: Files = files or SystemFiles()
        self._bulk_seconds = bulk_seconds
        self._told: set[tuple[FaultKind, str]] = set()  # states of the whole source, each told once
        self._dead: dict[str, int] = {}  # buses, and which probe is asked first next time
        self._strangers: set[str] = set()  # seen in the last cycle, in no table
        self._unassigned: set[str] = set()  # reported

    def close(self) -> None:
        """Nothing stays open between polls."""

    def poll(self) -> Sequence[Reading | Fault]:
        """One cycle over all probes."""
        started = now(self._clock)
        try:
            names = self._files.names(self._path)
        except OSError as error:
            return self._without_folder(error, started)
        events: list[Reading | Fault] = []
        self._change(events, FaultKind.VANISHED, "", None)
        buses = self._buses(names)
        for bus in sorted(buses, key=self._dead.__contains__):  # stable: the dead last
            if bus in self._dead and len(buses) > 1:
                until_seconds = started.monotonic_seconds + _DEAD_UNTIL_SHARE * self.interval_seconds
                events += self._look(bus, buses[bus], until_seconds)
            else:
                events += self._cycle(bus, buses[bus])
        if self._stop.is_set():
            return events
        events += self._unknown(names)
        spent = self._clock.monotonic_seconds() - started.monotonic_seconds
        detail = f"one round of {len(self._probes)} probes took {spent:.1f} s of {self.interval_seconds:g} s"
        self._change(events, FaultKind.OVERRUN, "", detail if spent > self.interval_seconds else None)
        return events

    def _without_folder(self, error: OSError, moment: Moment) -> list[Reading | Fault]:
        reason = error.strerror or str(error)
        kind = FaultKind.VANISHED if error.errno in _GONE else FaultKind.UNREADABLE
        events: list[Reading | Fault] = []
        self._change(events, FaultKind.VANISHED, "", f"{self._path}: {reason}; is one-wire switched on?")
        events += [self._fault(probe.channel, kind, reason, moment) for probe in self._probes]
        return events

    def _buses(self, names: Sequence[str]) -> dict[str, list[_Probe]]:
        """Which probe hangs on which bus; "" for probes on none of them."""
        masters = [name for name in names if name.startswith(MASTER_PREFIX)]
        if len(masters) == 1:
            return {masters[0]: self._probes}
        buses: dict[str, list[_Probe]] = {bus: [] for bus in (*masters, "")}
        home: dict[str, str] = {}
        for master in masters:
            try:
                home |= dict.fromkeys(self._files.names(self._path / master), master)
            except OSError:
                continue
        for probe in self._probes:
            buses[home.get(probe.address, "")].append(probe)
        return {bus: probes for bus, probes in buses.items() if probes}

    def _cycle(self, bus: str, probes: Sequence[_Probe]) -> list[Reading | Fault]:
        events: list[Reading | Fault] = []
        started_seconds = self._clock.monotonic_seconds()
        bulk = self._bulk(bus, events)
        restarted = 0
        for probe in probes:
            if self._stop.is_set():
                return events
            outcome = self._read(probe, bulk)
            restarted += any(isinstance(e, Fault) and e.kind is FaultKind.NO_CONVERSION for e in outcome)
            events += outcome
        dip = f"all {len(probes)} probes {f'of {bus} ' if bus else ''}restarted at once: their supply dipped"
        together = len(probes) > 1 and restarted == len(probes)
        self._change(events, FaultKind.SUPPLY_DIP, bus, dip if together else None)
        spent_seconds = self._clock.monotonic_seconds() - started_seconds
        if (
            bus
            and spent_seconds > _DEAD_SHARE * self.interval_seconds
            and not any(isinstance(event, Reading) for event in events)
        ):
            self._dead.setdefault(bus, 0)
        else:
            self._dead.pop(bus, None)
        return events

    def _look(self, bus: str, probes: Sequence[_Probe], until_seconds: float) -> list[Reading | Fault]:
        """Whether a dead bus is back: one probe after the other, each time from another one on.

        What answers is not read yet, since it may be of any age: the next round does.
        """
        first = self._dead[bus] % len(probes)
        events: list[Reading | Fault] = []
        refused: Refused | None = None
        longest_seconds = 0.0
        for asked, probe in enumerate((*probes[first:], *probes[:first])):
            if self._stop.is_set():
                return events
            moment = now(self._clock)
            if refused is None or moment.monotonic_seconds + longest_seconds < until_seconds:
                decoded = self._decoded(probe)
                took_seconds = self._clock.monotonic_seconds() - moment.monotonic_seconds
                longest_seconds = max(longest_seconds, took_seconds)
                if not isinstance(decoded, Refused):
                    del self._dead[bus]
                    return events
                refused, self._dead[bus] = decoded, first + asked + 1
            # those for whom no time was left share the bus, and what is wrong with it
            events.append(self._fault(probe.channel, refused.kind, refused.detail, moment))
        return events

    def _bulk(self, bus: str, events: list[Reading | Fault]) -> Bulk:
        if not bus:
            return Bulk(end=BulkEnd.ABSENT, moment=now(self._clock))
        bulk = convert_all(
            self._files,
            self._path / bus,
            clock=self._clock,
            stop=self._stop,
            timeout_seconds=self._bulk_seconds,
        )
        late = f"{bus} did not finish measuring in {self._bulk_seconds:g} s; reading probe by probe"
        self._change(events, FaultKind.TIMED_OUT, bus, late if bulk.end is BulkEnd.TIMED_OUT else None)
        refused = f"{bus}: therm_bulk_read cannot be written ({bulk.detail}); reading probe by probe"
        self._change(events, FaultKind.UNREADABLE, bus, refused if bulk.end is BulkEnd.REFUSED else None)
        return bulk

    # ---- one probe ---------------------------------------------------------------------------

    def _read(self, probe: _Probe, bulk: Bulk) -> list[Reading | Fault]:
        if bulk.leftover:
            self._decoded(probe)  # takes away what another process's conversion left, of any age
        before = now(self._clock)
        decoded = self._decoded(probe)
        took_seconds = self._clock.monotonic_seconds() - before.monotonic_seconds
        from_bulk = bulk.end is BulkEnd.DONE and took_seconds < _OWN_CONVERSION_SECONDS
        moment = bulk.moment if from_bulk else before
        if isinstance(decoded, Refused):
            return [self._fault(probe.channel, decoded.kind, decoded.detail, moment)]
        if decoded.doubt is not None and not _plausible(decoded.celsius, probe.last, moment):
            return [self._fault(probe.channel, decoded.doubt, _held_back(decoded, probe.last), moment)]
        probe.last = (decoded.celsius, moment.monotonic_seconds)
        reading = Reading(
            channel=probe.channel,
            value=decoded.celsius + probe.offset_kelvin,
            monotonic_seconds=moment.monotonic_seconds,
            time=moment.time,
        )
        return [*self._resolution(probe, decoded, moment), reading]

    def _decoded(self, probe: _Probe) -> Conversion | Refused:
        """`w1_slave`, which has byte 6 and the checksum; the bare `temperature` only where it has to do."""
        folder = self._path / probe.address
        family = family_of(probe.address)
        try:
            return decode_w1_slave(self._files.read(folder / "w1_slave"), family)
        except OSError as error:
            if error.errno not in (*_GONE, errno.EACCES, errno.EPERM):
                return Refused(kind=FaultKind.UNREADABLE, detail=error.strerror or str(error))
        try:
            return decode_temperature(self._files.read(folder / "temperature"), family)
        except OSError as error:
            kind = FaultKind.VANISHED if error.errno in _GONE else FaultKind.UNREADABLE
            return Refused(kind=kind, detail=f"{probe.address}: {error.strerror or error}")

    def _resolution(self, probe: _Probe, decoded: Conversion, moment: Moment) -> list[Fault]:
        """A probe that restarted may have fallen back to coarse steps without a word."""
        bits = decoded.resolution_bits
        if bits is None or bits == probe.resolution_bits or family_of(probe.address) == FAMILY_DS18S20:
            return []  # the DS18S20 has no resolution to set
        was, probe.resolution_bits = probe.resolution_bits, bits
        detail = f"measures with {bits} bit now, was {was} bit: steps of {2.0 ** (8 - bits):g} K"
        return [self._fault(probe.channel, FaultKind.RESOLUTION_CHANGED, detail, moment)]

    # ---- the whole source --------------------------------------------------------------------

    def _unknown(self, names: Sequence[str]) -> list[Fault]:
        """Thermometers in no table, each told once: seen in two rounds running, and so many at most."""
        known = {probe.address for probe in self._probes}
        strangers = {name for name in names if normalise_id(name) == name} - known
        lasting = sorted((strangers & self._strangers) - self._unassigned)
        self._strangers = strangers
        room = max(0, _MOST_UNASSIGNED - len(self._unassigned))
        self._unassigned.update(lasting[:room])
        moment = now(self._clock)
        return [
            self._fault(None, FaultKind.UNASSIGNED, f"probe {address} answers and is in no [[probe]]", moment)
            for address in lasting[:room]
        ]

    def _change(self, events: list[Reading | Fault], kind: FaultKind, about: str, detail: str | None) -> None:
        """Tell a state of the whole source once, and again only after it was over."""
        if detail is None:
            self._told.discard((kind, about))
        elif (kind, about) not in self._told:
            self._told.add((kind, about))
            events.append(self._fault(None, kind, detail, now(self._clock)))

    def _fault(self, channel: str | None, kind: FaultKind, detail: str, moment: Moment) -> Fault:
        return Fault(
            source=self.name,
            channel=channel,
            kind=kind,
            detail=detail,
            monotonic_seconds=moment.monotonic_seconds,
            time=moment.time,
        )


def _plausible(celsius: float, last: tuple[float, float] | None, moment: Moment) -> bool:
    """Whether a doubtful value is a small step from a good and recent one."""
    if last is None:
        return False
    age_seconds = moment.monotonic_seconds - last[1]
    if age_seconds > _RECENT_SECONDS:
        return False
    allowed_kelvin = _STEP_KELVIN + _STEP_KELVIN_PER_SECOND * min(age_seconds, _STEP_SECONDS)
    return abs(celsius - last[0]) <= allowed_kelvin


def _held_back(decoded: Conversion, last: tuple[float, float] | None) -> str:
    before = "with no value before it" if last is None else f"after {last[0]:g} °C"
    return (
        f"{decoded.celsius:g} °C {before}: held back, since a probe in trouble says the same "
        "and this file cannot tell them apart"
    )
