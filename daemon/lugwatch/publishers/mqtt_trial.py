"""One try at the broker, for `lugwatch check --hardware`: does it take us, our words, and the crew's?

It says nothing that anybody could take for news: it listens where the watch would, and clears the topic of
an alert that never was. Not here: trying again. May import the rooms of the publisher.
"""

from dataclasses import dataclass

from lugwatch.clock import Clock
from lugwatch.config import MqttSettings
from lugwatch.publishers import reconnect
from lugwatch.publishers.mqtt_link import Caller, Link
from lugwatch.publishers.outbox import Message
from lugwatch.publishers.reconnect import Attempt, EndKind, Pace
from lugwatch.sources import broker_trust

_TRIES = 3  # MQTT 5, 3.1.1, and once more for a network that is slow
_NOTHING = Message(topic="alert/0", payload="", qos=1, retain=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What came of it: one line, and how long the broker took."""

    good: bool
    text: str
    seconds: float


def try_broker(
    settings: MqttSettings, slug: str, client_id: str, clock: Clock, pace: Pace | None = None
) -> Trial:
    """Connect, subscribe, publish, leave; at most about half a minute. Raises UserError for wrong files."""
    pace = pace or Pace()
    caller = Caller(
        settings=settings,
        client_id=client_id,
        password=broker_trust.read_password(settings),
        tls=broker_trust.tls_context(settings),
        will_topic=None,
        will_payload="",
    )
    where = f"{settings.host}:{settings.port}"
    began_seconds = clock.monotonic_seconds()
    attempt = Attempt(protocol=settings.protocol)
    for number in range(1, _TRIES + 1):
        patience_seconds = reconnect.answer_seconds(attempt, pace)
        link = Link(
            caller,
            attempt.protocol,
            f"lugwatch/{slug}/",
            (("ack", 1),),
            pace,
            clock,
            answer_seconds=patience_seconds,
        )
        trial = _converse(link, where, clock, began_seconds, pace)
        if trial is not None:
            return trial
        assert link.end is not None
        protocol, end = attempt.protocol, link.end
        attempt = reconnect.next_attempt(attempt, end, settings.protocol, pace)
        if attempt.protocol == protocol or number == _TRIES:
            break
    seconds = clock.monotonic_seconds() - began_seconds
    return Trial(good=False, text=reconnect.reason(end, attempt, where, client_id), seconds=seconds)


def _converse(link: Link, where: str, clock: Clock, began_seconds: float, pace: Pace) -> Trial | None:
    """The trial, where the broker took us; None with `link.end` where it did not."""
    link.open()
    said = False
    until_seconds = clock.monotonic_seconds() + 2.0 * pace.answer_seconds
    while link.end is None and not (link.subscribed and said and not link.in_flight):
        link.turn(None, 0.2)
        if link.can_say() and not said:
            said = True
            link.say(_NOTHING)
        if link.connected and clock.monotonic_seconds() >= until_seconds:
            link.finish(EndKind.LOST, "it took the connection and then confirmed nothing")
    seconds = clock.monotonic_seconds() - began_seconds
    taken = link.end is None
    link.close(politely=True)
    if not taken:
        return None
    spoken = f"{where} over MQTT {link.protocol}"
    if link.complaint is not None:
        return Trial(
            good=False, text=f"{spoken}: {link.complaint}; give this user its rights", seconds=seconds
        )
    return Trial(good=True, text=f"{spoken} takes and confirms messages", seconds=seconds)
