"""`lugwatch alerts`: the alert history, and what the crew does about an alert or a joint."""

import difflib
import re
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from lugwatch.cli.options import json_option, put_json, time_argument
from lugwatch.clock import clock_from_environment
from lugwatch.errors import UserError
from lugwatch.json_shapes import alert_object
from lugwatch.model import Alert, AlertState, Category, Condition, CrewDeed, Manners
from lugwatch.store.crew import put_crew_action
from lugwatch.store.queries import History
from lugwatch.units import format_duration, format_time, parse_number

_TAKEN = "A running watch takes it in within seconds, else the next one does."
LONGEST_NAME = 60
_UNITS = {"": 60.0, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}

_db_option = click.option(
    "--db",
    "database",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The database that `watch` or `replay` wrote. Required.",
)
_by_option = click.option("--by", "who", default="command line", show_default=True, help="Who does it.")
_for_option = click.option(
    "--for", "duration", metavar="TIME", help="For how long: 30min, 2h, 90 (minutes). Left out: the usual."
)


@click.group("alerts", invoke_without_command=True)
@_db_option
@click.option("--active", is_flag=True, help="Only those that are not normal again.")
@click.option("--joint", help="Only of this joint.")
@click.option("--condition", type=click.Choice([c.value for c in Condition]), help="Only of this condition.")
@click.option("--category", type=click.Choice([c.value for c in Category]), help="Only of this category.")
@click.option("--state", type=click.Choice([s.value for s in AlertState]), help="Only in this state.")
@click.option("--from", "since", help="Only raised at or after: 2026-05-03T14:30:00Z or epoch seconds.")
@click.option("--to", "until", help="Only raised before.")
@click.option("--last", type=click.IntRange(min=1), help="No more than so many, the newest.")
@json_option
def command(database: Path | None, as_json: bool, **filters: Any) -> None:
    """Tell the alert history, newest first: what was said, when, and what to do.

    Or answer an alert: `lugwatch alerts acknowledge 7 --db FILE`, and so on, as the page and the phone do.
    """
    if click.get_current_context().invoked_subcommand is not None:
        return
    alerts = _asked(_needed(database), **filters)
    if as_json:
        put_json([alert_object(alert) for alert in alerts])
        return
    if not alerts:
        narrowed = any(value for name, value in filters.items() if name != "active")
        none = "No alert is like that." if narrowed else "There has been no alert."
        click.echo("No alert is active." if filters["active"] and not narrowed else none)
    for alert in alerts:
        _tell(alert)


def _needed(database: Path | None) -> Path:
    context = click.get_current_context()
    while database is None and context.parent is not None:
        context = context.parent
        database = context.params.get("database")
    if database is None:
        raise UserError("alerts needs --db FILE, the database that `watch` or `replay` wrote")
    return database


def _asked(
    database: Path,
    *,
    active: bool,
    joint: str | None,
    condition: str | None,
    category: str | None,
    state: str | None,
    since: str | None,
    until: str | None,
    last: int | None,
) -> list[Alert]:
    begin, end = time_argument(since, "--from"), time_argument(until, "--to")
    with History.open(database) as history:
        if joint is not None:
            _know_joint(joint, history)
        alerts = history.alerts(active_only=active)
    wanted: Sequence[tuple[str | None, Callable[[Alert], str | None]]] = (
        (joint, lambda a: a.joint),
        (condition, lambda a: a.condition.value),
        (category, lambda a: a.category.value),
        (state, lambda a: a.state.value),
    )
    kept = [
        alert
        for alert in alerts
        if all(want is None or of(alert) == want for want, of in wanted)
        and (begin is None or alert.raised_time >= begin)
        and (end is None or alert.raised_time < end)
    ]
    return kept[:last]


def _know_joint(joint: str, history: History) -> None:
    known = history.joint_ids()
    if joint not in known:
        near = difflib.get_close_matches(joint, known, n=1)
        hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(known[:8])}"
        raise UserError(f"{history.path}: holds no joint {joint!r}; {hint}")


