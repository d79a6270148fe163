"""What the pages ask of the database, one short look each; the only place that knows all four views.

Blocking: called in threads. Knows no web framework. May import: the rooms of the dashboard, store, clock.
"""

from dataclasses import dataclass
from pathlib import Path

from lugwatch.clock import Clock
from lugwatch.dashboard import views
from lugwatch.dashboard.reading import is_absent, read_batch, read_moment
from lugwatch.errors import UserError
from lugwatch.json_shapes import JsonObject, alert_change_object
from lugwatch.model import Quantity, Watching
from lugwatch.store.queries import History
from lugwatch.units import format_time

CHART_POINTS = 300
MAX_CHANGES = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One database, seen through one clock."""

    database: Path
    clock: Clock
    watching: Watching
    temperature_unit: str

    def batch(self) -> object:
        return read_batch(self.database)

    def now(self) -> JsonObject:
        """The first page; says so where nothing can be read instead of failing."""
        try:
            moment = read_moment(self.database, self.clock, self.watching)
        except UserError as error:
            return views.waiting_view(self.clock.time(), self.temperature_unit, str(error))
        if moment is None:
            return views.waiting_view(self.clock.time(), self.temperature_unit)
        return views.now_view(moment, self.temperature_unit)

    def beat(self) -> JsonObject:
        """A sign of life with the age of what is known."""
        now = self.now()
        return {key: now[key] for key in ("time", "age_seconds", "stale", "sentence")}

    def changes(self, after_sequence: int) -> list[JsonObject]:
        try:
            with History.open(self.database) as history:
                changes = history.alert_changes(after_sequence, MAX_CHANGES)
        except UserError:
            return []
        return [alert_change_object(change) for change in changes]

    def chart(self, start: int, end: int) -> JsonObject:
        """All joints and currents from `start` to `end` [ms]."""
        if is_absent(self.database):
            return {"from": format_time(start), "to": format_time(end), "joints": [], "currents": []}
        with History.open(self.database) as history:
            boat = history.boat()
            shown = {joint.probe for joint in boat.joints}
            shown |= {c.channel for c in boat.channels if c.quantity is Quantity.AMPS}
            series = {c: history.series(c, start, end, CHART_POINTS) for c in sorted(shown)}
        return views.chart_view(boat, series, start, end, self.watching.interval_seconds)

    def chart_hours(self, hours: float) -> JsonObject:
        """The last hours; of an old history its own last hours, and `to` says which."""
        end = self.clock.time()
        if not is_absent(self.database):
            with History.open(self.database) as history:
                span = history.data_span()
            if span is not None and not end - hours * 3_600_000 <= span[1] <= end:
                end = span[1]
        return self.chart(end - round(hours * 3_600_000), end)

    def passages(self) -> list[JsonObject]:
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            return views.passages_view(history.passages(), history.boat())

    def creeps(self) -> list[JsonObject]:
        """The last judgement on each joint's passages."""
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            return views.creeps_view(history.creeps(), history.boat())

    def alerts(self) -> list[JsonObject]:
        """Every alert there was, newest first."""
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            boat = history.boat()
            return [views.alert_view(alert, boat) for alert in history.alerts(active_only=False)]

    def watchman(self) -> JsonObject:
        """How the watch itself is doing."""
        now = self.now()
        kept = ("time", "age_seconds", "stale", "waiting", "problem", "sentence", "boat", "health")
        view: JsonObject = {key: now[key] for key in kept}
        size = 0 if is_absent(self.database) else self.database.stat().st_size
        view |= {"database": str(self.database), "database_bytes": size, "span": None}
        if not now["waiting"]:
            with History.open(self.database) as history:
                span = history.data_span()
                batch = history.last_batch()
            view["span"] = [format_time(time) for time in span] if span else None
            view["last_write_time"] = format_time(batch[0]) if batch else None
        return view
