"""What happens to alerts: findings through their delays, and what time alone does.

On- and off-delays as in IEC 62682, and they grow for what comes and goes. Not here: the table of states
(`alert_table`), the book and its numbers (`alert_book`), what the crew does (`alert_deeds`), when a
condition is true (`alert_rules`), what to say (`advice`). May import: model and the alerts' rooms above.
"""

from collections.abc import Sequence
from dataclasses import replace

from lugwatch import alert_flood
from lugwatch.alert_book import (
    ESCALATES,
    SEVERITY,
    TELLS_TOO,
    Acted,
    Due,
    Happening,
    Key,
    Restless,
    begun,
    happen,
    is_active,
    key_of,
    merge,
    out_of_service,
    renew,
    without,
)
from lugwatch.alert_book import Book as Book
from lugwatch.alert_book import Finding as Finding
from lugwatch.alert_book import Verdict as Verdict
from lugwatch.alert_deeds import put_back
from lugwatch.alert_table import AlertEvent
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertState,
    AlertUpdate,
    Category,
    Condition,
)

# Among findings of one category those of an earlier condition are told first.
_RANK = {condition: rank for rank, condition in enumerate((Condition.HOT, *Condition))}
# What is back within this time comes and goes; each time its end has to last twice as long to be believed.
RESTLESS_SECONDS = 1800.0
RESTLESS_LEAST_SECONDS = 30.0
RESTLESS_MOST_SECONDS = 3600.0
_OVER = frozenset({AlertState.RECTIFIED_UNACKNOWLEDGED, AlertState.SHELVED_RECTIFIED})


def opened(alerts: Sequence[Alert], next_alert_id: int, next_sequence: int) -> Book:
    """A book as the store remembers it: nothing in it is announced as new."""
    return Book(
        alerts={key_of(a.condition, a.joint, a.channel): a for a in alerts},
        next_alert_id=next_alert_id,
        next_sequence=next_sequence,
    )


# ---- what the rules find -----------------------------------------------------------------------


def apply(book: Book, findings: Sequence[Finding], monotonic_seconds: float, time: int) -> Acted:
    """Let the rules' findings act on the book, through their delays; the most important first."""
    changes: list[AlertChange] = []
    for finding in sorted(findings, key=_importance):
        if finding.verdict is Verdict.HOLD:
            if finding.text and is_standing(book, finding.key):
                book = renew(book, finding, time)
            continue
        if finding.verdict is Verdict.FALSE and not _concerns(book, finding.key):
            continue
        book, more = _apply_one(book, finding, monotonic_seconds, time)
        changes += more
    return alert_flood.hold_back(book, changes, monotonic_seconds, time)


def _importance(finding: Finding) -> tuple[int, int, float]:
    return -SEVERITY[finding.category], _RANK[finding.condition], -finding.urgency


def is_standing(book: Book, key: Key) -> bool:
    """Whether its condition is true as far as the book knows."""
    alert = book.alerts.get(key)
    return alert is not None and alert.state not in _OVER


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


def _apply_one(book: Book, finding: Finding, now: float, time: int) -> Acted:
    key = finding.key
    standing = is_standing(book, key)
    if finding.verdict is Verdict.TRUE:
        book = replace(book, false_since=without(book.false_since, key), once=book.once - {key})
        return _goes_on(book, finding, now, time) if standing else _begins(book, finding, now, time)
    book = replace(
        book,
        true_since=without(book.true_since, key),
        eased_since=without(book.eased_since, key),
    )
    if not standing:
        return book, ()
    since = book.false_since.get(key, now)
    if now - since < _off_delay_seconds(book, key, finding.off_delay_seconds):
        once = book.once | {key} if finding.once else book.once
        return replace(book, false_since={**book.false_since, key: since}, once=once), ()
    return _rectify(replace(book, false_since=without(book.false_since, key)), key, now, time)


