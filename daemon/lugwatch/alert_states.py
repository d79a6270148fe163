"""The state of each alert, as a table, and the delays that keep it from chattering.

`TABLE` is the state machine: (state, event) -> state; what is not in it changes nothing. States and
categories are those of IMO MSC.302(87) and IEC 62923; on- and off-delays as in IEC 62682.
Not here: when a condition is true (`alert_rules`), what to say (`advice`). May import: model.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from lugwatch.model import (
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
    CrewAction,
)


class AlertEvent(StrEnum):
    """What can happen to an alert."""

    CONDITION = "condition"  # it is true, and has been for its on-delay
    WORSE = "worse"  # it now deserves a higher category
    RECTIFIED = "rectified"  # it is no longer true, and has not been for its off-delay
    RECTIFIED_CAUTION = "rectified_caution"  # the same of a caution, which needs no acknowledgement
    ACKNOWLEDGE = "acknowledge"  # somebody has seen it


_S, _E = AlertState, AlertEvent

TABLE: Mapping[tuple[AlertState, AlertEvent], AlertState] = {
    (_S.NORMAL, _E.CONDITION): _S.ACTIVE_UNACKNOWLEDGED,
    (_S.ACTIVE_UNACKNOWLEDGED, _E.ACKNOWLEDGE): _S.ACTIVE_ACKNOWLEDGED,
    (_S.ACTIVE_UNACKNOWLEDGED, _E.RECTIFIED): _S.RECTIFIED_UNACKNOWLEDGED,
    (_S.ACTIVE_UNACKNOWLEDGED, _E.RECTIFIED_CAUTION): _S.NORMAL,
    (_S.ACTIVE_ACKNOWLEDGED, _E.WORSE): _S.ACTIVE_UNACKNOWLEDGED,
    (_S.ACTIVE_ACKNOWLEDGED, _E.RECTIFIED): _S.NORMAL,
    (_S.ACTIVE_ACKNOWLEDGED, _E.RECTIFIED_CAUTION): _S.NORMAL,
    (_S.RECTIFIED_UNACKNOWLEDGED, _E.ACKNOWLEDGE): _S.NORMAL,
    (_S.RECTIFIED_UNACKNOWLEDGED, _E.CONDITION): _S.ACTIVE_UNACKNOWLEDGED,
}


def next_state(state: AlertState, event: AlertEvent) -> AlertState:
    """The state after `event`; total: what the table does not name changes nothing."""
    return TABLE.get((state, event), state)


SEVERITY: Mapping[Category, int] = {Category.CAUTION: 1, Category.WARNING: 2, Category.ALARM: 3}


class Verdict(StrEnum):
    """What a rule says now. HOLD: between its two thresholds, or not known: leave things as they are."""

    TRUE = "true"
    HOLD = "hold"
    FALSE = "false"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One rule applied to one joint, channel or source at one moment."""

    condition: Condition
    joint: str | None
    channel: str | None
    verdict: Verdict
    category: Category
    on_delay_seconds: float
    off_delay_seconds: float
    text: str = ""
    advice: str = ""

    @property
    def key(self) -> "Key":
        return _key(self.condition, self.joint, self.channel)


Key = tuple[Condition, str]


