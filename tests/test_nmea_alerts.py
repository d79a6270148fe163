"""Alert sentences: their form, what they say of each state, and their way through a port and the network."""

import os
import re
import select
import socket
import tty
from collections.abc import Iterator
from dataclasses import replace

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

import boats
from alerts_told import TIME, acknowledged, alert, change, rectified
from lugwatch.clock import ManualClock
from lugwatch.config_ways import NmeaAlertSettings
from lugwatch.errors import OperationFailed
from lugwatch.model import AlertChangeKind, AlertState, Category, Condition
from lugwatch.publishers import nmea_sentences
from lugwatch.publishers.nmea_alerts import NmeaAlertsPublisher, open_serial
from lugwatch.sources import nmea

NAME = "Bus bar, alternator stud"
BOAT = boats.boat(replace(boats.joint("bar"), name=NAME))


class ALR(pynmea2.TalkerSentence):
    """pynmea2 1.19 reads frames, checksums and talkers, and does not know this sentence: told here."""

    fields = (
        ("Time of the alarm", "time"),
        ("Alarm number", "number"),
        ("Condition", "condition"),
        ("Acknowledged", "seen"),
        ("Text", "text"),
    )


def fields(sentence: bytes) -> list[str]:
    assert sentence.endswith(b"\r\n") and len(sentence) <= 82
    return sentence.decode("ascii").strip()[1:].split("*")[0].split(",")


def unescaped(text: str) -> str:
    """^hh read back, as a receiver does."""
    return re.sub(r"\^([0-9A-F]{2})", lambda found: bytes.fromhex(found.group(1)).decode("latin-1"), text)


# ---- form ----------------------------------------------------------------------------------------


def test_checksum_of_a_known_sentence() -> None:
    # worked with pynmea2 1.19 and by hand
    assert nmea_sentences.sentence("IIALR,123519.00,001,A,V,HOT JOINT") == (
        b"$IIALR,123519.00,001,A,V,HOT JOINT*53\r\n"
    )


def test_alr_as_another_reader_reads_it() -> None:
    read = pynmea2.parse(nmea_sentences.alr("II", BOAT, alert(7)).decode(), check=True)
    assert isinstance(read, ALR) and read.talker == "II"
    assert (read.time, read.number, read.condition, read.seen) == ("202647.00", "007", "A", "V")
    assert unescaped(read.text) == f"JOINT HOT {NAME}"  # at 1 780 000 007 s after 1970


@pytest.mark.parametrize(
    ("state", "expected"),
    [
        (AlertState.ACTIVE_UNACKNOWLEDGED, ("A", "V", "V")),
        (AlertState.ACTIVE_SILENCED, ("A", "V", "S")),
        (AlertState.ACTIVE_ACKNOWLEDGED, ("A", "A", "A")),
        (AlertState.RECTIFIED_UNACKNOWLEDGED, ("V", "V", "U")),
        (AlertState.NORMAL, ("V", "A", "N")),
        (AlertState.SHELVED, ("A", "A", "A")),
        (AlertState.SHELVED_RECTIFIED, ("V", "A", "N")),
    ],
)
def test_every_state_has_its_letters(state: AlertState, expected: tuple[str, str, str]) -> None:
    # letters of ALF: IEC 61924-2 / 61162-1 as interface manuals give them
    what = alert(state=state)
    older, first = nmea_sentences.alr("II", BOAT, what), nmea_sentences.alf("II", BOAT, what, 3)[0]
    assert (*fields(older)[3:5], fields(first)[7]) == expected


def test_every_state_and_condition_is_known() -> None:
    assert set(nmea_sentences._STATE) == set(AlertState)
    assert set(nmea_sentences.IDENTIFIERS) == set(nmea_sentences.TITLES) == set(Condition)
    numbers = [*nmea_sentences.IDENTIFIERS.values(), nmea_sentences.TEST_IDENTIFIER]
    assert len(set(numbers)) == len(numbers) and min(numbers) >= 10000
    for title in nmea_sentences.TITLES.values():
        assert len(title) <= 16 and nmea_sentences.escaped(title, 99) == title


def test_a_caution_asks_for_no_acknowledgement() -> None:
    what = alert(category=Category.CAUTION)
    assert fields(nmea_sentences.alf("II", BOAT, what, 0)[0])[6:8] == ["C", "A"]


def test_alf_has_its_fields_and_a_second_sentence_says_whom() -> None:
    what = alert(12, change_count=3, escalated_time=TIME + 20_000)
    first, second = (fields(s) for s in nmea_sentences.alf("II", BOAT, what, 4))
    # total, number, sequence, time, category, priority, state, maker, identifier, instance, revision,
    # escalation, text
    assert first == [
        "IIALF",
        "2",
        "1",
        "4",
        "202700.00",
        "C",
        "A",
        "V",
        "",
        "10003",
        "12",
        "3",
        "1",
        "JOINT HOT",
    ]
    assert second[:13] == ["IIALF", "2", "2", "4", "", "", "", "", "", "10003", "12", "3", "1"]
    assert unescaped(second[13]) == NAME


