"""Alerts as sentences of NMEA 0183 / IEC 61162-1: ALR, ALF, ALC and HBT. Pure text out.

Fields of ALF, ALC and HBT as interface manuals of radars, radios and sounders list them, several alike;
a second ALF sentence carries more text and null fields for time, category, priority and state (there
too). ALR and the characters that are written as ^hh (their code in ISO 8859-1) from memory of the
standard. Checksum: exclusive or of all characters between $ and *; 82 characters with $ and CR LF.
Not here: ports, repetition (`nmea_alerts`). May import: model.
"""

import unicodedata
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import reduce

from lugwatch.model import ACTIVE_STATES, Alert, AlertState, Boat, Category, Condition

LONGEST = 82
TITLE_LONGEST = 16  # characters in the first sentence of ALF
ENTRIES_LONGEST = 3  # alerts in one sentence of ALC: with the longest numbers it is 71 characters
TEST_NUMBER = 0  # of ALR; alerts count from 1
_RESERVED = frozenset("!$*,\\^~\x7f\r\n")

# Identifiers from 10000 are a maker's own (the manuals agree). Never change or reuse one.
TEST_IDENTIFIER = 10000
IDENTIFIERS = {
    Condition.WARMING: 10001,
    Condition.HEADING_HOT: 10002,
    Condition.HOT: 10003,
    Condition.RISING_FAST: 10004,
    Condition.CREEPING: 10005,
    Condition.INTERMITTENT: 10006,
    Condition.PROBE_OFF_JOINT: 10007,
    Condition.NO_DATA: 10008,
    Condition.PROBE_FAULT: 10009,
    Condition.CURRENT_FAULT: 10010,
    Condition.CURRENT_DOUBTFUL: 10011,
    Condition.COMMON_MODE: 10012,
    Condition.NOT_RECORDING: 10013,
    Condition.HISTORY_DAMAGED: 10014,
    Condition.CLOCK_UNTRUSTED: 10015,
    Condition.OUT_OF_SERVICE: 10016,
    Condition.FLOOD: 10017,
    Condition.STALLED: 10018,
    Condition.UNHEARD: 10019,
}
OTHER_IDENTIFIER = 10999
TITLES = {
    Condition.WARMING: "JOINT WARMING",
    Condition.HEADING_HOT: "JOINT HEADS HOT",
    Condition.HOT: "JOINT HOT",
    Condition.RISING_FAST: "JOINT RISES FAST",
    Condition.CREEPING: "JOINT CREEPING",
    Condition.INTERMITTENT: "LOOSE CONTACT",
    Condition.PROBE_OFF_JOINT: "PROBE OFF JOINT",
    Condition.NO_DATA: "NO DATA",
    Condition.PROBE_FAULT: "PROBE FAULT",
    Condition.CURRENT_FAULT: "CURRENT FAULT",
    Condition.CURRENT_DOUBTFUL: "CURRENT IN DOUBT",
    Condition.COMMON_MODE: "ALL JOINTS ALIKE",
    Condition.NOT_RECORDING: "NOT RECORDING",
    Condition.HISTORY_DAMAGED: "HISTORY DAMAGED",
    Condition.CLOCK_UNTRUSTED: "CLOCK IN DOUBT",
    Condition.OUT_OF_SERVICE: "OUT OF SERVICE",
    Condition.FLOOD: "MANY ALERTS",
    Condition.STALLED: "WATCH HANGS",
    Condition.UNHEARD: "ALERTS UNHEARD",
}
_PRIORITY = {Category.ALARM: "A", Category.WARNING: "W", Category.CAUTION: "C"}
_STATE = {
    AlertState.ACTIVE_UNACKNOWLEDGED: "V",
    AlertState.ACTIVE_SILENCED: "S",
    AlertState.ACTIVE_ACKNOWLEDGED: "A",
    AlertState.RECTIFIED_UNACKNOWLEDGED: "U",
    AlertState.NORMAL: "N",
    # put aside by somebody on board, who has seen it: nothing sounds
    AlertState.SHELVED: "A",
    AlertState.SHELVED_RECTIFIED: "N",
    AlertState.OUT_OF_SERVICE: "A",
}
# MSC.302(87): C cannot be acknowledged at another place than here, B can. We know whether we listen.
_CATEGORY = {False: "C", True: "B"}
_TEST_TEXT = "TEST ONLY, NO ALERT"


