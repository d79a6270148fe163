"""The owner's circuit put into his file: `[[part]]` tables; of joints their current, order and neighbours.

The text is changed row by row, so comments and all else stay, and then held against what it should say: if
it would read differently in anything else, nothing is changed (as `config_edit`, which also writes it). A
part on which no probe sits yet cannot stand in the file as a table; it waits there as a comment.
Not here: what is asked. May import: errors, model.
"""

import copy
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from lugwatch.errors import UserError
from lugwatch.model import Part, PartKind

HARD = "the file is written in a way that cannot be changed safely: put the lines in by hand"
WAITING = "# Parts on which no probe sits yet, so not drawn; `lugwatch circuit` asks for them again."
# `[85, 1070]` within a list is no header
_HEADER = re.compile(r"^\s*\[\[?\s*([A-Za-z0-9_\"'.\s-]+?)\s*\]\]?\s*(#.*)?$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """What the file is to say. What is left empty of `currents`, `neighbours` and `order` stays as it is."""

    parts: tuple[Part, ...]  # all of them; those without a joint wait as a comment
    currents: Mapping[str, str] = field(default_factory=dict)  # by joint
    neighbours: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # by joint
    order: tuple[str, ...] = ()  # all joints of the file, as a positive current passes them


def part_text(part: Part) -> str:
    """The table as it stands in a file."""
    joints = ", ".join(quoted(j) for j in part.joints)
    return f'[[part]]\nname = {quoted(part.name)}\nkind = "{part.kind.value}"\njoints = [{joints}]\n'


def waiting(text: str) -> tuple[Part, ...]:
    """Parts that wait in the file's comment; a comment that was altered beyond reading tells none."""
    start, end = _waiting_rows(_rows(text))
    said = "".join(row.removeprefix("# ") for row in _rows(text)[start + 1 : end])
    try:
        tables = tomllib.loads(said).get("part", [])
        return tuple(Part(name=str(t["name"]), kind=PartKind(t["kind"]), joints=()) for t in tables)
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError, AttributeError):
        return ()


def wired(text: str, wiring: Wiring) -> str:
    """The text with that circuit. Raises UserError, one line, where that cannot be done safely."""
    before = tomllib.loads(text)
    ending = "\r\n" if "\r\n" in text else "\n"
    rows = _rows(text.replace("\r\n", "\n"))
    start, end = _waiting_rows(rows)
    if end > start:
        del rows[start:end]
        while start > 0 and not rows[start - 1].strip() and (start == len(rows) or not rows[start].strip()):
            start -= 1
            del rows[start]
    known = {p.name: p for p in wiring.parts if p.joints}
    standing = [t.get("name") for t in before.get("part", [])]
    for joint, current in wiring.currents.items():
        rows = _with_key(rows, "joint", ("id", joint), "current", quoted(current))
    for joint, others in wiring.neighbours.items():
        listed = ", ".join(quoted(j) for j in others)
        rows = _with_key(rows, "joint", ("id", joint), "neighbours", f"[{listed}]")
    for name in standing:
        if name not in known:
            first, last = _own_rows(rows, "part", ("name", name))
            del rows[first:last]
            continue
        listed = ", ".join(quoted(j) for j in known[name].joints)
        was = next(t for t in before["part"] if t.get("name") == name)
        if was.get("kind", "part") != known[name].kind.value:
            rows = _with_key(rows, "part", ("name", name), "kind", f'"{known[name].kind.value}"')
        if was.get("joints") != list(known[name].joints):
            rows = _with_key(rows, "part", ("name", name), "joints", f"[{listed}]")
    if wiring.order:
        rows = _reordered(rows, wiring.order)
    text = _ended("".join(rows))
    for part in wiring.parts:
        if part.joints and part.name not in standing:
            text += "\n" + part_text(part)
    idle = [part for part in wiring.parts if not part.joints]
    if idle:
        said = "".join(part_text(part) for part in idle)
        text += f"\n{WAITING}\n" + "".join(f"# {row}" for row in _rows(said))
    try:
        after = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        after = {}
    if after != _wanted(before, wiring):
        raise UserError(HARD)
    return text.replace("\n", ending) if ending != "\n" else text


def _wanted(before: dict[str, Any], wiring: Wiring) -> dict[str, Any]:
    wanted = copy.deepcopy(before)
    joints = {t.get("id"): t for t in wanted.get("joint", [])}
    for joint, current in wiring.currents.items():
        joints[joint]["current"] = current
    for joint, others in wiring.neighbours.items():
        joints[joint]["neighbours"] = list(others)
    if wiring.order:
        wanted["joint"] = [joints[j] for j in wiring.order]
    known = {p.name: p for p in wiring.parts if p.joints}
    standing = [t for t in wanted.get("part", []) if t.get("name") in known]
    for table in standing:
        part = known.pop(table["name"])
        if table.get("kind", "part") != part.kind.value:
            table["kind"] = part.kind.value
        table["joints"] = list(part.joints)
    new = [{"name": p.name, "kind": p.kind.value, "joints": list(p.joints)} for p in known.values()]
    wanted.pop("part", None)
    if standing or new:
        wanted["part"] = [*standing, *new]
    return wanted