def test_revisions_count_from_1_to_99_and_begin_again() -> None:
    counts = [nmea_sentences.revision(alert(change_count=n)) for n in (0, 1, 99, 100, 198, 199)]
    assert counts == [1, 1, 99, 1, 99, 1]


def test_the_list_names_all_that_stands_and_is_empty_when_nothing_does() -> None:
    assert fields(nmea_sentences.alc("II", [], 7)[0]) == ["IIALC", "01", "01", "07", "0"]
    listed = [fields(s) for s in nmea_sentences.alc("II", [alert(n) for n in range(999_990, 999_997)], 107)]
    assert [(f[1], f[2], f[3], f[4]) for f in listed] == [
        ("03", "01", "07", "3"),
        ("03", "02", "07", "3"),
        ("03", "03", "07", "1"),
    ]
    assert listed[0][5:9] == ["", "10003", "999990", "1"]


def test_the_heartbeat_says_how_often_it_comes() -> None:
    assert fields(nmea_sentences.hbt("II", 30.0, 13)) == ["IIHBT", "30.0", "A", "3"]


@given(st.text(max_size=120), st.sampled_from(Condition), st.integers(1, 10**9))
def test_whatever_a_joint_is_called_sentences_hold_and_can_be_read(
    name: str, condition: Condition, number: int
) -> None:
    boat = boats.boat(replace(boats.joint("bar"), name=name))
    what = alert(number, condition=condition, change_count=number, raised_time=TIME)
    for one in [nmea_sentences.alr("II", boat, what), *nmea_sentences.alf("II", boat, what, 9)]:
        assert len(one) <= 82
        body, hexadecimal = one[1:-2].decode("ascii").split("*")
        assert f"{pynmea2.NMEASentence.checksum(body):02X}" == hexadecimal
        read = nmea.parse_sentence(one.strip())
        assert isinstance(read, nmea.Sentence)
        assert not re.search(r"\^(?![0-9A-F]{2})", one.decode("ascii")), "no escape is cut in half"


def test_reserved_and_foreign_characters_are_escaped() -> None:
    # ^hh with the code of ISO 8859-1, from memory of IEC 61162-1
    assert nmea_sentences.escaped("a,b*c$d!e\\f^g~h", 99) == "a^2Cb^2Ac^24d^21e^5Cf^5Eg^7Eh"
    assert nmea_sentences.escaped("95 °C", 99) == "95 ^B0C"
    assert nmea_sentences.escaped("50 µΩ − Łódź…", 99) == "50 ^B5ohm - ?^F3dz."
    assert nmea_sentences.escaped("12,", 4) == "12"


def test_a_test_is_of_no_alert_and_says_so() -> None:
    for active in (True, False):
        older, newer = (
            fields(s)
            for s in nmea_sentences.trial_sentences("II", frozenset({"ALR", "ALF"}), TIME, active=active)
        )
        assert older[2] == "000" and "TEST ONLY" in unescaped(older[5])
        assert newer[9] == "10000" and newer[13] == "TEST ONLY"
        assert older[3] == ("A" if active else "V") and newer[7] == ("V" if active else "N")


# ---- ways ----------------------------------------------------------------------------------------


def settings(**changes: object) -> NmeaAlertSettings:
    values: dict[str, object] = {
        "device": None,
        "baud": 4800,
        "udp_host": None,
        "udp_port": 10110,
        "sentences": frozenset({"ALR", "ALF"}),
        "talker": "II",
        "categories": frozenset(Category),
    }
    return NmeaAlertSettings(**values | changes)  # type: ignore[arg-type]


@pytest.fixture
def receiver() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as made:
        made.bind(("127.0.0.1", 0))
        made.settimeout(5.0)
        yield made


def heard(receiver: socket.socket) -> list[str]:
    """All datagrams that have come, each a whole sentence."""
    found = []
    while select.select([receiver], [], [], 0.0)[0]:
        found.append(receiver.recv(200).decode("ascii"))
    return found


def go(publisher: NmeaAlertsPublisher, clock: ManualClock, seconds: float) -> None:
    until = clock.monotonic_seconds() + seconds
    while clock.monotonic_seconds() < until:
        clock.advance(min(publisher.turn(), 1.0))


def kinds(sentences: list[str]) -> list[str]:
    return [sentence[3:6] for sentence in sentences]


def over_udp(receiver: socket.socket, **changes: object) -> tuple[NmeaAlertsPublisher, ManualClock]:
    clock = ManualClock()
    host, port = receiver.getsockname()
    return NmeaAlertsPublisher(settings(udp_host=host, udp_port=port, **changes), BOAT, clock=clock), clock


