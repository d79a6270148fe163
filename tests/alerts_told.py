"""Alerts and their changes for tests of the ways out."""

from dataclasses import replace

from lugwatch.model import (
    SPEAKING,
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
)

TIME = 1_780_000_000_000


def alert(number: int = 1, category: Category = Category.ALARM, **more: object) -> Alert:
    values: dict[str, object] = {
        "alert_id": number,
        "joint": "bar",
        "channel": None,
        "condition": Condition.HOT,
        "category": category,
        "state": AlertState.ACTIVE_UNACKNOWLEDGED,
        "raised_time": TIME + number * 1000,
        "rectified_time": None,
        "acknowledged_time": None,
        "acknowledged_by": None,
        "text": f"Joint {number} is at 95 °C, over its limit of 90 °C.",
        "advice": "Shed load.",
    }
    return Alert(**values | more)  # type: ignore[arg-type]


def change(
    what: Alert,
    kind: AlertChangeKind = AlertChangeKind.RAISED,
    state: AlertState | None = None,
    *,
    sequence: int | None = None,
) -> AlertChange:
    """One change of `what`; its sequence is the alert's number unless given."""
    return AlertChange(
        sequence=what.alert_id if sequence is None else sequence,
        time=what.raised_time,
        change=kind,
        alert=replace(what, state=state or what.state),
        speaks=kind in SPEAKING,
    )


def acknowledged(what: Alert, *, sequence: int | None = None) -> AlertChange:
    return change(what, AlertChangeKind.ACKNOWLEDGED, AlertState.ACTIVE_ACKNOWLEDGED, sequence=sequence)


def rectified(what: Alert, *, sequence: int | None = None) -> AlertChange:
    over = replace(what, rectified_time=what.raised_time + 600_000)
    return change(over, AlertChangeKind.RECTIFIED, AlertState.RECTIFIED_UNACKNOWLEDGED, sequence=sequence)
