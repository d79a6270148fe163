"""The owner's circuit in the order that current flows, read off the configuration; the page draws it.

What the file tells: joints in its order, the current through each, joints on one metal, and perhaps
`[[part]]`. From that: metals that several currents meet on are bars; a current's joints in the order of
the file are one line; a line is cut where it meets a bar; two joints of one line on one metal have a part
between them. A positive current flows in the order of the file. Figures come from elsewhere: only what
stands where is said here. Pure; may import model and json_shapes only.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from lugwatch.json_shapes import JsonObject
from lugwatch.model import Boat, Channel, Joint, Part, PartKind, Quantity

# Words of the trade that a name may hold: they choose a sign, never a figure.
_KIND_WORDS = (
    (PartKind.FUSE, ("fuse", "breaker")),
    (PartKind.ISOLATOR, ("isolator", "switch")),
    (PartKind.SHUNT, ("shunt",)),
    (PartKind.ALTERNATOR, ("alternator", "generator")),
    (PartKind.CHARGER, ("charger", "solar", "wind", "shore")),
    (PartKind.INVERTER, ("inverter",)),
    (PartKind.BATTERY, ("battery", "bank")),
    (PartKind.BAR, ("bar", "busbar")),
)
_THROUGH = (PartKind.FUSE, PartKind.ISOLATOR, PartKind.SHUNT)
_ENDS = (PartKind.ALTERNATOR, PartKind.CHARGER, PartKind.INVERTER, PartKind.BATTERY)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A part as it is drawn."""

    name: str
    kind: PartKind


Step = str | Shown  # a joint's id, or what stands between joints


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What one current flows through, in the order in which a positive current flows.

    into: it flows into the bar, so its end stands first; else it leaves the bar, and its end stands last.
    """

    current: str | None
    into: bool
    stud: str | None  # the joint where it meets the bar; None: it meets none, or is drawn with its other half
    steps: tuple[Step, ...]
    end: Shown | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A metal that currents meet on; `name` None: lines that meet no bar."""

    name: str | None
    lines: tuple[Line, ...]


@dataclass(slots=True, kw_only=True)
class _Metals:
    """Which joints share a metal, and what stands there."""

    of: dict[str, int]
    joints: list[list[str]]
    told: dict[int, Part] = field(default_factory=dict)


def circuit(boat: Boat, parts: Sequence[Part] = ()) -> tuple[Bar, ...]:
    """Bars with their lines, the one with most joints first; lines that meet no bar come last."""
    joints = {j.joint: j for j in boat.joints}
    parts = [p for p in parts if any(j in joints for j in p.joints)]
    metals = _metals(boat.joints, parts)
    bars = _bars(metals, joints)
    lines: dict[int | None, list[Line]] = {metal: [] for metal in bars}
    lines[None] = []
    currents = {c.channel: c for c in boat.channels if c.quantity is Quantity.AMPS}
    for current in dict.fromkeys(j.current for j in boat.joints):
        along = [j.joint for j in boat.joints if j.current == current]
        for metal, line in _cut(currents.get(current or ""), along, metals, bars, joints):
            lines[metal].append(line)
    return tuple(
        Bar(name=_metal_name(metal, metals, joints) if metal is not None else None, lines=tuple(found))
        for metal, found in lines.items()
        if found
    )


def _metals(joints: Sequence[Joint], parts: Sequence[Part]) -> _Metals:
    groups = {j.joint: {j.joint} for j in joints}

    def join(a: str, b: str) -> None:
        if a in groups and b in groups and groups[a] is not groups[b]:
            groups[a] |= groups[b]
            for other in groups[b]:
                groups[other] = groups[a]

    for joint in joints:
        for neighbour in joint.neighbours:
            join(joint.joint, neighbour)
    for part in parts:
        for other in part.joints[1:]:
            join(part.joints[0], other)
    of: dict[str, int] = {}
    found: list[list[str]] = []
    for joint in joints:
        if joint.joint not in of:
            found.append([j.joint for j in joints if j.joint in groups[joint.joint]])
            of |= {j: len(found) - 1 for j in found[-1]}
    metals = _Metals(of=of, joints=found)
    for part in parts:
        metals.told.setdefault(next(of[j] for j in part.joints if j in of), part)
    return metals


def _bars(metals: _Metals, joints: dict[str, Joint]) -> list[int]:
    """Metals that are bars, that with most joints first."""

    def is_bar(metal: int) -> bool:
        told = metals.told.get(metal)
        if told is not None and told.kind is not PartKind.PART:
            return told.kind is PartKind.BAR
        return len({joints[j].current for j in metals.joints[metal]}) > 1

    found = [metal for metal in range(len(metals.joints)) if is_bar(metal)]
    return sorted(found, key=lambda metal: -len(metals.joints[metal]))


