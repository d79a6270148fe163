"""`lugwatch shapes`: the thermal shapes that were learned."""

from pathlib import Path

import click

from lugwatch.cli.options import db_option, json_option, put_json, put_table
from lugwatch.json_shapes import learned_shape_object
from lugwatch.model import LearnedShape
from lugwatch.store.queries import History
from lugwatch.units import format_time


@click.command("shapes")
@db_option
@json_option
def command(database: Path, as_json: bool) -> None:
    """Tell what was learned of how each joint warms, when, and from how much.

    Shapes are learned after an hour of load, after the first and after the second passage, and then
    stand; an older line of the same joint is what was believed before.
    """
    with History.open(database) as history:
        shapes = history.learned_shapes()
        names = {joint.joint: joint.name for joint in history.boat().joints}
    if as_json:
        put_json([learned_shape_object(shape) for shape in shapes])
        return
    if not shapes:
        click.echo("No shape has been learned yet: that takes an hour of load or a passage.")
        return
    header = ("joint", "learned", "round", "fast", "slow", "air by the fast way", "neighbours", "record")
    put_table(header, [_row(shape, names) for shape in shapes])


def _row(s: LearnedShape, names: dict[str, str]) -> tuple[str, ...]:
    return (
        names.get(s.joint, s.joint),
        format_time(s.time // 1000 * 1000),
        str(s.stage),
        f"{s.tau_fast_seconds:.0f} s ± {100 * s.tau_fast_ratio_sd:.0f} %",
        f"{s.tau_slow_seconds:.0f} s ± {100 * s.tau_slow_ratio_sd:.0f} %",
        f"{100 * s.fast_weight:.0f} %",
        f"{100 * s.neighbour_weight:.0f} %",
        f"{s.windows_count * 10 / 3600:.1f} h",
    )
