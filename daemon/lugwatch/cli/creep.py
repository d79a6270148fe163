"""`lugwatch creep`: how each joint has moved over passages."""

from pathlib import Path

import click

from lugwatch import advice
from lugwatch.cli.options import db_option, json_option, put_json, put_table
from lugwatch.creep import PASSAGES_NEEDED
from lugwatch.errors import UserError
from lugwatch.json_shapes import creep_object
from lugwatch.model import Creep, CreepVerdict
from lugwatch.store.queries import History
from lugwatch.units import format_time


@click.command("creep")
@click.argument("joint", required=False)
@db_option
@json_option
def command(joint: str | None, database: Path, as_json: bool) -> None:
    """Tell whether JOINT, or every joint, heats more from passage to passage, and where that ends.

    As judged when the last passage ended; passages count from when the joint's baseline was taken.
    """
    with History.open(database) as history:
        creeps = history.creeps()
        names = {j.joint: j.name for j in history.boat().joints}
    if joint is not None and joint not in names:
        raise UserError(f"there is no joint {joint!r} in {database}; there are {', '.join(names)}")
    creeps = [creep for creep in creeps if joint in (None, creep.joint)]
    if as_json:
        put_json([creep_object(creep) for creep in creeps])
        return
    if not creeps:
        click.echo("Nothing to tell yet: joints are judged when a passage ends.")
        return
    header = ("joint", "verdict", "rise", "forecast", "as of")
    put_table(header, [_row(creep, names) for creep in creeps])


def _row(c: Creep, names: dict[str, str]) -> tuple[str, ...]:
    few = c.verdict is CreepVerdict.TOO_FEW_PASSAGES
    return (
        names.get(c.joint, c.joint),
        c.verdict.value.replace("_", " "),
        f"{c.passages_count} of {PASSAGES_NEEDED} passages needed" if few else advice.gain(c),
        advice.reaches(c) or "none",
        format_time(c.time // 1000 * 1000),
    )
