"""The record of a boat in one file: what people did and what was found, without readings; out and in again.

Read into another database its rows get numbers below zero, which no watch gives and no watch takes up: an
imported entry of the journal resets no baseline, an imported alert is told to nobody, and what is here
already stays the last word. A row is known again by what it says (joint, time, kind…) and not by its
number, so one file may be read as often as one likes, and after a restore too. All of a file is read in, or
nothing. Not here: readings (`recording`), the whole database (`backup`). May import: the model and the
modules whose rows these are, photo_file, errors, units, store rooms.
"""

import base64
import binascii
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from enum import Enum
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from lugwatch.errors import UserError
from lugwatch.fitting import FittingCheck
from lugwatch.model import (
    Alert,
    AlertState,
    Creep,
    CurrentPassage,
    JointBaseline,
    JointPassage,
    JournalEntry,
    Passage,
)
from lugwatch.photo_file import MOST_KEPT_BYTES, is_pixels_alone
from lugwatch.proving import ProofTest
from lugwatch.store.crew import BUSY_SECONDS
from lugwatch.store.errors import store_failed
from lugwatch.store.migrations import migrate
from lugwatch.store.opening import check_ours, connect_writing
from lugwatch.store.photos import INSERT_PHOTO, MOST_PHOTOS
from lugwatch.store.queries import History
from lugwatch.store.whole_file import whole_file

