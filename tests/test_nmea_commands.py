"""Commands of instruments: what is one, what is not, and their way through a port to the alert's history."""

import logging
import os
import select
import socket
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

import boats
from alerts_told import TIME, alert, change
from histories import open_store
from lugwatch.clock import ManualClock, SystemClock
from lugwatch.model import Category, Condition, CrewDeed
from lugwatch.publishers import nmea_commands, nmea_sentences
from lugwatch.publishers.nmea_alerts import NmeaAlertsPublisher
from lugwatch.publishers.nmea_commands import Command, Ignored, Repeat
from lugwatch.runner import Watch
from lugwatch.sources.nmea import Sentence, parse_sentence
from lugwatch.store.queries import History
from test_nmea import with_checksum
from test_nmea_alerts import BOAT, go, settings

HOT, WARMING = alert(7), alert(1008, Category.WARNING, condition=Condition.WARMING)
STANDING = (HOT, WARMING)


def read(body: str) -> object:
    sentence = parse_sentence(with_checksum(body).encode())
    assert isinstance(sentence, Sentence)
    return nmea_commands.read(sentence, STANDING)


@pytest.mark.parametrize(
    ("body", "deed", "alert_id", "who"),
    [
        ("IIACN,202650.00,,10003,7,A,C", CrewDeed.ACKNOWLEDGE, 7, "instrument (II)"),
        ("INACN,,,10003,7,S,C", CrewDeed.SILENCE, 7, "instrument (IN)"),
        ("iiACN,202650,,10001,1008,A,C", CrewDeed.ACKNOWLEDGE, 1008, "instrument (II)"),
        ("IIACK,007", CrewDeed.ACKNOWLEDGE, 7, "instrument (II)"),
        ("IIACK,9", CrewDeed.ACKNOWLEDGE, 1008, "instrument (II)"),  # of ALR, which counts to 999
    ],
)
def test_a_command_about_an_alert_that_stands(body: str, deed: CrewDeed, alert_id: int, who: str) -> None:
    assert read(body) == Command(deed=deed, alert_id=alert_id, who=who)


@pytest.mark.parametrize(
    "body",
    [
        "IIACN,202650.00,,10003,8,A,C",  # another instance
        "IIACN,202650.00,,10001,7,A,C",  # another identifier
        "IIACN,202650.00,ABC,10003,7,A,C",  # of another maker
        "IIACN,202650.00,,10003,,A,C",  # of which one?
        "IIACN,202650.00,,,,S,C",  # "all": nobody says that it means that
        "IIACN,202650.00,,10003,7,A,R",  # a report, no command
        "IIACN,202650.00,,10003,7,A,",
        "IIACN,202650.00,,10003,7,A",
        "IIACN,202650.00,,10003,7,AS,C",
        "IIACN,202650.00,,10003,7,a,C",
        "IIACN,202660.00,,10003,7,A,C",  # no time of a day
        "IIACN,252650.00,,10003,7,A,C",
        "IIACN,202650.00,,10003.0,7,A,C",
        "IIACN,202650.00,,-10003,7,A,C",
        "IIACN,202650.00,,99999999999999999999,7,A,C",
        "IIACK,8",
        "IIACK,",
        "IIACK,007,008",
        "IIACK,0x7",
    ],
)
def test_what_is_no_command_for_us_does_nothing(body: str) -> None:
    found = read(body)
    assert isinstance(found, Ignored) and found.answer is None and len(found.why) < 120


def test_what_is_not_done_here_is_refused_and_other_sentences_are_not_looked_at() -> None:
    found = read("IIACN,202650.00,,10003,7,O,C")
    assert isinstance(found, Ignored) and found.answer == "10003,7,O"
    assert (
        nmea_sentences.arc("II", TIME, found.answer)
        == with_checksum(f"IIARC,{nmea_sentences._clock(TIME)},,10003,7,O").encode() + b"\r\n"
    )
    assert read("IIACN,,,,,Q,C") == Repeat()
    for body in ("IIXDR,C,45.3,C,JOINT1", "IIALR,123519.00,001,A,V,HOT", "IIHBT,30.0,A,1"):
        assert read(body) is None


