"""What a broker still has to be told, bounded however long it is away.

Telemetry is newest only; alerts collapse to their present state; each alert change waits, in order, until
the broker has acknowledged it. After a long time without a broker what waits is told in short: the last
change of each alert, at most `COLLAPSED_TO` of them. The same waits in the database (`store.ledger`):
`restore` takes it over after a restart, `settled` says what may be deleted there. Changes that the database
could not take are only here, and go out all the same.
Not here: connections, threads, clocks. May import model and json_shapes.
"""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from lugwatch.json_shapes import (
    JsonObject,
    alert_change_object,
    alert_object,
    dump,
    estimate_object,
)
from lugwatch.model import (
    Alert,
    AlertChange,
    AlertState,
    AlertUpdate,
    Category,
    Estimate,
    JointState,
    Output,
)

CHANGES_KEPT = 1000  # about 1 MB; a boat has a few alert changes a day
COLLAPSED_TO = 20
RECENT_KEPT = 20  # changes in `recent`
CLEARINGS_KEPT = 256  # what is forgotten here is found again on the next connect
REPLIES_KEPT = 32
PASSED_KEPT = 1000  # changes that the broker took lately, should it turn out that it died with them
JOINT_EXPIRES_SECONDS = 600  # a figure older than this is no longer the present one
REPLY_EXPIRES_SECONDS = 60
UPDATE_SECONDS = 30.0  # an alert whose words or figures are newer, and which is no news
CHANGED_STATE_SECONDS = 1.0  # a joint whose state has changed does not wait its turn
_RECENT_KEYS = (
    *("sequence", "time", "change", "who", "speaks", "alert_id", "joint", "channel"),
    *("condition", "category", "state", "text"),
)
_GRAVEST_FIRST = (Category.ALARM, Category.WARNING, Category.CAUTION)


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message; an empty retained payload clears its topic."""

    topic: str  # below the boat's prefix
    payload: str
    qos: int
    retain: bool
    expires_seconds: int | None = None
    sequence: int | None = None  # of an alert change


@dataclass(slots=True)
class _JointLine:
    newest: Estimate
    said: bool = False
    said_state: JointState | None = None
    said_seconds: float | None = None  # monotonic


@dataclass(slots=True)
class _Waiting:
    change: AlertChange
    since_seconds: float  # monotonic
    untold_count: int = 0  # changes before it that are not told one by one


class Outbox:
    """Not safe for threads; whoever owns it holds the lock. Times are monotonic seconds."""

    def __init__(self, joints: Iterable[str], *, joint_seconds: float, history_id: str = "") -> None:
        self._joint_ids = frozenset(joints)
        self._joint_seconds = joint_seconds
        self._history_id = history_id
        self._joints: dict[str, _JointLine] = {}
        self._alerts: dict[int, Alert] = {}  # those not normal
        self._sequences: dict[int, int] = {}  # of the last change of each of them
        self._alerts_to_say: dict[int, None] = {}
        self._alerts_newer: dict[int, None] = {}  # since they were last said
        self._alerts_said: dict[int, float] = {}  # monotonic
        self._clearings: dict[str, bool] = {}  # topic -> sent on this connection
        self._changes: dict[int, _Waiting] = {}  # by sequence, oldest first
        self._changes_to_say: dict[int, None] = {}
        self._untold_count = 0  # given up, and no later change to say so yet
        self._passed: deque[tuple[float, AlertChange]] = deque(maxlen=PASSED_KEPT)
        self._recent: deque[AlertChange] = deque(maxlen=RECENT_KEPT)
        self._recent_to_say = True
        self._replies: deque[str] = deque(maxlen=REPLIES_KEPT)
        self._held_until: dict[str, float] = {}  # kind of topic -> when the broker is asked again
        self._settled: list[int] = []
        self.changes_dropped = 0
        self.last_sequence = 0

    @property
    def alerts(self) -> Mapping[int, Alert]:
        """Those that are not over, as the broker is to hold them."""
        return self._alerts

    # ---- taking in -----------------------------------------------------------------------------

    def note(self, outputs: Sequence[Output], monotonic_seconds: float) -> None:
        """Take in what the store has committed; all but estimates and alert changes is not for the broker."""
        for output in outputs:
            if isinstance(output, Estimate):
                self._note_estimate(output)
            elif isinstance(output, AlertChange):
                self._note_alert(output.alert, output.sequence)
                self._recent.append(output)
                self._recent_to_say = True
                self._keep(output, monotonic_seconds)
            elif isinstance(output, AlertUpdate) and output.alert.alert_id in self._alerts:
                self._alerts[output.alert.alert_id] = output.alert
                self._alerts_newer[output.alert.alert_id] = None

    def restore(
        self,
        alerts: Sequence[Alert],
        *,
        sequences: Mapping[int, int] | None = None,
        waiting: Sequence[AlertChange] = (),
        recent: Sequence[AlertChange] = (),
    ) -> None:
        """What stood when the daemon stopped: alerts, shown again without an event, and what waited.

        Nobody knows for how long it waited: for long.
        """
        for alert in alerts:
            self._note_alert(alert, (sequences or {}).get(alert.alert_id, 0))
        for change in waiting:
            self._keep(change, -float("inf"))
        self._recent.extend(recent)
        self.last_sequence = max((c.sequence for c in (*waiting, *recent)), default=0)

    def reply(self, payload: str) -> None:
        """An answer to somebody of the crew."""
        self._replies.append(payload)

    def _keep(self, change: AlertChange, since_seconds: float) -> None:
        self._changes[change.sequence] = _Waiting(change, since_seconds, self._untold_count)
        self._untold_count = 0
        self._changes_to_say[change.sequence] = None
        self.last_sequence = max(self.last_sequence, change.sequence)
        if len(self._changes) > CHANGES_KEPT:
            self._drop([next(iter(self._changes))])

    def _drop(self, sequences: Iterable[int]) -> None:
        """Give these up; the next change that is told says how many there were."""
        untold_count = 0
        unwanted = set(sequences)
        for sequence in list(self._changes):
            if sequence in unwanted:
                untold_count += 1 + self._changes.pop(sequence).untold_count
                self._changes_to_say.pop(sequence, None)
            elif untold_count:
                self._changes[sequence].untold_count += untold_count
                untold_count = 0
                if len(unwanted) == 1:
                    break
        self._untold_count += untold_count
        self._settled += unwanted
        self.changes_dropped += len(unwanted)

    def _note_estimate(self, estimate: Estimate) -> None:
        line = self._joints.get(estimate.joint)
        if line is None:
            self._joints[estimate.joint] = _JointLine(newest=estimate)
        else:
            line.newest = estimate
            line.said = False

    def _note_alert(self, alert: Alert, sequence: int) -> None:
        if alert.state is AlertState.NORMAL:
            self._alerts.pop(alert.alert_id, None)
            self._sequences.pop(alert.alert_id, None)
            for told in (self._alerts_to_say, self._alerts_newer, self._alerts_said):
                told.pop(alert.alert_id, None)
            self._clear(f"alert/{alert.alert_id}")
        else:
            self._alerts[alert.alert_id] = alert
            self._sequences[alert.alert_id] = sequence
            self._alerts_to_say[alert.alert_id] = None
            self._clearings.pop(f"alert/{alert.alert_id}", None)

    def _clear(self, topic: str) -> None:
        self._clearings[topic] = False
        if len(self._clearings) > CLEARINGS_KEPT:
            del self._clearings[next(iter(self._clearings))]

    # ---- what the broker did -------------------------------------------------------------------

    def found_retained(self, topic: str) -> None:
        """The broker holds this topic of ours from before: cleared unless it is still true (C33)."""
        kind, _, name = topic.partition("/")
        true_names = self._joint_ids if kind == "joint" else {str(alert_id) for alert_id in self._alerts}
        if kind in ("joint", "alert") and name not in true_names:
            self._clear(topic)

    def begin_connection(self, monotonic_seconds: float, *, collapse_seconds: float = 600.0) -> None:
        """A broker that may have forgotten everything is there: all of the present is to be said again."""
        for line in self._joints.values():
            line.said, line.said_seconds = False, None
        self._alerts_to_say = dict.fromkeys(self._alerts)
        self._clearings = dict.fromkeys(self._clearings, False)
        self._recent_to_say = True
        self._held_until.clear()
        oldest = next(iter(self._changes.values()), None)
        if oldest is not None and monotonic_seconds - oldest.since_seconds >= collapse_seconds:
            self._collapse()
        self._changes_to_say = dict.fromkeys(self._changes)

    def _collapse(self) -> None:
        """The last change of each alert; of more than a few those that matter most now. The newest stays."""
        if len(self._changes) <= COLLAPSED_TO:
            return
        last = {waiting.change.alert.alert_id: waiting.change for waiting in self._changes.values()}

        def weight(change: AlertChange) -> tuple[bool, int, int]:
            alert = change.alert
            return (
                alert.state is not AlertState.NORMAL,
                -_GRAVEST_FIRST.index(alert.category),
                change.sequence,
            )

        newest = next(reversed(self._changes))
        others = sorted((c for c in last.values() if c.sequence != newest), key=weight, reverse=True)
        kept = {newest, *(change.sequence for change in others[: COLLAPSED_TO - 1])}
        self._drop(sequence for sequence in self._changes if sequence not in kept)

    def delivered(self, message: Message, monotonic_seconds: float) -> None:
        """The broker has acknowledged this message: it need not be sent again."""
        if message.sequence is not None:
            waiting = self._changes.pop(message.sequence, None)
            if waiting is not None:
                self._settled.append(message.sequence)
                self._passed.append((monotonic_seconds, waiting.change))
            self._changes_to_say.pop(message.sequence, None)
        elif message.payload == "" and self._clearings.get(message.topic):
            del self._clearings[message.topic]

    def refused(self, message: Message, until_seconds: float) -> None:
        """The broker would not take it: it is offered again, and nothing of its kind until then."""
        kind, _, name = message.topic.partition("/")
        self._held_until[kind] = until_seconds
        if message.sequence is not None and message.sequence in self._changes:
            # back in its place: changes are told in order
            self._changes_to_say[message.sequence] = None
            self._changes_to_say = dict.fromkeys(sorted(self._changes_to_say))
        elif message.topic in self._clearings:
            self._clearings[message.topic] = False
        elif kind == "alert" and name.isdigit() and int(name) in self._alerts:
            self._alerts_to_say[int(name)] = None
        elif kind == "recent":
            self._recent_to_say = True

    def hold_changes(self) -> None:
        """Tell none until `release_changes`: some may have to be told again first."""
        self._held_until["event"] = float("inf")

    def release_changes(self) -> None:
        self._held_until.pop("event", None)

    def tell_again(self, since_seconds: float) -> None:
        """The broker has died with all that it held: what it took since then may have reached nobody."""
        for taken_seconds, change in self._passed:
            if taken_seconds >= since_seconds and change.sequence not in self._changes:
                self._changes[change.sequence] = _Waiting(change, taken_seconds)
        self._passed.clear()
        self._changes = dict(sorted(self._changes.items()))
        self._changes_to_say = dict.fromkeys(self._changes)

    def too_large(self, message: Message) -> None:
        """This broker will never take it."""
        if message.sequence is not None and message.sequence in self._changes:
            self._drop([message.sequence])

    def settled(self) -> list[int]:
        """Sequences that need not wait any longer, since the last call."""
        settled, self._settled = self._settled, []
        return settled

    # ---- what to send --------------------------------------------------------------------------

    def take(self, monotonic_seconds: float, *, joints: bool = True) -> Message | None:
        """The next message to send now, most pressing first; None when there is nothing yet."""
        if self._replies:
            payload, seconds = self._replies.popleft(), REPLY_EXPIRES_SECONDS
            return Message(topic="reply", payload=payload, qos=1, retain=False, expires_seconds=seconds)
        held = {kind for kind, until in self._held_until.items() if monotonic_seconds < until}
        if self._alerts_to_say and "alert" not in held:
            return self._alert(next(iter(self._alerts_to_say)), monotonic_seconds)
        if "alert" not in held:
            for topic, sent in self._clearings.items():
                if not sent:
                    self._clearings[topic] = True
                    return Message(topic=topic, payload="", qos=1, retain=True)
        if self._changes_to_say and "event" not in held:
            sequence = next(iter(self._changes_to_say))
            del self._changes_to_say[sequence]
            return self._event(self._changes[sequence])
        if self._recent_to_say and "recent" not in held:
            self._recent_to_say = False
            return Message(topic="recent", payload=dump(self._recent_object()), qos=1, retain=True)
        if not joints:
            return None
        for alert_id in self._alerts_newer if "alert" not in held else ():
            if monotonic_seconds - self._alerts_said.get(alert_id, 0.0) >= UPDATE_SECONDS:
                return self._alert(alert_id, monotonic_seconds)
        return self._take_joint(monotonic_seconds)

    def _alert(self, alert_id: int, monotonic_seconds: float) -> Message:
        self._alerts_to_say.pop(alert_id, None)
        self._alerts_newer.pop(alert_id, None)
        self._alerts_said[alert_id] = monotonic_seconds
        said = {
            "history_id": self._history_id,
            "sequence": self._sequences[alert_id],
            **alert_object(self._alerts[alert_id]),
        }
        return Message(topic=f"alert/{alert_id}", payload=dump(said), qos=1, retain=True)

    def _event(self, waiting: _Waiting) -> Message:
        payload: JsonObject = {
            "history_id": self._history_id,
            **alert_change_object(waiting.change),
            "untold_count": waiting.untold_count,
        }
        sequence = waiting.change.sequence
        return Message(topic="event", payload=dump(payload), qos=1, retain=False, sequence=sequence)

    def _recent_object(self) -> JsonObject:
        short = []
        for change in self._recent:
            whole = alert_change_object(change)
            short.append({key: whole[key] for key in _RECENT_KEYS})
        return {"history_id": self._history_id, "changes": short}

    def _take_joint(self, monotonic_seconds: float) -> Message | None:
        for joint, line in self._joints.items():
            if line.said:
                continue
            pause_seconds = self._joint_seconds
            if line.newest.state is not line.said_state:
                pause_seconds = min(pause_seconds, CHANGED_STATE_SECONDS)
            if line.said_seconds is not None and monotonic_seconds - line.said_seconds < pause_seconds:
                continue
            line.said, line.said_state, line.said_seconds = True, line.newest.state, monotonic_seconds
            return Message(
                topic=f"joint/{joint}",
                payload=dump(estimate_object(line.newest)),
                qos=0,
                retain=True,
                expires_seconds=JOINT_EXPIRES_SECONDS,
            )
        return None

    def sizes(self) -> dict[str, int]:
        """How much is held, for the health line and for tests of its bounds."""
        return {
            "joints": len(self._joints),
            "alerts": len(self._alerts),
            "clearings": len(self._clearings),
            "changes": len(self._changes),
        }
