"""What the shell tells of the watch itself, as a finding like any other: the watchman may be ill too.

Not here: how trouble is noticed (store, publishers, clock), states of alerts (`alert_states`).
May import: model, alert_states.
"""

from collections.abc import Mapping

from lugwatch.alert_states import Finding, Verdict
from lugwatch.model import Category, Condition, WatchmanReport

# Where the report does not say. A joint may be going bad meanwhile and leave no trace: a warning.
CATEGORIES: Mapping[Condition, Category] = {
    Condition.NOT_RECORDING: Category.WARNING,
    Condition.HISTORY_DAMAGED: Category.WARNING,
    Condition.CLOCK_UNTRUSTED: Category.CAUTION,
    Condition.STALLED: Category.WARNING,
    Condition.UNHEARD: Category.WARNING,
}
# Whoever reports knows for how long it has lasted, and whether it is over for good.
OFF_DELAY_SECONDS = 0.0


def finding(report: WatchmanReport) -> Finding:
    """One report of the shell, ready for the book of alerts."""
    return Finding(
        condition=report.condition,
        joint=None,
        channel=report.part,
        verdict=Verdict.TRUE if report.troubled else Verdict.FALSE,
        category=report.category or CATEGORIES.get(report.condition, Category.WARNING),
        on_delay_seconds=0.0,
        off_delay_seconds=OFF_DELAY_SECONDS,
        once=True,
        text=report.text,
        advice=report.advice,
    )
