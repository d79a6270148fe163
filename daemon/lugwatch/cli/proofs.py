"""`lugwatch proofs`: the proof tests that were kept."""

from pathlib import Path

import click

from lugwatch import proof_words
from lugwatch.cli.options import db_option, json_option, put_json
from lugwatch.errors import UserError
from lugwatch.json_shapes import proof_object
from lugwatch.store.queries import History


@click.command("proofs")
@click.argument("joint", required=False)
@db_option
@json_option
def command(joint: str | None, database: Path, as_json: bool) -> None:
    """Tell every proof test that was kept, or those of JOINT, oldest first."""
    with History.open(database) as history:
        known = history.joint_ids()
        if joint is not None and joint not in known:
            raise UserError(f"there is no joint {joint!r} in {database}; there are {', '.join(known)}")
        tests = history.proofs(joint)
        names = {j.joint: j.name for j in history.boat().joints}
    if as_json:
        put_json([proof_object(test) for test in tests])
        return
    if not tests:
        click.echo("No test was kept yet: `lugwatch prove` makes one.")
        return
    for test in tests:
        for line in proof_words.told(f"{test.proof_id}. {names.get(test.joint, test.joint)}", test, names):
            click.echo(line)
        if test.note:
            click.echo(f"  {test.who}: {test.note}")
