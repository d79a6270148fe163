"""When and how to try a broker again, and how to say so: from a connection's end to the next attempt.

Not here: connections, clocks, threads. Imports nothing of ours.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

MQTT_5 = "5"
MQTT_3 = "3.1.1"
LOSSES_SUSPICIOUS = 3  # in a row, before a second program of the same id is suspected


class EndKind(StrEnum):
    """How a connection, or the attempt at one, came to its end."""

    UNREACHABLE = "unreachable"  # no such name, nobody listening, no route, certificate not trusted
    SILENT = "silent"  # it took the connection and never answered
    UNANSWERED = "unanswered"  # it closed the connection instead of answering
    PROTOCOL_REFUSED = "protocol_refused"
    REFUSED = "refused"  # user, password, rights
    LOST = "lost"  # after it was up
    TAKEN_OVER = "taken_over"  # another client with the same id came (MQTT 5 says so)
    CLOSED = "closed"  # by ourselves


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """The end of one attempt."""

    kind: EndKind
    detail: str
    lasted_seconds: float  # since the broker accepted it; 0 if it never did


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How often things are said and tried; all in real seconds, whatever the boat's clock does."""

    heartbeat_seconds: float = 30.0
    joint_seconds: float = 5.0
    keepalive_seconds: int = 20  # the broker calls us lost after 1.5 times this, MQTT 5 section 3.1.2.10
    answer_seconds: float = 10.0  # for the broker to accept us
    tidy_seconds: float = 5.0  # for the broker to show what it holds of ours
    least_retry_seconds: float = 1.0
    most_retry_seconds: float = 60.0
    most_takeover_seconds: float = 300.0
    goodbye_seconds: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """The next attempt: which protocol, after how long."""

    protocol: str
    delay_seconds: float = 0.0
    failures: int = 0  # in a row, short-lived connections included
    losses: int = 0  # connections in a row that were up and did not last


def next_attempt(now: Attempt, end: End, preferred_protocol: str, pace: Pace) -> Attempt:
    """What to do after `end`.

    The delay doubles with each failure. A connection counts as a success only if it outlasted the last
    delay fourfold: two clients of one id, each kicking the other off, would otherwise never slow down (C35).
    """
    if end.lasted_seconds >= max(5.0 * pace.least_retry_seconds, 4.0 * now.delay_seconds):
        now = replace(now, failures=0, losses=0)
    lost = end.kind in (EndKind.LOST, EndKind.TAKEN_OVER)
    failures = now.failures + 1
    most_seconds = pace.most_retry_seconds
    if end.kind is EndKind.TAKEN_OVER:
        most_seconds = pace.most_takeover_seconds
    delay_seconds = min(most_seconds, pace.least_retry_seconds * 2.0 ** min(failures - 1, 30))
    protocol = now.protocol
    if end.kind in (EndKind.SILENT, EndKind.UNANSWERED, EndKind.PROTOCOL_REFUSED):
        if now.protocol == MQTT_5:
            # older brokers refuse MQTT 5 in any of these ways; the older protocol is tried at once
            protocol, delay_seconds = MQTT_3, (0.0 if failures == 1 else delay_seconds)
        else:
            protocol = preferred_protocol
    losses = now.losses + 1 if lost else now.losses
    return Attempt(protocol=protocol, delay_seconds=delay_seconds, failures=failures, losses=losses)


def trouble(end: End, attempt: Attempt, where: str, client_id: str) -> str:
    """How the connection to `where` (host:port) ended and what comes next, in words."""
    tail = f"; next try in {attempt.delay_seconds:.0f} s"
    if end.kind is EndKind.UNREACHABLE:
        return f"no broker at {where} ({end.detail}){tail}"
    if end.kind is EndKind.REFUSED:
        return f"the broker at {where} refuses us ({end.detail}): check user and password{tail}"
    if attempt.losses >= LOSSES_SUSPICIOUS:
        sure = "keeps taking" if end.kind is EndKind.TAKEN_OVER else "may be taking"
        return (
            f"another program with the client id {client_id} {sure} the connection "
            f"to {where}: is lugwatch running twice?{tail}"
        )
    return f"connection to {where} ended ({end.detail}){tail}"