def _tell(alert: Alert) -> None:
    click.echo(
        f"{alert.alert_id}  {alert.category.value}: {alert.condition.value.replace('_', ' ')}, "
        f"{alert.state.value}; {_course(alert)}"
    )
    figures = _figures(alert)
    for text in (alert.text, *((figures,) if figures else ()), alert.advice):
        click.echo(textwrap.indent(textwrap.fill(text, 96), "    "))


def _course(alert: Alert) -> str:
    """When it began and ended, and who did what about it."""
    parts = [f"raised {format_time(alert.raised_time)}"]
    if alert.escalated_time is not None:
        parts.append(f"an alarm since nobody answered, {format_time(alert.escalated_time)}")
    if alert.rectified_time is not None:
        parts.append(f"over {format_time(alert.rectified_time)}")
    if alert.silenced_until_time is not None:
        parts.append(f"silenced until {format_time(alert.silenced_until_time)} by {alert.silenced_by}")
    if alert.shelved_until_time is not None:
        what = "out of service" if alert.state is AlertState.OUT_OF_SERVICE else "shelved"
        parts.append(f"{what} until {format_time(alert.shelved_until_time)} by {alert.shelved_by}")
    if alert.acknowledged_time is not None:
        parts.append(f"acknowledged {format_time(alert.acknowledged_time)} by {alert.acknowledged_by}")
    elif alert.shelved_until_time is None:
        parts.append("not acknowledged")
    return "; ".join(parts)


def _figures(alert: Alert) -> str:
    """First, worst and last, of a joint whose figures are known."""
    first = _figure(alert.first_celsius, alert.first_baseline_ratio)
    worst = _figure(alert.worst_celsius, alert.worst_baseline_ratio)
    last = _figure(alert.last_celsius, alert.last_baseline_ratio)
    if not (first and worst and last) or alert.worst_time is None or alert.last_time is None:
        return ""
    return (
        f"Began at {first}; worst {worst}, {format_time(alert.worst_time)}; "
        f"last {last}, {format_time(alert.last_time)}."
    )


def _figure(celsius: float | None, ratio: float | None) -> str:
    parts = [f"{celsius:.1f} °C"] if celsius is not None else []
    parts += [f"{100 * (ratio - 1):+.0f} % against its baseline"] if ratio is not None else []
    return ", ".join(parts)


# ---- what the crew does --------------------------------------------------------------------------


def _seconds(duration: str | None) -> float | None:
    """A duration as people write it, or None."""
    if duration is None:
        return None
    found = re.fullmatch(r"\s*([0-9.]+)\s*(s|min|h|d)?\s*", duration)
    value = None if found is None else parse_number(found[1])
    if found is None or value is None or value <= 0.0:
        raise UserError(f"--for {duration!r} is no duration; write it like 30min, 2h or 90 (minutes)")
    return value * _UNITS[found[2] or ""]


def _name(who: str) -> str:
    line = " ".join(who.split())
    if not line or len(line) > LONGEST_NAME:
        raise UserError(f"--by {who!r} is no name; give one of 1 to {LONGEST_NAME} characters")
    return line


def _on_alert(
    deed: CrewDeed, alert_id: int | None, database: Path | None, who: str, duration: str | None = None
) -> tuple[Alert | None, float | None]:
    """Leave one deed about an alert that is not normal; None: about all of them."""
    path, seconds, who = _needed(database), _seconds(duration), _name(who)
    alert = None
    with History.open(path) as history:
        active = {a.alert_id: a for a in history.alerts(active_only=True)}
    if alert_id is not None:
        if alert_id not in active:
            ids = ", ".join(str(i) for i in sorted(active)) or "none"
            raise UserError(f"no alert {alert_id} is active; these are: {ids}")
        alert = active[alert_id]
    put_crew_action(path, deed, alert_id, who, clock_from_environment().time(), for_seconds=seconds)
    return alert, seconds


