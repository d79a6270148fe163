"""Reading the history while the writer writes. Nothing here can write.

Every query is fetched whole before it returns and long ones go in pages, so that no reader keeps
the WAL from being cut back. May import: model, store rooms but writer.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from lugwatch.boat_clock import kernel_boot
from lugwatch.errors import UserError
from lugwatch.fitting import FittingCheck
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertState,
    Boat,
    Channel,
    Creep,
    Estimate,
    Fault,
    JointBaseline,
    JointState,
    JournalEntry,
    LearnedShape,
    Passage,
    Photo,
    SourceHealth,
    Watching,
)
from lugwatch.passage_cuts import Decision
from lugwatch.proving import ProofTest
from lugwatch.store import decode, fitting_checks, passage_parts, photos, proofs, runs, series, spans, trials
from lugwatch.store.opening import connect_reading, unreadable
from lugwatch.store.rows import BASELINE_FIELDS
from lugwatch.store.runs import LAST_TIME
from lugwatch.store.series import Bucket as Bucket  # part of what queries answer


class History:
    """A read-only view of one database. Use it in one thread at a time; opening one is cheap."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self._fetch = Look(path, connection)

    @classmethod
    def open(cls, path: Path) -> "History":
        """Raises UserError where the file is missing, not ours, newer or unreadable."""
        connection = connect_reading(path)
        connection.row_factory = sqlite3.Row
        return cls(path, connection)

    def close(self) -> None:
        self._connection.close()

    def __enter__(self) -> "History":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def boat(self) -> Boat:
        """What is watched as last configured; `watching` is the default, it is not kept."""
        named = self._fetch("SELECT name, slug FROM boat")
        if not named:
            raise UserError(f"{self.path}: holds no boat yet; let watch or replay write to it first")
        in_use = "WHERE position IS NOT NULL ORDER BY position"
        return Boat(
            name=named[0]["name"],
            slug=named[0]["slug"],
            channels=tuple(map(decode.channel_from_row, self._fetch(f"SELECT * FROM channel {in_use}"))),
            joints=tuple(map(decode.joint_from_row, self._fetch(f"SELECT * FROM joint {in_use}"))),
            watching=Watching(),
        )

    def channels(self) -> list[Channel]:
        """Every channel that is or ever was configured, those in use first."""
        found = self._fetch("SELECT * FROM channel ORDER BY position IS NULL, position, channel")
        return [decode.channel_from_row(row) for row in found]

    def estimates(self, at: int | None = None) -> list[Estimate]:
        """The latest of each configured joint, at or before `at` [ms]; joints without one are absent."""
        when = LAST_TIME if at is None else at
        with self._fetch.moment():
            found = self._estimates_at(when)
        standing = {baseline.joint: baseline for baseline in self.baselines(at)}
        known = [_with_baseline(decode.estimate_from_row(row), standing.get(row["joint"])) for row in found]
        if at is not None or all(estimate.state is not JointState.NO_LOAD for estimate in known):
            return known
        latest = self.latest_readings()
        probes = {row[0]: row[1] for row in self._fetch("SELECT joint, probe FROM joint")}
        return [_with_reading(estimate, latest.get(probes[estimate.joint])) for estimate in known]

    def _estimates_at(self, when: int) -> list[sqlite3.Row]:
        """The one that came last of each configured joint, of those not later than `when` [ms].

        Which came last is told by the batch: a clock that was set back must not hide what came since.
        """
        kept = "estimate_kept" if runs.places(self._fetch).packed else "estimate"
        newest = []
        for joint_id, joint in self._fetch(
            "SELECT joint_id, joint FROM joint WHERE position IS NOT NULL ORDER BY position"
        ):
            rows = []
            if kept != "estimate":
                rows = self._fetch(
                    "SELECT ? AS joint, * FROM estimate WHERE joint_id = ? AND time <= ?"
                    " ORDER BY estimate_id DESC LIMIT 1",
                    joint,
                    joint_id,
                    when,
                )
            rows = rows or self._fetch(
                f"SELECT ? AS joint, * FROM {kept} WHERE joint_id = ? AND time <= ?"
                " ORDER BY time DESC, batch_id DESC LIMIT 1",
                joint,
                joint_id,
                when,
            )
            newest += rows[:1]
        return newest

    def baselines(self, at: int | None = None) -> list[JointBaseline]:
        """What each joint is compared with now, or was `at` [ms], by joint; those without are absent."""
        if not self._has("baseline"):
            return []
        when = LAST_TIME if at is None else at
        found = self._fetch(
            f"SELECT {', '.join(BASELINE_FIELDS)} FROM baseline WHERE baseline_id IN"
            " (SELECT max(baseline_id) FROM baseline WHERE taken_time <= ? GROUP BY joint)"
            " AND (ended_time IS NULL OR ended_time > ?) ORDER BY joint",
            when,
            when,
        )
        return [JointBaseline(**dict(row)) for row in found]

    def baselines_of_all_times(self) -> list[JointBaseline]:
        """Every baseline that ever stood, in the order in which they were taken."""
        if not self._has("baseline"):
            return []
        found = self._fetch(f"SELECT {', '.join(BASELINE_FIELDS)} FROM baseline ORDER BY baseline_id")
        return [JointBaseline(**dict(row)) for row in found]

    def journal(self, joint: str | None = None) -> list[JournalEntry]:
        """Every entry, or those of one joint, in the order of their time."""
        if not self._has("journal"):
            return []
        found = self._fetch(
            "SELECT * FROM journal WHERE ? IN (joint, '') ORDER BY time, entry_id", joint or ""
        )
        return [decode.journal_entry_from_row(row) for row in found]

    def photos(self) -> dict[int, list[Photo]]:
        """What photos there are, by the entry that they belong to."""
        if not self._has("photo"):
            return {}
        found: dict[int, list[Photo]] = {}
        for row in self._fetch(f"{photos.KNOWN} ORDER BY photo_id"):
            found.setdefault(row["entry_id"], []).append(photos.from_row(row))
        return found

    def photo_jpeg(self, photo_id: int) -> bytes | None:
        """The file of one photo; None if there is none."""
        if not self._has("photo"):
            return None
        found = self._fetch("SELECT jpeg FROM photo WHERE photo_id = ?", photo_id)
        return bytes(found[0][0]) if found else None

    def proofs(self, joint: str | None = None) -> list[ProofTest]:
        """Every proof test that was kept, or those of one joint, in the order of their time."""
        if not self._has("proof_test"):
            return []
        found = self._fetch(
            "SELECT * FROM proof_test WHERE ? IN (joint, '') ORDER BY time, proof_id", joint or ""
        )
        return proofs.from_rows(found)

    def last_trial(self) -> trials.TrialRow | None:
        """The proof test that the page follows, else the last that it followed."""
        if not self._has("proof_trial"):
            return None
        found = self._fetch("SELECT * FROM proof_trial ORDER BY trial_id DESC LIMIT 1")
        return trials.from_row(found[0]) if found else None

    def fitting_checks(self) -> list[FittingCheck]:
        """Every check of the fitting that was kept, in the order in which they were kept."""
        if not self._has("fitting_check"):
            return []
        return fitting_checks.from_rows(self._fetch("SELECT * FROM fitting_check ORDER BY check_id"))

    def first_boot_since(self, time: int) -> int | None:
        """When the first watch or replay started at or after `time` [ms]; None: none has."""
        found = self._fetch("SELECT min(started_time) FROM boot WHERE started_time >= ?", time)
        return None if found[0][0] is None else int(found[0][0])

    def joint_ids(self) -> list[str]:
        """Every joint that is or ever was configured, those in use first."""
        found = self._fetch("SELECT joint FROM joint ORDER BY position IS NULL, position, joint")
        return [row["joint"] for row in found]

    def latest_readings(self) -> dict[str, tuple[int, float]]:
        """Time [ms] and value of the last good reading of each configured channel."""
        named = {
            int(row[0]): str(row[1])
            for row in self._fetch("SELECT channel_id, channel FROM channel WHERE position IS NOT NULL")
        }
        return {named[i]: found for i, found in runs.latest(self._fetch, list(named)).items()}

    def alerts(self, active_only: bool = False) -> list[Alert]:
        """Newest first; `active_only` leaves out those that are over."""
        where = "WHERE state != ?" if active_only else "WHERE ? IS NOT NULL"
        found = self._fetch(f"SELECT * FROM alert {where} ORDER BY alert_id DESC", AlertState.NORMAL.value)
        return [decode.alert_from_row(row) for row in found]

    def alert_changes(self, after_sequence: int = 0, limit: int = 500) -> list[AlertChange]:
        """Changes with a higher sequence number, oldest first."""
        found = self._fetch(
            "SELECT * FROM alert_change WHERE sequence > ? ORDER BY sequence LIMIT ?", after_sequence, limit
        )
        return [decode.alert_change_from_row(row) for row in found]

    def last_alert_sequence(self) -> int:
        """Sequence number of the newest change, 0 where there is none."""
        return int(self._fetch("SELECT coalesce(max(sequence), 0) FROM alert_change")[0][0])

    def passages(self) -> list[Passage]:
        """As they stand after what the crew decided, oldest first."""
        found, decisions = self.passages_found(), self.passage_decisions()
        return passage_parts.standing(self._fetch, found, decisions) if decisions else found

    def passage_decisions(self) -> list[Decision]:
        """Every decision on passages, those undone and the undoing too, in their order."""
        if not self._has("passage_decision"):
            return []
        return passage_parts.decisions(self._fetch("SELECT * FROM passage_decision ORDER BY decision_id"))

    def newest(self) -> int:
        """Time [ms] of what was written last, 0 where nothing was."""
        return passage_parts.newest(self._fetch)

    def part_figures_due(self, before: int) -> list[tuple[int, int, int, str]]:
        """Parts of passages that ended `before` [ms] and whose figures are not kept yet, as rows to keep."""
        return passage_parts.due(self._fetch, self.passages_found(), self.passage_decisions(), before)

    def seconds_above(self, channel: str, floor_amps: float, start: int, end: int) -> float | None:
        """How long more than `floor_amps` flowed, either way, from `start` to `end` [ms]; None: not known."""
        return passage_parts.seconds_above(self._fetch, channel, floor_amps, start, end)

    def passages_found(self) -> list[Passage]:
        """As found from the current, oldest first."""
        return [
            decode.passage_from_rows(
                row,
                self._fetch("SELECT * FROM passage_current WHERE passage_id = ?", row["passage_id"]),
                self._fetch("SELECT * FROM passage_joint WHERE passage_id = ?", row["passage_id"]),
            )
            for row in self._fetch("SELECT * FROM passage ORDER BY passage_id")
        ]

    def source_health(self) -> list[SourceHealth]:
        """The latest word on each source, by name."""
        found = self._fetch(
            "SELECT * FROM source_health WHERE source_health_id IN"
            " (SELECT max(source_health_id) FROM source_health GROUP BY source) ORDER BY source"
        )
        return [decode.source_health_from_row(row) for row in found]

    def learned_shapes(self) -> list[LearnedShape]:
        """Every shape that was learned, by joint, newest first."""
        found = self._fetch("SELECT * FROM learned_shape ORDER BY joint, time DESC")
        return [LearnedShape(**dict(row)) for row in found]

    def creeps(self) -> list[Creep]:
        """The last judgement on each configured joint, in the boat's order; those never judged are absent."""
        # a history that an older version wrote is read as it is
        if not self._fetch("SELECT 1 FROM sqlite_master WHERE name = 'creep'"):
            return []
        found = self._fetch(
            "SELECT creep.* FROM creep JOIN joint USING (joint) WHERE joint.position IS NOT NULL"
            " AND creep_id IN (SELECT max(creep_id) FROM creep GROUP BY joint) ORDER BY joint.position"
        )
        return [decode.creep_from_row(row) for row in found]

    def faults(self, limit: int = 100) -> list[Fault]:
        """Newest first."""
        found = self._fetch(
            "SELECT fault.*, batch.monotonic_seconds FROM fault JOIN batch USING (batch_id)"
            " ORDER BY fault_id DESC LIMIT ?",
            limit,
        )
        return [decode.fault_from_row(row) for row in found]

    def last_batch(self) -> tuple[int, float, int] | None:
        """Time [ms], monotonic seconds and boot id of the last batch written."""
        found = self._fetch(
            "SELECT time, monotonic_seconds, boot_id FROM batch ORDER BY batch_id DESC LIMIT 1"
        )
        return (found[0][0], found[0][1], found[0][2]) if found else None

    def last_boot(self) -> tuple[int, str] | None:
        """Time [ms] of the last start of a watch or replay on this database, and its version."""
        found = self._fetch("SELECT started_time, version FROM boot ORDER BY boot_id DESC LIMIT 1")
        return (found[0][0], found[0][1]) if found else None

    def last_labels(self) -> tuple[int, int]:
        """The newest time [ms] of any batch, and of batches of boots whose clock was right; 0: none."""
        trusted = "0"
        if runs.places(self._fetch).packed:
            trusted = "(SELECT max(batch.time) FROM batch JOIN boot USING (boot_id) WHERE trusted)"
        row = self._fetch(f"SELECT coalesce(max(time), 0), coalesce({trusted}, 0) FROM batch")[0]
        return int(row[0]), int(row[1])

    def is_of_this_machine_boot(self) -> bool:
        """Whether monotonic seconds of the last batch compare with those of now."""
        if not runs.places(self._fetch).packed:
            return False
        found = self._fetch("SELECT machine FROM boot ORDER BY boot_id DESC LIMIT 1")
        return bool(found) and found[0][0] != "" and found[0][0] == kernel_boot()

    def series(self, channel: str, start: int, end: int, max_points: int = 1000) -> list[Bucket]:
        """At most `max_points` buckets of a channel from `start` to `end` [ms], peaks kept."""
        return series.reading_series(self._fetch, channel, start, end, max_points)

    def estimate_series(
        self, joint: str, column: str, start: int, end: int, max_points: int = 1000
    ) -> list[Bucket]:
        """The same of a number in `estimate`. Raises ValueError for a column that is none."""
        return series.estimate_series(self._fetch, joint, column, start, end, max_points)

    def readings(self, start: int | None = None, end: int | None = None) -> Iterator[tuple[int, str, float]]:
        """Time [ms], channel and value of every reading, in time order, an hour at a time."""
        return runs.readings(self._fetch, start, end)

    def count_readings(self, start: int | None = None, end: int | None = None) -> int:
        return spans.count_readings(self._fetch, start, end)

    def data_span(self) -> tuple[int, int] | None:
        """Times [ms] of the first and the last reading, None where there is none."""
        return spans.data_span(self._fetch)

    def _has(self, table: str) -> bool:
        """False in a database that an older version wrote and this one has not yet written to."""
        return bool(self._fetch("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", table))


class Look(runs.Look):
    """The same, telling what cannot be read as UserError."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        super().__init__(connection)
        self._path = path

    def __call__(self, sql: str, *parameters: object) -> list[sqlite3.Row]:
        try:
            return super().__call__(sql, *parameters)
        except sqlite3.DatabaseError as error:
            raise unreadable(self._path, error) from error


def _with_baseline(estimate: Estimate, baseline: JointBaseline | None) -> Estimate:
    if baseline is None:
        return estimate
    return replace(
        estimate,
        baseline_rise_coefficient=baseline.rise_coefficient,
        baseline_rise_coefficient_sd=baseline.rise_coefficient_sd,
        baseline_time=baseline.baseline_time,
    )


def _with_reading(estimate: Estimate, latest: tuple[int, float] | None) -> Estimate:
    """A joint without load is told of each five minutes (`held_back`): its temperature, by the reading."""
    if estimate.state is not JointState.NO_LOAD or latest is None or latest[0] <= estimate.time:
        return estimate
    time, celsius = latest
    reference = estimate.reference_celsius
    return replace(
        estimate,
        time=time,
        probe_time=time,
        probe_celsius=celsius,
        rise_kelvin=None if reference is None else celsius - reference,
    )
