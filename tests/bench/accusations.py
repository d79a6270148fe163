"""Whether anybody is accused wrongly: beside a bad joint (`wrong_joint`), in moving air (`air`)."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from recordings import HOUR_SECONDS, Recording, lived
from setting import Line, Setting, none_of, note, spread
from watched import Heard, Said, boat_of, listen, trained

from lugwatch.model import Condition
from lugwatch.simulator.air import Weather
from lugwatch.simulator.boat import JOINTS
from lugwatch.simulator.faults import PlantFault, Trouble
from lugwatch.simulator.scenarios import MINUTE, Scenario, healthy_passage

CHANGE_SECONDS = 75 * MINUTE  # when something happens
PASSAGE_HOURS = 3.0
GROWTH_SECONDS = 30 * MINUTE
STEP_RATIO = 3.0


def boats(setting: Setting) -> range:
    return range(1, 1 + setting.pick(3, 1))


def motoring(seed: int, *faults: PlantFault, hours: float = PASSAGE_HOURS) -> Scenario:
    """A passage with all loads of a healthy one, charging in bulk all the time."""
    return replace(healthy_passage(seed, hours), bulk_seconds=100 * HOUR_SECONDS, faults=faults)


def watch(setting: Setting, boat_seed: int, scenario: Scenario, seed: int) -> tuple[Recording, Heard]:
    """The scenario on the morning after learning."""
    learned = trained(setting, boat_seed)
    recording = lived(
        setting,
        boat_seed,
        scenario,
        seed=seed,
        start_time=learned.next_time,
        previous=learned.previous,
    )
    heard = Heard()
    listen(learned.state, recording, heard)
    return recording, heard


# ---- the wrong joint -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Degraded:
    """One joint of several on one metal went bad."""

    boat_seed: int
    joint: str
    how: str
    itself: bool  # was accused
    wrong: tuple[str, ...]  # who else, with how warm it truly was


def degraded(setting: Setting, boat_seed: int) -> list[Degraded]:
    """Each joint that has neighbours in turn, in two ways."""
    found = []
    limits = {j.joint: j.limit_celsius for j in boat_of(boat_seed).joints}
    joints = [j.joint for j in JOINTS if j.metal is not None]
    for number, joint in enumerate(joints[:: setting.pick(1, 2)]):
        for how, fault in ways(joint).items():
            seed = 1000 * boat_seed + 300 + number
            recording, heard = watch(setting, boat_seed, motoring(seed, fault), seed)
            wrong = []
            for said in heard.said:
                if not said.accuses or said.joint == joint:
                    continue
                celsius = None if said.joint is None else true_celsius(recording, said)
                truly_hot = said.condition is Condition.HOT and celsius is not None
                if truly_hot and celsius >= limits[said.joint or ""] - 1.0:
                    continue
                minute = (said.time - int(recording.times[0])) / 60_000
                wrong.append(
                    f"{said} at minute {minute:.0f}" + (f", truly {celsius:.0f} °C" if celsius else "")
                )
            found.append(
                Degraded(
                    boat_seed=boat_seed,
                    joint=joint,
                    how=how,
                    itself=any(s.joint == joint and s.accuses for s in heard.said),
                    wrong=tuple(wrong),
                )
            )
    return found


def ways(joint: str) -> Mapping[str, PlantFault]:
    return {
        f"× {STEP_RATIO:g} at once": PlantFault(
            kind=Trouble.RESISTANCE_STEP, where=joint, start_seconds=CHANGE_SECONDS, size=STEP_RATIO
        ),
        f"doubling every {GROWTH_SECONDS / 60:.0f} min": PlantFault(
            kind=Trouble.RESISTANCE_GROWTH,
            where=joint,
            start_seconds=0.5 * CHANGE_SECONDS,
            size=GROWTH_SECONDS,
        ),
    }


def true_celsius(recording: Recording, said: Said) -> float:
    row = int(np.searchsorted(recording.times, said.time, side="right")) - 1
    return float(recording.celsius[row, recording.joint(said.joint or "")])


def wrong_joint(setting: Setting) -> list[Line]:
    """One of several joints on a bar or fuse degrades: whether a neighbour or anybody else is accused."""
    found = [d for part in spread(degraded, [(setting, b) for b in boats(setting)]) for d in part]
    wrong = [f"{w}; {d.joint} {d.how}, boat {d.boat_seed}" for d in found for w in d.wrong]
    where = f"{len(found)} passages, {len(boats(setting))} boats"
    seen = Counter(d.how for d in found if d.itself)
    return [
        none_of("others accused", wrong, where),
        *(note("accused wrongly", text) for text in wrong),
        *(
            note(f"the bad joint itself accused, {how}", f"{seen[how]} of {count}")
            for how, count in Counter(d.how for d in found).items()
        ),
    ]


# ---- air -----------------------------------------------------------------------------------------


def events(seed: int) -> Mapping[str, Scenario]:
    """What air can do, each as a passage on which every joint is sound."""

    def charging(kind: Trouble, where: str, size: float, start: float, end: float = np.inf) -> Scenario:
        fault = PlantFault(kind=kind, where=where, start_seconds=start, end_seconds=end, size=size)
        return motoring(seed, fault)

    base, later = motoring(seed), CHANGE_SECONDS
    found: dict[str, Scenario] = {}
    for space in ("machinery", "locker"):
        probe = f"air_{space}"
        found |= {
            f"a fan starts, {space}": charging(Trouble.FAN, space, 2.5, later),
            f"a fan stops, {space}": charging(Trouble.FAN, space, 2.5, 0.0, later),
            f"a hatch opens, {space}": charging(Trouble.HATCH, space, 1.0, later),
            f"{probe} hangs in a draught, 3 K": charging(Trouble.AIR_PROBE_DRAUGHT, probe, 3.0, later),
            f"{probe} fell on warm metal, 6 K": charging(Trouble.AIR_PROBE_DRAUGHT, probe, -6.0, later),
            f"{probe} goes dead": charging(Trouble.PROBE_DEAD, probe, 1.0, later),
        }
    return found | {
        "soak after the engine stops, loads go on": replace(
            base,
            engine=((base.engine[0][0], 1.0), (CHANGE_SECONDS, 0.0)),
            inverter_amps=((0.0, 0.8), (CHANGE_SECONDS, 90.0), (CHANGE_SECONDS + 15 * MINUTE, 0.8)),
        ),
        "engine on, nothing charged": replace(
            base, alternator_limit_amps=((0.0, 0.0),), house_amps=((0.0, 0.0),), inverter_amps=()
        ),
        "12 h of swinging air without current": replace(
            base,
            duration_seconds=12 * HOUR_SECONDS,
            engine=(),
            house_amps=((0.0, 0.0),),
            inverter_amps=(),
            weather=Weather(mean_celsius=20.0, swing_kelvin=12.0, wander_kelvin=3.0),
        ),
    }


def in_air(setting: Setting, boat_seed: int) -> dict[str, list[Said]]:
    """What is said at each event on one boat."""
    seed = 1000 * boat_seed + 400
    return {
        name: watch(setting, boat_seed, scenario, seed)[1].said for name, scenario in events(seed).items()
    }


def air(setting: Setting) -> list[Line]:
    """Fans, hatches, air probes, soak, weather: no joint is to be accused for what the air does."""
    said = spread(in_air, [(setting, b) for b in boats(setting)])
    lines: list[Line] = []
    for name in said[0]:
        accused = [
            s for part in said for s in part[name] if s.accuses and s.condition is not Condition.COMMON_MODE
        ]
        rest = [s for part in said for s in part[name] if s not in accused]
        lines.append(none_of(f"joints accused: {name}", [str(s) for s in accused], f"{len(said)} boats"))
        lines += [note("accused", f"{n} × {what}") for what, n in Counter(map(str, accused)).items()]
        lines += [note("said instead", f"{n} × {what}") for what, n in Counter(map(str, rest)).items()]
    return lines
