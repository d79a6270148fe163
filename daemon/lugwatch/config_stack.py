"""`[joint.stack]`: a joint described from bar to nut, for the page alone; nothing of the watch uses it.

Stud and torque are the joint's own where its stack does not say others. May import: config_tables, stack,
stack_words.
"""

from collections.abc import Collection, Mapping

from lugwatch import stack_words
from lugwatch.config_tables import Document, JointTable, StackTable
from lugwatch.stack import DIAMETER_MM, HARDWARE_METALS, Part, Stack, Surface
from lugwatch.stack_words import BAR_METALS, LEAST_TORQUE, MOST_TORQUE


def stacks(document: Document) -> Mapping[str, Stack]:
    """Every stack that is configured, by joint; only of a document without mistakes."""
    return {table.id: _stack(table, table.stack) for table in document.joint if table.stack is not None}


def mistakes(document: Document) -> list[str]:
    """What no table can be, as `lugwatch stack` says it."""
    told: list[str] = []
    for table in document.joint:
        if table.stack is not None:
            told += [f'[[joint]] "{table.id}" stack {mistake}' for mistake in _mistakes(table, table.stack)]
    return told


def _stack(joint: JointTable, table: StackTable) -> Stack:
    width, thickness = stack_words.bar(table.bar_mm)
    return Stack(
        lugs=tuple(stack_words.lug(text) for text in table.lugs),
        stud=_stud(joint, table) or "",
        torque_newton_metres=table.torque_newton_metres or joint.torque_newton_metres,
        surface=Surface(table.surface),
        bar_metal=table.bar,
        bar_width_mm=width,
        bar_thickness_mm=thickness,
        in_path=tuple(Part(part) for part in table.through),
        hardware_metal=table.hardware,
    )


def _stud(joint: JointTable, table: StackTable) -> str | None:
    """Its own word, else what the joint's begins with: "M8, brass" is an M8."""
    if table.stud is not None:
        return table.stud
    return (joint.stud or "M8").replace(",", " ").split()[0] if (joint.stud or "M8").strip() else "M8"


def _mistakes(joint: JointTable, table: StackTable) -> list[str]:
    told = []
    for text in table.lugs:
        try:
            stack_words.lug(text)
        except ValueError as error:
            told.append(f"lugs {text!r}: {error}")
    try:
        stack_words.bar(table.bar_mm)
    except ValueError as error:
        told.append(f"bar_mm {table.bar_mm!r}: {error}")
    told += _not_of("stud", _stud(joint, table), DIAMETER_MM)
    told += _not_of("surface", table.surface, [s.value for s in Surface])
    told += _not_of("bar", table.bar, BAR_METALS)
    told += _not_of("hardware", table.hardware, HARDWARE_METALS)
    for part in table.through:
        told += _not_of("through", part, [p.value for p in Part])
    torque = table.torque_newton_metres
    if torque is not None and not LEAST_TORQUE <= torque <= MOST_TORQUE:
        told.append(f"torque_newton_metres = {torque:g}: give {LEAST_TORQUE:g} to {MOST_TORQUE:g} N m")
    return told


def _not_of(key: str, value: str | None, known: Collection[str]) -> list[str]:
    return [] if value in known else [f"{key} = {value!r} is none of {'; '.join(known)}"]
