"""`lugwatch prove`: is a joint good? A load of known size for ten minutes or so, live or from the history."""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import click

from lugwatch import proof_words, proving
from lugwatch.cli.options import db_option, json_option, put_json, time_argument
from lugwatch.clock import Clock, clock_from_environment
from lugwatch.errors import OperationFailed, UserError
from lugwatch.json_shapes import proof_object
from lugwatch.model import Joint
from lugwatch.proof import Poor, Verdict
from lugwatch.proving import LONGEST_MINUTES, ProofTest, Stretch
from lugwatch.store.proofs import put_proof
from lugwatch.store.queries import History
from lugwatch.units import format_time

SEARCH_MS = 24 * 3_600_000
LIVE_SEARCH_MS = 2 * 3_600_000
LOOK_SECONDS = 10.0
WAIT_MINUTES = 30.0  # for the load to come on
OLDEST_LIVE_SECONDS = 120.0
_CERTAIN = (Verdict.SOUND, Verdict.BAD, Verdict.DOUBTFUL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What was asked for."""

    joints: tuple[str, ...]
    amps: float | None
    minutes: float
    allowed_kelvin: float | None
    note: str | None
    who: str


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
    for option, value in (("--amps", amps), ("--minutes", minutes), ("--allowed-kelvin", allowed_kelvin)):
        if value is not None and not 0 < value < 1e5:
            raise UserError(f"{option} {value:g} is no such value; give a number above 0")
    wanted = Wanted(
        joints=joints, amps=amps, minutes=minutes, allowed_kelvin=allowed_kelvin, note=note, who=who[:80]
    )
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


def last_before(kept: Sequence[ProofTest], test: ProofTest) -> ProofTest | None:
    """The latest good test of the same joint that began before this one."""
    earlier = [t for t in kept if t.time < test.time and t.poor is None]
    return earlier[-1] if earlier else None


def prove(history: History, wanted: Wanted, first: int | None, search_ms: int = SEARCH_MS) -> list[ProofTest]:
    """One test a joint in the history; none where no load after rest is found. Raises UserError."""
    span = history.data_span()
    if span is None:
        return []
    start = max(span[0], span[1] - search_ms) if first is None else first
    joints = [_joint(history, name) for name in wanted.joints]
    record = _record(history, joints, start - 1_000 * round(proving.LOOK_BACK_SECONDS), start + search_ms)
    probes = {j.joint: j.probe for j in history.boat().joints}
    tests = []
    for joint in joints:
        assert joint.current is not None
        asked = _asked_amps(joint, wanted)
        stretches = proving.loads(record[joint.current], asked)
        if first is None:
            stretch = proving.worth(stretches)
        else:
            stretch = next((s for s in stretches if s.began >= first), None)
        if stretch is not None:
            near = {n: record[probes[n]] for n in joint.neighbours if n in probes}
            tests.append(_judge(joint, stretch, record, wanted, asked, near))
    return tests


def _judge(
    joint: Joint,
    stretch: Stretch,
    record: Mapping[str, list[tuple[int, float]]],
    wanted: Wanted,
    asked_amps: float,
    neighbours: Mapping[str, list[tuple[int, float]]],
) -> ProofTest:
    assert joint.current is not None
    allowed = wanted.allowed_kelvin
    test = proving.judge(
        joint,
        stretch,
        record[joint.probe],
        None if joint.air is None else record[joint.air],
        record[joint.current],
        asked_amps=asked_amps,
        allowed_kelvin=proving.allowed_rise_kelvin(joint) if allowed is None else allowed,
        minutes=wanted.minutes,
        neighbours=neighbours,
    )
    return replace(test, note=wanted.note, who=wanted.who)


def _joint(history: History, name: str) -> Joint:
    boat = history.boat()
    joint = next((j for j in boat.joints if j.joint == name), None)
    if joint is None:
        known = ", ".join(j.joint for j in boat.joints)
        raise UserError(f"there is no joint {name!r} in {history.path}; there are {known}")
    if joint.current is None:
        raise UserError(f"{name}: its current is not measured, so it cannot be proved; configure `current`")
    return joint


def _asked_amps(joint: Joint, wanted: Wanted) -> float:
    amps = wanted.amps if wanted.amps is not None else joint.rated_amps
    if amps is None:
        raise UserError(f"{joint.joint}: its rated current is not configured; say --amps")
    return amps


def _record(
    history: History, joints: Sequence[Joint], start: int, end: int
) -> dict[str, list[tuple[int, float]]]:
    probes = {j.joint: j.probe for j in history.boat().joints}
    channels = {c for j in joints for c in (j.probe, j.air, j.current) if c is not None}
    channels |= {probes[n] for j in joints for n in j.neighbours if n in probes}
    record: dict[str, list[tuple[int, float]]] = {channel: [] for channel in channels}
    for time, channel, value in history.readings(start, end):
        if channel in record:
            record[channel].append((time, value))
    return record


def _no_test(history: History, wanted: Wanted, first: int | None) -> str:
    where = "in the last 24 hours of it" if first is None else "in the 24 hours from there"
    joints = ", ".join(wanted.joints)
    return (
        f"{history.path}: no test of {joints} {where}: that is five minutes of rest, then a load of at least "
        "30 % of the current it will carry; name another time with --from, or test with --live"
    )


def follow(
    database: Path, wanted: Wanted, clock: Clock, stop: threading.Event, *, quiet: bool = False
) -> list[ProofTest]:
    """Tell where the joints are heading, a line a minute, until every verdict is certain or time is up.

    Raises OperationFailed where a joint reaches its limit, nobody watches, or no load comes.
    """
    began_seconds = clock.monotonic_seconds()
    told: dict[str, int] = {}
    if not quiet:
        click.echo(proof_words.CAUTION)
    while True:
        with History.open(database) as history:
            last = history.last_batch()
            if last is None or clock.time() - last[0] > 1e3 * OLDEST_LIVE_SECONDS:
                raise OperationFailed(
                    f"{database}: nothing was recorded for {OLDEST_LIVE_SECONDS:g} s; "
                    "is `lugwatch watch` running?"
                )
            # all of a load that goes on, however late somebody began to look; --minutes ends the looking
            tests = prove(history, replace(wanted, minutes=LONGEST_MINUTES), None, LIVE_SEARCH_MS)
            running = [t for t in tests if clock.time() - (t.time + 60e3 * t.minutes) < 90e3]
            limits = {j: _joint(history, j) for j in wanted.joints}
        for test in running:
            limit = limits[test.joint].limit_celsius
            if test.hottest_celsius is not None and test.hottest_celsius >= limit:
                raise OperationFailed(
                    f"{limits[test.joint].name} is at {test.hottest_celsius:.0f} °C, "
                    f"its limit is {limit:.0f} °C: stop the load now "
                    "(lower the alternator's field first), and let it cool"
                )
            if not quiet and told.get(test.joint) != int(test.minutes):
                told[test.joint] = int(test.minutes)
                line = proof_words.forecast(test) if test.tested_kelvin is not None else "no forecast yet"
                click.echo(f"{limits[test.joint].name}, {test.minutes:.0f} min: {line}")
        if running and len(running) == len(wanted.joints) and all(_is_over(t, wanted) for t in running):
            return running
        if not running and clock.monotonic_seconds() - began_seconds > 60.0 * WAIT_MINUTES:
            raise OperationFailed(
                f"no load came on for {WAIT_MINUTES:g} minutes after rest; nothing was tested"
            )
        if clock.wait(stop, LOOK_SECONDS):
            return running


def _is_over(test: ProofTest, wanted: Wanted) -> bool:
    if test.verdict in _CERTAIN or test.minutes >= wanted.minutes:
        return True
    # these do not mend by themselves while the load goes on
    return test.poor in (Poor.TOO_LITTLE_CURRENT, Poor.NOT_RESTED) and test.minutes > 3.0
