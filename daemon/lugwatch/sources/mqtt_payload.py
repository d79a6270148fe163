"""The bytes of one MQTT message -> a number, and the time it says it was measured. Pure.

May import: base, model, units.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused, number_from_text
from lugwatch.units import parse_time

LARGEST_BYTES = 65_536  # more is not a measurement


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """A number in the sender's unit, and its own time [ms since 1970] where it tells one."""

    value: float
    time: int | None


def read_payload(payload: bytes, json_path: Sequence[str] | None) -> Word | Refused:
    """A plain number, or the number at `json_path` of a JSON object that may also carry `time`.

    `"clipped": true` beside the number says that it is only the end of the sensor's range: no reading.
    """
    if not payload.strip():
        return Refused(kind=FaultKind.EMPTY, detail="an empty message")
    if len(payload) > LARGEST_BYTES:
        return _malformed(f"more than {LARGEST_BYTES} bytes")
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        return _malformed("bytes that are not UTF-8 text")
    if json_path is None:
        value = number_from_text(text)
        return value if isinstance(value, Refused) else Word(value=value, time=None)
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return _malformed(f"{text[:40]!r} is not JSON")
    value = _number(_at(document, json_path), json_path)
    if isinstance(value, float) and _at(document, (*json_path[:-1], "clipped")) is True:
        detail = f"{'.'.join(json_path)} is {value:g}, and said to be clipped"
        return Refused(kind=FaultKind.CLIPPED, detail=detail)
    return value if isinstance(value, Refused) else Word(value=value, time=_time(document))


_ABSENT = object()


def _at(document: Any, json_path: Sequence[str]) -> Any:
    """Names of objects; whole numbers where there is a list."""
    for part in json_path:
        if isinstance(document, dict):
            document = document.get(part, _ABSENT)
        elif isinstance(document, list) and part.isascii() and part.isdigit() and len(part) < 6:
            document = document[int(part)] if int(part) < len(document) else _ABSENT
        else:
            return _ABSENT
    return document


def _number(found: Any, json_path: Sequence[str]) -> float | Refused:
    path = ".".join(json_path)
    if found is _ABSENT:
        return _malformed(f"nothing at {path}")
    if found is None:
        return Refused(kind=FaultKind.EMPTY, detail=f"{path} is null")
    if isinstance(found, str):
        return number_from_text(found)
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        return _malformed(f"{path} is {str(found)[:40]!r} and no number")
    try:
        value = float(found)
    except OverflowError:
        value = math.inf
    if math.isfinite(value):
        return value
    return Refused(kind=FaultKind.NOT_FINITE, detail=f"{path} is not a finite number")


def _time(document: Any) -> int | None:
    found = document.get("time") if isinstance(document, dict) else None
    if isinstance(found, bool) or not isinstance(found, (int, float, str)):
        return None
    try:
        return parse_time(str(found))
    except (ValueError, OverflowError):
        return None


def _malformed(detail: str) -> Refused:
    return Refused(kind=FaultKind.MALFORMED, detail=detail)