@given(st.lists(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=12), max_size=8))
@example(["202650.00", "", "10003", "7", "A", "C"])
def test_no_field_is_a_deed_by_chance(fields: list[str]) -> None:
    for formatter in ("ACN", "ACK"):
        found = nmea_commands.read(Sentence(talker="II", formatter=formatter, fields=tuple(fields)), STANDING)
        if isinstance(found, Command):
            assert (formatter, fields[2:4]) == ("ACN", ["10003", "7"]) or int(fields[-1]) in (7, 9)


def test_the_numbers_are_those_that_are_said() -> None:
    """An instrument knows an alert by what ALF and ALR told it, and by nothing else."""
    for about in STANDING:
        said = nmea_sentences.alf("II", BOAT, about, 1, answerable=True)[0].decode().split(",")
        assert said[5] == "B"  # MSC.302(87): can be acknowledged at another place
        assert nmea_sentences.alf("II", BOAT, about, 1)[0].decode().split(",")[5] == "C"
        found = read(f"IIACN,,,{said[9]},{said[10]},A,C")
        assert isinstance(found, Command) and found.alert_id == about.alert_id
        number = nmea_sentences.alr("II", BOAT, about).decode().split(",")[2]
        found = read(f"IIACK,{number}")
        assert isinstance(found, Command) and found.alert_id == about.alert_id


# ---- ports ------------------------------------------------------------------------------------------

Deeds = list[tuple[CrewDeed, int, str]]


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: the instrument's end, and the name of ours."""
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


def listening(deeds: Deeds, clock: ManualClock, **more: object) -> NmeaAlertsPublisher:
    publisher = NmeaAlertsPublisher(
        settings(**more), BOAT, clock=clock, on_deed=lambda *deed: deeds.append(deed)
    )
    publisher.publish([change(HOT)])
    go(publisher, clock, 2.0)  # the port is open, the first round is said
    return publisher


def sent(master: int, *bodies: str) -> None:
    for body in bodies:
        os.write(master, with_checksum(body).encode() + b"\r\n")


def test_a_command_comes_in_by_the_port_on_which_the_alert_was_said(line: tuple[int, str]) -> None:
    master, device = line
    deeds, clock = Deeds(), ManualClock()
    publisher = listening(deeds, clock, device=device, listen=True)
    whole = with_checksum("IIACN,,,10003,7,A,C").encode() + b"\r\n"
    os.write(master, b"\xff\x00 noise\r\n" + whole[:11])
    publisher.turn()
    assert deeds == []
    os.write(master, whole[11:] + whole.replace(b",A,C*", b",S,C*"))  # the second has the first's checksum
    publisher.turn()
    assert deeds == [(CrewDeed.ACKNOWLEDGE, 7, "instrument (II)")]
    sent(master, "IIACN,,,10003,99,A,C", "IIACN,,,10002,7,S,C", "IIALR,123519.00,001,A,V,HOT")
    publisher.turn()
    assert len(deeds) == 1 and "2 commands of instruments ignored" in publisher.health().words
    assert publisher.turn() <= 0.25  # a press is not to wait for the next round
    publisher.close()


def test_without_listen_nothing_is_read(line: tuple[int, str]) -> None:
    master, device = line
    deeds, clock = Deeds(), ManualClock()
    publisher = listening(deeds, clock, device=device)
    sent(master, "IIACN,,,10003,7,A,C")
    go(publisher, clock, 2.0)
    assert deeds == [] and publisher.turn() > 0.25
    publisher.close()