def _key(condition: Condition, joint: str | None, channel: str | None) -> Key:
    # a joint and a current may share an id, so each says what it is
    return (condition, f"joint {joint}" if joint is not None else f"channel {channel}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """Every alert that is not normal, the delays that are running, and the next numbers."""

    alerts: Mapping[Key, Alert] = field(default_factory=dict)
    true_since: Mapping[Key, float] = field(default_factory=dict)  # monotonic seconds
    false_since: Mapping[Key, float] = field(default_factory=dict)
    next_alert_id: int = 1
    next_sequence: int = 1


def opened(alerts: Sequence[Alert], next_alert_id: int, next_sequence: int) -> Book:
    """A book as the store remembers it: nothing in it is announced as new."""
    return Book(
        alerts={_key(a.condition, a.joint, a.channel): a for a in alerts},
        next_alert_id=next_alert_id,
        next_sequence=next_sequence,
    )


def apply(
    book: Book, findings: Sequence[Finding], monotonic_seconds: float, time: int
) -> tuple[Book, tuple[AlertChange, ...]]:
    """Let the rules' findings act on the book, through their delays."""
    changes: list[AlertChange] = []
    for finding in findings:
        if finding.verdict is Verdict.HOLD:
            continue
        if finding.verdict is Verdict.FALSE and not _concerns(book, finding.key):
            continue
        book, change = _apply_one(book, finding, monotonic_seconds, time)
        if change is not None:
            changes.append(change)
    return book, tuple(changes)


def _concerns(book: Book, key: Key) -> bool:
    return key in book.alerts or key in book.true_since


def joints_concerned(book: Book) -> frozenset[str]:
    """The joints of which an alert stands or a delay runs; a rule false of others changes nothing."""
    if not (book.alerts or book.true_since):
        return frozenset()
    keys = (*book.alerts, *book.true_since)
    return frozenset(who.removeprefix("joint ") for _, who in keys if who.startswith("joint "))


def is_said(book: Book, condition: Condition) -> bool:
    """Whether an alert of this condition stands or a delay of it runs."""
    return any(said is condition for said, _ in (*book.alerts, *book.true_since))


def _apply_one(book: Book, finding: Finding, now: float, time: int) -> tuple[Book, AlertChange | None]:
    key = finding.key
    alert = book.alerts.get(key)
    if finding.verdict is Verdict.TRUE:
        book = replace(book, false_since=_without(book.false_since, key))
        if alert is not None and alert.state is not AlertState.RECTIFIED_UNACKNOWLEDGED:
            return _worsen(book, alert, finding, time)
        since = book.true_since.get(key, now)
        if now - since < finding.on_delay_seconds:
            return replace(book, true_since={**book.true_since, key: since}), None
        book = replace(book, true_since=_without(book.true_since, key))
        return _raise(book, alert, finding, time)
    book = replace(book, true_since=_without(book.true_since, key))
    if alert is None or alert.state is AlertState.RECTIFIED_UNACKNOWLEDGED:
        return book, None
    since = book.false_since.get(key, now)
    if now - since < finding.off_delay_seconds:
        return replace(book, false_since={**book.false_since, key: since}), None
    book = replace(book, false_since=_without(book.false_since, key))
    return _rectify(book, key, alert, time)


def _without(mapping: Mapping[Key, float], key: Key) -> Mapping[Key, float]:
    return {k: v for k, v in mapping.items() if k != key} if key in mapping else mapping


def _raise(book: Book, before: Alert | None, finding: Finding, time: int) -> tuple[Book, AlertChange | None]:
    """A new alert, or one that is back before anybody had seen it."""
    if before is not None:
        back = replace(
            before,
            state=next_state(before.state, AlertEvent.CONDITION),
            category=finding.category,
            rectified_time=None,
            text=finding.text,
            advice=finding.advice,
        )
        return _record(book, finding.key, back, AlertChangeKind.RETURNED, time)
    alert = Alert(
        alert_id=book.next_alert_id,
        joint=finding.joint,
        channel=finding.channel,
        condition=finding.condition,
        category=finding.category,
        state=next_state(AlertState.NORMAL, AlertEvent.CONDITION),
        raised_time=time,
        rectified_time=None,
        acknowledged_time=None,
        acknowledged_by=None,
        text=finding.text,
        advice=finding.advice,
    )
    book = replace(book, next_alert_id=book.next_alert_id + 1)
    return _record(book, finding.key, alert, AlertChangeKind.RAISED, time)


def _worsen(book: Book, alert: Alert, finding: Finding, time: int) -> tuple[Book, AlertChange | None]:
    """The condition goes on; only a higher category is news."""
    if SEVERITY[finding.category] <= SEVERITY[alert.category]:
        return book, None
    worse = replace(
        alert,
        state=next_state(alert.state, AlertEvent.WORSE),
        category=finding.category,
        acknowledged_time=None,
        acknowledged_by=None,
        text=finding.text,
        advice=finding.advice,
    )
    return _record(book, finding.key, worse, AlertChangeKind.WORSENED, time)


def acknowledge(book: Book, action: CrewAction) -> tuple[Book, tuple[AlertChange, ...]]:
    """Somebody has seen an alert; an unknown or already acknowledged one changes nothing."""
    for key, alert in book.alerts.items():
        if alert.alert_id != action.alert_id:
            continue
        state = next_state(alert.state, AlertEvent.ACKNOWLEDGE)
        if state is alert.state:
            return book, ()
        seen = replace(alert, state=state, acknowledged_time=action.time, acknowledged_by=action.who)
        book, change = _record(book, key, seen, AlertChangeKind.ACKNOWLEDGED, action.time)
        return book, (change,)
    return book, ()


def end(
    book: Book, joint: str, conditions: Sequence[Condition], time: int
) -> tuple[Book, tuple[AlertChange, ...]]:
    """These conditions of a joint are over at once: what they rested on was taken away."""
    changes = []
    for condition in conditions:
        key = _key(condition, joint, None)
        alert = book.alerts.get(key)
        book = replace(
            book, true_since=_without(book.true_since, key), false_since=_without(book.false_since, key)
        )
        if alert is None or alert.state is AlertState.RECTIFIED_UNACKNOWLEDGED:
            continue
        book, change = _rectify(book, key, alert, time)
        changes.append(change)
    return book, tuple(changes)


def _rectify(book: Book, key: Key, alert: Alert, time: int) -> tuple[Book, AlertChange]:
    caution = alert.category is Category.CAUTION
    event = AlertEvent.RECTIFIED_CAUTION if caution else AlertEvent.RECTIFIED
    rectified = replace(alert, state=next_state(alert.state, event), rectified_time=time)
    return _record(book, key, rectified, AlertChangeKind.RECTIFIED, time)


def _record(book: Book, key: Key, alert: Alert, kind: AlertChangeKind, time: int) -> tuple[Book, AlertChange]:
    """Number the change; an alert that is normal again leaves the book."""
    alerts = {k: a for k, a in book.alerts.items() if k != key}
    if alert.state is not AlertState.NORMAL:
        alerts[key] = alert
    change = AlertChange(sequence=book.next_sequence, time=time, change=kind, alert=alert)
    return replace(book, alerts=alerts, next_sequence=book.next_sequence + 1), change
