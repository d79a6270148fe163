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

    UNREACHABLE = "unreachable"  # no such name, nobody listening, no route
    UNTRUSTED = "untrusted"  # its certificate, or no TLS at all
    SILENT = "silent"  # it took the connection and never answered
    UNANSWERED = "unanswered"  # it closed the connection instead of answering
    PROTOCOL_REFUSED = "protocol_refused"
    REFUSED = "refused"  # user, password, rights
    TURNED_AWAY = "turned_away"  # full, busy, shutting down, or it does not like our client id
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
    keepalive_seconds: int = 20
    answer_seconds: float = 10.0  # for the broker to accept us
    first_answer_seconds: float = 2.0  # the same at first, while it may not understand MQTT 5
    tidy_seconds: float = 5.0  # for the broker to show what it holds of ours
    least_retry_seconds: float = 1.0
    most_retry_seconds: float = 60.0
    most_takeover_seconds: float = 300.0
    goodbye_seconds: float = 3.0
    collapse_seconds: float = 600.0  # what waited longer is told in short
    died_with_seconds: float = 10.0  # what a broker took so long before it died may have reached nobody
    refused_seconds: float = 30.0  # until a broker is asked again that would not take something
    reply_seconds: float = 15.0  # for a deed of the crew to be done; a busy store may wait 12 s


# What a broker may take, beyond 1.5 keep-alives, to notice that we are gone. The 1.5 are MQTT 5 section
# 3.1.2.10; brokers look every few seconds only (common practice, no source).
_NOTICING_SECONDS = 5.0


def offline_after_seconds(keepalive_seconds: float) -> float:
    """How long at the latest a broker calls us online after our last sign of life."""
    return 1.5 * keepalive_seconds + _NOTICING_SECONDS


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """The next attempt: which protocol, after how long."""

    protocol: str
    delay_seconds: float = 0.0
    failures: int = 0  # in a row, short-lived connections included
    losses: int = 0  # connections in a row that were up and did not last
    proven: bool = False  # this broker has spoken MQTT 5 with us


def answer_seconds(attempt: Attempt, pace: Pace) -> float:
    """How long a broker may take to accept us.

    Some older ones take a connection of MQTT 5 and never say a word: so at first it is short, and it
    doubles with each failure, for a network that is slow.
    """
    if attempt.protocol != MQTT_5 or attempt.proven:
        return pace.answer_seconds
    return min(pace.answer_seconds, pace.first_answer_seconds * 2.0 ** min(attempt.failures, 10))


def next_attempt(now: Attempt, end: End, preferred_protocol: str, pace: Pace) -> Attempt:
    """What to do after `end`.

    The delay doubles with each failure. A connection counts as a success only if it outlasted the last
    delay fourfold: two clients of one id, each kicking the other off, would otherwise never slow down (C35).
    """
    if end.lasted_seconds >= max(5.0 * pace.least_retry_seconds, 4.0 * now.delay_seconds):
        now = replace(now, failures=0, losses=0)
    lost = end.kind in (EndKind.LOST, EndKind.TAKEN_OVER)
    proven = now.proven or (lost and now.protocol == MQTT_5)
    failures = now.failures + 1
    most_seconds = pace.most_retry_seconds
    if end.kind is EndKind.TAKEN_OVER:
        most_seconds = pace.most_takeover_seconds
    delay_seconds = min(most_seconds, pace.least_retry_seconds * 2.0 ** min(failures - 1, 30))
    protocol = now.protocol
    silent = end.kind in (EndKind.SILENT, EndKind.UNANSWERED) and not now.proven
    if silent or end.kind is EndKind.PROTOCOL_REFUSED:
        if now.protocol == MQTT_5:
            # older brokers refuse MQTT 5 in any of these ways; the older protocol is tried at once
            protocol, delay_seconds = MQTT_3, (0.0 if failures == 1 else delay_seconds)
        else:
            protocol = preferred_protocol
    return Attempt(
        protocol=protocol,
        delay_seconds=delay_seconds,
        failures=failures,
        # a broker that dies is away for a moment; one that gave our id to another takes us at once
        losses=now.losses + 1 if lost else 0,
        proven=proven and end.kind is not EndKind.PROTOCOL_REFUSED,
    )


def reason(end: End, attempt: Attempt, where: str, client_id: str) -> str:
    """How the connection to `where` (host:port) ended, in words."""
    match end.kind:
        case EndKind.UNREACHABLE:
            return f"no broker at {where} ({end.detail})"
        case EndKind.UNTRUSTED:
            return f"the broker at {where} is not trusted: {end.detail}"
        case EndKind.REFUSED:
            return f"the broker at {where} refuses us ({end.detail}): check user and password"
        case EndKind.TURNED_AWAY:
            return f"the broker at {where} turns us away ({end.detail})"
    if attempt.losses >= LOSSES_SUSPICIOUS:
        sure = "keeps taking" if end.kind is EndKind.TAKEN_OVER else "may be taking"
        return (
            f"another program with the client id {client_id} {sure} the connection "
            f"to {where}: is lugwatch running twice?"
        )
    return f"connection to {where} ended ({end.detail})"


def trouble(end: End, attempt: Attempt, where: str, client_id: str) -> str:
    """The same, and what comes next."""
    return f"{reason(end, attempt, where, client_id)}; next try in {attempt.delay_seconds:.0f} s"