FORMAT, VERSION = "lugwatch record", 1
MOST_FILE_BYTES = 300_000_000  # some hundred photos
LONGEST_TEXT = 20_000
# RFC 3339 ends with the year 9999
LATEST_TIME = 253_402_300_799_999
_GREATEST_INTEGER = 2**53  # what JSON keeps exactly, RFC 8259 section 6


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordPhoto:
    """One photo; `jpeg` in base64 (RFC 4648)."""

    entry_id: int
    width_pixels: int
    height_pixels: int
    jpeg: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What is in the file; times in ms since 1970 UTC, as in the database."""

    format: str
    version: int
    boat: str
    lugwatch: str
    written_time: int  # the newest label of the database
    journal: tuple[JournalEntry, ...] = ()
    photos: tuple[RecordPhoto, ...] = ()
    passages: tuple[Passage, ...] = ()
    alerts: tuple[Alert, ...] = ()
    baselines: tuple[JointBaseline, ...] = ()
    creeps: tuple[Creep, ...] = ()
    proofs: tuple[ProofTest, ...] = ()
    fitting_checks: tuple[FittingCheck, ...] = ()


_HEAD = ("format", "version", "boat", "lugwatch", "written_time")
PARTS = tuple(f.name for f in fields(Record) if f.name not in _HEAD)
_record: TypeAdapter[Record] = TypeAdapter(Record)


def export(path: Path, out: Path, version: str) -> Mapping[str, int]:
    """Write the record of a database to one file; how much of each part. Raises UserError, OperationFailed.

    A passage under way is left out, and so are names, splits and merges of passages by hand, and learned
    shapes: these belong to probes as they were fitted.
    """
    with History.open(path) as history:
        photos = [photo for of_entry in history.photos().values() for photo in of_entry]
        record = Record(
            format=FORMAT,
            version=VERSION,
            boat=history.boat().name,
            lugwatch=version,
            written_time=history.newest(),
            journal=tuple(history.journal()),
            photos=tuple(
                RecordPhoto(
                    entry_id=photo.entry_id,
                    width_pixels=photo.width_pixels,
                    height_pixels=photo.height_pixels,
                    jpeg=base64.b64encode(history.photo_jpeg(photo.photo_id) or b"").decode(),
                )
                for photo in photos
            ),
            passages=tuple(p for p in history.passages_found() if p.end_time is not None),
            alerts=tuple(reversed(history.alerts())),
            baselines=tuple(history.baselines_of_all_times()),
            creeps=tuple(history.creeps()),
            proofs=tuple(history.proofs()),
            fitting_checks=tuple(history.fitting_checks()),
        )
    text = _record.dump_json(record, indent=1)
    with whole_file(out) as partial:
        partial.write_bytes(text + b"\n")
    return {part: len(getattr(record, part)) for part in PARTS}


def read(path: Path) -> Record:
    """The record in a file, looked through before anything is written. Raises UserError, one line."""
    try:
        if not path.is_file():
            raise UserError(f"{path}: there is no such file; give what `lugwatch record export` wrote")
        if path.stat().st_size > MOST_FILE_BYTES:
            raise UserError(f"{path}: is larger than {MOST_FILE_BYTES // 1_000_000} MB; it is no record")
        text = path.read_bytes()
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror or error})") from None
    try:
        document = json.loads(text, parse_constant=_refuse_constant)
        if not isinstance(document, dict) or document.get("format") != FORMAT:
            raise UserError(f"{path}: is no record; give what `lugwatch record export` wrote")
        if document.get("version") != VERSION:
            raise UserError(f"{path}: was written by a newer lugwatch; install that version here first")
        _look_through(document, "")
        record = _record.validate_python(document)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(step) for step in first["loc"])
        raise UserError(f"{path}: {where[:80]}: {_plain(first['msg'])}; nothing was read in") from None
    except RecursionError:
        raise UserError(f"{path}: is nested too deeply; it is no record") from None
    except ValueError as error:  # JSON, UTF-8 and what `_look_through` finds
        raise UserError(f"{path}: {_plain(str(error))}; nothing was read in") from None
    _check_photos(path, record)
    return record


def _refuse_constant(word: str) -> None:
    raise ValueError(f"{word} is no number of JSON")


def _look_through(value: Any, key: str) -> None:
    """What a database or a page would stumble over later. Raises ValueError."""
    if isinstance(value, dict):
        for name, item in value.items():
            _look_through(item, name)
    elif isinstance(value, list):
        for item in value:
            _look_through(item, key)
    elif isinstance(value, str):
        if key != "jpeg" and (len(value) > LONGEST_TEXT or not value.replace("\n", "").isprintable()):
            raise ValueError(f"{key} is too long or holds characters that cannot be shown")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        is_time = key == "time" or key.endswith("_time")
        if abs(value) > (LATEST_TIME if is_time else 1e300) or (is_time and value < 0):
            raise ValueError(f"{key} {value!s:.40} cannot be")
        if isinstance(value, int) and abs(value) > _GREATEST_INTEGER:
            raise ValueError(f"{key} {value!s:.40} is too large")


def _plain(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:200]


def _check_photos(path: Path, record: Record) -> None:
    """A file may come from anywhere: what stands in it as a photo has to be one, and nothing else."""
    entries = {entry.entry_id for entry in record.journal}
    for photo in record.photos:
        try:
            jpeg = base64.b64decode(photo.jpeg, validate=True)
        except (binascii.Error, ValueError):
            jpeg = b""
        if photo.entry_id not in entries or len(jpeg) > MOST_KEPT_BYTES or not is_pixels_alone(jpeg):
            raise UserError(
                f"{path}: a photo of entry {photo.entry_id} is no plain JPEG of an entry; nothing was read in"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """How much of each part was new, and how much was there already."""

    new: Mapping[str, int]
    known: Mapping[str, int]


def take_in(path: Path, record: Record) -> Taken:
    """Read a record into a database, all of it or nothing. Raises UserError or StoreFailed."""
    check_ours(path, new_allowed=False)
    try:
        connection = connect_writing(path, busy_seconds=BUSY_SECONDS)
        try:
            migrate(connection)
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("BEGIN IMMEDIATE")
            try:
                taken = _Import(connection).all_of(record)
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")
            return taken
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise store_failed(path, error) from error


class _Import:
    """One transaction of `take_in`."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._new = dict.fromkeys(PARTS, 0)
        self._known = dict.fromkeys(PARTS, 0)

    def all_of(self, record: Record) -> Taken:
        self._journal(record)
        for passage in _latest_first(record.passages, "start_time"):
            self._passage(passage)
        for alert in _latest_first(record.alerts, "raised_time"):
            self._alert(alert)
        for baseline in _latest_first(record.baselines, "taken_time"):
            row = _row(baseline)
            if baseline.ended_time is None:
                # the watch here compares with it no more
                row["ended_time"] = max(record.written_time, baseline.taken_time)
            self._put("baselines", "baseline", "baseline_id", row, ("joint", "taken_time"))
        for creep in _latest_first(record.creeps, "time"):
            self._put("creeps", "creep", "creep_id", _row(creep), ("joint", "time"))
        for check in _latest_first(record.fitting_checks, "time"):
            row, key = _row(check, "check_id"), ("time", "kind", "subject", "text")
            self._put("fitting_checks", "fitting_check", "check_id", row, key)
        for proof in record.proofs:
            # nothing goes by their numbers: they go on behind those that are here
            row = _row(proof, "proof_id")
            self._put("proofs", "proof_test", None, row, ("joint", "time", "minutes", "verdict"))
        return Taken(new=self._new, known=self._known)

    def _journal(self, record: Record) -> None:
        numbers: dict[int, int] = {}
        for entry in _latest_first(record.journal, "time"):
            row = _row(entry, "entry_id")
            numbers[entry.entry_id] = self._put("journal", "journal", "entry_id", row, tuple(row))
        for photo in record.photos:
            number, jpeg = numbers[photo.entry_id], base64.b64decode(photo.jpeg)
            there = [
                bytes(row[0])
                for row in self._connection.execute("SELECT jpeg FROM photo WHERE entry_id = ?", (number,))
            ]
            if jpeg in there:
                self._known["photos"] += 1
            elif len(there) < MOST_PHOTOS:
                self._connection.execute(
                    INSERT_PHOTO, (number, photo.width_pixels, photo.height_pixels, jpeg)
                )
                self._new["photos"] += 1

    def _passage(self, passage: Passage) -> None:
        if passage.end_time is None:
            return
        row = _row(passage, "passage_id", "currents", "joints", "name", "note", "found_ids")
        before = self._new["passages"]
        number = self._put("passages", "passage", "passage_id", row, ("start_time", "end_time"))
        if self._new["passages"] == before:
            return
        parts: tuple[tuple[str, str, Mapping[str, CurrentPassage] | Mapping[str, JointPassage]], ...] = (
            ("passage_current", "channel", passage.currents),
            ("passage_joint", "joint", passage.joints),
        )
        for table, key, found in parts:
            for name, figures in found.items():
                self._insert(table, {"passage_id": number, key: name, **_row(figures)})

    def _alert(self, alert: Alert) -> None:
        row = _row(alert, "alert_id")
        if alert.state is not AlertState.NORMAL:
            # nobody watches it here, so it would stand for ever
            over = alert.rectified_time or alert.last_time or alert.worst_time or alert.raised_time
            row |= {"state": AlertState.NORMAL.value, "rectified_time": over}
        self._put("alerts", "alert", "alert_id", row, ("joint", "channel", "condition", "raised_time"))

    def _put(
        self, part: str, table: str, number: str | None, row: Mapping[str, Any], key: Sequence[str]
    ) -> int:
        """Insert a row unless one with the same `key` is there; its number, below zero if it is new.

        number: the column of numbers; None: the database gives them.
        """
        which = " AND ".join(f"{name} IS ?" for name in key)
        there = self._connection.execute(
            f"SELECT {number or 'rowid'} FROM {table} WHERE {which}",
            tuple(row[name] for name in key),
        ).fetchone()
        if there is not None:
            self._known[part] += 1
            return int(there[0])
        self._new[part] += 1
        if number is None:
            self._insert(table, row)
            return 0
        (lowest,) = self._connection.execute(f"SELECT min({number}) FROM {table}").fetchone()
        given = min(int(lowest or 0), 0) - 1
        self._insert(table, {number: given, **row})
        return given

    def _insert(self, table: str, row: Mapping[str, Any]) -> None:
        names, marks = ", ".join(row), ", ".join("?" * len(row))
        self._connection.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(row.values()))


def _latest_first(rows: Sequence[Any], time: str) -> Iterator[Any]:
    """Numbers count down, so that the latest has the highest, and of two at one time the later one."""
    return iter(sorted(rows, key=lambda row: getattr(row, time))[::-1])


def _row(thing: Any, *without: str) -> dict[str, Any]:
    """The columns of a dataclass whose fields are columns."""
    row = {f.name: getattr(thing, f.name) for f in fields(thing) if f.name not in without}
    return {name: value.value if isinstance(value, Enum) else value for name, value in row.items()}
