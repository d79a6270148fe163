"""Bytes to lines to sentences to transducers, with pynmea2 as the second opinion."""

import itertools

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused
from lugwatch.sources.nmea import (
    LONGEST_LINE_BYTES,
    LineBuffer,
    Sentence,
    Transducer,
    parse_sentence,
    transducers,
)


def with_checksum(body: str) -> str:
    checksum = 0
    for character in body.encode():
        checksum ^= character
    return f"${body}*{checksum:02X}"


def lines(*parts: bytes) -> list[bytes | FaultKind]:
    buffer = LineBuffer()
    out = [line for part in parts for line in buffer.feed(part)]
    return [line.kind if isinstance(line, Refused) else line for line in out]


def groups(body: str) -> list[Transducer]:
    sentence = parse_sentence(with_checksum(body).encode())
    assert isinstance(sentence, Sentence)
    found = transducers(sentence)
    assert not isinstance(found, Refused)
    return list(found)


PUBLISHED = [  # first four as published by their makers; the last two made here
    "$IIXDR,P,1.0136,B,BMP180,C,15.5,C,BMP180*58",
    "$IIXDR,P,1.0136,B,0,C,15.5,C,1,H,65.5,P,2*6B",
    "$RPXDR,P,1.0280,B,0*7B",
    "$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41",
    "$GPGLL,3751.65,S,14507.36,E*77",
    "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$IIXDR,C,45.3,C,JOINT1,I,120.5,A,SHUNT*41",
    "$IIXDR,C,62.5,C,LUG01*0E",
]


@pytest.mark.parametrize("text", PUBLISHED)
def test_published_sentences_agree_with_pynmea2(text):
    sentence = parse_sentence(text.encode())
    assert isinstance(sentence, Sentence)
    other = pynmea2.parse(text, check=True)
    assert (sentence.talker, sentence.formatter) == (other.talker, other.sentence_type)
    assert list(sentence.fields) == list(other.data)
    if sentence.formatter == "XDR":
        wanted = [
            (other.get_transducer(i).type, other.get_transducer(i).id, float(other.get_transducer(i).value))
            for i in range(other.num_transducers)
            if other.get_transducer(i).type in "CIU"
        ]
        assert [(t.kind, t.name, t.value) for t in transducers(sentence)] == wanted
    else:
        assert transducers(sentence) == ()


def test_units():
    (celsius, kelvin, volts) = groups("IIXDR,C,20.0,C,A,C,293.15,K,B,U,0.025,V,S")
    assert celsius.value == 20.0 and kelvin.value == pytest.approx(20.0) and volts.value == 0.025


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        ("", FaultKind.EMPTY),
        ("nan", FaultKind.NOT_FINITE),
        ("-inf", FaultKind.NOT_FINITE),
        ("1e999", FaultKind.NOT_FINITE),
        ("2_3.5", FaultKind.MALFORMED),
        ("0x1F", FaultKind.MALFORMED),
        (" 23.5", FaultKind.MALFORMED),
        ("23.5.1", FaultKind.MALFORMED),
    ],
)
def test_values_that_are_no_number(value, kind):
    (transducer, good) = groups(f"IIXDR,C,{value},C,LUG,C,41.5,C,OTHER")
    assert isinstance(transducer.value, Refused) and transducer.value.kind is kind
    assert good.value == 41.5  # the group beside it stands


def test_wrong_unit_is_refused():
    for body in ("IIXDR,C,68.0,F,LUG", "IIXDR,I,120,V,SHUNT", "IIXDR,C,68.0,,LUG"):
        (transducer,) = groups(body)
        assert isinstance(transducer.value, Refused) and transducer.value.kind is FaultKind.MALFORMED


@pytest.mark.parametrize("body", ["IIXDR", "IIXDR,C,23.5,C", "IIXDR,C,23.5,C,A,C,24", "IIXDR,C,1,C,A,"])
def test_groups_that_are_not_whole(body):  # C43
    sentence = parse_sentence(with_checksum(body).encode())
    assert isinstance(sentence, Sentence)
    refused = transducers(sentence)
    assert isinstance(refused, Refused) and refused.kind is FaultKind.MALFORMED


