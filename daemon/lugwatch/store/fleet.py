"""Many boats side by side: a folder of Parquet, by boat and day, for engines that exist.

    FOLDER/reading/boat=SLUG/day=2026-06-01/part.parquet
    FOLDER/passage_joint/boat=SLUG/day=2026-06-01/part.parquet   one row a joint on a passage that is over
    FOLDER/alert/boat=SLUG/day=2026-06-01/part.parquet

Days are of UTC, and of a passage's start. Writing a day again replaces its files, so a charter base copies
each boat as often as it likes. No home-made cluster: what asks across boats is a well-kept engine of others.
Not here: the single file (`columnar`). May import: model, units, errors, store rooms but writer.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Alert, Joint, Passage
from lugwatch.store.columnar import (
    HOW,
    ROWS_A_GROUP,
    pieces,
    pyarrow,
    reading_schema,
    reading_table,
    units_of,
)
from lugwatch.store.queries import History
from lugwatch.store.whole_file import whole_file
from lugwatch.units import format_time

DAY_MS = 86_400_000
_SLUG = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """How much went into the folder."""

    boat: str
    readings: int
    passages: int
    alerts: int
    days: int


def write_days(
    history: History,
    folder: Path,
    *,
    boat: str | None = None,
    start: int | None = None,
    end: int | None = None,
    progress: Callable[[int], None] | None = None,
) -> Written:
    """Write the days of `start` to `end` [ms, both included; whole days of UTC] into `folder`.

    `boat` is the name in the folder where the boat's own slug is not alone there. `progress` hears readings
    done. Raises UserError (no folder, no pyarrow, a name that cannot be one) or OperationFailed (disk).
    """
    pyarrow()
    slug = boat or history.boat().slug
    if not _SLUG.fullmatch(slug):
        raise UserError(f"--boat {slug!r}: use small letters, digits and single hyphens, like sea-bird-2")
    if not folder.is_dir():
        raise UserError(f"{folder}: there is no such folder; make it, or mount the disk")
    first = None if start is None else start - start % DAY_MS
    last = None if end is None else end - end % DAY_MS + DAY_MS - 1
    days: set[str] = set()

    def place(kind: str, day: int) -> Path:
        name = format_time(day * DAY_MS)[:10]
        days.add(name)
        path = folder / kind / f"boat={slug}" / f"day={name}"
        try:
            path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OperationFailed(f"{path}: cannot be made ({error.strerror}); is there room?") from error
        return path / "part.parquet"

    readings = _write_readings(history, place, first, last, progress)
    joints = {joint.joint: joint for joint in history.boat().joints}
    passages = [
        p for p in history.passages() if p.end_time is not None and _within(p.start_time, first, last)
    ]
    alerts = [a for a in history.alerts() if _within(a.raised_time, first, last)]
    _write_rows(
        "passage_joint",
        [(p.start_time, row) for p in passages for row in _passage_rows(p, joints)],
        _passage_schema(),
        place,
    )
    _write_rows("alert", [(a.raised_time, _alert_row(a)) for a in reversed(alerts)], _alert_schema(), place)
    return Written(boat=slug, readings=readings, passages=len(passages), alerts=len(alerts), days=len(days))


Place = Callable[[str, int], Path]


def _within(time: int, first: int | None, last: int | None) -> bool:
    return (first is None or time >= first) and (last is None or time <= last)


def _write_readings(
    history: History,
    place: Place,
    first: int | None,
    last: int | None,
    progress: Callable[[int], None] | None,
) -> int:
    arrow, units, count = pyarrow(), units_of(history), 0
    schema = reading_schema(history.boat().name)
    for day, readings in groupby(history.readings(first, last), lambda reading: reading[0] // DAY_MS):
        with (
            whole_file(place("reading", day)) as partial,
            arrow.parquet.ParquetWriter(partial, schema, **HOW) as file,
        ):
            for piece in pieces(iter(readings), ROWS_A_GROUP):
                file.write_table(reading_table(schema, units, piece))
                count += len(piece)
                if progress is not None:
                    progress(count)
    return count


def _write_rows(kind: str, rows: Iterable[tuple[int, dict[str, object]]], schema: Any, place: Place) -> None:
    arrow = pyarrow()
    by_day = sorted(rows, key=lambda row: row[0])
    for day, found in groupby(by_day, lambda row: row[0] // DAY_MS):
        table = arrow.Table.from_pylist([row for _, row in found], schema=schema)
        with whole_file(place(kind, day)) as partial:
            arrow.parquet.write_table(table, partial, **HOW)


def _fields(*named: tuple[str, Any, str]) -> Any:
    """A schema; the unit of each number goes along with its column."""
    arrow = pyarrow()
    return arrow.schema([arrow.field(name, kind, metadata={"unit": unit}) for name, kind, unit in named])


def _passage_schema() -> Any:
    arrow = pyarrow()
    moment, number, text = arrow.timestamp("ms", tz="UTC"), arrow.float64(), arrow.string()
    return _fields(
        ("passage_id", arrow.int64(), ""),
        ("start_time", moment, "UTC"),
        ("end_time", moment, "UTC"),
        ("joint", text, ""),
        ("joint_name", text, ""),
        ("current", text, ""),
        ("amp_hours", number, "A h"),
        ("max_amps", number, "A"),
        ("max_celsius", number, "°C"),
        ("limit_celsius", number, "°C"),
        ("margin_kelvin", number, "K"),
        ("rise_coefficient", number, "K/A²"),
        ("rise_coefficient_sd", number, "K/A²"),
        ("rated_amps", number, "A"),
        ("rise_at_rated_kelvin", number, "K"),
    )


def _passage_rows(passage: Passage, joints: dict[str, Joint]) -> Sequence[dict[str, object]]:
    """Null where it is not known: of a joint that is configured no more its limit, for one."""
    rows: list[dict[str, object]] = []
    for name, figures in passage.joints.items():
        joint = joints.get(name)
        current = None if joint is None or joint.current is None else passage.currents.get(joint.current)
        limit = None if joint is None else joint.limit_celsius
        rated = None if joint is None else joint.rated_amps
        rise = figures.rise_coefficient
        rows.append(
            {
                "passage_id": passage.passage_id,
                "start_time": passage.start_time,
                "end_time": passage.end_time,
                "joint": name,
                "joint_name": None if joint is None else joint.name,
                "current": None if joint is None else joint.current,
                "amp_hours": None if current is None else current.amp_hours,
                "max_amps": None if current is None else current.max_amps,
                "max_celsius": figures.max_celsius,
                "limit_celsius": limit,
                "margin_kelvin": None
                if limit is None or figures.max_celsius is None
                else limit - figures.max_celsius,
                "rise_coefficient": rise,
                "rise_coefficient_sd": figures.rise_coefficient_sd,
                "rated_amps": rated,
                "rise_at_rated_kelvin": None if rise is None or rated is None else rise * rated**2,
            }
        )
    return rows


def _alert_schema() -> Any:
    arrow = pyarrow()
    moment, text = arrow.timestamp("ms", tz="UTC"), arrow.string()
    return _fields(
        ("alert_id", arrow.int64(), ""),
        ("joint", text, ""),
        ("channel", text, ""),
        ("condition", text, ""),
        ("category", text, ""),
        ("state", text, ""),
        ("raised_time", moment, "UTC"),
        ("rectified_time", moment, "UTC"),
        ("acknowledged_time", moment, "UTC"),
        ("text", text, ""),
    )


def _alert_row(alert: Alert) -> dict[str, object]:
    return {
        "alert_id": alert.alert_id,
        "joint": alert.joint,
        "channel": alert.channel,
        "condition": alert.condition.value,
        "category": alert.category.value,
        "state": alert.state.value,
        "raised_time": alert.raised_time,
        "rectified_time": alert.rectified_time,
        "acknowledged_time": alert.acknowledged_time,
        "text": alert.text,
    }
