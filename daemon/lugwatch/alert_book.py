"""Every alert that is not normal, and what happens to one: `TABLE` decides, each change is numbered.

All waiting is counted in monotonic seconds; times in an alert are labels for people. Not here: delays and
what sets an alert off (`alert_states`), how much can be said at once (`alert_flood`). May import: model,
alert_table.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from lugwatch.alert_table import TABLE, AlertEvent
from lugwatch.model import (
    ACTIVE_STATES,
    WELL_MANNERED,
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
    Manners,
)

SEVERITY: Mapping[Category, int] = {Category.CAUTION: 1, Category.WARNING: 2, Category.ALARM: 3}
_RAISED_TO = AlertChangeKind.ESCALATED
_ASKS = frozenset({AlertState.ACTIVE_UNACKNOWLEDGED, AlertState.ACTIVE_SILENCED})
_SHELF = frozenset({AlertState.SHELVED, AlertState.SHELVED_RECTIFIED})

# What heads for its limit or arcs cannot wait: unanswered, its warning becomes an alarm. Other warnings are
# said again; MSC.302(87) and IEC 62923-1 leave either open. A joint that warms far below its limit can wait.
ESCALATES = frozenset({Condition.HEADING_HOT, Condition.RISING_FAST, Condition.INTERMITTENT})
# What is worse of these is a matter of the rise against its baseline, of all others of temperature.
BY_RATIO = frozenset({Condition.WARMING, Condition.CREEPING, Condition.INTERMITTENT})


class Verdict(StrEnum):
    """What a rule says now. HOLD: between its two thresholds, or not known: leave things as they are."""

    TRUE = "true"
    HOLD = "hold"
    FALSE = "false"


Key = tuple[Condition, str]


def key_of(condition: Condition, joint: str | None, channel: str | None) -> Key:
    # a joint and a current may share an id, so each says what it is
    return (condition, f"joint {joint}" if joint is not None else f"channel {channel}")


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
    # what the dead band leaves standing of a higher category that was reached; None: no more than `category`
    keeps: Category | None = None
    probe_celsius: float | None = None
    baseline_ratio: float | None = None
    once: bool = False  # not asked again every window: what is waited for runs out by itself
    urgency: float = 0.0  # among findings of one category the greater is told first: kelvin over the limit

    @property
    def key(self) -> Key:
        return key_of(self.condition, self.joint, self.channel)


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """What an alert waits for [monotonic seconds]; None: nothing of the kind."""

    state_seconds: float | None = None  # its silence, shelf or time out of service ends
    answer_seconds: float | None = None  # nobody has answered for long enough
    unanswered_count: int = 0  # how often that has been so


@dataclass(frozen=True, slots=True, kw_only=True)
class Restless:
    """A condition that has come and gone."""

    returns_count: int
    rectified_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """Every alert that is not normal, all that is waited for, and the next numbers."""

    alerts: Mapping[Key, Alert] = field(default_factory=dict)
    true_since: Mapping[Key, float] = field(default_factory=dict)  # monotonic seconds
    false_since: Mapping[Key, float] = field(default_factory=dict)
    eased_since: Mapping[Key, float] = field(default_factory=dict)
    due: Mapping[Key, Due] = field(default_factory=dict)
    restless: Mapping[Key, Restless] = field(default_factory=dict)
    told_seconds: tuple[float, ...] = ()  # when something was brought to people lately
    asked_seconds: tuple[float, ...] = ()  # when something was to be, told or held back
    held: frozenset[Key] = frozenset()  # alerts that a flood held back
    once: frozenset[Key] = frozenset()  # told once that they are over, and that has to last
    renewed: frozenset[Key] = frozenset()  # alerts whose text is newer than what was put out
    kept_seconds: float = float("-inf")  # when what is waited for was last put out to be kept
    next_alert_id: int = 1
    next_sequence: int = 1
    manners: Manners = WELL_MANNERED


Acted = tuple[Book, tuple[AlertChange, ...]]


def out_of_service(book: Book, joint: str | None) -> bool:
    """Whether somebody works on this joint."""
    return joint is not None and (Condition.OUT_OF_SERVICE, f"joint {joint}") in book.alerts


def measure(condition: Condition, celsius: float | None, ratio: float | None) -> float:
    """How bad, among moments of one alert."""
    value = ratio if condition in BY_RATIO else celsius
    return float("-inf") if value is None else value


def without(mapping: Mapping[Key, float], key: Key) -> Mapping[Key, float]:
    return {k: v for k, v in mapping.items() if k != key} if key in mapping else mapping


def renew(book: Book, finding: Finding, time: int) -> Book:
    """An alert that goes on says what is so now; no news."""
    key = finding.key
    alert = book.alerts[key]
    now = _with_figures(alert, finding, time)
    if now == alert:
        return book
    return replace(book, alerts={**book.alerts, key: now}, renewed=book.renewed | {key})


def _with_figures(alert: Alert, finding: Finding, time: int) -> Alert:
    ratio, celsius = finding.baseline_ratio, finding.probe_celsius
    worst = alert.worst_category
    before = (
        -1 if worst is None else SEVERITY[worst],
        measure(alert.condition, alert.worst_celsius, alert.worst_baseline_ratio),
    )
    if (SEVERITY[finding.category], measure(alert.condition, celsius, ratio)) > before:
        alert = replace(
            alert,
            worst_category=finding.category,
            worst_celsius=celsius,
            worst_baseline_ratio=ratio,
            worst_time=time,
        )
    return replace(
        alert,
        text=finding.text or alert.text,
        advice=finding.advice or alert.advice,
        last_celsius=celsius if celsius is not None else alert.last_celsius,
        last_baseline_ratio=ratio if ratio is not None else alert.last_baseline_ratio,
        last_time=time,
    )


def begun(book: Book, finding: Finding, time: int) -> tuple[Book, Alert]:
    """A new alert with a number of its own, still normal: nothing has happened to it yet."""
    alert = Alert(
        alert_id=book.next_alert_id,
        joint=finding.joint,
        channel=finding.channel,
        condition=finding.condition,
        category=finding.category,
        state=AlertState.NORMAL,
        raised_time=time,
        rectified_time=None,
        acknowledged_time=None,
        acknowledged_by=None,
        text=finding.text,
        advice=finding.advice,
        first_celsius=finding.probe_celsius,
        first_baseline_ratio=finding.baseline_ratio,
    )
    return replace(book, next_alert_id=book.next_alert_id + 1), _with_figures(alert, finding, time)


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One event, when it was, who made it, and what it brings."""

    event: AlertEvent
    now: float  # monotonic seconds
    time: int
    who: str | None = None
    category: Category | None = None  # CONDITION, WORSE, EASED: what is deserved now
    for_seconds: float | None = None  # SHELVE, OUT_OF_SERVICE
    addition: str = ""  # to what is said, of this change only