@command.command("acknowledge")
@click.argument("alert_id", type=int, metavar="ID")
@_by_option
@_db_option
def acknowledge(alert_id: int, who: str, database: Path | None) -> None:
    """Say that you have seen alert ID and are on it: no more sound, no more messages unless it gets worse."""
    alert, _ = _on_alert(CrewDeed.ACKNOWLEDGE, alert_id, database, who)
    assert alert is not None
    click.echo(f"Acknowledged: {alert.text} {_TAKEN}")


@command.command("silence")
@click.argument("alert_id", type=int, metavar="[ID]", required=False)
@_by_option
@_db_option
def silence(alert_id: int | None, who: str, database: Path | None) -> None:
    """Quiet for 30 seconds, of alert ID or of all that sounds. Nothing is acknowledged by that."""
    _on_alert(CrewDeed.SILENCE, alert_id, database, who)
    what = "All that sounds is" if alert_id is None else f"Alert {alert_id} is"
    click.echo(f"{what} quiet for {format_duration(Manners().silence_seconds)}. {_TAKEN}")


@command.command("shelve")
@click.argument("alert_id", type=int, metavar="ID")
@_for_option
@_by_option
@_db_option
def shelve(alert_id: int, duration: str | None, who: str, database: Path | None) -> None:
    """Put alert ID aside for a time: it speaks again when that is up, or when it gets worse.

    At most a day, an alarm at most an hour.
    """
    alert, seconds = _on_alert(CrewDeed.SHELVE, alert_id, database, who, duration)
    assert alert is not None
    usual = Manners()
    alarm = alert.category is Category.ALARM
    most = usual.shelve_alarm_most_seconds if alarm else usual.shelve_most_seconds
    how_long = "the usual time" if seconds is None else format_duration(min(seconds, most))
    bounded = ", the longest there is" if seconds is not None and seconds > most else ""
    click.echo(f"Shelved for {how_long}{bounded}: {alert.text} {_TAKEN}")


@command.command("unshelve")
@click.argument("alert_id", type=int, metavar="ID")
@_by_option
@_db_option
def unshelve(alert_id: int, who: str, database: Path | None) -> None:
    """Take alert ID back from the shelf."""
    alert, _ = _on_alert(CrewDeed.UNSHELVE, alert_id, database, who)
    assert alert is not None
    click.echo(f"Back from the shelf: {alert.text} {_TAKEN}")


@command.command("out")
@click.argument("joint")
@_for_option
@_by_option
@_db_option
def out(joint: str, duration: str | None, who: str, database: Path | None) -> None:
    """Take JOINT out of service while you work on it: nothing is said of it meanwhile.

    It is back by itself when the time is up (2 h unless told otherwise, at most a day). Work on it only
    with the circuit dead and the battery isolated.
    """
    _on_joint(CrewDeed.OUT_OF_SERVICE, joint, database, who, duration)
    click.echo(f"{joint} is out of service; put it back with `lugwatch alerts back {joint}`. {_TAKEN}")
    click.echo("Work on it only with the circuit dead and the battery isolated.")


@command.command("back")
@click.argument("joint")
@_by_option
@_db_option
def back(joint: str, who: str, database: Path | None) -> None:
    """Put JOINT back in service: it is watched again."""
    _on_joint(CrewDeed.BACK_IN_SERVICE, joint, database, who, None)
    click.echo(f"{joint} is back in service. Was it worked on? Then say so: `lugwatch journal add`. {_TAKEN}")


def _on_joint(deed: CrewDeed, joint: str, database: Path | None, who: str, duration: str | None) -> None:
    path, seconds, who = _needed(database), _seconds(duration), _name(who)
    with History.open(path) as history:
        _know_joint(joint, history)
    put_crew_action(path, deed, None, who, clock_from_environment().time(), joint=joint, for_seconds=seconds)
