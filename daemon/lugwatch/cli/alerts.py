"""`lugwatch alerts`: the alert history."""

import textwrap
from pathlib import Path

import click

from lugwatch.cli.options import db_option, json_option, put_json
from lugwatch.json_shapes import alert_object
from lugwatch.model import Alert
from lugwatch.store.queries import History
from lugwatch.units import format_time


@click.command("alerts")
@db_option
@click.option("--active", is_flag=True, help="Only those that are not normal again.")
@json_option
def command(database: Path, active: bool, as_json: bool) -> None:
    """Tell the alert history, newest first: what was said, when, and what to do."""
    with History.open(database) as history:
        alerts = history.alerts(active_only=active)
    if as_json:
        put_json([alert_object(alert) for alert in alerts])
        return
    if not alerts:
        click.echo("No alert is active." if active else "There has been no alert.")
    for alert in alerts:
        _tell(alert)


def _tell(alert: Alert) -> None:
    ended = "" if alert.rectified_time is None else f", over {format_time(alert.rectified_time)}"
    seen = (
        "not acknowledged"
        if alert.acknowledged_time is None
        else f"acknowledged {format_time(alert.acknowledged_time)} by {alert.acknowledged_by}"
    )
    click.echo(
        f"{alert.alert_id}  {alert.category.value}: {alert.condition.value.replace('_', ' ')}, "
        f"{alert.state.value}; raised {format_time(alert.raised_time)}{ended}; {seen}"
    )
    for text in (alert.text, alert.advice):
        click.echo(textwrap.indent(textwrap.fill(text, 96), "    "))
