"""What the checks of a fitting find on invented boats, and whom they accuse that is sound.

    python tests/bench/fitting.py [--boats 32]

Each boat is lived through once (two passages of three hours, a night between); faults are made one at a
time on the way of its readings. A quarter of a minute a boat.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
sys.path[:0] = [str(ROOT / "daemon"), str(ROOT / "tests")]

import numpy as np  # noqa: E402

from fitting_boats import NIGHT_HOURS, PASSAGE_HOURS, PROBE_STEP_KELVIN, ROW_SECONDS, lived  # noqa: E402
from lugwatch import cold_check, mounting  # noqa: E402
from lugwatch.cold_check import Agreement  # noqa: E402
from lugwatch.lagging import Array, lagged  # noqa: E402
from lugwatch.mounting import Chunk, Mounted, Place  # noqa: E402
from lugwatch.simulator.boat import SimulatedBoat  # noqa: E402

SWAPS = {
    "two currents, in the battery's space": (
        ("bar_inverter", "switch_battery"),
        ("bar_alternator", "bar_battery"),
        ("negative_engine", "negative_battery"),
    ),
    "a light load and a heavy one": (("bar_house", "bar_battery"),),
    "one or both beside the engine": (
        ("fuse_alternator_out", "bar_inverter"),
        ("inverter_positive", "fuse_alternator_in"),
    ),
}
PRESSED = ((0.3, 300.0), (0.5, 240.0), (0.6, 120.0))  # share of the rise, lag [s]
PER_HOUR = round(3600.0 / ROW_SECONDS)
NIGHTS = (3, 6, 10, 12)  # hours that are compared, the first one left out


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    arguments.add_argument("--boats", type=int, default=32)
    boats = arguments.parse_args().boats
    found: dict[str, Counter[str]] = {}
    errors: dict[tuple[int, bool], list[float]] = {}
    inside: dict[int, list[bool]] = {}
    for seed in range(1, boats + 1):
        boat, rows = lived(seed)
        values = np.array([[row.values[c] for c in boat.channels] for row in rows], dtype=np.float64)
        for hours in NIGHTS:
            _cold(boat, values, hours, found, errors, inside)
        _mounted(boat, values, found, np.random.default_rng([seed, 78]))
        print(f"boat {seed} of {boats}", file=sys.stderr)
    for what, counts in found.items():
        print(f"{what}: {', '.join(f'{n} {word}' for word, n in sorted(counts.items()))}")
    for (hours, is_post), kelvin in sorted(errors.items()):
        who = "the battery's post" if is_post else "all others"
        print(f"offsets after {hours} h, {who}: 95 in 100 within {np.percentile(kelvin, 95.0):.2f} K, "
              f"at most {max(kelvin):.2f} K")  # fmt: skip
    for hours, held in inside.items():
        print(f"95 % intervals after {hours} h held the truth {100 * np.mean(held):.0f} times in 100")


def _cold(
    boat: SimulatedBoat, values: Array, hours: int, found: dict[str, Counter[str]],
    errors: dict[tuple[int, bool], list[float]], inside: dict[int, list[bool]],
) -> None:  # fmt: skip
    first = round((PASSAGE_HOURS + 1.0) * PER_HOUR)
    assert hours + 1 <= NIGHT_HOURS
    each = round(cold_check.ROW_SECONDS / ROW_SECONDS)
    night = values[first : first + hours * PER_HOUR].reshape(-1, each, values.shape[1]).mean(axis=1)
    column = {c: n for n, c in enumerate(boat.channels)}
    for air in (p for p in boat.probes if p.node is None):
        members = [p for p in boat.probes if p.space == air.space]
        middle = float(np.median([p.offset_kelvin for p in members]))
        truth = {p.channel: p.offset_kelvin - middle for p in members}
        celsius = {p.channel: night[:, column[p.channel]] for p in members}
        for offset in cold_check.offsets(celsius, air.channel, dict.fromkeys(celsius, 0.5)):
            true = truth[offset.probe]
            post = offset.probe == "battery_positive"
            errors.setdefault((hours, post), []).append(abs(offset.offset_kelvin - true))
            inside.setdefault(hours, []).append(offset.low_kelvin <= true <= offset.high_kelvin)
            word = "SOUND AND ACCUSED" if offset.verdict is Agreement.DISAGREES else offset.verdict.value
            found.setdefault(f"cold, sound, {hours} h", Counter())[word] += 1


def _mounted(
    boat: SimulatedBoat, values: Array, found: dict[str, Counter[str]], random: np.random.Generator
) -> None:
    airs = {p.space: p.channel for p in boat.probes if p.node is None}
    places = [
        Place(
            joint=j.joint,
            probe=j.joint,
            current=j.current,
            air=airs[j.space],
            neighbours=boat.neighbours(j.joint),
        )
        for j in boat.joints
    ]
    passage, later = round(PASSAGE_HOURS * PER_HOUR), round((PASSAGE_HOURS + NIGHT_HOURS) * PER_HOUR)
    chunks = [_chunk(boat, values[:passage]), _chunk(boat, values[later : later + passage])]
    airs_of = {p.joint: p.air for p in places}

    def judged(changes: Mapping[str, list[Array]]) -> dict[str, str]:
        with_fault = [
            Chunk(celsius={**chunk.celsius, **{n: parts[k] for n, parts in changes.items()}}, amps=chunk.amps)
            for k, chunk in enumerate(chunks)
        ]
        return {m.joint: m.verdict.value for m in mounting.judge(places, with_fault)}

    def count(what: str, told: Mapping[str, str], about: tuple[str, ...]) -> None:
        counts = found.setdefault(what, Counter())
        counts[" and ".join(sorted(told[joint] for joint in about))] += 1
        for joint, word in told.items():
            if joint not in about and word not in (Mounted.SOUND, Mounted.CANNOT_TELL):
                counts["SOUND AND ACCUSED"] += 1

    sound = judged({})
    for joint in sound:
        found.setdefault("mounting, sound", Counter())[sound[joint]] += 1
    for place in places:
        own = [c.celsius[place.probe] for c in chunks]
        air = [c.celsius[airs_of[place.joint] or ""] for c in chunks]
        off = [_read(a + 0.3, random) for a in air]
        count("mounting, fallen off", judged({place.probe: off}), (place.joint,))
        for share, lag in PRESSED:
            late = [
                _read(lagged(a + share * (t - a), lag, mounting.ROW_SECONDS), random)
                for t, a in zip(own, air, strict=True)
            ]
            what = f"mounting, {share:g} of the rise, {lag:g} s late"
            count(what, judged({place.probe: late}), (place.joint,))
    for kind, pairs in SWAPS.items():
        for one, other in pairs:
            swapped = {one: [c.celsius[other] for c in chunks], other: [c.celsius[one] for c in chunks]}
            count(f"mounting, swapped, {kind}", judged(swapped), (one, other))


def _chunk(boat: SimulatedBoat, values: Array) -> Chunk:
    each = round(mounting.ROW_SECONDS / ROW_SECONDS)
    rows = values[: len(values) // each * each].reshape(-1, each, values.shape[1]).mean(axis=1)
    column = {c: n for n, c in enumerate(boat.channels)}
    return Chunk(
        celsius={p.channel: rows[:, column[p.channel]] for p in boat.probes},
        amps={s.channel: rows[:, column[s.channel]] for s in boat.shunts},
    )


def _read(celsius: Array, random: np.random.Generator) -> Array:
    """As a sensor says it, two readings a row."""
    noisy = celsius[:, None] + random.normal(0.0, 0.02, (len(celsius), 2))
    read: Array = (np.round(noisy / PROBE_STEP_KELVIN) * PROBE_STEP_KELVIN).mean(axis=1)
    return read


if __name__ == "__main__":
    main()