def _begins(book: Book, finding: Finding, now: float, time: int) -> Acted:
    """True of what was not, or was over: raised after its delay, unless it is told of already."""
    key = finding.key
    if out_of_service(book, finding.joint):
        return replace(book, true_since=without(book.true_since, key)), ()
    since = book.true_since.get(key, now)
    told_already = any(
        is_active(book, worse, finding.joint) for worse, too in TELLS_TOO.items() if key[0] in too
    )
    if told_already or now - since < finding.on_delay_seconds:
        return replace(book, true_since={**book.true_since, key: since}), ()
    book = _restless(replace(book, true_since=without(book.true_since, key)), key, now)
    alert = book.alerts.get(key)
    if alert is None:
        book, alert = begun(book, finding, time)
    worse = alert.state is not AlertState.NORMAL and _is_worse(finding.category, alert)
    event = AlertEvent.WORSE if worse else AlertEvent.CONDITION
    # what nobody has seen yet does not become less by coming back
    category = finding.category if worse or alert.state is AlertState.NORMAL else alert.category
    book = replace(book, alerts={**book.alerts, key: alert})
    book = renew(book, finding, time)
    what = Happening(event=event, now=now, time=time, category=category)
    book, changes = happen(book, key, book.alerts[key], what)
    book, merged = merge(book, finding, now, time)
    return book, (*changes, *merged)


def _is_worse(category: Category, alert: Alert) -> bool:
    return SEVERITY[category] > SEVERITY[alert.category]


def _goes_on(book: Book, finding: Finding, now: float, time: int) -> Acted:
    """True of what is true already: news only where it deserves another category."""
    key = finding.key
    book = renew(book, finding, time)
    alert = book.alerts[key]
    deserved = finding.keeps or finding.category
    if _is_worse(finding.category, alert):
        book = replace(book, eased_since=without(book.eased_since, key))
        what = Happening(event=AlertEvent.WORSE, now=now, time=time, category=finding.category)
        return happen(book, key, alert, what)
    if SEVERITY[deserved] >= SEVERITY[alert.category]:
        return replace(book, eased_since=without(book.eased_since, key)), ()
    since = book.eased_since.get(key, now)
    if now - since < finding.off_delay_seconds:
        return replace(book, eased_since={**book.eased_since, key: since}), ()
    what = Happening(event=AlertEvent.EASED, now=now, time=time, category=deserved)
    eased, changes = happen(book, key, alert, what)
    return (replace(eased, eased_since=without(eased.eased_since, key)) if changes else book), changes


def _rectify(book: Book, key: Key, now: float, time: int) -> Acted:
    alert = book.alerts[key]
    caution = alert.category is Category.CAUTION
    event = AlertEvent.RECTIFIED_CAUTION if caution else AlertEvent.RECTIFIED
    before = book.restless.get(key)
    count = 0 if before is None else before.returns_count
    book = replace(
        book,
        eased_since=without(book.eased_since, key),
        restless={**book.restless, key: Restless(returns_count=count, rectified_seconds=now)},
    )
    return happen(book, key, alert, Happening(event=event, now=now, time=time))


def _restless(book: Book, key: Key, now: float) -> Book:
    """Count a return; what has been calm for long is forgotten."""
    kept = {
        k: r
        for k, r in book.restless.items()
        if now - r.rectified_seconds < RESTLESS_SECONDS + _calm_seconds(r)
    }
    if key in kept:
        kept[key] = replace(kept[key], returns_count=kept[key].returns_count + 1)
    return replace(book, restless=kept)


def _calm_seconds(restless: Restless) -> float:
    factor = 2.0 ** min(restless.returns_count, 20)
    return min(RESTLESS_LEAST_SECONDS * factor, RESTLESS_MOST_SECONDS)


def _off_delay_seconds(book: Book, key: Key, usual_seconds: float) -> float:
    """How long the end of a condition has to last: longer each time that it came back."""
    restless = book.restless.get(key)
    if restless is None or restless.returns_count == 0:
        return usual_seconds
    longer = max(usual_seconds, RESTLESS_LEAST_SECONDS) * 2.0 ** min(restless.returns_count, 20)
    return max(usual_seconds, min(longer, RESTLESS_MOST_SECONDS))


