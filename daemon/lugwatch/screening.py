"""Which joints a rule could accuse: one look at all of them at once, before each is asked by itself.

A verdict that is not true changes nothing for a joint of which no alert stands and no delay runs, and
that is nearly every joint in nearly every window. Each screen is what must at least be so for its rule
to say true; NaN is not so. A rule that has no screen is always asked. Not here: what the rules say
(`alert_rules`). May import: alert_rules, numpy.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lugwatch import alert_rules
from lugwatch.alert_rules import JointFacts, Thresholds
from lugwatch.alert_states import Finding

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rule = Callable[[JointFacts, Thresholds], Finding]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """Of what `alert_rules.JointFacts` holds, that which decides, per joint (joints,); NaN: not known."""

    probe_celsius: Array
    limit_celsius: Array
    ratio: Array
    change_ratio: Array
    climbing: Flags
    unrest_ratio: Array
    settles_celsius: Array  # +inf: thermal runaway
    rising_kelvin_per_minute: Array
    rising_limit_kelvin_per_minute: float  # the least of any joint


Screen = Callable[[Figures, Thresholds], Flags]


def _hot(f: Figures, t: Thresholds) -> Flags:
    return f.probe_celsius >= f.limit_celsius


def _heading_hot(f: Figures, t: Thresholds) -> Flags:
    return f.settles_celsius > f.limit_celsius


def _rising_fast(f: Figures, t: Thresholds) -> Flags:
    return f.rising_kelvin_per_minute >= f.rising_limit_kelvin_per_minute


def _intermittent(f: Figures, t: Thresholds) -> Flags:
    return f.unrest_ratio > t.unrest_ratio


def _probe_off_joint(f: Figures, t: Thresholds) -> Flags:
    return f.ratio < t.off_joint_ratio


def _warming(f: Figures, t: Thresholds) -> Flags:
    # its company only ever asks for more
    return (f.ratio >= t.warming_ratio) | (f.change_ratio >= t.changed_ratio) | f.climbing


SCREENS: Mapping[Rule, Screen] = {
    alert_rules.hot: _hot,
    alert_rules.heading_hot: _heading_hot,
    alert_rules.rising_fast: _rising_fast,
    alert_rules.intermittent: _intermittent,
    alert_rules.probe_off_joint: _probe_off_joint,
    alert_rules.warming: _warming,
}


def may_accuse(figures: Figures, thresholds: Thresholds, rules: Sequence[Rule]) -> list[bool]:
    """For each joint whether any of the rules could say true of it."""
    accused = np.zeros(len(figures.limit_celsius), dtype=bool)
    for rule in rules:
        screen = SCREENS.get(rule)
        accused |= True if screen is None else screen(figures, thresholds)
    return accused.tolist()
