"""How soon a joint that goes bad is seen: doubled at once (`doubling`), or slowly (`runaway`)."""

import math
from dataclasses import dataclass, replace

import numpy as np
from recordings import HOUR_SECONDS, Recording, lived
from setting import Line, Setting, at_least, at_most, kept, median, none_of, note, spread
from sweep_points import points
from watched import Heard, Said, Sweep, accused_already, believing, listen, trained

from lugwatch.model import Condition
from lugwatch.simulator.boat import JOINTS
from lugwatch.simulator.faults import PlantFault, Trouble
from lugwatch.simulator.scenarios import MINUTE, Scenario, healthy_passage

LOADED_AMPS = 90.0
PASSAGE_HOURS = 2.5
DOUBLED_SECONDS = 75 * MINUTE
DESIGN_OHMS = 40e-6


def boats(setting: Setting) -> range:
    return range(1, 1 + setting.pick(6, 2))


def loaded_passage(seed: int, circuit: str, hours: float = PASSAGE_HOURS) -> Scenario:
    """A passage in bulk all the time, on which this circuit carries 80 to 100 A.

    Alternator and battery: charging at 88 to 100 A with small loads. House, inverter: their load.
    """
    base = healthy_passage(seed, hours)
    start = base.engine[0][0] + 3 * MINUTE
    small = tuple((seconds, 4.0 + amps / 7.0) for seconds, amps in base.house_amps)
    return replace(
        base,
        name=f"{circuit} loaded, {seed}",
        bulk_seconds=100 * HOUR_SECONDS,
        house_amps=((0.0, 5.0), (start, LOADED_AMPS)) if circuit == "house" else small,
        inverter_amps=((0.0, 0.8), (start, LOADED_AMPS)) if circuit == "inverter" else ((0.0, 0.8),),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubling:
    """One joint doubled; seconds inf: not within the passage."""

    boat_seed: int
    joint: str
    ohms: float
    amps: float
    warmer_kelvin: float  # in the end, against the same passage without the fault
    seconds: float
    before: bool  # accused before it was doubled
    others: tuple[Said, ...]
    sweep_seconds: tuple[float, ...]


def doublings(setting: Setting, boat_seed: int, believed_sd: float | None = None) -> list[Doubling]:
    """Each joint of a boat in turn."""
    with believing(believed_sd):
        return kept(
            setting.run,
            ("doublings", boat_seed, believed_sd),
            lambda: _doublings(setting, boat_seed, setting.sweeping and believed_sd is None),
        )


def _doublings(setting: Setting, boat_seed: int, sweeping: bool) -> list[Doubling]:
    found = []
    for circuit in ("alternator", "battery", "house", "inverter"):
        joints = [j.joint for j in JOINTS if j.current == circuit]
        found += _circuit(setting, boat_seed, circuit, joints[:: setting.pick(1, 2)], sweeping)
    return found


def loaded(setting: Setting, boat_seed: int, circuit: str, *faults: PlantFault) -> Recording:
    """The boat's loaded passage on the morning after learning."""
    seed = 1000 * boat_seed + 200 + ("alternator", "battery", "house", "inverter").index(circuit)
    learned = trained(setting, boat_seed)
    return lived(
        setting,
        boat_seed,
        replace(loaded_passage(seed, circuit), faults=faults),
        seed=seed,
        start_time=learned.next_time,
        previous=learned.previous,
    )


def doubled(joint: str) -> PlantFault:
    return PlantFault(kind=Trouble.RESISTANCE_STEP, where=joint, start_seconds=DOUBLED_SECONDS, size=2.0)


def _circuit(
    setting: Setting, boat_seed: int, circuit: str, joints: list[str], sweeping: bool
) -> list[Doubling]:
    """The passage up to the fault is the same for every joint, so it is watched once."""
    sound = loaded(setting, boat_seed, circuit)
    rows = int(np.searchsorted(sound.seconds(), DOUBLED_SECONDS))
    sweep = Sweep(points()) if sweeping else None
    before = Heard()
    state = listen(trained(setting, boat_seed).state, sound.cut(rows), before, sweep=sweep)
    books = list(sweep.books) if sweep else []
    found = []
    for joint in joints:
        recording = loaded(setting, boat_seed, circuit, doubled(joint))
        heard = Heard()
        if sweep:
            sweep.books = list(books)
        listen(state, recording.after(rows), heard, sweep=sweep)
        fault_time = int(recording.times[0]) + round(DOUBLED_SECONDS * 1000)
        index = recording.joint(joint)
        others = [s for s in (*before.said, *heard.said) if s.accuses and s.joint != joint]
        current = np.abs(recording.amps[rows:, ("alternator", "battery", "house", "inverter").index(circuit)])
        loaded_rows = current > 0.5 * LOADED_AMPS
        found.append(
            Doubling(
                boat_seed=boat_seed,
                joint=joint,
                ohms=float(sound.ohms[0, index]),
                amps=float(np.mean(current[loaded_rows])),
                warmer_kelvin=float(np.max(recording.celsius[:, index] - sound.celsius[:, index])),
                seconds=_first(heard.said, joint, fault_time),
                before=accused_already(state, joint),
                others=tuple(others),
                sweep_seconds=tuple(_first(said, joint, fault_time) for said in heard.others),
            )
        )
    return found


def _first(said: list[Said], joint: str, fault_time: int) -> float:
    times = [s.time for s in said if s.joint == joint and s.condition is Condition.WARMING]
    return (min(times) - fault_time) / 1000.0 if times else math.inf


def minutes(seconds: float) -> str:
    return "not seen" if math.isinf(seconds) else f"{seconds / 60.0:.1f} min"


def doubling(setting: Setting) -> list[Line]:
    """Time from the doubling to the first `warming` of that joint."""
    found = [d for part in spread(doublings, [(setting, b) for b in boats(setting)]) for d in part]
    lines: list[Line] = []
    of_design = [d for d in found if d.ohms >= DESIGN_OHMS]
    for name, group in (("all joints, 25 to 75 µΩ", found), ("of 40 µΩ and more", of_design)):
        times = [d.seconds / 60.0 for d in group]
        slowest = max(group, key=lambda d: d.seconds)
        lines += [
            at_most(f"until warming, {name} ({len(group)}), median", median(times), 3.0, "min"),
            at_most(f"  slowest ({slowest.joint} of boat {slowest.boat_seed})", max(times), 10.0, "min"),
        ]
    unseen = [d for d in found if math.isinf(d.seconds)]
    wrong = sorted({f"{s}, {d.joint} doubled, boat {d.boat_seed}" for d in found for s in d.others})
    early = [d.joint for d in found if d.before]
    lines += [
        none_of("not seen within the passage", [d.joint for d in unseen], f"{len(found)} doublings"),
        none_of("others accused", wrong, f"{len(found)} doublings"),
        none_of("accused before it was doubled", early, f"{len(found)} doublings"),
        *(note("accused wrongly", text) for text in wrong),
    ]
    for joint in dict.fromkeys(d.joint for d in found):
        cells = [
            f"{d.ohms * 1e6:.0f} µΩ {d.amps:.0f} A +{d.warmer_kelvin:.1f} K: {minutes(d.seconds)}"
            for d in found
            if d.joint == joint
        ]
        lines.append(note(joint, "; ".join(cells)))
    return lines


# ---- runaway -------------------------------------------------------------------------------------

GROWTH_SECONDS = 40 * MINUTE
GROWTH_START_SECONDS = 60 * MINUTE
END_CELSIUS = 90.0
FIXED_CELSIUS = 70.0
RUNAWAY_HOURS = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Runaway:
    """One joint that doubled every 40 min; seconds before it was truly at 90 °C, 0: no word."""

    boat_seed: int
    joint: str
    end_seconds: float  # after it began to grow
    first_seconds: float
    warning_seconds: float
    fixed_seconds: float
    first: str


def runaways(setting: Setting, boat_seed: int) -> list[Runaway]:
    """Each joint of a boat in turn, its circuit loaded all the time."""
    found = []
    joints = JOINTS[:: setting.pick(1, 4)]
    for number, joint in enumerate(joints):
        seed = 1000 * boat_seed + 500 + number
        fault = PlantFault(
            kind=Trouble.RESISTANCE_GROWTH,
            where=joint.joint,
            start_seconds=GROWTH_START_SECONDS,
            size=GROWTH_SECONDS,
        )
        learned = trained(setting, boat_seed)
        recording = lived(
            setting,
            boat_seed,
            replace(loaded_passage(seed, joint.current, RUNAWAY_HOURS), faults=(fault,)),
            seed=seed,
            start_time=learned.next_time,
            previous=learned.previous,
        )
        index = recording.joint(joint.joint)
        hot = np.flatnonzero(recording.celsius[:, index] >= END_CELSIUS)
        if not len(hot):
            continue
        recording = recording.cut(int(hot[0]) + 1)
        heard = Heard()
        listen(learned.state, recording, heard)
        end = float(recording.seconds()[-1])
        began = int(recording.times[0]) + round(GROWTH_START_SECONDS * 1000)
        own = [s for s in heard.said if s.joint == joint.joint and s.accuses and s.time >= began]
        warnings = [s for s in own if s.category != "caution"]
        probe = recording.values[:, recording.channels.index(joint.joint)]
        fixed = recording.seconds()[np.flatnonzero(probe >= FIXED_CELSIUS)]

        def ahead(said: list[Said], end_time: int = int(recording.times[-1])) -> float:
            return (end_time - min(s.time for s in said)) / 1000.0 if said else 0.0

        found.append(
            Runaway(
                boat_seed=boat_seed,
                joint=joint.joint,
                end_seconds=end - GROWTH_START_SECONDS,
                first_seconds=ahead(own),
                warning_seconds=ahead(warnings),
                fixed_seconds=end - float(fixed[0]) if len(fixed) else 0.0,
                first=min(own, key=lambda s: s.time).condition.value if own else "nothing",
            )
        )
    return found


def runaway(setting: Setting) -> list[Line]:
    """A joint doubles every 40 min: how long before 90 °C there is word of it, against a fixed 70 °C."""
    seeds = range(1, 1 + setting.pick(3, 1))
    found = [r for part in spread(runaways, [(setting, seed) for seed in seeds]) for r in part]
    # a joint that is nearly at 70 °C while sound cannot be told of four times earlier
    fair = [r for r in found if 4.0 * r.fixed_seconds <= r.end_seconds]
    first = [r.first_seconds / r.fixed_seconds for r in fair]
    warned = [r.warning_seconds / r.fixed_seconds for r in fair]
    silent = [f"{r.joint} of boat {r.boat_seed}" for r in found if r.first_seconds <= 0.0]
    count = f"{len(found)} runs"
    lines = [
        none_of("no word before 90 °C", silent, count),
        at_least(
            f"lead of the first word over a fixed alarm at 70 °C, worst of {len(fair)}",
            min(first, default=math.nan),
            4.0,
            "×",
        ),
        at_least("  median", median(first), 4.0, "×"),
        at_least("lead of the first warning or alarm, worst", min(warned, default=math.nan), 4.0, "×"),
        at_least("  median", median(warned), 4.0, "×"),
        note("runs too near 70 °C from the start for a lead of 4 ×", f"{len(found) - len(fair)} of {count}"),
        note("lead of the fixed alarm", f"median {median(r.fixed_seconds for r in found) / 60:.0f} min"),
    ]
    for r in found:
        lines.append(
            note(
                f"{r.joint} of boat {r.boat_seed}",
                f"90 °C after {r.end_seconds / 60:.0f} min; before that: first word ({r.first}) "
                f"{r.first_seconds / 60:.0f} min, warning {r.warning_seconds / 60:.0f} min, "
                f"fixed {r.fixed_seconds / 60:.0f} min",
            )
        )
    return lines
