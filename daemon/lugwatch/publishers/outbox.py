"""What a broker still has to be told, bounded however long it is away.

Telemetry is newest only; alerts collapse to their present state; each alert change waits, in order,
until the broker has acknowledged it. In memory: what was pending at a power cut is not sent again
(a durable outbox takes the place of `_changes`, with `take` and `delivered` as its seam).
Not here: connections, threads, clocks. May import model and json_shapes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from lugwatch.json_shapes import alert_change_object, alert_object, dump, estimate_object
from lugwatch.model import Alert, AlertChange, AlertState, Estimate, JointState, Output

CHANGES_KEPT = 1000  # about 1 MB; a boat has a few alert changes a day
CLEARINGS_KEPT = 256  # what is forgotten here is found again on the next connect
JOINT_EXPIRES_SECONDS = 600  # a figure older than this is no longer the present one
CHANGED_STATE_SECONDS = 1.0  # a joint whose state has changed does not wait its turn


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


class Outbox:
    """Not safe for threads; whoever owns it holds the lock."""

    def __init__(self, joints: Iterable[str], *, joint_seconds: float) -> None:
        self._joint_ids = frozenset(joints)
        self._joint_seconds = joint_seconds
        self._joints: dict[str, _JointLine] = {}
        self._alerts: dict[int, Alert] = {}  # those not normal
        self._alerts_to_say: dict[int, None] = {}
        self._clearings: dict[str, bool] = {}  # topic -> sent on this connection
        self._changes: dict[int, AlertChange] = {}  # by sequence, oldest first
        self._changes_sent: set[int] = set()  # on this connection
        self.changes_dropped = 0

    def note(self, outputs: Sequence[Output]) -> None:
        """Take in what the store has committed; all but estimates and alert changes is not for the broker."""
        for output in outputs:
            if isinstance(output, Estimate):
                self._note_estimate(output)
            elif isinstance(output, AlertChange):
                self._note_alert(output.alert)
                self._changes[output.sequence] = output
                if len(self._changes) > CHANGES_KEPT:
                    oldest = next(iter(self._changes))
                    del self._changes[oldest]
                    self._changes_sent.discard(oldest)
                    self.changes_dropped += 1

    def restore(self, alerts: Sequence[Alert]) -> None:
        """The alerts that stood when the daemon stopped; they are shown again, without an event."""
        for alert in alerts:
            self._note_alert(alert)

    def _note_estimate(self, estimate: Estimate) -> None:
        line = self._joints.get(estimate.joint)
        if line is None:
            self._joints[estimate.joint] = _JointLine(newest=estimate)
        else:
            line.newest = estimate
            line.said = False

    def _note_alert(self, alert: Alert) -> None:
        if alert.state is AlertState.NORMAL:
            self._alerts.pop(alert.alert_id, None)
            self._alerts_to_say.pop(alert.alert_id, None)
            self._clear(f"alert/{alert.alert_id}")
        else:
            self._alerts[alert.alert_id] = alert
            self._alerts_to_say[alert.alert_id] = None
            self._clearings.pop(f"alert/{alert.alert_id}", None)

    def _clear(self, topic: str) -> None:
        self._clearings[topic] = False
        if len(self._clearings) > CLEARINGS_KEPT:
            del self._clearings[next(iter(self._clearings))]

    def found_retained(self, topic: str) -> None:
        """The broker holds this topic of ours from before: cleared unless it is still true (C33)."""
        kind, _, name = topic.partition("/")
        true_names = self._joint_ids if kind == "joint" else {str(alert_id) for alert_id in self._alerts}
        if kind in ("joint", "alert") and name not in true_names:
            self._clear(topic)

    def begin_connection(self) -> None:
        """A broker that may have forgotten everything is there: all of the present is to be said again."""
        for line in self._joints.values():
            line.said, line.said_seconds = False, None
        self._alerts_to_say = dict.fromkeys(self._alerts)
        self._clearings = dict.fromkeys(self._clearings, False)
        self._changes_sent.clear()

    def take(self, monotonic_seconds: float, *, joints: bool = True) -> Message | None:
        """The next message to send now, most pressing first; None when there is nothing yet."""
        if self._alerts_to_say:
            alert_id = next(iter(self._alerts_to_say))
            del self._alerts_to_say[alert_id]
            payload = dump(alert_object(self._alerts[alert_id]))
            return Message(topic=f"alert/{alert_id}", payload=payload, qos=1, retain=True)
        for topic, sent in self._clearings.items():
            if not sent:
                self._clearings[topic] = True
                return Message(topic=topic, payload="", qos=1, retain=True)
        if len(self._changes_sent) < len(self._changes):
            change = next(c for s, c in self._changes.items() if s not in self._changes_sent)
            self._changes_sent.add(change.sequence)
            payload = dump(alert_change_object(change))
            return Message(topic="event", payload=payload, qos=1, retain=False, sequence=change.sequence)
        return self._take_joint(monotonic_seconds) if joints else None

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

    def delivered(self, message: Message) -> None:
        """The broker has acknowledged this message: it need not be sent again."""
        if message.sequence is not None:
            self._changes.pop(message.sequence, None)
            self._changes_sent.discard(message.sequence)
        elif message.payload == "" and self._clearings.get(message.topic):
            del self._clearings[message.topic]

    def sizes(self) -> dict[str, int]:
        """How much is held, for the health line and for tests of its bounds."""
        return {
            "joints": len(self._joints),
            "alerts": len(self._alerts),
            "clearings": len(self._clearings),
            "changes": len(self._changes),
        }
