"""What the owner is asked about his circuit, and what answers mean: parts, joints on them, currents, order.

Questions follow from the boat and the answers so far, so they can be left after any of them and gone on with.
What is typed is refused in one line or understood; nothing in between. Answers become a `Wiring`.
Not here: the terminal and the file of answers (`cli.circuit_desk`), the file's text (`circuit_edit`).
May import: dashboard.circuit for what names tell, circuit_edit, circuit_typed, errors, model.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from lugwatch import circuit_typed
from lugwatch.circuit_edit import Wiring
from lugwatch.circuit_typed import NONE
from lugwatch.dashboard.circuit import guess_kind
from lugwatch.errors import UserError
from lugwatch.model import Boat, Joint, Part, PartKind, Quantity

LONGEST_NAME = 80
MOST_OF_A_KIND = 40
# asked in this order; what most boats have is what is offered where names tell nothing
KINDS: Mapping[PartKind, tuple[str, tuple[str, ...]]] = {
    PartKind.BATTERY: ("Battery banks", ("House bank",)),
    PartKind.FUSE: ("Fuses and breakers", ("Main fuse",)),
    PartKind.ISOLATOR: ("Isolators, battery switches", ("Battery switch",)),
    PartKind.SHUNT: ("Shunts", ("Shunt",)),
    PartKind.BAR: ("Bars", ("Positive bar", "Negative bar")),
    PartKind.ALTERNATOR: ("Alternators", ("Alternator",)),
    PartKind.CHARGER: ("Chargers (shore, sun, wind)", ()),
    PartKind.INVERTER: ("Inverters", ()),
    PartKind.CONSUMER: ("Consumers with a heavy cable of their own (windlass, thruster)", ()),
    PartKind.PART: ("Anything else that a probe sits on", ()),
}
_ONE_METAL = (PartKind.BAR, PartKind.FUSE, PartKind.ISOLATOR, PartKind.SHUNT)
_MACHINES = (PartKind.ALTERNATOR, PartKind.CHARGER, PartKind.INVERTER, PartKind.BATTERY)


@dataclass(slots=True, kw_only=True)
class Answers:
    """What was answered so far; what is not in here was not asked yet."""

    parts: dict[PartKind, list[str]] = field(default_factory=dict)
    places: dict[str, str] = field(default_factory=dict)  # joint: name of a part, "" for none
    currents: dict[str, str] = field(default_factory=dict)  # joint: id of a current, "" for as it is
    order: dict[str, list[str]] = field(default_factory=dict)  # current: its joints
    one_metal: bool | None = None

    @property
    def count(self) -> int:
        """How many questions are answered."""
        asked = len(self.parts) + len(self.places) + len(self.currents) + len(self.order)
        return asked + (self.one_metal is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The boat and what her file says now."""

    boat: Boat
    parts: tuple[Part, ...]  # those that wait without a joint among them
    bare: frozenset[str] = frozenset()  # joints whose table has no `neighbours`
    has_history: bool = False
    offers_usual: bool = True  # what most boats have, where names tell nothing

    def __post_init__(self) -> None:
        names = [part.name.casefold() for part in self.parts]
        for part in self.parts:
            if names.count(part.name.casefold()) > 1:
                raise UserError(f'two [[part]] are called "{part.name}"; give each its own name in the file')

    @property
    def currents(self) -> list[str]:
        return [c.channel for c in self.boat.channels if c.quantity is Quantity.AMPS]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """about: "parts", "place", "current", "order" or "metal"; subject: a kind, joint or current."""

    about: str
    subject: str
    text: str
    default: str  # as it would be typed
    choices: tuple[str, ...] = ()  # numbered
    help: str = ""


def questions(known: Standing, answers: Answers) -> list[Question]:
    """All that can be known to be asked now, in order; answered ones among them."""
    asked = [_of_parts(kind, known, answers) for kind in KINDS]
    if any(kind not in answers.parts for kind in KINDS):
        return asked
    names = part_names(answers)
    if names:
        asked += [_of_place(joint, names, known, answers) for joint in known.boat.joints]
    if _currents_are_open(known):
        asked += [_of_current(joint, known) for joint in known.boat.joints]
    if any(not is_answered(q, answers) for q in asked):
        return asked
    along = _along(known, answers)
    asked += [_of_order(current, on, known) for current, on in along.items() if len(on) > 1]
    if touching := _touching(known, answers):
        asked.append(_of_metal(touching, known))
    return asked


def next_question(known: Standing, answers: Answers) -> Question | None:
    """The first that is not answered; None when all are."""
    return next((q for q in questions(known, answers) if not is_answered(q, answers)), None)


