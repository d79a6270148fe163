"""How much is said at once: beyond a number of alerts in ten minutes one alert speaks for the rest.

EEMUA 191 and ISA-18.2: more than ten in ten minutes is a flood that nobody can follow, over when fewer than
five come in ten minutes. Every alert is in the book, on the page and in the history all the same; only its
voice is held back. Not here: states (`alert_table`), what sets an alert off (`alert_states`).
May import: model, alert_table, alert_book.
"""

from collections.abc import Sequence
from dataclasses import replace

from lugwatch.alert_book import SEVERITY, Book, Finding, Happening, Key, Verdict, begun, happen, renew
from lugwatch.alert_table import AlertEvent
from lugwatch.model import (
    ACTIVE_STATES,
    Alert,
    AlertChange,
    AlertChangeKind,
    AlertState,
    Category,
    Condition,
)

FLOOD_SECONDS = 600.0
# So many speak for themselves in ten minutes. The flood's own alert may speak once for each category, and
# once because nobody answers: nine in all, and a tenth would be a flood.
ALONE_COUNT = 5
OVER_COUNT = 5
NAMED_COUNT = 4

KEY: Key = (Condition.FLOOD, "channel None")


def hold_back(
    book: Book, changes: Sequence[AlertChange], now: float, time: int
) -> tuple[Book, tuple[AlertChange, ...]]:
    """The same changes, of which too many do not speak; one alert names what is held back."""
    if not any(change.speaks for change in changes):
        return book, tuple(changes)
    told_seconds = [t for t in book.told_seconds if 0.0 <= now - t < FLOOD_SECONDS]
    asked_seconds = [t for t in book.asked_seconds if 0.0 <= now - t < FLOOD_SECONDS]
    held = set(book.held)
    through: list[AlertChange] = []
    worst = 0
    for change in changes:
        if not change.speaks or change.alert.condition is Condition.FLOOD:
            through.append(change)
            continue
        key = _key(change.alert)
        asked_seconds.append(now)
        # of all that wait one is said again, so that this cannot be a flood
        if len(told_seconds) < ALONE_COUNT or change.change is AlertChangeKind.REPEATED:
            told_seconds.append(now)
            held.discard(key)
            through.append(change)
            continue
        held.add(key)
        worst = max(worst, SEVERITY[change.alert.category])
        alert = replace(change.alert, said_count=change.alert.said_count - 1)
        through.append(replace(change, alert=alert, speaks=False))
        if key in book.alerts:
            unsaid = replace(book.alerts[key], said_count=alert.said_count)
            book = replace(book, alerts={**book.alerts, key: unsaid})
    book = replace(
        book,
        told_seconds=tuple(told_seconds),
        asked_seconds=tuple(asked_seconds),
        held=frozenset(held),
    )
    if not worst:
        return book, tuple(through)
    book, flood = _speak(book, worst, now, time)
    return book, (*through, *flood)


def _key(alert: Alert) -> Key:
    who = f"joint {alert.joint}" if alert.joint is not None else f"channel {alert.channel}"
    return (alert.condition, who)


def _speak(book: Book, worst: int, now: float, time: int) -> tuple[Book, tuple[AlertChange, ...]]:
    category = next(c for c, severity in SEVERITY.items() if severity == worst)
    finding = _finding(book, category)
    standing = book.alerts.get(KEY)
    if standing is None:
        book, alert = begun(book, finding, time)
        book = replace(book, alerts={**book.alerts, KEY: alert})
        event = AlertEvent.CONDITION
    else:
        book = renew(book, finding, time)
        higher = worst > SEVERITY[standing.category]
        # somebody has seen the flood as it was; an alarm more is another thing
        unseen = standing.state is AlertState.ACTIVE_ACKNOWLEDGED and category is Category.ALARM
        event = AlertEvent.WORSE if higher or unseen else AlertEvent.CONDITION
        if event is AlertEvent.CONDITION:
            category = standing.category
    what = Happening(event=event, now=now, time=time, category=category)
    return happen(book, KEY, book.alerts[KEY], what)


def look(book: Book, now: float, time: int) -> tuple[Book, tuple[AlertChange, ...]]:
    """The flood is over when few come and none of those held back is unanswered."""
    standing = book.alerts.get(KEY)
    if standing is None:
        return book, ()
    held = frozenset(key for key in book.held if key in book.alerts and _asks(book.alerts[key]))
    if held != book.held:
        book = replace(book, held=held)
    if standing.state not in ACTIVE_STATES:
        return book, ()
    lately = sum(0.0 <= now - t < FLOOD_SECONDS for t in book.asked_seconds)
    if lately >= OVER_COUNT or held:
        return renew(book, _finding(book, standing.category), time), ()
    caution = standing.category is Category.CAUTION
    event = AlertEvent.RECTIFIED_CAUTION if caution else AlertEvent.RECTIFIED
    return happen(book, KEY, standing, Happening(event=event, now=now, time=time))


def _asks(alert: Alert) -> bool:
    return alert.state in (AlertState.ACTIVE_UNACKNOWLEDGED, AlertState.ACTIVE_SILENCED)


def _finding(book: Book, category: Category) -> Finding:
    held = [alert for key, alert in book.alerts.items() if key in book.held]
    held.sort(key=lambda alert: (-SEVERITY[alert.category], alert.alert_id))
    first = [alert.text.split(". ")[0].rstrip(".") for alert in held[:NAMED_COUNT]]
    rest = len(held) - len(first)
    what = "alert" if len(held) == 1 else "alerts"
    more = f" And {rest} more." if rest else ""
    listed = " ".join(f"{number}. {words}." for number, words in enumerate(first, start=1))
    return Finding(
        condition=Condition.FLOOD,
        joint=None,
        channel=None,
        verdict=Verdict.TRUE,
        category=category,
        on_delay_seconds=0.0,
        off_delay_seconds=0.0,
        text=f"{len(held)} further {what} at once, told together: {listed}{more}",
        advice=(
            "Look at the page or at `lugwatch alerts --active`, worst first. Many joints at once mostly have "
            "one cause: too much current, an air that heats up, a supply, a bus of probes. "
            "Shed load: lower the alternator's field or switch off large consumers. Never break the "
            "alternator's output while it charges. lugwatch warns and does not protect: fuses and breakers "
            "do."
        ),
    )
