"""What an entry of the journal must say, whoever writes it: the command and the page ask here.

Text in, one `JournalEntry` out, or a UserError in the words of the one who asks: `label` names a field
as the writer knows it (`--amps`, or the label on the page's form). Not here: whether there is such a
joint, and where entries are kept (`store.crew`). May import: model, units, errors, intake, resistance.
"""

from collections.abc import Callable
from dataclasses import dataclass

from lugwatch.errors import UserError
from lugwatch.intake import COLDEST_CELSIUS, HOTTEST_CELSIUS, LARGEST_AMPS
from lugwatch.model import JournalEntry, JournalKind
from lugwatch.resistance import LEAST_AMPS, MOST_VOLTS
from lugwatch.units import parse_number

# More across a joint, and it melts (Holm; see `resistance`).
LARGEST_MILLIVOLTS = 1000.0 * MOST_VOLTS
# Less than any bolted joint of boat size has: a slip of the unit (common practice, no source).
SMALLEST_OHMS = 0.1e-6
LONGEST_NOTE = 2000

Label = Callable[[str], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What was given, as it was typed."""

    joint: str | None
    work: str | None = None
    good: bool = False
    millivolts: str | None = None
    amps: str | None = None
    celsius: str | None = None
    note: str | None = None
    who: str = "crew"


def entry_of(told: Told, time: int, label: Label) -> JournalEntry:
    """The entry, without its number, done at `time` [ms]. Raises UserError with one line."""
    kind = _kind(told, label)
    volts, amps, celsius = _measured(told, kind, label)
    return JournalEntry(
        entry_id=0,
        joint=told.joint,
        time=time,
        kind=kind,
        note=_words(told, kind, label),
        who=_line(told.who, label("by")),
        volts=volts,
        amps=amps,
        celsius=celsius,
    )


def know(joint: str | None, known: list[str], where: object) -> None:
    """Raises UserError for a joint that is not among `known`."""
    if joint is not None and joint not in known:
        raise UserError(f"{where}: there is no joint {joint!r}; it knows {', '.join(known) or 'none yet'}")


def _kind(told: Told, label: Label) -> JournalKind:
    given = {
        JournalKind.WORK: told.work is not None,
        JournalKind.GOOD: told.good,
        JournalKind.MILLIVOLTS: told.millivolts is not None,
    }
    kinds = [kind for kind, is_given in given.items() if is_given]
    if len(kinds) > 1:
        raise UserError(
            f"one entry says one thing: {label('work')}, {label('good')} or {label('millivolts')}; "
            "write two entries"
        )
    if not kinds and told.note is None:
        raise UserError(
            f"nothing to write: give {label('work')}, {label('good')}, {label('millivolts')} and "
            f"{label('amps')}, or {label('note')}"
        )
    kind = kinds[0] if kinds else JournalKind.NOTE
    if kind is JournalKind.WORK and told.note is not None:
        raise UserError(f"{label('work')} has its own words; leave {label('note')} out")
    if kind is not JournalKind.NOTE and told.joint is None:
        raise UserError(f"{label(kind.value)} is said of a joint: say which, before anything else")
    if kind is not JournalKind.MILLIVOLTS and (told.amps is not None or told.celsius is not None):
        raise UserError(
            f"{label('amps')} and {label('celsius')} go with {label('millivolts')}; give the voltage too"
        )
    return kind


def _words(told: Told, kind: JournalKind, label: Label) -> str | None:
    text = told.work if kind is JournalKind.WORK else told.note
    return None if text is None else _line(text, label("work" if kind is JournalKind.WORK else "note"))


def _line(text: str, option: str) -> str:
    words = " ".join(text.split())
    if not words:
        raise UserError(f"{option} is empty; say it in words")
    if not words.isprintable():
        raise UserError(f"{option} holds characters that cannot be shown; write plain text")
    if len(words) > LONGEST_NOTE:
        raise UserError(f"{option} is {len(words)} characters long; at most {LONGEST_NOTE}, or two entries")
    return words


def _measured(told: Told, kind: JournalKind, label: Label) -> tuple[float | None, float | None, float | None]:
    """Volts, amperes and °C of a measurement; refuses what no joint can have shown."""
    if kind is not JournalKind.MILLIVOLTS or told.millivolts is None:
        return None, None, None
    if told.amps is None:
        raise UserError(
            f"{label('millivolts')} needs {label('amps')}, the current that flowed while it was measured"
        )
    millivolts = _number(told.millivolts, label("millivolts"), "mV")
    amps = _number(told.amps, label("amps"), "A")
    if not 0.0 < millivolts <= LARGEST_MILLIVOLTS:
        raise UserError(
            f"{label('millivolts')} {told.millivolts}: a joint under load shows more than 0 and at most "
            f"{LARGEST_MILLIVOLTS:g} mV; leave the sign out and check the meter's range"
        )
    if not LEAST_AMPS <= amps <= LARGEST_AMPS:
        raise UserError(
            f"{label('amps')} {told.amps}: at least {LEAST_AMPS:g} and at most {LARGEST_AMPS:g} A must flow "
            "to measure a joint; leave the sign out"
        )
    if millivolts / 1000.0 / amps < SMALLEST_OHMS:
        raise UserError(
            f"{label('millivolts')} {told.millivolts} at {amps:g} A is less than any bolted joint shows; "
            "give the voltage in millivolts"
        )
    if told.celsius is None:
        return millivolts / 1000.0, amps, None
    celsius = _number(told.celsius, label("celsius"), "°C")
    if not COLDEST_CELSIUS <= celsius <= HOTTEST_CELSIUS:
        raise UserError(
            f"{label('celsius')} {told.celsius}: give the joint's temperature in °C, "
            f"{COLDEST_CELSIUS:g} to {HOTTEST_CELSIUS:g}"
        )
    return millivolts / 1000.0, amps, celsius


def _number(text: str, option: str, unit: str) -> float:
    value = parse_number(text)
    if value is None:
        raise UserError(f"{option} {text!r} is no number; give {unit} with a decimal point, as in 4.5")
    return value
