"""`lugwatch replay-bus`: a recording of buses through the drivers of this version."""

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import click

from lugwatch.cli.options import put_table
from lugwatch.errors import OperationFailed
from lugwatch.model import Fault, Reading
from lugwatch.sources.bus_playing import Played, Player
from lugwatch.units import format_time


@dataclass(slots=True)
class Channel:
    """What one channel said."""

    readings: int = 0
    least: float = 0.0
    most: float = 0.0
    last: float = 0.0

    def take(self, value: float) -> None:
        self.least = value if not self.readings else min(self.least, value)
        self.most = value if not self.readings else max(self.most, value)
        self.last = value
        self.readings += 1


@dataclass(slots=True)
class Told:
    """What was played so far."""

    channels: dict[str, Channel] = field(default_factory=dict)
    faults: Counter[tuple[str, str]] = field(default_factory=Counter)
    last_detail: dict[tuple[str, str], str] = field(default_factory=dict)
    failures: dict[str, str] = field(default_factory=dict)
    polls: int = 0
    other: int = 0
    first_other: str = ""

    def take(self, played: Played, after_seconds: float) -> None:
        self.polls += 1
        for event in played.came:
            if isinstance(event, Reading):
                self.channels.setdefault(event.channel, Channel()).take(event.value)
            else:
                key = (event.channel or event.source, event.kind.value)
                self.faults[key] += 1
                self.last_detail[key] = event.detail
        if played.failed is not None:
            self.failures[played.source] = played.failed
        if not played.same:
            self.other += 1
            self.first_other = self.first_other or f"first {after_seconds:.1f} s in, {played.source}"


@click.command("replay-bus")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--events", is_flag=True, help="Every reading and fault on a line, with its time in seconds.")
def command(file: Path, events: bool) -> None:
    """Play a recording of `record-bus` back through the drivers, and say what comes of it.

    Nothing of this machine is read. Ends with status 1 where readings or faults are other than they were when
    it was recorded: this version's drivers then read the same bytes in another way.
    """
    player = Player(file)
    heading = player.heading
    began = min((source.began for source in heading.sources), default=0)
    masked = "positions and names masked" if heading.masked else "nothing masked"
    click.echo(f"{format_time(heading.time)}, lugwatch {heading.lugwatch}, {heading.system}; {masked}")
    told = Told()
    for played in player.play():
        told.take(played, (played.poll.began - began) / 1e6)
        if events:
            for event in played.came:
                click.echo(_line(event, began))
    _put(told)
    if player.reader.cut_short:
        click.echo("the file was cut short; what is whole of it was played", err=True)
    if told.failures:
        first = "; ".join(f"{source}: {failure}" for source, failure in told.failures.items())
        click.echo(f"a driver fails on it: {first}", err=True)
    if told.other:
        asked = (
            f"; {player.asked_else} times a driver asked what it does not hold" if player.asked_else else ""
        )
        raise OperationFailed(
            f"not as it was recorded: {told.other} of {told.polls} polls differ, {told.first_other}{asked}"
        )
    click.echo(f"as it was recorded: {told.polls} polls, every reading and fault the same")


def _put(told: Told) -> None:
    click.echo()
    rows = [
        (name, str(c.readings), f"{c.least:g}", f"{c.most:g}", f"{c.last:g}")
        for name, c in sorted(told.channels.items())
    ]
    put_table(("channel", "readings", "least", "most", "last"), rows)
    if told.faults:
        click.echo()
        faults = [
            (where, kind, str(count), told.last_detail[where, kind])
            for (where, kind), count in sorted(told.faults.items())
        ]
        put_table(("channel or source", "fault", "times", "the last"), faults)
    click.echo()


def _line(event: Reading | Fault, began: int) -> str:
    after_seconds = event.monotonic_seconds - began / 1e6
    if isinstance(event, Reading):
        return f"{after_seconds:10.3f}  {event.channel}  {event.value:g}"
    return f"{after_seconds:10.3f}  {event.channel or event.source}  {event.kind.value}: {event.detail}"
