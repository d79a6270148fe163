"""How true the ohms are (`ohms`): followed from a millivolt drop, and by the heat balance alone."""

import numpy as np
from ohms import Shown, rows, sister
from setting import Line, Setting, at_least, at_most, note, spread

from lugwatch.resistance import Basis

FIRST_BOAT = 100
FOLLOWED_RATIO, BALANCE_RATIO = 0.05, 0.30
COVERED = 0.95


def _sister(seed: int) -> list[Shown]:
    return list(sister(seed))


def _of(shown: list[Shown], basis: Basis) -> tuple[list[float], list[bool]]:
    """Errors as shares of the truth, and whether two deviations held it."""
    found = [(s.said, s.true_ohms) for s in shown if s.said is not None and s.said.basis is basis]
    errors = [abs(said.ohms / true - 1.0) for said, true in found]
    return errors, [abs(said.ohms - true) <= 1.96 * said.sd_ohms for said, true in found]


def ohms(setting: Setting) -> list[Line]:
    """Followed from a millivolt drop, and by heat balance with cable data alone."""
    boats = range(FIRST_BOAT, FIRST_BOAT + setting.pick(40, 6))
    shown = [s for part in spread(_sister, [(seed,) for seed in boats]) for s in part]
    followed, _ = _of(shown, Basis.MILLIVOLT_DROP)
    balance, held = _of(shown, Basis.HEAT_BALANCE)
    within = float(np.mean([e <= BALANCE_RATIO for e in balance]))
    lines = [
        at_most(
            f"followed from millivolts on a later passage ({len(followed)}), median error",
            100.0 * float(np.median(followed)), 100.0 * FOLLOWED_RATIO, "%",
        ),
        at_most(f"heat balance ({len(balance)}), median error", 100.0 * float(np.median(balance)), 30.0, "%"),
        note("  of these within 30 %", f"{within:.0%}"),
        at_least("  truth within two deviations", 100.0 * float(np.mean(held)), 100.0 * COVERED, "%"),
    ]  # fmt: skip
    for label, (count, middle, high, inside, sd) in rows(shown):
        text = f"{count}: median {middle:.1%}, 68 % within {high:.1%}, {inside:.0%} in 95 %, own sd {sd:.1%}"
        lines.append(note(label, text))
    return lines