def checksum(body: str) -> str:
    """Two hexadecimal digits for what stands between $ and *."""
    return f"{reduce(lambda a, b: a ^ b, body.encode('ascii'), 0):02X}"


def sentence(body: str) -> bytes:
    """The whole sentence with its checksum. ValueError if it is longer than a sentence may be."""
    whole = f"${body}*{checksum(body)}\r\n".encode("ascii")
    if len(whole) > LONGEST:
        raise ValueError(f"{len(whole)} characters: {body}")
    return whole


def escaped(text: str, room: int) -> str:
    """`text` as it may stand in a field, cut to `room` characters and never within an escape."""
    done = ""
    for character in _latin(text):
        plain = " " <= character < "\x7f" and character not in _RESERVED
        piece = character if plain else f"^{ord(character):02X}"
        if len(done) + len(piece) > room:
            break
        done += piece
    return done.rstrip()


def _latin(text: str) -> str:
    """With nothing that ISO 8859-1 does not know: letters lose their marks, the rest becomes a `?`."""
    text = text.translate({0x2212: "-", 0x2013: "-", 0x2014: "-", 0x3A9: "ohm", 0x3BC: "\xb5", 0x2019: "'"})
    return "".join(
        c
        if ord(c) < 256
        else unicodedata.normalize("NFKD", c)[0].encode("latin-1", "replace").decode("latin-1")
        for c in text
    )


def _clock(time: int) -> str:
    """hhmmss.ss, UTC."""
    at = datetime.fromtimestamp(time / 1000, UTC)
    return f"{at:%H%M%S}.{at.microsecond // 10_000:02d}"


def subject(boat: Boat, alert: Alert) -> str:
    """Whom the alert is about, in the owner's words; "" where it is about the watch itself."""
    names = {joint.joint: joint.name for joint in boat.joints}
    channels = {channel.channel: channel.name for channel in boat.channels}
    if alert.joint is not None:
        return names.get(alert.joint, alert.joint)
    if alert.channel is not None:
        return channels.get(alert.channel, alert.channel)
    return ""


def _title(condition: Condition) -> str:
    return TITLES.get(condition, condition.value.replace("_", " ").upper()[:TITLE_LONGEST])


def last_change_time(alert: Alert) -> int:
    """When anything about it last changed, as far as it says."""
    times = (alert.raised_time, alert.rectified_time, alert.acknowledged_time, alert.escalated_time)
    return max(time for time in times if time is not None)


def local_number(alert: Alert) -> int:
    """Of ALR and ACK, 1 to 999."""
    return (alert.alert_id - 1) % 999 + 1


def numbers(alert: Alert) -> tuple[int, int]:
    """Identifier and instance (1 to 999,999), by which ALF, ALC and ACN name it."""
    return IDENTIFIERS.get(alert.condition, OTHER_IDENTIFIER), (alert.alert_id - 1) % 999_999 + 1


def alr(talker: str, boat: Boat, alert: Alert, *, over: bool = False) -> bytes:
    """The older sentence: one number, condition A or V, acknowledged A or V, a text."""
    number = local_number(alert)
    condition = "A" if alert.state in ACTIVE_STATES and not over else "V"
    unseen = not over and alert.state in (
        AlertState.ACTIVE_UNACKNOWLEDGED,
        AlertState.ACTIVE_SILENCED,
        AlertState.RECTIFIED_UNACKNOWLEDGED,
    )
    head = f"{talker}ALR,{_clock(last_change_time(alert))},{number:03d},{condition},{'V' if unseen else 'A'},"
    text = f"{_title(alert.condition)} {subject(boat, alert)}"
    return sentence(head + escaped(text, _room(head)))


