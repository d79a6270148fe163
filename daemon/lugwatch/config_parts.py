"""What only the page needs of the configuration: `[[part]]`, what stands between joints; phrase, stacks.

Nothing is estimated from a part. Not here: the drawing (`dashboard.circuit`).
May import: config_stack, config_tables, model, stack.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from lugwatch import config_stack
from lugwatch.config_tables import Document
from lugwatch.model import Part, PartKind
from lugwatch.stack import Stack


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSettings:
    """What the page is told beyond address and unit."""

    passphrase_file: Path
    reading_asks: bool  # for the pass-phrase, as changes always do
    names: tuple[str, ...]  # further names of this computer, as a reverse proxy's
    time_zone: str | None  # of the boat; None: this computer's
    parts: tuple[Part, ...]
    stacks: Mapping[str, Stack]  # joints described from bar to nut, by their ids


def page_settings(document: Document, folder: Path) -> PageSettings:
    """Files beside the configuration in `folder`; parts in the order of the file."""
    return PageSettings(
        passphrase_file=folder / document.web.passphrase_file,
        reading_asks=document.web.passphrase_for == "everything",
        names=tuple(document.web.names),
        time_zone=document.web.time_zone,
        parts=tuple(
            Part(name=table.name, kind=PartKind(table.kind), joints=tuple(table.joints))
            for table in document.part
        ),
        stacks=config_stack.stacks(document),
    )


def mistakes(document: Document) -> list[str]:
    """Joints that are not there, joints on two parts, a zone that nobody knows."""
    known = {table.id for table in document.joint}
    owner: dict[str, str] = {}
    told: list[str] = [*_zone_mistakes(document.web.time_zone), *config_stack.mistakes(document)]
    for table in document.part:
        where = f'[[part]] "{table.name}"'
        if not table.joints:
            told.append(f"{where} joints = []: name the joints on it")
        for joint in table.joints:
            if joint not in known:
                names = ", ".join(sorted(known)[:8]) or "none is configured"
                told.append(f'{where} joints = "{joint}" is no [[joint]]; known: {names}')
            elif joint in owner:
                told.append(
                    f'{where} joints = "{joint}" stands on "{owner[joint]}" already; on one part only'
                )
            owner.setdefault(joint, table.name)
    return told


def _zone_mistakes(zone: str | None) -> list[str]:
    if zone is None:
        return []
    try:
        ZoneInfo(zone)
    except (OSError, ValueError, KeyError):
        return [f'[web] time_zone = "{zone}" is not known; give one like "Europe/Athens", or leave it out']
    return []
