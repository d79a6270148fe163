"""Which alerts stand, as far as somebody wants to hear of them, most important first.

Not here: what is done about them. May import: model, alert_book.
"""

from collections.abc import Collection, Iterable, Sequence

from lugwatch.alert_book import SEVERITY
from lugwatch.model import Alert, AlertChange, AlertState, Category, Output


def rank(alert: Alert) -> tuple[int, int, int]:
    """The most important sorts first: by category, then the one that has stood longest."""
    return (-SEVERITY[alert.category], alert.raised_time, alert.alert_id)


class Standing:
    """Alerts that are not normal. Not safe for threads; whoever owns it holds the lock."""

    def __init__(self, categories: Collection[Category]) -> None:
        self._categories = frozenset(categories)
        self.alerts: dict[int, Alert] = {}

    def note(self, outputs: Sequence[Output]) -> list[AlertChange]:
        """Take in what was committed; the changes among it that are of a category asked for."""
        changes = [output for output in outputs if isinstance(output, AlertChange)]
        heard = [
            c for c in changes if c.alert.category in self._categories or c.alert.alert_id in self.alerts
        ]
        self.restore(change.alert for change in heard)
        return heard

    def restore(self, alerts: Iterable[Alert]) -> None:
        """These alerts are as they are now."""
        for alert in alerts:
            if alert.state is AlertState.NORMAL or alert.category not in self._categories:
                self.alerts.pop(alert.alert_id, None)
            else:
                self.alerts[alert.alert_id] = alert

    def worst(self, *states: AlertState) -> Alert | None:
        """The most important one in any of these states."""
        found = [alert for alert in self.alerts.values() if alert.state in states]
        return min(found, key=rank) if found else None
