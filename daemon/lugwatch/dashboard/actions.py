"""What the crew does on the page, as rows that `watch` picks up. The page itself changes nothing else.

May import: store, clock, model, errors.
"""

from pathlib import Path

from lugwatch.clock import Clock
from lugwatch.json_shapes import JsonObject
from lugwatch.model import CrewDeed
from lugwatch.store.crew import put_crew_action
from lugwatch.store.queries import History
from lugwatch.units import format_time

WHO = "page"


def acknowledge(database: Path, clock: Clock, alert_id: int) -> JsonObject | None:
    """Note that somebody has seen this alert; None if there is no such alert.

    Twice is no mistake: two phones may press at once. Raises UserError, OperationFailed.
    """
    with History.open(database) as history:
        if all(alert.alert_id != alert_id for alert in history.alerts(active_only=False)):
            return None
    time = clock.time()
    put_crew_action(database, CrewDeed.ACKNOWLEDGE, alert_id, WHO, time)
    return {"alert_id": alert_id, "deed": CrewDeed.ACKNOWLEDGE.value, "time": format_time(time)}
