"""From which figure on something is a caution, a warning or an alarm: one table, with its sources.

Owners may move some of it, for all joints or for one (`model.Grading`). Not here: the rules that use it
(`alert_rules`), what it means for one joint in words (`grading_words`). May import: model.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

from lugwatch.model import Boat, Grading, Joint


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """What the rules go by; `of` gives those of one joint."""

    # Dead band 3 K about 100 K of span and 60 s delays: start values of alarm-management practice
    # (ISA-18.2, EEMUA 191: temperature 1 %, 60 s; from memory).
    dead_band_kelvin: float = 3.0
    delay_seconds: float = 60.0
    hot_delay_seconds: float = 10.0
    # Change against baseline. 12 % is above what draughts make of a joint on invented boats (own figures,
    # `false_alerts`); connector tests allow a change of resistance of 15 % over 1000 heat cycles (parameter
    # D of IEC 61238-1-1, from memory).
    warming_ratio: float = 1.12  # caution
    changed_ratio: float = 1.05  # a sudden change, which is beyond doubt when it is believed
    warming_clear_ratio: float = 1.06
    # Thermography grading, ANSI/NETA MTS table 100.18, against a similar part under the same load: 1 to 3 K
    # possible deficiency, 4 to 15 K probable, more than 15 K major, repair at once. The similar part is the
    # joint itself as it was, at its rated current.
    warming_warning_ratio: float = 1.6
    warming_warning_least_kelvin: float = 4.0  # a factor of next to nothing is no warning
    warming_warning_kelvin: float = 15.0
    warning_dead_band_ratio: float = 0.8  # a warning stands until less than this share of either is left
    certainty_sd: float = 3.5  # how many standard deviations "certain" is
    warning_sd: float = 2.0  # beyond the bounds of a warning by so many
    # Where it heads: nine in ten, since settling deviations are against the truth.
    heading_sd: float = 1.28
    # Time left to act, by which EEMUA 191 and ISA-18.2 grade (from memory); the five minutes are common
    # practice, no source.
    alarm_seconds: float = 300.0
    change_delay_seconds: float = 0.0  # a sudden change is already certain when it is believed
    rising_kelvin_per_minute: float = 4.0
    unrest_ratio: float = 3.0  # of the most while it was well
    off_joint_ratio: float = 0.4  # a bad joint never answers less to current than it did
    off_joint_clear_ratio: float = 0.7
    faults_in_a_row: int = 3
    fault_delay_seconds: float = 20.0  # a bus that fails is one situation: wait until all of it has failed


def of(boat: Boat, joint: Joint | None = None) -> Thresholds:
    """The thresholds of one joint, or those for all: the defaults, moved by the boat, then by the joint."""
    graded = replace(Thresholds(), rising_kelvin_per_minute=boat.watching.rising_kelvin_per_minute)
    for grading in (boat.grading, *(() if joint is None else (joint.grading,))):
        graded = _moved(graded, grading)
    return graded


def _moved(thresholds: Thresholds, grading: Grading) -> Thresholds:
    said = {f.name: getattr(grading, f.name) for f in fields(grading)}
    moved = {name: value for name, value in said.items() if value is not None}
    if grading.warming_ratio is not None:
        # as in the defaults: halfway back, and a sudden change by less than half
        moved["warming_clear_ratio"] = 1.0 + 0.5 * (grading.warming_ratio - 1.0)
        moved["changed_ratio"] = 1.0 + (grading.warming_ratio - 1.0) * 5.0 / 12.0
    return replace(thresholds, **moved)


def loosest(thresholds: Sequence[Thresholds]) -> Thresholds:
    """Bounds that none of these lies beyond: who is not accused by them is accused by none."""
    return replace(
        thresholds[0],
        warming_ratio=min(t.warming_ratio for t in thresholds),
        changed_ratio=min(t.changed_ratio for t in thresholds),
        warming_clear_ratio=min(t.warming_clear_ratio for t in thresholds),
        unrest_ratio=min(t.unrest_ratio for t in thresholds),
        off_joint_ratio=max(t.off_joint_ratio for t in thresholds),
        rising_kelvin_per_minute=min(t.rising_kelvin_per_minute for t in thresholds),
    )
