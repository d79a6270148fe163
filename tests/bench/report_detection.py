"""How soon a joint that doubles is told of, beside a fixed limit, a fixed rise and a rate of rise.

Each passage has one joint that doubles once; the same readings go to everybody. Of each simple rule the
threshold is taken that sees most, soonest, without more false alerts than the product on the same healthy
hours, and the one that sees most at any price; beside them what a fixed 70 °C does, which is common practice
(no source). The clairvoyant knows plant, currents and air and has the probe's noise against him
(`curve.clairvoyant`): nobody can be much sooner. Not here: other thresholds of the product (`curve`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import curve
import detection
import steadiness
from report_text import Table
from setting import Setting, median, spread

from lugwatch.simulator.boat import JOINTS

COMMON_CELSIUS = 70
PASSAGE_MINUTES = (detection.PASSAGE_HOURS * 3600.0 - detection.DOUBLED_SECONDS) / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Detected:
    """One rule: minutes from the doubling to its word on each passage, inf: none; false alerts in 1,000 h."""

    name: str
    minutes: tuple[float, ...]
    false_per_1000_hours: float

    @property
    def seen(self) -> int:
        return sum(math.isfinite(m) for m in self.minutes)


def detected(setting: Setting) -> Table:
    """The rules over the same passages and the same healthy hours."""
    boats = range(1, 1 + setting.pick(9, 2))
    doubled = [d for part in spread(detection.doublings, [(setting, b) for b in boats]) for d in part]
    others = [d for part in spread(curve.delays, [(setting, b) for b in boats]) for d in part]
    sisters = steadiness.boats(setting)
    healthy = spread(steadiness.healthy, [(setting, seed) for seed in sisters])
    simple_false = spread(curve.simple_false, [(setting, seed) for seed in sisters])
    hours = sum(heard.hours for heard in healthy)
    product = Detected(
        name="lugwatch",
        minutes=tuple(d.seconds / 60.0 for d in doubled),
        false_per_1000_hours=1000.0 / hours * sum(s.accuses for heard in healthy for s in heard.said),
    )
    rules = [product]
    for r, rule in enumerate(curve.SIMPLE):
        tried = [
            Detected(
                name=f"{rule.name}, {limit:g} {rule.unit}",
                minutes=tuple(d.simple[r][k] / 60.0 for d in others),
                false_per_1000_hours=1000.0 / hours * sum(counts[r][k] for counts in simple_false),
            )
            for k, limit in enumerate(rule.limits)
        ]
        common = f"fixed limit, {COMMON_CELSIUS} °C"
        rules += [t for t in tried if t.name == common]
        chosen = best_without_more_false(tried, product.false_per_1000_hours)
        if chosen is not None and chosen.name != common:
            rules.append(chosen)
        # and the one that sees most at any price
        rules += [t for t in [best_without_more_false(tried, math.inf)] if t is not None and t not in rules]
    heights = curve.CLAIRVOYANT_HEIGHTS
    rates = [curve.clairvoyant_false_per_1000_hours(height, len(JOINTS)) for height in heights]
    k = next(k for k, rate in enumerate(rates) if rate <= 1.0)
    limit = Detected(
        name="who knows the true plant",
        minutes=tuple(d.clairvoyant[k] / 60.0 for d in others),
        false_per_1000_hours=rates[k],
    )
    if setting.plots is not None:
        plot([*rules, limit], setting)
    joints = len(doubled)
    missed = [f"{d.joint} of boat {d.boat_seed}" for d in doubled if math.isinf(d.seconds)]
    return Table(
        title="A joint doubles its resistance under 80 to 100 A",
        columns=("rule", "median delay", "slowest that is seen", "missed", "false alerts in 1,000 h"),
        rows=[row(found, product) for found in (*rules, limit)],
        notes=[
            f"{joints} seeded passages of {len(boats)} sister boats of the simulator, one doubling each,"
            f" {PASSAGE_MINUTES:.0f} min to see it in; {hours:.0f} healthy hours of twelve joints after two"
            f" passages of learning (one false alert would be {1000.0 / hours:.1f}). Of each simple rule: the"
            " threshold that sees most without more false alerts than lugwatch, and the one of those tried"
            " that sees most at any price. A rule that spoke before the joint doubled has told nobody of it.",
            far_from(product, limit),
            *([f"Missed by lugwatch: {', '.join(missed)}."] if missed else []),
        ],
    )


def best_without_more_false(tried: Sequence[Detected], most: float) -> Detected | None:
    """Sees most, then soonest, of those with no more false alerts than `most`; None: there is none."""
    fair = [t for t in tried if t.false_per_1000_hours <= most + 1e-9]
    return max(fair, key=lambda t: (t.seen, -median(t.minutes)), default=None)


def row(found: Detected, product: Detected) -> tuple[str, ...]:
    """Of one rule; an unseen joint counts as infinitely late in the median."""
    middle = median(found.minutes)
    own = median(product.minutes)
    delay = "more than half missed" if math.isinf(middle) else f"{middle:.1f} min"
    if found is not product and math.isfinite(middle) and 0.0 < own < math.inf:
        delay += f" ({middle / own:.1f} ×)"
    slowest = max((m for m in found.minutes if math.isfinite(m)), default=None)
    return (
        found.name,
        delay,
        "none" if slowest is None else f"{slowest:.1f} min",
        f"{len(found.minutes) - found.seen} of {len(found.minutes)}",
        f"{found.false_per_1000_hours:.1f}",
    )


def far_from(product: Detected, limit: Detected) -> str:
    """How far we are from what can be known, in words."""
    pairs = list(zip(product.minutes, limit.minutes, strict=True))
    late = [ours - his for ours, his in pairs if math.isfinite(ours) and math.isfinite(his)]
    missed = [his for ours, his in pairs if math.isinf(ours)]
    known = sum(math.isfinite(m) for m in missed)
    text = (
        "The limit: who knows the true plant, the true current and the true air has only the probe's noise"
        f" and lag against him. He knows after {median(limit.minutes):.1f} min (median); lugwatch has to"
        " learn all that, is silent where a draught or a fan would do the same, and says so"
        f" {median(late):.1f} min later (median of what both see)."
    )
    if missed:
        text += f" Of the {len(missed)} that lugwatch missed he knows of {known}."
    return text


def plot(found: Sequence[Detected], setting: Setting) -> None:
    """Share of the doublings that each rule has told of, against time."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    assert setting.plots is not None
    figure, axes = pyplot.subplots(figsize=(8.0, 5.0))
    for rule in found:
        times = sorted(m for m in rule.minutes if math.isfinite(m))
        shares = [100.0 * (i + 1) / len(rule.minutes) for i in range(len(times))]
        last = shares[-1] if shares else 0.0
        axes.step(
            [0.0, *times, PASSAGE_MINUTES],
            [0.0, *shares, last],
            where="post",
            linewidth=2.5 if rule.name == "lugwatch" else 1.2,
            linestyle="--" if rule is found[-1] else "-",
            label=f"{rule.name} ({rule.false_per_1000_hours:.1f} false in 1,000 h)",
        )
    axes.set(
        xlabel="minutes after the joint doubled",
        ylabel="told of, % of all doublings",
        xlim=(0.0, 30.0),
        ylim=(0.0, 102.0),
        title="How soon a doubled joint is told of",
    )
    axes.legend(fontsize=8, loc="center right", bbox_to_anchor=(1.0, 0.55))
    figure.tight_layout()
    figure.savefig(setting.plots / "detection.png", dpi=130)
    pyplot.close(figure)