def happen(book: Book, key: Key, alert: Alert, what: Happening) -> tuple[Book, tuple[AlertChange, ...]]:
    """Let the table act on one alert; nothing comes of what the table has no change for."""
    cell = TABLE[alert.state, what.event]
    if cell.change is None:
        return book, ()
    was = alert.state
    alert = _labelled(replace(alert, state=cell.state), cell.change, what)
    if cell.change is _RAISED_TO:
        alert = replace(alert, category=Category.ALARM)
    elif what.category is not None and what.event in (
        *(AlertEvent.CONDITION, AlertEvent.WORSE, AlertEvent.EASED),
    ):
        alert = replace(alert, category=what.category)
    alert = replace(alert, said_count=alert.said_count + cell.speaks, change_count=alert.change_count + 1)
    alerts = {k: a for k, a in book.alerts.items() if k != key}
    if alert.state is not AlertState.NORMAL:
        alerts[key] = alert
    due = {k: d for k, d in book.due.items() if k != key}
    waiting = _due(book.manners, alert, was, book.due.get(key, Due()), cell.change, what)
    if waiting != Due():
        due[key] = waiting
    told = replace(alert, text=f"{alert.text} {what.addition}") if what.addition else alert
    change = AlertChange(
        sequence=book.next_sequence,
        time=what.time,
        change=cell.change,
        alert=told,
        who=what.who,
        speaks=cell.speaks,
    )
    return (
        replace(
            book,
            alerts=alerts,
            due=due,
            renewed=book.renewed - {key},
            next_sequence=book.next_sequence + 1,
        ),
        (change,),
    )


