"""What the pages ask of the database, one short look each; the only place that knows all views.

Blocking: called in threads. Knows no web framework. May import: the rooms of the dashboard, store, clock.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from lugwatch.clock import Clock
from lugwatch.dashboard import joint_view, passage_view, views
from lugwatch.dashboard.circuit import circuit, circuit_object
from lugwatch.dashboard.reading import is_absent, read_batch, read_moment
from lugwatch.dashboard.record_fitting import fitting_left, fitting_rows
from lugwatch.dashboard.stack_view import stack_object
from lugwatch.dashboard.winter_view import winter_record
from lugwatch.errors import UserError
from lugwatch.json_shapes import (
    JsonObject,
    alert_change_object,
    journal_object,
    passage_decision_object,
    passage_object,
)
from lugwatch.model import AlertState, Boat, Part, Passage, Quantity, Watching
from lugwatch.passage_cuts import stand
from lugwatch.stack import Stack
from lugwatch.store.beside import where_now
from lugwatch.store.passage_parts import whole
from lugwatch.store.queries import History
from lugwatch.units import format_time

CHART_POINTS = 300
MAX_CHANGES = 200
MAX_FAULTS = 500
MANY_CHANGES = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One database, seen through one clock."""

    database: Path
    clock: Clock
    watching: Watching
    temperature_unit: str
    parts: Sequence[Part] = ()
    stacks: Mapping[str, Stack] = field(default_factory=dict)  # described from bar to nut, by joint

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
        return views.now_view(moment, self.temperature_unit, self.parts)

    def beat(self) -> JsonObject:
        """A sign of life with the age of what is known."""
        now = self.now()
        return {key: now[key] for key in ("time", "age_seconds", "stale", "sentence")}

    def changes(self, after_sequence: int) -> list[JsonObject]:
        try:
            with History.open(where_now(self.database)) as history:
                changes = history.alert_changes(after_sequence, MAX_CHANGES)
        except UserError:
            return []
        return [alert_change_object(change) for change in changes]

    def circuit(self) -> list[JsonObject]:
        """What stands where in the drawing of the boat."""
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            return circuit_object(circuit(history.boat(), self.parts))

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
        end = self.newest()
        return self.chart(end - round(hours * 3_600_000), end)

    def newest(self) -> int:
        """Now; of an old history, or one from a clock that was ahead, its last reading [ms]."""
        now = self.clock.time()
        if not is_absent(self.database):
            with History.open(self.database) as history:
                span = history.data_span()
            if span is not None and not now - 3_600_000 <= span[1] <= now:
                return span[1]
        return now

    # ---- one joint ----

    def joint(self, joint_id: str) -> JsonObject | None:
        """Everything of one joint but its lines; None if there is no such joint."""
        if is_absent(self.database):
            return None
        with History.open(self.database) as history:
            boat = history.boat()
            joint = joint_view.find_joint(boat, joint_id)
            if joint is None:
                return None
            creep = next((c for c in history.creeps() if c.joint == joint_id), None)
            span = history.data_span()
            photos = history.photos()
            entries = [journal_object(e, photos) for e in reversed(history.journal(joint_id))]
            passages = joint_view.over_passages(joint_id, history.passages(), creep)
        now = self.now()
        shown = now["joints"] if isinstance(now["joints"], list) else []
        return {
            "joint": joint_id,
            "name": joint.name,
            "now": next((j for j in shown if j["joint"] == joint_id), None),
            "axis": now["axis"],
            "sheet": joint_view.sheet(joint, boat),
            "stack": stack_object(self.stacks[joint_id]) if joint_id in self.stacks else None,
            "passages": passages,
            "journal": entries,
            "span": None if span is None else [format_time(t) for t in span],
        }

    def joint_lines(self, joint_id: str, start: int, end: int, points: int) -> JsonObject | None:
        """The lines of one joint from `start` to `end` [ms]; None if there is no such joint."""
        if is_absent(self.database):
            return None
        with History.open(self.database) as history:
            boat = history.boat()
            joint = joint_view.find_joint(boat, joint_id)
            if joint is None:
                return None
            interval = self.watching.interval_seconds
            now = self.clock.time()
            found = joint_view.lines(history, joint, start, end, points, interval, now)
            alerts = history.alerts(active_only=False)
            return {**found, **joint_view.marks(joint_id, alerts, history.journal(joint_id), start, end)}

    # ---- passages ----

    def passages(self) -> list[JsonObject]:
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            return views.passages_view(history.passages(), history.boat())

    def passage(self, passage_id: int, other_id: int | None = None) -> JsonObject | None:
        """One passage, and beside it another one if asked; None where either is not there."""
        if is_absent(self.database):
            return None
        with History.open(self.database) as history:
            boat, passages = history.boat(), history.passages()
            passage = _find(passages, passage_id)
            other = passage if other_id is None else _find(passages, other_id)
            if passage is None or other is None:
                return None
            return self._passage(history, boat, passages, passage, None if other_id is None else other)

    def _passage(
        self, history: History, boat: Boat, passages: list[Passage], passage: Passage, other: Passage | None
    ) -> JsonObject:
        now = self.clock.time()
        start, end = passage.start_time, passage.end_time or now
        entries, shapes = history.journal(), history.learned_shapes()
        alerts = [
            a
            for a in history.alerts(active_only=False)
            if a.raised_time <= end and (a.rectified_time is None or a.rectified_time >= start)
        ]
        names = {j.joint: j.name for j in boat.joints}
        ids = {passage.passage_id, *passage.found_ids}
        place = next(i for i, p in enumerate(passages) if p.passage_id == passage.passage_id)
        following = passages[place + 1].start_time if place + 1 < len(passages) else now + 1
        written = [e for e in entries if start <= e.time < following]
        photos = history.photos() if written else {}
        return {
            **passage_object(passage),
            "duration_seconds": (end - start) / 1000.0,
            "boat": boat.name,
            "ran": passage_view.what_ran(history, boat, passage, self.watching, now),
            "rows": passage_view.joint_rows(boat, passages, passage, entries, shapes),
            "alerts": [views.alert_view(a, boat) for a in reversed(alerts)],
            "notes": [{**journal_object(e, photos), "name": names.get(e.joint or "")} for e in written],
            "previous_id": passages[place - 1].passage_id if place > 0 else None,
            "next_id": passages[place + 1].passage_id if place + 1 < len(passages) else None,
            "decisions": [
                d for d in self._decisions(history) if d["passage_id"] in ids or d["other_id"] in ids
            ],
            "others": [
                {"passage_id": p.passage_id, "start_time": format_time(p.start_time), "name": p.name}
                for p in reversed(passages)
                if p.passage_id != passage.passage_id
            ],
            "other": None if other is None else passage_object(other),
            "compared": [] if other is None else passage_view.compared(boat, passage, other, entries, shapes),
        }

    def passage_decisions(self) -> list[JsonObject]:
        """What the crew decided of passages by hand, newest first, and whether it counts."""
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            return self._decisions(history)

    def _decisions(self, history: History) -> list[JsonObject]:
        decided = history.passage_decisions()
        counting = stand([whole(p) for p in history.passages_found()], decided).applied if decided else ()
        ids = {d.decision_id for d in counting}
        return [{**passage_decision_object(d), "counts": d.decision_id in ids} for d in reversed(decided)]

    def fitting(self) -> list[JsonObject]:
        """How the fitting stands: what was checked and found, what was not; empty where nothing was."""
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            return fitting_rows(history.boat(), history.fitting_checks())

    def fitting_left(self) -> list[JsonObject] | None:
        """What of the fitting is still to be done; None where no boat is known yet."""
        if is_absent(self.database):
            return None
        with History.open(self.database) as history:
            return fitting_left(history.boat(), history.fitting_checks(), self.parts)

    def season(self) -> JsonObject:
        """Each joint over all passages that have ended."""
        if is_absent(self.database):
            return {"passages": [], "joints": []}
        with History.open(self.database) as history:
            passages = [p for p in history.passages() if p.end_time is not None]
            rows = passage_view.season(history.boat(), passages, history.journal(), history.learned_shapes())
        told = [
            {"passage_id": p.passage_id, "start_time": format_time(p.start_time), "amp_hours": p.amp_hours}
            for p in passages
        ]
        return {"passages": told, "joints": rows}

    def winter(self) -> JsonObject | None:
        """What to work on in the winter, in order; None while nothing was written."""
        if is_absent(self.database):
            return None
        with History.open(self.database) as history:
            return winter_record(history, self.stacks, self.clock.time())

    def creeps(self) -> list[JsonObject]:
        """The last judgement on each joint's passages."""
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            return views.creeps_view(history.creeps(), history.boat())

    # ---- alerts, journal, the watch itself ----

    def alerts(
        self, *, joint: str = "", category: str = "", condition: str = "", active: bool | None = None
    ) -> list[JsonObject]:
        """Alerts newest first, those that fit; an empty filter fits all."""
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            boat = history.boat()
            return [
                views.alert_view(a, boat)
                for a in history.alerts(active_only=False)
                if joint in ("", a.joint or a.channel or "")
                and category in ("", a.category.value)
                and condition in ("", a.condition.value)
                and active in (None, a.state is not AlertState.NORMAL)
            ]

    def alert_histories(self) -> dict[int, list[JsonObject]]:
        """What happened to each alert, oldest first, by its id."""
        if is_absent(self.database):
            return {}
        with History.open(self.database) as history:
            changes = history.alert_changes(0, MANY_CHANGES)
        found: dict[int, list[JsonObject]] = {}
        for change in changes:
            told: JsonObject = {
                "sequence": change.sequence,
                "time": format_time(change.time),
                "change": change.change.value,
                "category": change.alert.category.value,
                "text": change.alert.text,
            }
            found.setdefault(change.alert.alert_id, []).append(told)
        return found

    def journal(self) -> list[JsonObject]:
        """All entries, newest first, with the joint's name."""
        if is_absent(self.database):
            return []
        with History.open(self.database) as history:
            names = {j.joint: j.name for j in history.boat().joints}
            entries, photos = history.journal(), history.photos()
        return [
            {**journal_object(e, photos), "name": names.get(e.joint or "", e.joint)}
            for e in reversed(entries)
        ]

    def photo(self, photo_id: int) -> bytes | None:
        """One photo of the journal as a JPEG; None if there is none."""
        if is_absent(self.database):
            return None
        with History.open(self.database) as history:
            return history.photo_jpeg(photo_id)

    def joint_names(self) -> dict[str, str]:
        """Id and name of every joint that is configured."""
        if is_absent(self.database):
            return {}
        with History.open(self.database) as history:
            return {j.joint: j.name for j in history.boat().joints}

    def written_by(self) -> JsonObject:
        """The version that wrote last, and the last failed readings, each kind once, newest first."""
        if is_absent(self.database):
            return {"written_by": None, "faults": []}
        try:
            with History.open(self.database) as history:
                faults, boot = history.faults(MAX_FAULTS), history.last_boot()
        except UserError:
            return {"written_by": None, "faults": []}
        told: dict[tuple[str, str | None, str], JsonObject] = {}
        for f in faults:
            # the newest of its kind stands for the others
            row = told.setdefault(
                (f.source, f.channel, f.kind.value),
                {"time": format_time(f.time), "source": f.source, "channel": f.channel}
                | {"kind": f.kind.value, "detail": f.detail, "count": 0},
            )
            row["count"] = int(str(row["count"])) + 1
        return {"written_by": None if boot is None else boot[1], "faults": list(told.values())}

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


def _find(passages: Sequence[Passage], passage_id: int) -> Passage | None:
    return next((p for p in passages if p.passage_id == passage_id), None)