def _kept(about: str, answers: Answers) -> dict[Any, Any]:
    kept: dict[str, dict[Any, Any]] = {
        "parts": answers.parts,
        "place": answers.places,
        "current": answers.currents,
        "order": answers.order,
    }
    return kept[about]


def is_answered(question: Question, answers: Answers) -> bool:
    if question.about == "metal":
        return answers.one_metal is not None
    return question.subject in _kept(question.about, answers)


def forget(question: Question, answers: Answers) -> None:
    """Take one answer back, to be asked again."""
    if question.about == "metal":
        answers.one_metal = None
        return
    _kept(question.about, answers).pop(question.subject, None)
    if question.about == "current":
        answers.order.clear()  # other joints may be on other currents now


def take(question: Question, typed: str, known: Standing, answers: Answers) -> None:
    """Keep what was typed; empty is the default. Raises UserError, one line, with nothing changed."""
    said = typed.strip() or question.default
    match question.about:
        case "parts":
            kind = PartKind(question.subject)
            answers.parts[kind] = checked_names(
                kind, [] if said == NONE else circuit_typed.listed(said), answers
            )
            if all(other in answers.parts for other in KINDS):
                names = {"", *part_names(answers)}
                answers.places = {joint: part for joint, part in answers.places.items() if part in names}
        case "place":
            answers.places[question.subject] = circuit_typed.chosen(said, question.choices, "part")
        case "current":
            answers.currents[question.subject] = circuit_typed.chosen(said, question.choices, "current")
        case "order":
            answers.order[question.subject] = circuit_typed.permuted(
                said, _along(known, answers)[question.subject]
            )
        case _:
            answers.one_metal = circuit_typed.yes(said)


def checked_names(kind: PartKind, names: Sequence[str], answers: Answers) -> list[str]:
    """Names of one kind. Raises UserError, one line."""
    if len(names) > MOST_OF_A_KIND:
        raise UserError(
            f"{len(names)} of one kind are too many; name the {MOST_OF_A_KIND} that carry the most"
        )
    taken = {name.casefold(): k for k, listed in answers.parts.items() if k is not kind for name in listed}
    for name in names:
        if not 1 <= len(name) <= LONGEST_NAME or not name.isprintable() or name != name.strip():
            raise UserError(
                f"{circuit_typed.seen(name)} is no name: 1 to {LONGEST_NAME} letters, between commas"
            )
        if name in (NONE, "?", "<"):
            raise UserError(f'"{name}" stands alone, not among names; leave it out, or Enter for the default')
        if name.casefold() in taken:
            kind_before = taken[name.casefold()].value
            raise UserError(f'"{name}" is there already, as {kind_before}; give each its own name')
        taken[name.casefold()] = kind
    return list(names)


def wiring(known: Standing, answers: Answers) -> Wiring:
    """What the file is to say, of answers that are complete."""
    joints: dict[str, list[str]] = {name: [] for name in part_names(answers)}
    for joint in _file_order(known, answers):
        place = answers.places.get(joint, "")
        if place in joints:
            joints[place].append(joint)
    parts = tuple(
        Part(name=name, kind=kind, joints=tuple(joints[name]))
        for kind in KINDS
        for name in answers.parts.get(kind, ())
    )
    was = {j.joint: j.current for j in known.boat.joints}
    currents = {j: c for j, c in answers.currents.items() if c and c != was.get(j)}
    order = _file_order(known, answers)
    return Wiring(
        parts=parts,
        currents=currents,
        neighbours=_touching(known, answers) if answers.one_metal else {},
        order=() if order == [j.joint for j in known.boat.joints] else tuple(order),
    )


def part_names(answers: Answers) -> tuple[str, ...]:
    """All parts, as they are numbered."""
    return tuple(name for kind in KINDS for name in answers.parts.get(kind, ()))


# ---- the questions -----------------------------------------------------------------------------------


def _of_parts(kind: PartKind, known: Standing, answers: Answers) -> Question:
    text, usual = KINDS[kind]
    standing = [p.name for p in known.parts if p.kind is kind]
    offered = (
        standing
        or _told_by_names(kind, known)
        or (list(usual) if known.offers_usual and not known.parts else [])
    )
    taken = {n.casefold() for k, listed in answers.parts.items() if k is not kind for n in listed}
    taken |= {p.name.casefold() for p in known.parts if p.kind is not kind}
    offered = [name for name in offered if name.casefold() not in taken]
    return Question(
        about="parts",
        subject=kind.value,
        text=f"{text}, by name, commas between",
        default=circuit_typed.commas(offered) or NONE,
        help="As they shall stand in the drawing; those without a probe wait in the file, as a comment.",
    )