def test_a_change_is_said_at_once_and_what_stands_each_30_s(receiver: socket.socket) -> None:
    publisher, clock = over_udp(receiver)
    go(publisher, clock, 1.0)
    assert kinds(heard(receiver)) == ["ALC", "HBT"]
    publisher.publish([change(alert())])
    publisher.turn()
    assert kinds(heard(receiver)) == ["ALF", "ALF", "ALR"]
    go(publisher, clock, 28.0)
    assert heard(receiver) == []
    go(publisher, clock, 3.0)
    assert kinds(heard(receiver)) == ["ALC", "HBT", "ALF", "ALF", "ALR"]
    publisher.publish([acknowledged(alert(), sequence=2)])
    publisher.publish([change(alert(), AlertChangeKind.RECTIFIED, AlertState.NORMAL, sequence=3)])
    publisher.turn()
    states = [f[7] for f in map(str.split, heard(receiver), [","] * 6) if f[0] == "$IIALF" and f[2] == "1"]
    assert states == ["A", "N"]
    go(publisher, clock, 31.0)
    assert kinds(heard(receiver)) == ["ALC", "HBT"]
    assert publisher.health().working is True
    publisher.close()


def test_after_a_restart_the_first_round_says_what_stands(receiver: socket.socket) -> None:
    publisher, _ = over_udp(receiver, sentences=frozenset({"ALR"}))
    publisher.restore([alert(1), rectified(alert(2)).alert])
    publisher.turn()
    assert kinds(heard(receiver)) == ["ALR", "ALR"]
    publisher.close()


def test_what_is_no_longer_of_a_category_asked_for_is_said_to_be_over(receiver: socket.socket) -> None:
    publisher, _ = over_udp(receiver, categories=frozenset({Category.ALARM}))
    publisher.publish([change(alert(1, Category.WARNING))])
    publisher.publish([change(alert(1), AlertChangeKind.WORSENED, sequence=2)])
    eased = replace(alert(1), category=Category.WARNING)
    publisher.publish([change(eased, AlertChangeKind.EASED, sequence=3)])
    publisher.turn()
    said = [s.split(",") for s in heard(receiver)]
    assert [f[7] for f in said if f[0] == "$IIALF" and f[2] == "1"] == ["V", "N"]
    assert [f[3] for f in said if f[0] == "$IIALR"] == ["A", "V"]
    publisher.close()


def everything(master: int) -> str:
    """What has come through a pseudo-terminal; a moment without anything ends it."""
    found = b""
    while select.select([master], [], [], 0.2)[0]:
        found += os.read(master, 65536)
    return found.decode("ascii")


def test_a_serial_port_carries_whole_sentences_and_comes_back_after_it_was_away() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    device, clock = os.ttyname(slave), ManualClock()
    publisher = NmeaAlertsPublisher(settings(device=device), BOAT, clock=clock)
    publisher.publish([change(alert(n)) for n in range(1, 6)])
    go(publisher, clock, 2.0)
    lines = everything(master).splitlines(keepends=True)
    # each change, and the first round, which begins before anything has been said
    assert [line[3:6] for line in lines].count("ALR") == 10
    for line in lines:
        read = nmea.parse_sentence(line.strip().encode())
        assert isinstance(read, nmea.Sentence), line
        if line[3:6] == "ALR":
            assert pynmea2.parse(line, check=True).condition == "A"
    publisher.close()
    os.close(master)
    os.close(slave)
    gone = NmeaAlertsPublisher(settings(device=device), BOAT, clock=clock)
    gone.publish([change(alert())])
    gone.turn()
    health = gone.health()
    assert (
        health.working is False and device in health.words and "check plug, name and rights" in health.words
    )
    gone.close()


def test_a_port_that_another_program_holds_is_told_as_such() -> None:
    master, slave = os.openpty()
    first = open_serial(os.ttyname(slave), 4800)
    with pytest.raises(OperationFailed, match="it is in use; another program holds it"):
        open_serial(os.ttyname(slave), 4800)
    first.close()
    os.close(master)
    os.close(slave)


class Flaky:
    """A wire whose nth write fails."""

    def __init__(self, fails_at: int) -> None:
        self.fails_at, self.count, self.written = fails_at, 0, list[bytes]()

    def write(self, data: bytes) -> None:
        self.count += 1
        if self.count == self.fails_at:
            raise OSError(5, "Input/output error")
        self.written.append(data)

    def close(self) -> None:
        """Opened again by the next."""


@pytest.mark.parametrize("fails_at", [1, 2, 3])
def test_a_write_that_fails_is_told_and_all_is_said_in_the_next_round(fails_at: int) -> None:
    wire, clock = Flaky(fails_at), ManualClock()
    publisher = NmeaAlertsPublisher(
        settings(device="/dev/x"), BOAT, clock=clock, serial_opener=lambda *_: wire
    )
    publisher.publish([change(alert())])
    publisher.turn()
    assert publisher.health().working is False and "Input/output error" in publisher.health().words
    wire.written.clear()
    go(publisher, clock, 31.0)
    assert kinds([s.decode() for s in wire.written]) == ["ALC", "HBT", "ALF", "ALF", "ALR"]
    assert publisher.health().working is True


def test_what_waits_for_a_port_that_is_away_is_bounded() -> None:
    def away(*_: object) -> Flaky:
        raise OperationFailed("/dev/x: No such file or directory; check plug, name and rights")

    publisher = NmeaAlertsPublisher(settings(device="/dev/x"), BOAT, clock=ManualClock(), serial_opener=away)
    publisher.turn()
    for number in range(1, 500):
        publisher.publish([change(alert(number))])
        publisher.turn()
    assert len(publisher._ways[0].waiting) <= 200
