"""The report's tables and the machine they were measured on, as markdown."""

import datetime
import os
import platform
from dataclasses import dataclass, field
from pathlib import Path

NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One comparison; notes stand below it as sentences."""

    title: str
    columns: tuple[str, ...]
    rows: list[tuple[str, ...]]
    notes: list[str] = field(default_factory=list)

    def markdown(self) -> str:
        lines = [
            f"**{self.title}**",
            "",
            f"| {' | '.join(self.columns)} |",
            f"| {' | '.join('---' for _ in self.columns)} |",
            *(f"| {' | '.join(row)} |" for row in self.rows),
            "",
            *(f"{note}\n" for note in self.notes),
        ]
        return "\n".join(lines)


def figure(value: float | None, unit: str, digits: int = 1, *, ours: float | None = None) -> str:
    """A value with its unit and, beside it, how many times ours it is; None: the tool is not here."""
    if value is None:
        return NOT_MEASURED
    text = f"{value:.{digits}f} {unit}"
    return f"{text} ({ratio(value, ours)})" if ours else text


def ratio(value: float, ours: float) -> str:
    """Three digits are more than two runs agree in."""
    times = value / ours
    return f"{times:.0f} ×" if times >= 9.5 else f"{times:.1f} ×" if times >= 0.95 else f"{times:.2f} ×"


def missing(program: str, package: str) -> str:
    """What to do about a tool that is not here."""
    return (
        f"`{program}` is not here, so it was not measured: `apt-get install {package}`, then run this again."
    )


def heading(*, quick: bool, today: datetime.date) -> str:
    """When and on what it was measured."""
    processor = platform.machine()
    for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
        if line.startswith(("model name", "Model")):
            processor = f"{line.split(':', 1)[1].strip()}, {platform.machine()}"
            break
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    load = os.getloadavg()[0]
    short = " A short run (`--quick`)." if quick else ""
    return (
        f"Measured on {today.isoformat()}: {processor}, {os.cpu_count()} cores, {memory:.0f} GiB, "
        f"Python {platform.python_version()}; {load:.1f} programs wanted a core when it began.{short}"
        " In brackets: how many times lugwatch's figure; below 1 the other needs less."
    )