def _cut(
    current: Channel | None,
    along: Sequence[str],
    metals: _Metals,
    bars: Sequence[int],
    joints: dict[str, Joint],
) -> list[tuple[int | None, Line]]:
    """One current's joints, cut where they meet bars."""
    channel = None if current is None else current.channel
    studs: list[str] = []
    pieces: list[list[str]] = [[]]
    met: set[int] = set()
    for joint in along:
        metal = metals.of[joint]
        if metal in bars and metal not in met:
            met.add(metal)
            studs.append(joint)
            pieces.append([])
        else:
            # a second joint of the same current on the same bar stays on its line
            pieces[-1].append(joint)

    def line(stud: str | None, piece: Sequence[str], *, into: bool, end: Shown | None) -> Line:
        steps = _with_parts(piece, metals, joints, end)
        return Line(current=channel, into=into, stud=stud, steps=steps, end=end)

    if not studs:
        return [(None, line(None, along, into=False, end=_end(current, along, metals, joints)))]
    source = _end(current, pieces[0], metals, joints) if pieces[0] else None
    cut: list[tuple[int | None, Line]] = []
    for n, stud in enumerate(studs):
        before, after = pieces[n], pieces[n + 1]
        metal = metals.of[stud]
        if n > 0:
            # what lies between two bars is drawn at the first of them; here only where it comes from
            between = source if not before and source else _end(current, before, metals, joints)
            into = bool(before) or source is None
            cut.append((metal, line(stud, (), into=into, end=between)))
        elif before:
            cut.append((metal, line(stud, before, into=True, end=source)))
        if after or (n == 0 and not before):
            # where it came in by this stud already, it goes on from the bar
            shown = None if before or n > 0 else stud
            cut.append((metal, line(shown, after, into=False, end=_end(current, after, metals, joints))))
    return cut


def _end(
    current: Channel | None, piece: Sequence[str], metals: _Metals, joints: dict[str, Joint]
) -> Shown | None:
    """What stands at the far end of a line: told, or as its current is called."""
    for joint in reversed(piece):
        told = metals.told.get(metals.of[joint])
        if told is not None and told.kind in (*_ENDS, PartKind.CONSUMER):
            return Shown(name=told.name, kind=told.kind)
    if current is None:
        return None
    return Shown(
        name=current.name, kind=guess_kind((current.name, current.channel), _ENDS, PartKind.CONSUMER)
    )


def _with_parts(
    piece: Sequence[str], metals: _Metals, joints: dict[str, Joint], end: Shown | None
) -> tuple[Step, ...]:
    steps: list[Step] = []
    for n, joint in enumerate(piece):
        metal = metals.of[joint]
        shared = n > 0 and metals.of[piece[n - 1]] == metal
        if shared and len([j for j in piece[:n] if metals.of[j] == metal]) == 1:
            steps.append(_between(metal, metals, joints))
        steps.append(joint)
        told = metals.told.get(metal)
        alone = [j for j in piece if metals.of[j] == metal] == [joint]
        if told is not None and alone and told.kind in (*_THROUGH, PartKind.PART):
            steps.append(Shown(name=told.name, kind=told.kind))
    return tuple(steps)


def _between(metal: int, metals: _Metals, joints: dict[str, Joint]) -> Shown:
    told = metals.told.get(metal)
    if told is not None:
        return Shown(name=told.name, kind=told.kind)
    names = [joints[j].name for j in metals.joints[metal]]
    kind = guess_kind((*names, *metals.joints[metal]), _THROUGH, PartKind.PART)
    return Shown(name=common_name(names), kind=kind)


def _metal_name(metal: int, metals: _Metals, joints: dict[str, Joint]) -> str:
    told = metals.told.get(metal)
    return told.name if told is not None else common_name([joints[j].name for j in metals.joints[metal]])


def guess_kind(names: Iterable[str], among: Sequence[PartKind], other: PartKind) -> PartKind:
    """The kind whose word the names hold; `other` where they hold none."""
    words = set(re.findall(r"[a-z]+", " ".join(names).lower()))
    return next((kind for kind, said in _KIND_WORDS if kind in among and words & set(said)), other)


def common_name(names: Sequence[str]) -> str:
    """What several names begin with, in whole words: "Main fuse" of "Main fuse, in" and "Main fuse, out"."""
    split = [name.replace(",", " ,").split() for name in names]
    shared: list[str] = []
    for words in zip(*split, strict=False):
        if len(set(words)) > 1:
            break
        shared.append(words[0])
    return " ".join(shared).replace(" ,", ",").strip(" ,")


def circuit_object(bars: Iterable[Bar]) -> list[JsonObject]:
    """The circuit as the page's script takes it."""
    return [{"name": bar.name, "lines": [_line_object(line) for line in bar.lines]} for bar in bars]


def _line_object(line: Line) -> JsonObject:
    return {
        "current": line.current,
        "into": line.into,
        "stud": line.stud,
        "steps": [{"joint": s} if isinstance(s, str) else _shown_object(s) for s in line.steps],
        "end": None if line.end is None else _shown_object(line.end),
    }


def _shown_object(shown: Shown) -> JsonObject:
    return {"name": shown.name, "kind": shown.kind.value}
