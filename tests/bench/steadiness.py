"""How steady the answer is while all is well: scatter of the rise coefficient, and false alerts."""

from collections import Counter

import numpy as np
import plant_scatter
from recordings import LEARNING_PASSAGES, season
from setting import Line, Setting, at_most, kept, none_of, note, spread
from sweep_points import points
from watched import LEARNING_HOURS, Heard, Sweep, believing, boat_of, listen, trained

PASSAGES = 6  # after the learning ones
QUICK_PASSAGES = 3


def boats(setting: Setting) -> range:
    """Seeds of the sisters: seven of thirty hours under way are more than 200 h."""
    return range(1, 1 + setting.pick(7, 2))


def healthy(setting: Setting, boat_seed: int, believed_sd: float | None = None) -> Heard:
    """What is said on healthy passages after learning."""
    with believing(believed_sd):
        return kept(
            setting.run,
            ("healthy", boat_seed, believed_sd),
            lambda: _healthy(setting, boat_seed, setting.sweeping and believed_sd is None),
        )


def _healthy(setting: Setting, boat_seed: int, sweeping: bool) -> Heard:
    learned = trained(setting, boat_seed)
    count = LEARNING_PASSAGES + setting.pick(PASSAGES, QUICK_PASSAGES)
    state, heard = learned.state, Heard()
    sweep = Sweep(points()) if sweeping else None
    for part in season(setting, boat_seed, count, LEARNING_HOURS)[2 * LEARNING_PASSAGES :]:
        state = listen(state, part, heard, sweep=sweep)
    return heard


def scatter(setting: Setting) -> list[Line]:
    """One sigma of the rise coefficient over healthy passages, as a share of its mean, for each joint."""
    found: list[tuple[float, str]] = []
    missing: list[str] = []
    lines: list[Line] = []
    for seed, heard in zip(boats(setting), _all_healthy(setting), strict=True):
        table = []
        for joint in (j.joint for j in boat_of(seed).joints):
            rises = [p.joints[joint].rise_coefficient for p in heard.passages if joint in p.joints]
            known = np.array([r for r in rises if r is not None])
            if len(known) < 3:
                missing.append(f"{joint} of boat {seed}")
                continue
            percent = 100.0 * float(np.std(known, ddof=1) / np.mean(known))
            found.append((percent, f"{joint} of boat {seed}"))
            table.append(f"{joint} {percent:.1f}")
        lines.append(note(f"boat {seed}, {len(heard.passages)} passages, % of each joint", ", ".join(table)))
        lines.append(
            note(f"boat {seed}, % that the joints state themselves", ", ".join(_stated(heard, seed)))
        )
        lines.append(note(f"boat {seed}, % of the plant itself", ", ".join(_of_plant(setting, seed))))
    values = [percent for percent, _ in found]
    plant = [float(cell.split()[1]) for seed in boats(setting) for cell in _of_plant(setting, seed)]
    worst = max(found, default=(float("nan"), "nobody"))
    return [
        at_most(
            "1 sigma over passages, median of joints",
            float(np.median(values)) if values else float("nan"),
            1.0,
            "%",
            2,
        ),
        at_most(f"1 sigma, worst joint ({worst[1]})", worst[0], 2.5, "%", 2),
        none_of("joints without a rise in three passages", missing, f"{len(found) + len(missing)} joints"),
        note("of the plant itself, settled at each passage's means", _told(plant)),
        *lines,
    ]


def _told(percent: list[float]) -> str:
    return f"median {np.median(percent):.1f} %, worst {max(percent):.1f} %"


def _stated(heard: Heard, boat_seed: int) -> list[str]:
    cells = []
    for joint in (j.joint for j in boat_of(boat_seed).joints):
        told = [p.joints[joint] for p in heard.passages if joint in p.joints]
        shares = [t.rise_coefficient_sd / t.rise_coefficient
                  for t in told if t.rise_coefficient and t.rise_coefficient_sd]  # fmt: skip
        if shares:
            cells.append(f"{joint} {100.0 * float(np.mean(shares)):.1f}")
    return cells


def _of_plant(setting: Setting, boat_seed: int) -> list[str]:
    boat = boat_of(boat_seed)
    learned = {s.joint: s.neighbour_weight for s in trained(setting, boat_seed).heard.shapes}
    weights = np.array([learned.get(j.joint, 0.0) for j in boat.joints])
    full_scale = {c.channel: c.rated_amps or 0.0 for c in boat.channels}
    ratio = boat.watching.current_floor_ratio
    floors = np.array([ratio * full_scale[j.current or ""] for j in boat.joints])
    count = setting.pick(PASSAGES, QUICK_PASSAGES)
    true = plant_scatter.coefficients(setting, boat_seed, count, LEARNING_HOURS, weights, floors)
    percent = 100.0 * np.nanstd(true, axis=0, ddof=1) / np.nanmean(true, axis=0)
    return [f"{j.joint} {p:.1f}" for j, p in zip(boat.joints, percent, strict=True)]


def false_alerts(setting: Setting) -> list[Line]:
    """Everything that is said of anything while nothing is wrong."""
    results = _all_healthy(setting)
    learning = [trained(setting, seed).heard for seed in boats(setting)]
    joints = len(boat_of(1).joints)
    lines: list[Line] = []
    for name, group in (("after learning", results), ("while learning", learning)):
        hours = sum(heard.hours for heard in group)
        where = f"{hours:.0f} h × {joints} joints of {len(group)} boats"
        accused = [f"{s} (boat {b})" for b, h in zip(boats(setting), group, strict=True)
                   for s in h.said if s.accuses]  # fmt: skip
        others = [str(s) for h in group for s in h.said if not s.accuses]
        lines.append(none_of(f"joints accused {name}", accused, where))
        lines.append(none_of(f"probes, currents or sources accused {name}", others, where))
        for what, count in Counter(accused + others).most_common():
            lines.append(note(f"said {name}", f"{count} × {what}"))
    return lines


def _all_healthy(setting: Setting) -> list[Heard]:
    return spread(healthy, [(setting, seed) for seed in boats(setting)])