def _rows(text: str) -> list[str]:
    """By line feeds alone: a name may hold other letters that end a line elsewhere."""
    return [row for row in re.split(r"(?<=\n)", text) if row]


def _ended(text: str) -> str:
    return text if not text or text.endswith("\n") else text + "\n"


def quoted(text: str) -> str:
    """A basic string of TOML 1.0, of letters that can be printed."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _waiting_rows(rows: Sequence[str]) -> tuple[int, int]:
    start = next((n for n, row in enumerate(rows) if row.strip() == WAITING), len(rows))
    end = start
    while end < len(rows) and rows[end].startswith("#"):
        end += 1
    return start, end


def _headers(rows: Sequence[str]) -> list[tuple[int, str]]:
    """Where tables begin, and their names."""
    found = ((n, _HEADER.match(row.rstrip("\n"))) for n, row in enumerate(rows))
    return [(n, re.sub(r"[\s\"']", "", match[1])) for n, match in found if match]


def _own_rows(rows: Sequence[str], table: str, key: tuple[str, str]) -> tuple[int, int]:
    """First and last row of a table, up to the last that says something. Raises UserError."""
    starts = _headers(rows)
    ends = [n for n, _ in starts[1:]] + [len(rows)]
    for (start, name), end in zip(starts, ends, strict=True):
        if name != table:
            continue
        try:
            said = tomllib.loads("".join(rows[start:end]))[table][0]
        except (tomllib.TOMLDecodeError, KeyError, IndexError, TypeError):
            continue
        if said.get(key[0]) == key[1]:
            last = max(n for n in range(start, end) if n == start or _says(rows[n]))
            return start, last + 1
    raise UserError(f'no [[{table}]] with {key[0]} = "{key[1]}" on rows of its own: {HARD}')


def _says(row: str) -> bool:
    return bool(row.strip()) and not row.lstrip().startswith("#")


def _with_key(rows: list[str], table: str, owner: tuple[str, str], key: str, value: str) -> list[str]:
    """One key anew, where it stood, else behind the table's last; values are ids and words without a `#`."""
    start, end = _own_rows(rows, table, owner)
    at = next((n for n in range(start + 1, end) if re.match(rf"\s*{key}\s*=", rows[n])), None)
    if at is None:
        last = _ended(rows[end - 1])
        return [*rows[: end - 1], last, f"{key} = {value}\n", *rows[end:]]
    stop = at + 1
    while stop < end and not _whole("".join(rows[at:stop])):
        stop += 1
    notes = [row[row.index("#") :].rstrip() for row in rows[at:stop] if "#" in row]
    kept = f"   {notes[0]}" if len(notes) == 1 else ""
    above = [f"{note}\n" for note in notes] if len(notes) > 1 else []
    return [*rows[:at], *above, f"{key} = {value}{kept}\n", *rows[stop:]]


def _whole(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return True


def _reordered(rows: list[str], order: Sequence[str]) -> list[str]:
    """Joints' tables change places, each with its own sub-tables and the comment right above it."""
    headers = _headers(rows)
    units: list[tuple[int, int]] = []
    for n, (start, name) in enumerate(headers):
        if name != "joint":
            continue
        after = next((at for at, other in headers[n + 1 :] if not other.startswith("joint.")), len(rows))
        units.append((_with_comment(rows, start), _with_comment(rows, after)))
    texts = {}
    for start, end in units:
        said = _ended("".join(rows[start:end]))
        try:
            texts[tomllib.loads(said)["joint"][0]["id"]] = said
        except (tomllib.TOMLDecodeError, KeyError, IndexError, TypeError):
            raise UserError(HARD) from None
    if sorted(texts) != sorted(order) or len(units) != len(order):
        raise UserError(HARD)
    if list(texts) == list(order):
        return rows
    out: list[str] = []
    last = 0
    for (start, end), joint in zip(units, order, strict=True):
        out += [*rows[last:start], *_rows(_spaced(texts[joint], end < len(rows)))]
        last = end
    return [*out, *rows[last:]]


def _spaced(text: str, more: bool) -> str:
    """The file's last table has no empty line behind it, and needs one elsewhere."""
    return text.rstrip("\n") + ("\n\n" if more else "\n")


def _with_comment(rows: Sequence[str], header: int) -> int:
    while 0 < header < len(rows) and rows[header - 1].lstrip().startswith("#"):
        header -= 1
    return header