def _told_by_names(kind: PartKind, known: Standing) -> list[str]:
    """Parts of which joints or currents are named: "Main fuse" of "Main fuse, bar side"."""
    if kind is PartKind.PART:  # what no word tells
        return []
    heads = dict.fromkeys(_head(j.name) for j in known.boat.joints)
    found = [head for head in heads if _kind_of(head) is kind]
    if not found and kind in _MACHINES:
        channels = [c for c in known.boat.channels if c.quantity is Quantity.AMPS]
        found = [c.name[:1].upper() + c.name[1:] for c in channels if _kind_of(c.name) is kind]
    fit = (name.strip() for name in found)
    return list({n.casefold(): n for n in fit if 1 <= len(n) <= LONGEST_NAME and n.isprintable()}.values())


def _head(name: str) -> str:
    return name.split(",")[0].strip()


def _kind_of(name: str) -> PartKind:
    return guess_kind((name,), tuple(PartKind), PartKind.PART)


def _of_place(joint: Joint, names: tuple[str, ...], known: Standing, answers: Answers) -> Question:
    standing = next((p.name for p in known.parts if joint.joint in p.joints), None)
    head = _head(joint.name).casefold()
    default = next((n for n in names if n == standing), None) or next(
        (n for n in names if n.casefold() == head), None
    )
    if default is None:
        kind = _kind_of(_head(joint.name))
        alike = [] if kind is PartKind.PART else answers.parts.get(kind, [])
        default = alike[0] if len(alike) == 1 else None
    return Question(
        about="place",
        subject=joint.joint,
        text=f"On which part does {circuit_typed.seen(joint.name)} sit ({joint.joint})",
        default=str(names.index(default) + 1) if default else NONE,
        choices=names,
        help="The number or the name of the part that its lug is bolted to; - for none or not known yet.",
    )


def _currents_are_open(known: Standing) -> bool:
    """Whether the file cannot have been told which current flows where."""
    named = {j.current for j in known.boat.joints}
    return len(known.currents) > 1 and (None in named or (len(named) == 1 and len(known.boat.joints) > 1))


def _of_current(joint: Joint, known: Standing) -> Question:
    choices = tuple(known.currents)
    return Question(
        about="current",
        subject=joint.joint,
        text=f"Which current flows through {circuit_typed.seen(joint.name)} ({joint.joint})",
        default=str(choices.index(joint.current) + 1) if joint.current in choices else NONE,
        choices=choices,
        help="The number or the id of the current; - leaves it as it is in the file.",
    )


def _of_order(current: str, on: Sequence[str], known: Standing) -> Question:
    names = {j.joint: j.name for j in known.boat.joints}
    return Question(
        about="order",
        subject=current,
        text=f"In which order does a positive current of {current} pass them",
        default=" ".join(str(n + 1) for n in range(len(on))),
        choices=tuple(names[j] for j in on),
        help="All numbers as it flows: an alternator's from the alternator on, a battery's as it charges.",
    )


def _of_metal(touching: Mapping[str, Sequence[str]], known: Standing) -> Question:
    return Question(
        about="metal",
        subject="neighbours",
        text=f"{len(touching)} joints share a bar, fuse or switch: reckon with the heat they give each other",
        # what was learned without it would have to be learned again
        default="no" if known.has_history else "yes",
        help="Writes `neighbours` where the file has none. With a history: joints are learned anew.",
    )


# ---- what follows from it ----------------------------------------------------------------------------


def _along(known: Standing, answers: Answers) -> dict[str, list[str]]:
    """Joints of each current, in the order of the file."""
    along: dict[str, list[str]] = {}
    for joint in known.boat.joints:
        current = answers.currents.get(joint.joint) or joint.current
        if current is not None:
            along.setdefault(current, []).append(joint.joint)
    return along


def _file_order(known: Standing, answers: Answers) -> list[str]:
    """All joints, those of each current in the order that was answered, in the places they have."""
    order = [j.joint for j in known.boat.joints]
    for current, on in _along(known, answers).items():
        said = answers.order.get(current, on)
        if sorted(said) != sorted(on):
            continue
        for at, joint in zip([order.index(j) for j in on], said, strict=True):
            order[at] = joint
    return order


def _touching(known: Standing, answers: Answers) -> dict[str, tuple[str, ...]]:
    """Joints on one bar, fuse, isolator or shunt of which the file has no neighbours yet."""
    kinds = {name: kind for kind, names in answers.parts.items() for name in names}
    on: dict[str, list[str]] = {}
    for joint in known.boat.joints:
        place = answers.places.get(joint.joint, "")
        if kinds.get(place) in _ONE_METAL:
            on.setdefault(place, []).append(joint.joint)
    return {
        joint: tuple(other for other in joints if other != joint)
        for joints in on.values()
        if len(joints) > 1
        for joint in joints
        if joint in known.bare
    }