def test_what_is_asked_for_again_is_said_again_but_not_without_end(line: tuple[int, str]) -> None:
    master, device = line
    clock = ManualClock()
    publisher = listening(Deeds(), clock, device=device, listen=True)

    def rounds() -> int:
        count = 0
        while select.select([master], [], [], 0.1)[0]:
            count += os.read(master, 65_536).count(b"HBT,")
        return count

    rounds()
    for _ in range(20):
        sent(master, "IIACN,,,,,Q,C")
        go(publisher, clock, 0.1)
    assert rounds() == 1
    sent(master, "IIACN,,,10003,7,O,C")
    go(publisher, clock, 1.0)
    assert b"IIARC," in os.read(master, 65_536)
    publisher.close()


def test_a_flood_of_commands_is_few_deeds_and_one_line_in_the_log(
    line: tuple[int, str], caplog: pytest.LogCaptureFixture
) -> None:
    master, device = line
    deeds, clock = Deeds(), ManualClock()
    publisher = listening(deeds, clock, device=device, listen=True)
    with caplog.at_level(logging.WARNING, "lugwatch"):
        for _ in range(50):
            sent(master, *["IIACN,,,10003,7,S,C"] * 20, *["IIACN,,,10003,70,S,C"] * 20)
            go(publisher, clock, 0.5)
    assert len(deeds) == 30
    assert [r.message for r in caplog.records if "ignored" in r.message][1:] == []
    publisher.close()


def test_a_command_comes_in_by_udp_and_a_port_that_is_taken_is_told() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as instrument:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
            taken.bind(("", 0))
            port = taken.getsockname()[1]
            deeds, clock = Deeds(), ManualClock()
            publisher = listening(deeds, clock, udp_host="127.0.0.1", udp_port=9, listen_udp_port=port)
            assert f"UDP port {port} cannot be listened to" in publisher.health().words
        go(publisher, clock, 11.0)  # tried again
        assert "cannot be listened to" not in publisher.health().words
        datagram = with_checksum("IIACN,,,10003,7,S,C").encode()
        for data in (datagram[:-1], b"\xff" * 1400, datagram):  # half a sentence joins nothing
            instrument.sendto(data, ("127.0.0.1", port))
        publisher.turn()
        assert deeds == [(CrewDeed.SILENCE, 7, "instrument (II)")]
        publisher.close()


def test_from_the_instrument_to_the_history(line: tuple[int, str], tmp_path: Path) -> None:
    """The running watch with its store: the alert is acknowledged, by whom and when, and said so again."""
    master, device = line
    clock, stop = SystemClock(), threading.Event()
    store = open_store(tmp_path / "boat.db", clock=clock, boat=BOAT)
    watch = Watch(state=boats.begin(BOAT), sources=(), store=store, publishers=(), clock=clock, stop=stop)
    publisher = NmeaAlertsPublisher(
        settings(device=device, listen=True), BOAT, clock=clock,
        on_deed=lambda deed, alert_id, who: watch.act(deed, who, alert_id=alert_id),
    )  # fmt: skip
    watch.add_publisher(publisher)
    running = threading.Thread(target=watch.run)
    running.start()
    watch.report(Condition.NOT_RECORDING, True, text="The card is full.", advice="Make room.")
    heard, states, answered = b"", list[str](), False
    until = time.monotonic() + 20.0
    while "A" not in states and time.monotonic() < until:
        if select.select([master], [], [], 0.5)[0]:
            heard += os.read(master, 65_536)
        said = [s.split(",") for s in heard.decode("ascii").splitlines(keepends=True) if s.endswith("\n")]
        first = [f for f in said if f[0] == "$IIALF" and f[2] == "1"]
        states = [f[7] for f in first]
        if first and not answered:
            sent(master, f"INACN,,,{first[0][9]},{first[0][10]},A,C")
            answered = True
    stop.set()
    running.join()
    assert states[0] == "V" and states[-1] == "A"
    with History.open(tmp_path / "boat.db") as history:
        (seen,) = history.alerts()
    assert seen.acknowledged_by == "instrument (IN)" and seen.acknowledged_time is not None