def _labelled(alert: Alert, change: AlertChangeKind, what: Happening) -> Alert:
    """What stands in the alert for people to read of this change."""
    time, state = what.time, alert.state
    if state is not AlertState.ACTIVE_SILENCED:
        alert = replace(alert, silenced_until_time=None, silenced_by=None)
    if state not in _SHELF and change is not AlertChangeKind.TAKEN_OUT:
        alert = replace(alert, shelved_until_time=None, shelved_by=None)
    until = None if what.for_seconds is None else time + round(what.for_seconds * 1000.0)
    match change:
        case AlertChangeKind.RAISED | AlertChangeKind.RETURNED | AlertChangeKind.WORSENED:
            alert = replace(alert, rectified_time=None)
            if state in _ASKS:
                alert = replace(alert, acknowledged_time=None, acknowledged_by=None)
        case AlertChangeKind.SHELF_OVER | AlertChangeKind.PUT_BACK if state in _ASKS:
            alert = replace(alert, acknowledged_time=None, acknowledged_by=None)
        case AlertChangeKind.ESCALATED:
            alert = replace(alert, escalated_time=time)
        case AlertChangeKind.ACKNOWLEDGED | AlertChangeKind.UNSHELVED:
            alert = replace(alert, acknowledged_time=time, acknowledged_by=what.who)
        case AlertChangeKind.SILENCED:
            alert = replace(alert, silenced_until_time=until, silenced_by=what.who)
        case AlertChangeKind.SHELVED:
            alert = replace(alert, shelved_until_time=until, shelved_by=what.who)
        case AlertChangeKind.TAKEN_OUT:
            alert = replace(alert, shelved_until_time=until, shelved_by=what.who)
        case AlertChangeKind.RECTIFIED:
            # who reads it hours later must not take it for the present
            alert = replace(alert, rectified_time=time, text=f"Over. It said: {alert.text}")
        case _:
            pass
    return alert


def _due(
    manners: Manners, alert: Alert, was: AlertState, due: Due, change: AlertChangeKind, what: Happening
) -> Due:
    """What the alert waits for after this change."""
    ends = due.state_seconds
    if what.for_seconds is not None:
        ends = what.now + what.for_seconds
    elif not (was in _SHELF and alert.state in _SHELF):
        ends = None
    if alert.state not in _ASKS or alert.category is Category.CAUTION:
        return Due(state_seconds=ends)
    if change in (AlertChangeKind.SILENCED, AlertChangeKind.SOUNDING):
        return replace(due, state_seconds=ends)
    count = 0
    if change in (AlertChangeKind.REPEATED, AlertChangeKind.ESCALATED):
        count = due.unanswered_count + 1
    return Due(
        state_seconds=ends,
        answer_seconds=what.now + patience_seconds(manners, count),
        unanswered_count=count,
    )


def patience_seconds(manners: Manners, unanswered_count: int) -> float:
    """How long an answer is waited for: twice as long each time."""
    return min(
        manners.escalate_seconds * 2.0 ** min(unanswered_count, 20),
        max(manners.repeat_most_seconds, manners.escalate_seconds),
    )


def is_active(book: Book, condition: Condition, joint: str | None) -> bool:
    """Whether an alert of this condition stands active for the joint."""
    alert = book.alerts.get(key_of(condition, joint, None))
    return alert is not None and alert.state in ACTIVE_STATES


# One situation is one alert: while the first of a joint stands, those of the second are not told as well.
TELLS_TOO: Mapping[Condition, tuple[Condition, ...]] = {
    Condition.HOT: (Condition.HEADING_HOT, Condition.RISING_FAST),
    Condition.HEADING_HOT: (Condition.RISING_FAST,),
}


def merge(book: Book, finding: Finding, now: float, time: int) -> Acted:
    """What this finding tells too is told by it from now on."""
    changes: tuple[AlertChange, ...] = ()
    for condition in TELLS_TOO.get(finding.condition, ()):
        key = key_of(condition, finding.joint, None)
        if key in book.alerts:
            what = Happening(event=AlertEvent.MERGED, now=now, time=time)
            book, more = happen(book, key, book.alerts[key], what)
            changes += more
        book = replace(
            book, false_since=without(book.false_since, key), eased_since=without(book.eased_since, key)
        )
    return book, changes
