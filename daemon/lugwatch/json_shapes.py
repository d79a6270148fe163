"""Model objects as the JSON people script against: one place for command line, MQTT and dashboard.

Keys are the fields' own names; times are RFC 3339 UTC text; what is not known is null.
Not here: reading JSON from outside. Pure; may import model, fitting, passage_cuts, proving and units only.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import fields

from lugwatch.fitting import FittingCheck
from lugwatch.model import (
    Alert,
    AlertChange,
    Creep,
    Estimate,
    JournalEntry,
    LearnedShape,
    Passage,
    Photo,
    SourceHealth,
)
from lugwatch.passage_cuts import Decision
from lugwatch.proving import ProofTest
from lugwatch.units import format_time

JsonObject = dict[str, object]


def estimate_object(estimate: Estimate) -> JsonObject:
    """One joint as `joints --json` and `joint/<id>` show it."""
    return _object(estimate)


def alert_object(alert: Alert) -> JsonObject:
    """One alert as `alerts --json` and `alert/<alert_id>` show it."""
    return _object(alert)


def alert_change_object(change: AlertChange) -> JsonObject:
    """One change as `event` shows it: the alert after the change, and what happened, in one flat object."""
    return {
        "sequence": change.sequence,
        "time": format_time(change.time),
        "change": change.change.value,
        "who": change.who,
        "speaks": change.speaks,
        **_object(change.alert),
    }


def passage_object(passage: Passage) -> JsonObject:
    """One passage as `passages --json` shows it; `joints` and `currents` are objects keyed by id."""
    return _object(passage)


def passage_decision_object(decision: Decision) -> JsonObject:
    """What the crew decided of a passage, as `passages decisions --json` shows it."""
    return _object(decision)


def learned_shape_object(shape: LearnedShape) -> JsonObject:
    """One learned shape as `shapes --json` shows it."""
    return _object(shape)


def creep_object(creep: Creep) -> JsonObject:
    """How one joint has moved over passages, as `creep --json` shows it."""
    return _object(creep)


def journal_entry_object(entry: JournalEntry) -> JsonObject:
    """One entry as `journal list --json` shows it."""
    return _object(entry)


def journal_object(entry: JournalEntry, photos: Mapping[int, Sequence[Photo]]) -> JsonObject:
    """The same with its photos; the page has each at /photos/ and its number."""
    return {**_object(entry), "photos": [_object(photo) for photo in photos.get(entry.entry_id, ())]}


def proof_object(test: ProofTest) -> JsonObject:
    """One proof test as `prove --json` and `proofs --json` show it."""
    return _object(test)


def fitting_check_object(check: FittingCheck) -> JsonObject:
    """One check of the fitting, as `fitting --json` shows it; `check_id` 0: not kept."""
    return _object(check)


def source_health_object(health: SourceHealth) -> JsonObject:
    """How one source is doing."""
    return _object(health)


def dump(value: object) -> str:
    """One JSON document on one line. Raises ValueError where a NaN or infinity slipped in."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))


def _object(thing: object) -> JsonObject:
    """A frozen dataclass of the model, field by field, so that no field can be forgotten here."""
    names = [field.name for field in fields(thing)]  # type: ignore[arg-type]
    return {name: _value(name, getattr(thing, name)) for name in names}


def _value(name: str, value: object) -> object:
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return str(value)  # a StrEnum becomes its plain word
    if isinstance(value, int):
        return format_time(value) if name == "time" or name.endswith("_time") else value
    if isinstance(value, float):
        # the core lets no NaN through; should one arrive, it hides one figure and not the whole page (C14)
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _value("", item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_value("", item) for item in value]
    return _object(value)
