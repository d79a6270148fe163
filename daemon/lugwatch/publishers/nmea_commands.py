"""What instruments send back about alerts: ACN, and the older ACK. Sentences in, commands out; pure.

ACN: time, maker's mnemonic, alert identifier, instance, command (A acknowledge, Q repeat, O take over
responsibility, S silence), status flag C; ARC, the answer to one that is refused: time, mnemonic, identifier,
instance, command; ACK: the number of ALR. So interface manuals of radars, logs and radios list them, several
alike. What is not exactly that is no command. A command is for an alert that stands and is said here.
Not here: ports, what a deed does. May import: sources (sentences), nmea_sentences, model.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from lugwatch.model import Alert, CrewDeed
from lugwatch.publishers import nmea_sentences
from lugwatch.sources.nmea import Sentence

_TIME = re.compile(r"(?:([01]\d|2[0-3])[0-5]\d[0-5]\d(?:\.\d{1,3})?)?", re.ASCII)
_NUMBER = re.compile(r"\d{1,7}", re.ASCII)
_DEEDS = {"A": CrewDeed.ACKNOWLEDGE, "S": CrewDeed.SILENCE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """Somebody at an instrument did this about that alert. who: for the history."""

    deed: CrewDeed
    alert_id: int
    who: str


@dataclass(frozen=True, slots=True)
class Repeat:
    """Somebody wants to hear again what stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ignored:
    """A command that is not done. why: in words; answer: fields of the ARC that says so, if there is one."""

    why: str
    answer: str | None = None


def read(sentence: Sentence, standing: Iterable[Alert]) -> Command | Repeat | Ignored | None:
    """The command in a sentence with a good checksum; None: it is none, and nothing is wrong with it."""
    if sentence.formatter == "ACN":
        return _acn(sentence, standing)
    if sentence.formatter == "ACK":
        return _ack(sentence, standing)
    return None


def _acn(sentence: Sentence, standing: Iterable[Alert]) -> Command | Repeat | Ignored:
    if len(sentence.fields) != 6:
        return Ignored(why=f"ACN with {len(sentence.fields)} fields; it has six")
    time, mnemonic, identifier, instance, letter, flag = sentence.fields
    if flag != "C":
        return Ignored(why=f"ACN with the status flag {flag!r}: no command")
    if _TIME.fullmatch(time) is None or not letter.isupper() or len(letter) != 1:
        return Ignored(why=f"ACN with {time!r} for a time and {letter!r} for a command")
    if letter == "Q":
        return Repeat()
    if not all(_NUMBER.fullmatch(number) for number in (identifier, instance)):
        return Ignored(why=f"ACN about {identifier!r}, instance {instance!r}: no numbers of an alert")
    names = (int(identifier), int(instance))
    # a maker's mnemonic is never sent, so a command with one is for somebody else's alert
    found = [alert for alert in standing if not mnemonic and nmea_sentences.numbers(alert) == names]
    if len(found) != 1:
        # not answered: on a line with others it is for one of them
        return Ignored(why=f"ACN about {mnemonic}{identifier}, instance {instance}: not said here")
    if letter not in _DEEDS:
        answer = f"{names[0]},{names[1]},{letter}"
        return Ignored(why=f"ACN with command {letter}: not done here", answer=answer)
    return Command(deed=_DEEDS[letter], alert_id=found[0].alert_id, who=_who(sentence))


def _ack(sentence: Sentence, standing: Iterable[Alert]) -> Command | Ignored:
    number = sentence.fields[0] if len(sentence.fields) == 1 else ""
    if _NUMBER.fullmatch(number) is None:
        return Ignored(why="ACK without the number of an alert")
    found = [alert for alert in standing if nmea_sentences.local_number(alert) == int(number)]
    if len(found) != 1:
        return Ignored(why=f"ACK of {number}: {len(found) or 'no'} alerts said here have that number")
    return Command(deed=CrewDeed.ACKNOWLEDGE, alert_id=found[0].alert_id, who=_who(sentence))


def _who(sentence: Sentence) -> str:
    return f"instrument ({sentence.talker.upper()})"
