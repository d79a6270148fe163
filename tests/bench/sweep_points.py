"""The thresholds that `curve` tries beside the product's own."""

from dataclasses import replace

from lugwatch.alert_rules import Thresholds

RATIOS = (1.04, 1.06, 1.08, 1.10, 1.12, 1.15, 1.20, 1.25, 1.35, 1.5)
CERTAINTIES = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
# of a sudden change, to believe it: tried in runs of their own
BELIEVED = (3.0, 4.0, 6.5)


def points() -> tuple[Thresholds, ...]:
    """The product's own first, then its ratio moved, then its certainty moved."""
    own = Thresholds()
    halfway = (own.warming_clear_ratio - 1.0) / (own.warming_ratio - 1.0)
    moved = [
        replace(own, warming_ratio=ratio, warming_clear_ratio=1.0 + halfway * (ratio - 1.0))
        for ratio in RATIOS
    ]
    return (own, *moved, *(replace(own, certainty_sd=sd) for sd in CERTAINTIES))


def names() -> tuple[str, ...]:
    """Which curve each point is on."""
    return (
        "the product, its own thresholds",
        *("the product, ratio moved" for _ in RATIOS),
        *("the product, certainty moved" for _ in CERTAINTIES),
    )
