"""`lugwatch prove`: is a joint good? A load of known size for ten minutes or so, live or from the history."""

import threading
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import click

from lugwatch import proof_trial, proof_words, proving
from lugwatch.cli.options import db_option, json_option, put_json, time_argument
from lugwatch.clock import Clock, clock_from_environment
from lugwatch.errors import OperationFailed, UserError
from lugwatch.json_shapes import proof_object
from lugwatch.proof_trial import LOOK_SECONDS, Wanted, last_before, prove
from lugwatch.proving import LONGEST_MINUTES, ProofTest
from lugwatch.store.proofs import put_proof
from lugwatch.store.queries import History
from lugwatch.units import format_time


@click.command("prove")
@click.argument("joints", nargs=-1, required=True)
@db_option
@click.option(
    "--amps", type=float, help="The current that it will really carry; left out: its rated current."
)
@click.option(
    "--minutes", type=float, default=LONGEST_MINUTES, show_default=True, help="Use no more of the load."
)
@click.option(
    "--from", "start", help="The first test that begins at or after this time; left out: the latest."
)
@click.option("--allowed-kelvin", type=float, help="Rise that is allowed; left out: its limit less 40 °C.")
@click.option("--live", is_flag=True, help="Beside a running watch: follow the load until it is certain.")
@click.option("--keep/--no-keep", default=True, show_default=True, help="Keep the result in the database.")
@click.option("--note", help="How it was made, for the record: washers, torque, who watched.")
@click.option("--by", "who", default="crew", show_default=True)
@json_option
def command(
    joints: tuple[str, ...],
    database: Path,
    amps: float | None,
    minutes: float,
    start: str | None,
    allowed_kelvin: float | None,
    live: bool,
    keep: bool,
    note: str | None,
    who: str,
    as_json: bool,
) -> None:
    """Tell where JOINTS would settle at the current they will really carry, and whether that is good.

    A test is at least five minutes of rest and then a steady load, ten minutes or so. The verdict comes
    as soon as it is certain and not before; after that more minutes only narrow it. With several JOINTS
    they are compared under the same load. A second test of a joint is compared with the one before it.
    """
    wanted = Wanted(
        joints=joints, amps=amps, minutes=minutes, allowed_kelvin=allowed_kelvin, note=note, who=who[:80]
    )
    proof_trial.check(wanted, lambda name: "JOINTS" if name == "joints" else f"--{name.replace('_', '-')}")
    first = time_argument(start, "--from")
    if live:
        if first is not None:
            raise UserError("--live follows what happens now; leave --from out, or leave --live out")
        tests = follow(database, wanted, clock_from_environment(), threading.Event(), quiet=as_json)
    else:
        with History.open(database) as history:
            tests = prove(history, wanted, first)
            if not tests:
                raise UserError(_no_test(history, wanted, first))
    with History.open(database) as history:
        earlier = {t.joint: last_before(history.proofs(t.joint), t) for t in tests}
        names = {j.joint: j.name for j in history.boat().joints}
    if keep:
        tests = [replace(t, proof_id=put_proof(database, t)) for t in tests]
    if as_json:
        put_json([proof_object(t) for t in tests])
        return
    if live:
        click.echo()
    for test in tests:
        for line in proof_words.told(names[test.joint], test, names):
            click.echo(line)
        before = earlier[test.joint]
        if before is not None:
            found = proving.difference(test, before)
            old = f"the test of {format_time(before.time // 1000 * 1000)}"
            click.echo(f"  {proof_words.compared('this test', old, found)}")
    for one, other in combinations(tests, 2):
        found = proving.difference(one, other)
        click.echo(proof_words.compared(names[one.joint], names[other.joint], found))
    click.echo(proof_words.CAUTION)


def _no_test(history: History, wanted: Wanted, first: int | None) -> str:
    missing = proof_words.no_test(wanted.joints, latest=first is None)
    return f"{history.path}: {missing}; name another time with --from, or test with --live"


def follow(
    database: Path, wanted: Wanted, clock: Clock, stop: threading.Event, *, quiet: bool = False
) -> list[ProofTest]:
    """Tell where the joints are heading, a line a minute, until every verdict is certain or time is up.

    Raises OperationFailed where a joint reaches its limit, nobody watches, or no load comes.
    """
    began, began_seconds = clock.time(), clock.monotonic_seconds()
    told: dict[str, int] = {}
    if not quiet:
        click.echo(proof_words.CAUTION)
    while True:
        with History.open(database) as history:
            waited_seconds = clock.monotonic_seconds() - began_seconds
            progress = proof_trial.look(
                history, wanted, began=began, waited_seconds=waited_seconds, now=clock.time()
            )
        if progress.trouble is not None:
            raise OperationFailed(progress.trouble)
        for joint in progress.joints:
            test = joint.test
            if test is not None and not quiet and told.get(test.joint) != int(test.minutes):
                told[test.joint] = int(test.minutes)
                line = proof_words.forecast(test) if test.tested_kelvin is not None else "no forecast yet"
                click.echo(f"{joint.joint.name}, {test.minutes:.0f} min: {line}")
        if progress.over or clock.wait(stop, LOOK_SECONDS):
            return progress.tests
