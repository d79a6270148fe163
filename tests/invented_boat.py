"""An invented boat with eleven joints and an hour of invented history, written through the real store.

Figures are made up, by a plain first-order curve; nothing here is measured and no physics is checked by it.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from lugwatch import __version__
from lugwatch.clock import Clock
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Boat,
    Category,
    Channel,
    Condition,
    CurrentPassage,
    Estimate,
    Joint,
    JointPassage,
    JointState,
    Output,
    Passage,
    Quantity,
    Reading,
    SourceHealth,
    Watching,
)
from lugwatch.store.writer import Store

AIR_CELSIUS = 31.0
# id, name, current, limit [°C], rise at the end [K]
JOINTS = (
    ("bar_alternator", "Bus bar, alternator stud", "alternator", 90.0, 27.4),
    ("alternator_plus", "Alternator output stud", "alternator", 105.0, 30.0),
    ("fuse_bar", "Main fuse, bar side", "alternator", 90.0, 16.5),
    ("fuse_battery", "Main fuse, battery side", "battery", 90.0, 15.2),
    ("isolator_in", "Isolator, in", "battery", 90.0, 10.2),
    ("isolator_out", "Isolator, out", "battery", 90.0, 9.8),
    ("battery_plus", "Battery plus terminal", "battery", 75.0, 6.4),
    ("battery_minus", "Battery minus terminal", "battery", 75.0, 6.0),
    ("shunt_bar", "Shunt, bar side", "battery", 90.0, 8.0),
    ("bar_inverter", "Bus bar, inverter stud", "inverter", 90.0, 3.0),
    ("inverter_plus", "Inverter plus stud", "inverter", 90.0, 2.0),
)
CURRENTS = (
    ("alternator", "Alternator", 120.0),
    ("battery", "Battery", 200.0),
    ("inverter", "Inverter", 150.0),
)


def invented_boat() -> Boat:
    probes = [
        Channel(channel=j, quantity=Quantity.CELSIUS, name=name, source="onewire")
        for j, name, _, _, _ in JOINTS
    ]
    air = Channel(channel="air_locker", quantity=Quantity.CELSIUS, name="Air in the locker", source="onewire")
    currents = [
        Channel(channel=c, quantity=Quantity.AMPS, name=name, source="serial /dev/node", rated_amps=rated)
        for c, name, rated in CURRENTS
    ]
    return Boat(
        name="Sandpiper",
        slug="sandpiper",
        channels=(*probes, air, *currents),
        joints=tuple(
            Joint(
                joint=joint,
                name=name,
                probe=joint,
                current=current,
                air="air_locker",
                neighbours=(),
                rated_amps=120.0,
                limit_celsius=limit,
                limit_basis="set in the configuration",
            )
            for joint, name, current, limit, _ in JOINTS
        ),
        watching=Watching(),
    )


def invented_estimate(index: int, time: int, state: JointState = JointState.STEADY) -> Estimate:
    """A joint near its settling temperature, as its baseline; a warming one 46 % above it."""
    joint, _, current, limit, rise = JOINTS[index]
    warm = state in (JointState.WARMING, JointState.HOT, JointState.HEADING_HOT)
    silent = state is JointState.SILENT
    loaded = current != "inverter" and not silent
    return Estimate(
        joint=joint,
        time=time,
        state=state,
        reason="too little current" if not loaded else None,
        probe_time=time - (240_000 if silent else 2_000),
        probe_celsius=None if silent else AIR_CELSIUS + rise,
        reference_celsius=AIR_CELSIUS,
        rise_kelvin=None if silent else rise,
        current_amps={"alternator": 92.0, "battery": 84.0, "inverter": 0.4}[current],
        rise_coefficient=rise / 92.0**2 if loaded else None,
        rise_coefficient_sd=rise / 92.0**2 * 0.03 if loaded else None,
        resistance_ohms=None,
        resistance_sd_ohms=None,
        resistance_basis=None,
        baseline_ratio=(1.46 if warm else 1.0 + 0.01 * (index % 4 - 1)) if loaded else None,
        baseline_ratio_sd=0.035 if loaded else None,
        settles_at_celsius=AIR_CELSIUS + rise * (1.46 if warm else 1.06) if loaded else None,
        settles_at_sd_kelvin=(2.8 if warm else 0.9) if loaded else None,
        settles_at_rated_celsius=None,
        settles_at_rated_sd_kelvin=None,
        seconds_to_limit=None,
        limit_celsius=limit,
    )


def invented_states() -> list[JointState]:
    """Seven steady, one warming, one silent, two without load."""
    states = [JointState.STEADY] * len(JOINTS)
    states[4] = JointState.WARMING
    states[7] = JointState.SILENT
    states[9] = states[10] = JointState.NO_LOAD
    return states


def invented_alert(time: int, alert_id: int = 7) -> Alert:
    return Alert(
        alert_id=alert_id,
        joint="isolator_in",
        channel=None,
        condition=Condition.WARMING,
        category=Category.CAUTION,
        state=AlertState.ACTIVE_UNACKNOWLEDGED,
        raised_time=time - 1_500_000,
        rectified_time=None,
        acknowledged_time=None,
        acknowledged_by=None,
        text="Isolator, in heats +46 % (± 7) against its baseline at the same current. At the present "
        "current it settles near 46 °C (40 to 51); its limit is 90 °C.",
        advice="A joint that heats more than it did has gained resistance. Watch it while this current "
        "flows; plan to open it. Never break the alternator's output while it charges. "
        "Work on it only with the circuit dead and the battery isolated. "
        "lugwatch warns and does not protect: fuses and breakers do.",
    )


def invented_readings(time: int, monotonic_seconds: float, hours: float, step_seconds: int) -> list[Reading]:
    """Every channel until `time`, with a gap of ten minutes and a silent probe at the end."""
    readings = []
    for back in range(int(hours * 3600), -1, -step_seconds):
        if 1500 < back < 2100:
            continue  # the logger was off
        since = hours * 3600 - back if hours else 3600.0
        part = 1.0 - math.exp(-since / 900.0)
        values = {"air_locker": AIR_CELSIUS, "alternator": 92.0 + 3.0 * math.sin(since / 200.0)}
        values |= {
            "battery": 84.0 - 20.0 * (since / max(1.0, hours * 3600)),
            "inverter": 60.0 if 600 < since < 900 else 0.4,
        }
        values |= {
            j: AIR_CELSIUS + rise * part + 0.2 * math.sin(since / 60.0 + i)
            for i, (j, *_, rise) in enumerate(JOINTS)
        }
        if back < 240:  # the probe of the silent joint
            del values["battery_minus"]
        readings += [
            Reading(channel=c, value=v, monotonic_seconds=monotonic_seconds - back, time=time - back * 1000)
            for c, v in values.items()
        ]
    return readings


def write_invented_history(
    database: Path,
    clock: Clock,
    *,
    states: Sequence[JointState] | None = None,
    alerts: Sequence[Alert] | None = None,
    hours: float = 1.0,
    step_seconds: int = 20,
) -> Store:
    """An hour of history that ends now; the open store, to go on writing with."""
    time, monotonic = clock.time(), clock.monotonic_seconds()
    store = Store.open(database, clock=clock, boat=invented_boat(), version=__version__)
    shown = invented_states() if states is None else list(states)
    raised = [invented_alert(time)] if alerts is None else list(alerts)
    outputs: list[Output] = [*invented_readings(time, monotonic, hours, step_seconds)]
    outputs += [invented_estimate(i, time, state) for i, state in enumerate(shown)]
    outputs += [
        AlertChange(sequence=n, time=alert.raised_time, change=AlertChangeKind.RAISED, alert=alert)
        for n, alert in enumerate(raised, start=1)
    ]
    outputs += [_health("onewire", time, 3), _health("serial /dev/node", time, 0), invented_passage(time)]
    store.write(outputs, monotonic_seconds=monotonic, time=time)
    return store


def _health(source: str, time: int, faults_count: int) -> SourceHealth:
    return SourceHealth(
        source=source,
        time=time,
        state="reading",
        readings_count=8640,
        faults_count=faults_count,
        last_fault="bad_checksum: 28-0000054321ab" if faults_count else None,
    )


def invented_passage(time: int, passage_id: int = 1) -> Passage:
    return Passage(
        passage_id=passage_id,
        start_time=time - 3_600_000,
        end_time=None,
        amp_hours=84.2,
        max_amps=96.4,
        currents={
            "alternator": CurrentPassage(amp_hours=84.2, max_amps=96.4),
            "inverter": CurrentPassage(amp_hours=5.1, max_amps=60.0),
        },
        joints={
            joint: JointPassage(
                max_celsius=AIR_CELSIUS + rise,
                rise_coefficient=None if current == "inverter" else rise / 92.0**2,
                rise_coefficient_sd=None if current == "inverter" else rise / 92.0**2 * 0.02,
            )
            for joint, _, current, _, rise in JOINTS
        },
    )


def now_again(store: Store, clock: Clock, states: Sequence[JointState], *more: Output) -> None:
    """One more batch: every joint and channel at this moment."""
    time, monotonic = clock.time(), clock.monotonic_seconds()
    readings = [
        replace(r, time=time, monotonic_seconds=monotonic)
        for r in invented_readings(time, monotonic, 0.0, 20)
    ]
    estimates = [invented_estimate(i, time, state) for i, state in enumerate(states)]
    store.write([*readings, *estimates, *more], monotonic_seconds=monotonic, time=time)