def end(book: Book, joint: str, conditions: Sequence[Condition], now: float, time: int) -> Acted:
    """These conditions of a joint are over at once: what they rested on was taken away."""
    changes: list[AlertChange] = []
    for condition in conditions:
        key = key_of(condition, joint, None)
        book = replace(
            book, true_since=without(book.true_since, key), false_since=without(book.false_since, key)
        )
        if is_standing(book, key):
            book, more = _rectify(book, key, now, time)
            book = replace(book, restless={k: r for k, r in book.restless.items() if k != key})
            changes += more
    return book, tuple(changes)


# ---- what time alone does ----------------------------------------------------------------------


def elapse(book: Book, now: float, time: int) -> Acted:
    """Silences, shelves, work and troubles that are over; alerts that nobody has answered."""
    if not (book.due or book.once or alert_flood.KEY in book.alerts):
        return book, ()
    changes: list[AlertChange] = []
    for key, due in tuple(book.due.items()):
        if due.state_seconds is None or now < due.state_seconds or key not in book.alerts:
            continue
        alert = book.alerts[key]
        if alert.state is AlertState.OUT_OF_SERVICE:
            book, more = put_back(book, alert.joint, now, time, None)
        else:
            silenced = alert.state is AlertState.ACTIVE_SILENCED
            event = AlertEvent.SILENCE_OVER if silenced else AlertEvent.SHELF_OVER
            book, more = happen(book, key, alert, Happening(event=event, now=now, time=time))
        changes += more
    for key in sorted(book.once):
        since = book.false_since.get(key)
        if since is None or not is_standing(book, key):
            book = replace(book, once=book.once - {key}, false_since=without(book.false_since, key))
        elif now - since >= _off_delay_seconds(book, key, 0.0):
            book = replace(book, once=book.once - {key}, false_since=without(book.false_since, key))
            book, more = _rectify(book, key, now, time)
            changes += more
    book, more = _unanswered(book, now, time)
    book, told = alert_flood.hold_back(book, [*changes, *more], now, time)
    book, more = alert_flood.look(book, now, time)
    return book, (*told, *more)


def _unanswered(book: Book, now: float, time: int) -> Acted:
    """Warnings that must not wait become alarms; of all others the most important one is said again."""
    waiting = sorted(
        (-SEVERITY[book.alerts[key].category], _RANK[key[0]], book.alerts[key].alert_id, key, due)
        for key, due in book.due.items()
        if due.answer_seconds is not None and key in book.alerts
    )
    changes: list[AlertChange] = []
    for place, (_, _, _, key, due) in enumerate(waiting):
        assert due.answer_seconds is not None
        alert = book.alerts[key]
        if now < due.answer_seconds:
            continue
        escalates = key[0] in ESCALATES and alert.category is Category.WARNING
        if not escalates and place > 0:
            # one voice for all that wait: the first of them is said again, and counts them
            book = replace(book, due={**book.due, key: _again_later(book, due, now)})
            continue
        more = len(waiting) - 1
        words = f"({more} more {'waits' if more == 1 else 'wait'} for an answer.)"
        what = Happening(
            event=AlertEvent.ESCALATE if escalates else AlertEvent.REPEAT,
            now=now,
            time=time,
            addition=words if more and not escalates else "",
        )
        book, told = happen(book, key, alert, what)
        changes += told
    return book, tuple(changes)


def _again_later(book: Book, due: Due, now: float) -> Due:
    return replace(due, answer_seconds=now + book.manners.repeat_most_seconds)


def updates(book: Book, time: int) -> tuple[Book, tuple[AlertUpdate, ...]]:
    """What alerts say now, of those that say something newer than was put out."""
    if not book.renewed:
        return book, ()
    told = tuple(
        AlertUpdate(alert=alert, time=time) for key, alert in book.alerts.items() if key in book.renewed
    )
    return replace(book, renewed=frozenset()), told
