"""What the crew does about alerts and joints: whatever way it came, it is one deed with who and when.

Not here: the table of states (`alert_table`), what the rules find and what time does (`alert_states`).
May import: model, alert_table, alert_book, alert_flood.
"""

from dataclasses import replace

from lugwatch import alert_flood
from lugwatch.alert_book import Acted, Book, Finding, Happening, begun, happen, key_of, renew
from lugwatch.alert_table import AlertEvent
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertState,
    Category,
    Condition,
    CrewAction,
    CrewDeed,
)


def act(book: Book, action: CrewAction, reminder: Finding | None = None) -> Acted:
    """Somebody did something; what makes no sense of this alert or joint changes nothing.

    reminder: what is said of a joint that is taken out of service; None: no such joint.
    """
    now, time = action.monotonic_seconds, action.time
    match action.deed:
        case CrewDeed.OUT_OF_SERVICE:
            acted = (book, ()) if reminder is None else _take_out(book, action, reminder)
        case CrewDeed.BACK_IN_SERVICE:
            acted = put_back(book, action.joint, now, time, action.who)
        case deed:
            events = {
                CrewDeed.ACKNOWLEDGE: AlertEvent.ACKNOWLEDGE,
                CrewDeed.SILENCE: AlertEvent.SILENCE,
                CrewDeed.SHELVE: AlertEvent.SHELVE,
                CrewDeed.UNSHELVE: AlertEvent.UNSHELVE,
            }
            acted = _on_alerts(book, action, events[deed])
    return alert_flood.hold_back(acted[0], acted[1], now, time)


def _on_alerts(book: Book, action: CrewAction, event: AlertEvent) -> Acted:
    changes: list[AlertChange] = []
    everything = event is AlertEvent.SILENCE and action.alert_id is None
    for key, alert in tuple(book.alerts.items()):
        if not everything and alert.alert_id != action.alert_id:
            continue
        what = Happening(
            event=event,
            now=action.monotonic_seconds,
            time=action.time,
            who=action.who,
            for_seconds=_for_seconds(book, alert, event, action.for_seconds),
        )
        book, more = happen(book, key, alert, what)
        changes += more
    return book, tuple(changes)


def _for_seconds(book: Book, alert: Alert, event: AlertEvent, wanted: float | None) -> float | None:
    manners = book.manners
    if event is AlertEvent.SILENCE:
        return manners.silence_seconds
    if event is not AlertEvent.SHELVE:
        return None
    alarm = alert.category is Category.ALARM
    most = manners.shelve_alarm_most_seconds if alarm else manners.shelve_most_seconds
    return _bounded(wanted, manners.shelve_seconds, most)


def _bounded(wanted: float | None, usual: float, most: float) -> float:
    """A time that somebody asked for; what is no time is the usual one."""
    return min(wanted if wanted is not None and wanted > 0.0 else usual, most)


def _take_out(book: Book, action: CrewAction, reminder: Finding) -> Acted:
    """Nothing is said of the joint meanwhile; a reminder of it stands where alerts stand."""
    now, time, manners = action.monotonic_seconds, action.time, book.manners
    what = Happening(
        event=AlertEvent.OUT_OF_SERVICE,
        now=now,
        time=time,
        who=action.who,
        for_seconds=_bounded(action.for_seconds, manners.service_seconds, manners.service_most_seconds),
    )
    key = reminder.key
    if key in book.alerts:
        book = renew(book, reminder, time)
    else:
        book, alert = begun(book, reminder, time)
        book = replace(book, alerts={**book.alerts, key: alert})
    book, changes = happen(book, key, book.alerts[key], what)
    for other, alert in tuple(book.alerts.items()):
        if alert.joint == action.joint and alert.state is not AlertState.OUT_OF_SERVICE:
            book, more = happen(book, other, alert, replace(what, for_seconds=None))
            changes += more
    mine = f"joint {action.joint}"
    waiting = {key: since for key, since in book.true_since.items() if key[1] != mine}
    return replace(book, true_since=waiting), changes


def put_back(book: Book, joint: str | None, now: float, time: int, who: str | None) -> Acted:
    """The joint is watched again; what stood of it before and was not over speaks again."""
    key = key_of(Condition.OUT_OF_SERVICE, joint, None)
    if joint is None or key not in book.alerts:
        return book, ()
    what = Happening(event=AlertEvent.RECTIFIED, now=now, time=time, who=who)
    book, changes = happen(book, key, book.alerts[key], what)
    for other, alert in tuple(book.alerts.items()):
        if alert.joint == joint:
            book, more = happen(book, other, alert, replace(what, event=AlertEvent.BACK_IN_SERVICE))
            changes += more
    return book, changes
