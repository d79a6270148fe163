"""What only the page needs of the configuration: `[[part]]`, what stands between joints; phrase, stacks.

Nothing is estimated from a part. Not here: the drawing (`dashboard.circuit`).
May import: config_stack, config_tables, model, stack.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from lugwatch import config_stack
from lugwatch.config_tables import Document, WebTable
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
    certificate_file: Path | None = None  # PEM, with its chain: the page speaks TLS
    key_file: Path | None = None  # PEM; None: in the same file
    hsts_days: int = 0  # for how long a browser is to insist on TLS; 0: it is not told to

    @property
    def scheme(self) -> str:
        """How its address begins."""
        return "http" if self.certificate_file is None else "https"


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
        certificate_file=_beside(folder, document.web.certificate_file),
        key_file=_beside(folder, document.web.key_file),
        hsts_days=document.web.hsts_days,
    )


def mistakes(document: Document) -> list[str]:
    """Joints that are not there, joints on two parts, a zone that nobody knows."""
    known = {table.id for table in document.joint}
    owner: dict[str, str] = {}
    told: list[str] = [
        *_zone_mistakes(document.web.time_zone),
        *_encryption_mistakes(document.web),
        *config_stack.mistakes(document),
    ]
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


def _beside(folder: Path, name: str | None) -> Path | None:
    return None if name is None else folder / name


def _encryption_mistakes(web: WebTable) -> list[str]:
    if web.certificate_file is not None:
        return []
    told = []
    if web.key_file is not None:
        told.append("[web] key_file stands without certificate_file; name the certificate as well")
    if web.hsts_days:
        told.append("[web] hsts_days asks browsers to insist on TLS; name a certificate_file first")
    return told


def _zone_mistakes(zone: str | None) -> list[str]:
    if zone is None:
        return []
    try:
        ZoneInfo(zone)
    except (OSError, ValueError, KeyError):
        return [f'[web] time_zone = "{zone}" is not known; give one like "Europe/Athens", or leave it out']
    return []
