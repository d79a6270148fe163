"""How much is said: rates of alerts against what people can follow (`alert_rates`).

EEMUA 191: one alarm in ten minutes can be managed for long, ten in ten minutes are a flood; of all 5 % of the
highest priority, 15 % of the middle one, 80 % of the lowest (ISA-18.2 has the same; shares from memory).
Nobody answers on these passages, so every repetition and every escalation is counted: it is the most that
there can be.
"""

from collections import Counter
from collections.abc import Sequence
from itertools import groupby

from accusations import boats as faulty_boats
from accusations import motoring, watch, ways
from setting import Line, Setting, at_most, median, note, spread
from steadiness import boats as healthy_boats
from steadiness import healthy
from watched import Heard, Spoken

from lugwatch.model import Category
from lugwatch.simulator.boat import JOINTS

TEN_MINUTES_MS = 600_000
FLOOD_COUNT = 10


def faulty(setting: Setting, boat_seed: int) -> list[Heard]:
    """What is brought to people where one joint of several goes bad: the passages of `wrong_joint`."""
    found = []
    joints = [j.joint for j in JOINTS if j.metal is not None]
    for number, joint in enumerate(joints[:: setting.pick(1, 2)]):
        for fault in ways(joint).values():
            seed = 1000 * boat_seed + 300 + number
            found.append(watch(setting, boat_seed, motoring(seed, fault), seed)[1])
    return found


def most_in_ten_minutes(spoken: Sequence[Spoken]) -> int:
    times = [s.time for s in spoken]
    return max((sum(t <= u < t + TEN_MINUTES_MS for u in times) for t in times), default=0)


def alert_rates(setting: Setting) -> list[Line]:
    """Messages a boat gets while nobody answers, on healthy passages and while a joint goes bad."""
    well = spread(healthy, [(setting, seed) for seed in healthy_boats(setting)])
    ill = [h for part in spread(faulty, [(setting, seed) for seed in faulty_boats(setting)]) for h in part]
    lines: list[Line] = []
    for name, group in (("healthy", well), ("faulty", ill)):
        hours = sum(heard.hours for heard in group)
        spoken = [s for heard in group for s in heard.spoken]
        worst = max((most_in_ten_minutes(heard.spoken) for heard in group), default=0)
        rate = len(spoken) / (6.0 * hours) if hours else float("nan")
        where = f"{name}, {hours:.0f} h"
        lines += [
            at_most(f"messages in ten minutes, mean, {where}", rate, 1.0, "", 3),
            at_most(f"messages in ten minutes, most, {where}", worst, FLOOD_COUNT - 1, "", 0),
        ]
        if spoken:
            lines.append(note(f"by category, {name}", _shares(spoken)))
            lines.append(note(f"by condition, {name}", _conditions(spoken)))
    counts = [len(heard.spoken) for heard in ill]
    passages = f"{len(ill)} passages"
    lines.append(
        note(
            f"messages of a faulty passage, {passages}",
            f"median {median(counts):g}, most {max(counts, default=0)}",
        )
    )
    return lines


def _shares(spoken: Sequence[Spoken]) -> str:
    counts = Counter(s.category for s in spoken)
    return ", ".join(f"{c} {100 * counts[c] / len(spoken):.0f} %" for c in map(str, Category))


def _conditions(spoken: Sequence[Spoken]) -> str:
    ordered = sorted(spoken, key=lambda s: s.condition)
    found = {c: len(list(group)) for c, group in groupby(ordered, key=lambda s: s.condition)}
    return ", ".join(f"{n} × {c}" for c, n in sorted(found.items(), key=lambda item: -item[1]))
