"""What is wrong in a configuration's tables as lines for people. Pure.

May import: config_tables, config_ways, pydantic.
"""

import difflib
from collections.abc import Mapping, Sequence
from typing import Any, get_args

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from lugwatch import config_ways
from lugwatch.config_tables import Document


def did_you_mean(word: str, known: Sequence[str]) -> str:
    """The end of a line about an unknown word: the nearest known one, or some of them."""
    near = difflib.get_close_matches(word, known, n=1)
    if near:
        return f'; did you mean "{near[0]}"?'
    return f"; known: {', '.join(known[:8])}" if known else "; none is configured"


def mistake(data: Mapping[str, Any], error: ErrorDetails) -> str:
    """One pydantic error as one line with the key, the value and what to try."""
    location = error["loc"]
    where, key = _where(data, location)
    value = config_ways.shown(key, error["input"])
    match error["type"]:
        case "extra_forbidden":
            hint = did_you_mean(key, _known_keys(location[:-1]))
            return f"{where} {key} = {value} is not a setting here{hint}"
        case "missing":
            return f"{where} {key} is missing"
        case _:
            return f"{where} {key} = {value}: {error['msg'][:1].lower()}{error['msg'][1:]}"


def _where(data: Mapping[str, Any], location: Sequence[str | int]) -> tuple[str, str]:
    if len(location) == 1:
        return "the file:", f"[{location[0]}]"
    table = str(location[0])
    if isinstance(location[1], int):
        row = data[table][location[1]]
        name = row.get("id") if isinstance(row, dict) else None
        label = f'[[{table}]] "{name}"' if isinstance(name, str) else f"[[{table}]] number {location[1] + 1}"
        key = ".".join(str(part) for part in location[2:]) or "the table"
        return label, key
    return f"[{table}]", ".".join(str(part) for part in location[1:])


def _known_keys(location: Sequence[str | int]) -> list[str]:
    if not location:
        return list(Document.model_fields)
    annotation: Any = Document.model_fields[str(location[0])].annotation
    for candidate in (annotation, *get_args(annotation)):
        if isinstance(candidate, type) and issubclass(candidate, BaseModel):
            return list(candidate.model_fields)
    return []


def delete(data: Any, location: Sequence[str | int]) -> bool:
    """Take one wrong value out; False when it cannot be found."""
    for part in location[:-1]:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return False
    try:
        del data[location[-1]]
    except (KeyError, IndexError, TypeError):
        return False
    return True
