"""Labels moved by as much as the clock was wrong: of everything that the core remembers.

Every wall label in the core stands in a field named `time`, `times` or `…_time` [ms]; durations rest on other
fields. So they are found by name, wherever they stand. Pure. May import: nothing of ours.
"""

from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar, cast

T = TypeVar("T")


def is_label(name: str) -> bool:
    return name in ("time", "times") or name.endswith("_time")


def moved(value: T, first: int, last: int, by_ms: int) -> T:
    """The same with every label from `first` to `last` [ms] moved; what has none is the same object."""
    return cast(T, _moved(value, first, last, by_ms, False))


def _moved(value: Any, first: int, last: int, by_ms: int, label: bool) -> Any:
    if isinstance(value, bool):
        return value
    if isinstance(value, int):
        return value + by_ms if label and first <= value <= last else value
    if is_dataclass(value) and not isinstance(value, type):
        changed = {}
        for field in fields(value):
            old = getattr(value, field.name)
            new = _moved(old, first, last, by_ms, is_label(field.name))
            if new is not old and new != old:
                changed[field.name] = new
        return replace(value, **changed) if changed else value
    if isinstance(value, tuple) and type(value) is tuple:
        items = tuple(_moved(item, first, last, by_ms, label) for item in value)
        return value if all(a is b for a, b in zip(items, value, strict=True)) else items
    if isinstance(value, dict):
        moved_items = {k: _moved(item, first, last, by_ms, label) for k, item in value.items()}
        return value if all(moved_items[k] is value[k] for k in value) else moved_items
    return value