def _room(head: str) -> int:
    return LONGEST - len("$*hh\r\n") - len(head)


def revision(alert: Alert) -> int:
    """1 to 99, another one with each change."""
    return (max(alert.change_count, 1) - 1) % 99 + 1


def alf(
    talker: str, boat: Boat, alert: Alert, sequence: int, *, over: bool = False, answerable: bool = False
) -> list[bytes]:
    """One or two sentences: the short title, and whom it is about.

    sequence: 0 to 9, the same in both. over: no longer wanted here, so it is normal to whoever listens.
    answerable: commands about it are listened to.
    """
    state = "N" if over else _alf_state(alert)
    identifier, instance = numbers(alert)
    escalation = 0 if alert.escalated_time is None else 1
    who = f"{identifier},{instance},{revision(alert)},{escalation},"
    about = subject(boat, alert)
    total = 2 if about else 1
    priority = _PRIORITY[alert.category]
    clock = _clock(last_change_time(alert))
    head = f"{talker}ALF,{total},1,{sequence},{clock},{_CATEGORY[answerable]},{priority},{state},,{who}"
    sentences = [sentence(head + escaped(_title(alert.condition), min(TITLE_LONGEST, _room(head))))]
    if about:
        head = f"{talker}ALF,2,2,{sequence},,,,,,{who}"
        sentences.append(sentence(head + escaped(about, _room(head))))
    return sentences


def _alf_state(alert: Alert) -> str:
    letter = _STATE.get(alert.state, "A")
    # a caution is active or not, and asks for no acknowledgement
    return "A" if alert.category is Category.CAUTION and letter in "VS" else letter


def alc(talker: str, alerts: Sequence[Alert], sequence: int) -> list[bytes]:
    """The list of all that stands, so that a receiver finds what it has missed. sequence: 0 to 99."""
    entries = [f",,{numbers(a)[0]},{numbers(a)[1]},{revision(a)}" for a in alerts]
    parts = [entries[i : i + ENTRIES_LONGEST] for i in range(0, len(entries), ENTRIES_LONGEST)] or [[]]
    parts = parts[:99]
    return [
        sentence(f"{talker}ALC,{len(parts):02d},{n:02d},{sequence % 100:02d},{len(part)}{''.join(part)}")
        for n, part in enumerate(parts, start=1)
    ]


def arc(talker: str, time: int, answer: str) -> bytes:
    """A command was refused: when [ms], and its identifier, instance and letter."""
    return sentence(f"{talker}ARC,{_clock(time)},,{answer}")


def hbt(talker: str, seconds: float, sequence: int) -> bytes:
    """The heartbeat: sent each so many seconds, and we are well. sequence: 0 to 9."""
    return sentence(f"{talker}HBT,{seconds:.1f},A,{sequence % 10}")


def trial_sentences(talker: str, kinds: frozenset[str], time: int, *, active: bool) -> list[bytes]:
    """A test that nobody takes for an alert: its number and identifier are of no alert, its text says so."""
    state, clock = ("A" if active else "V"), _clock(time)
    found = []
    if "ALR" in kinds:
        head = f"{talker}ALR,{clock},{TEST_NUMBER:03d},{state},{'V' if active else 'A'},"
        found.append(sentence(head + escaped(_TEST_TEXT, _room(head))))
    if "ALF" in kinds:
        letter = "V" if active else "N"
        head = f"{talker}ALF,1,1,0,{clock},{_CATEGORY[False]},W,{letter},,{TEST_IDENTIFIER},1,1,0,"
        found.append(sentence(head + escaped("TEST ONLY", TITLE_LONGEST)))
    return found
