"""A few keys of one probe or current put into the owner's own file, everything else left as it stands.

The text is changed line by line, so comments and order stay, and then held against what it should say: if
anything but those keys would read differently, nothing is written. Written beside it, synced, renamed; the
file as it was is kept. Not here: what is written. May import: errors, units.
"""

import contextlib
import os
import re
import shutil
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from lugwatch.errors import OperationFailed, UserError

Value = float | date
_HEADER = re.compile(r"^\s*\[")
_HARD = "it is written in a way that cannot be changed safely: put the lines in by hand"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Keys of one table: `table` is "probe" or "current", `name` its id. None takes a key away."""

    table: str
    name: str
    keys: Mapping[str, Value | None]
    note: str = ""  # a comment behind the first key


def lines(change: Change) -> list[str]:
    """The lines as they will stand in the file."""
    note = f"  # {change.note}" if change.note else ""
    told = [f"{key} = {_toml(value)}" for key, value in change.keys.items() if value is not None]
    return [f"{told[0]}{note}", *told[1:]] if told else []


def changed(text: str, changes: list[Change]) -> str:
    """The text with those keys. Raises UserError, one line, where that cannot be done safely."""
    before = tomllib.loads(text)
    for change in changes:
        text = _one(text, change)
    wanted = _wanted(before, changes)
    try:
        after = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        after = {}
    if after != wanted:
        raise UserError(_HARD)
    return text


def write(path: Path, text: str, now: int) -> Path:
    """Put `text` in the file's place; where the file as it was is kept. `now` [ms] names that one.

    Raises OperationFailed with the file untouched.
    """
    path = path.resolve()
    stamp = datetime.fromtimestamp(now // 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
    kept = path.with_name(f"{path.name}.before-{stamp}")
    number = 1
    while kept.exists():
        number += 1
        kept = path.with_name(f"{path.name}.before-{stamp}-{number}")
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            shutil.copymode(path, part)
            _same_owner(path, part)
            os.fsync(file.fileno())
        os.link(path, kept)
        part.replace(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise OperationFailed(f"cannot write {path}: {error.strerror}; nothing was changed") from None
    return kept


def _same_owner(path: Path, part: Path) -> None:
    """A file that root changes stays the service's own; anybody else owns what he may write."""
    was = path.stat()
    with contextlib.suppress(PermissionError):
        os.chown(part, was.st_uid, was.st_gid)


def _one(text: str, change: Change) -> str:
    rows = text.splitlines(keepends=True)
    start, end = _table(rows, change)
    ending = "\r\n" if rows[start].endswith("\r\n") else "\n"
    block = rows[start + 1 : end]
    for key in change.keys:
        block = [row for row in block if not re.match(rf"\s*{re.escape(key)}\s*=", row)]
    # behind the last line that says something: what follows belongs to the next table's comment
    last = max(
        (n for n, row in enumerate(block) if row.strip() and not row.lstrip().startswith("#")), default=-1
    )
    if last >= 0 and not block[last].endswith("\n"):
        block[last] += ending
    added = [f"{line}{ending}" for line in lines(change)]
    return "".join([*rows[: start + 1], *block[: last + 1], *added, *block[last + 1 :], *rows[end:]])


def _table(rows: list[str], change: Change) -> tuple[int, int]:
    """First and last line of the table of that name, its header included."""
    header = re.compile(rf"^\s*\[\[\s*{change.table}\s*\]\]")
    starts = [n for n, row in enumerate(rows) if _HEADER.match(row)] + [len(rows)]
    for start, end in pairwise(starts):
        if not header.match(rows[start]):
            continue
        with contextlib.suppress(tomllib.TOMLDecodeError):
            said = tomllib.loads("".join(rows[start:end])).get(change.table, [{}])
            if said[0].get("id") == change.name:
                return start, end
    raise UserError(f'no [[{change.table}]] with id = "{change.name}" of its own lines: {_HARD}')


def _wanted(before: dict[str, Any], changes: list[Change]) -> dict[str, Any]:
    wanted = dict(before)
    for kind in ("probe", "current"):
        wanted[kind] = [dict(table) for table in before.get(kind, [])]
        if kind not in before:
            del wanted[kind]
    for change in changes:
        for table in wanted.get(change.table, []):
            if table.get("id") == change.name:
                for key, value in change.keys.items():
                    table.pop(key, None)
                    if value is not None:
                        table[key] = tomllib.loads(f"x = {_toml(value)}")["x"]
    return wanted


def _toml(value: Value) -> str:
    if isinstance(value, date):
        return value.isoformat()
    return f"{value:.4f}".rstrip("0").rstrip(".") if value else "0"
