"""`lugwatch passages`: passages found in the history."""

from pathlib import Path

import click

from lugwatch.cli.options import db_option, json_option, put_json, put_table
from lugwatch.json_shapes import passage_object
from lugwatch.model import JointPassage, Passage
from lugwatch.store.queries import History
from lugwatch.units import format_duration, format_time


@click.command("passages")
@db_option
@json_option
def command(database: Path, as_json: bool) -> None:
    """Tell the passages found in the history: when, how much current, how hot each joint got."""
    with History.open(database) as history:
        passages = history.passages()
        names = {joint.joint: joint.name for joint in history.boat().joints}
    if as_json:
        put_json([passage_object(passage) for passage in passages])
        return
    if not passages:
        click.echo("No passage yet: no current has flowed for long enough.")
    for passage in passages:
        _tell(passage, names)


def _tell(passage: Passage, names: dict[str, str]) -> None:
    end = "under way" if passage.end_time is None else format_time(passage.end_time)
    length = (
        ""
        if passage.end_time is None
        else f" ({format_duration((passage.end_time - passage.start_time) / 1000)})"
    )
    click.echo(
        f"Passage {passage.passage_id}: {format_time(passage.start_time)} to {end}{length}, "
        f"{passage.amp_hours:.0f} Ah, at most {passage.max_amps:.0f} A"
    )
    hottest = sorted(passage.joints.items(), key=lambda item: item[1].max_celsius or -273.0, reverse=True)
    put_table(
        ("  joint", "hottest", "rise coefficient"),
        [(f"  {names.get(joint, joint)}", *_figures(figures)) for joint, figures in hottest],
    )
    click.echo()


def _figures(figures: JointPassage) -> tuple[str, str]:
    hottest = "no reading" if figures.max_celsius is None else f"{figures.max_celsius:.1f} °C"
    if figures.rise_coefficient is None or figures.rise_coefficient_sd is None:
        return hottest, "too little current to tell"
    return (
        hottest,
        f"{1000 * figures.rise_coefficient:.3f} ± {2000 * figures.rise_coefficient_sd:.3f} mK/A²",
    )