def test_checksum_digits():  # C43
    good = with_checksum("IIXDR,C,45.3,C,JOINT1,I,120.5,A,SHUNK")
    assert good.endswith("*5E")
    assert isinstance(parse_sentence(good.lower().replace("ii", "II").encode()), Refused)  # other letters
    assert isinstance(parse_sentence((good[:-2] + "5e").encode()), Sentence)  # small digits say the same
    for text, kind in [
        (good[:-3], FaultKind.MALFORMED),
        (good[:-1], FaultKind.MALFORMED),
        (good + "0", FaultKind.MALFORMED),
        (good[:-2] + "5F", FaultKind.BAD_CHECKSUM),
        (good[1:], FaultKind.MALFORMED),
        ("AT+GCAP", FaultKind.MALFORMED),
        ("$*00", FaultKind.MALFORMED),
        (with_checksum("IIXDR,C,4$IIXDR,C,45.3,C,A"), FaultKind.MALFORMED),
    ]:
        refused = parse_sentence(text.encode())
        assert isinstance(refused, Refused) and refused.kind is kind, text


def test_half_a_line_is_not_a_line():  # C07
    assert lines(b"$PJTMP,1,2") == []
    assert lines(b"$PJTMP,1,2", b"3.50*41\r\n") == [b"$PJTMP,1,23.50*41"]


def test_line_ends():  # C07
    for end in (b"\r", b"\n", b"\r\n", b"\r\n\r\n"):
        assert lines(b"$A*1" + end + b"$B*2" + end) == [b"$A*1", b"$B*2"]


def test_first_fragment_is_dropped_unless_it_starts_a_sentence():  # C07
    assert lines(b".7,23.5*1A\r\n$A*1\r\n") == [b"$A*1"]
    assert lines(b"\r\n.7,23.5*1A\r\n$A*1\r\n") == [b"$A*1"]
    assert lines(b"$A*1\r\nbooting\r\n") == [b"$A*1", b"booting"]


def test_no_line_end_is_capped_and_counted_once():  # C07
    assert lines(b"$" * 5000) == [FaultKind.MALFORMED]
    assert lines(b"$" * 5000 + b"\r\n$A*1\r\n") == [FaultKind.MALFORMED, b"$A*1"]
    assert lines(b"$" * LONGEST_LINE_BYTES + b"\n") == [b"$" * LONGEST_LINE_BYTES]


@pytest.mark.parametrize(
    "odd", [b"\xaa\x65\xd1\xb9\xf1", b"2\xff3.5", b"\x00", "°".encode(), b"\x1b[0m", b"\x7f"]
)
def test_odd_bytes_drop_their_line_only(odd):  # C08
    assert lines(b"$A*1\r\n$X," + odd + b"\r\n$B*2\r\n") == [b"$A*1", FaultKind.MALFORMED, b"$B*2"]


_BYTES = st.lists(
    st.sampled_from([b"$IIXDR,C,62.5,C,LUG01*0E", b"\r", b"\n", b"\r\n", b"\xff", b"x", b"y" * 600]),
    max_size=14,
).map(b"".join)


@given(_BYTES, st.lists(st.integers(0, 4000), max_size=6))
def test_every_split_of_a_stream_gives_the_same(stream, cuts):
    places = sorted({min(cut, len(stream)) for cut in cuts} | {0, len(stream)})
    parts = [stream[a:b] for a, b in itertools.pairwise(places)]
    assert lines(*parts) == lines(stream) == lines(*(bytes([byte]) for byte in stream))


@given(st.binary(max_size=200))
def test_no_line_raises(data):
    sentence = parse_sentence(data)
    if isinstance(sentence, Sentence):
        transducers(sentence)


@given(
    st.floats(-999, 999).map(lambda v: round(v, 3)),
    st.sampled_from("CIU"),
    st.integers(5, 30),
    st.integers(1, 127),
)
def test_round_trip_and_no_flipped_character_passes(value, kind, place, flip):
    unit = {"C": "C", "I": "A", "U": "V"}[kind]
    text = with_checksum(f"IIXDR,{kind},{value:.3f},{unit},LUG01").encode()
    sentence = parse_sentence(text)
    assert isinstance(sentence, Sentence)
    (transducer,) = transducers(sentence)
    assert transducer.value == pytest.approx(value, abs=5e-4)
    broken = bytearray(text)
    broken[place % (len(text) - 3) or 1] ^= flip
    assert isinstance(parse_sentence(bytes(broken)), Refused)
