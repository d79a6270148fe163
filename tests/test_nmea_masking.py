"""Positions and names taken out of a line's bytes: nothing of them is left, and the driver reads the same."""

import random

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.sources.base import Refused
from lugwatch.sources.nmea import LineBuffer, Sentence, parse_sentence, satellite_time, transducers
from lugwatch.sources.nmea_masking import Masker
from test_nmea import with_checksum

# sentences as printed in receivers' manuals, of places that are nobody's home
GGA = with_checksum("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")
GLL = with_checksum("GPGLL,4916.45,N,12311.12,W,225444,A")
RMC = with_checksum("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W")
ZDA = with_checksum("GPZDA,201530.00,04,07,2002,-05,30")
XDR = with_checksum("IIXDR,C,45.3,C,JOINT1,I,120.5,A,SHUNT")
POSITION_DIGITS = ("4807", "038", "01131", "4916", "12311", "022.4", "084.4", "545.4", "003.1")


def masked(text: str) -> str:
    return Masker().feed(text.encode("latin-1")).decode("latin-1")


def heard(stream: bytes) -> list[object]:
    """What the driver makes of a stream: kinds of refusal, times, and groups that it reads."""
    said: list[object] = []
    for line in LineBuffer().feed(stream):
        sentence = line if isinstance(line, Refused) else parse_sentence(line)
        if isinstance(sentence, Refused):
            said.append(sentence.kind)
            continue
        groups = transducers(sentence)
        values = (
            groups if isinstance(groups, Refused) else [(g.kind, g.name, _plain(g.value)) for g in groups]
        )
        said.append((sentence.talker, sentence.formatter, satellite_time(sentence), _plain(values)))
    return said


def _plain(value: object) -> object:
    return value.kind if isinstance(value, Refused) else value


@pytest.mark.parametrize("line", [GGA, GLL, RMC])
def test_a_position_is_gone_and_the_checksum_is_right(line: str) -> None:
    out = masked(line)
    assert len(out) == len(line)
    assert not any(digits in out for digits in POSITION_DIGITS)
    # another reader of NMEA 0183 takes it for a good sentence
    assert pynmea2.parse(out, check=True).sentence_type == line[3:6]


def test_the_time_that_a_receiver_says_is_kept() -> None:
    assert masked(RMC).startswith("$GPRMC,123519,A,0000.000,X,00000.000,X,000.0,000.0,230394,")
    assert masked(ZDA).startswith("$GPZDA,201530.00,04,07,2002,-00,00*")
    for line in (RMC, ZDA):
        assert heard(f"{masked(line)}\r\n".encode()) == heard(f"{line}\r\n".encode())


def test_what_the_driver_reads_is_untouched() -> None:
    assert masked(XDR) == XDR
    other = with_checksum("YXXDR,A,12.5,D,PITCH,C,45.3,C,JOINT1")
    assert masked(other).startswith("$YXXDR,A,00.0,D,PITCH,C,45.3,C,JOINT1*")


def test_names_and_texts_are_gone() -> None:
    text = with_checksum("AITXT,01,01,91,FREQ,2087,GREY PLOVER")
    assert "PLOVER" not in masked(text) and "2087" not in masked(text)
    # a ship's own report: all of its payload is one string of six-bit letters
    report = masked(with_checksum("AIVDM,1,1,,A,15Muq60001G?tRpM5M4P8?v4080u,0").replace("$", "!"))
    assert set(report.split(",")[5]) <= set("X0")
    assert isinstance(parse_sentence(report.encode()), Sentence)


@pytest.mark.parametrize(
    "line",
    [
        "4807.038,N,01131.000,E*47",  # joined in its middle
        GGA[:-2] + "00",  # a checksum that is wrong
        GGA.replace("$", ""),
        GGA[:-3],  # none
        "$GP" + GGA,
        "\x00\x07" + GGA[5:],
        "rst:0x1 4807.038",
        GGA.replace("GPGGA", "GP?GGA"),
        GGA.replace("GPGGA", "GPGGAGGAGGA"),
    ],
)
def test_a_broken_sentence_stays_broken_and_tells_no_place(line: str) -> None:
    out = masked(line)
    assert not any(digits in out for digits in ("4807", "01131", "545.4"))
    stream = f"{XDR}\r\n{line}\r\n{XDR}\r\n".encode("latin-1")
    assert heard(Masker().feed(stream)) == heard(stream)


_PIECES = st.sampled_from(
    [
        GGA,
        GLL,
        RMC,
        ZDA,
        XDR,
        "\r\n",
        "\n",
        "\r",
        "$",
        "!",
        "*",
        "\\",
        ",",
        "*4",
        "*ZZ",
        "$GPRMC,",
        "$IIXDR,C,",
    ]
)


@given(st.lists(st.one_of(_PIECES.map(str.encode), st.binary(max_size=12)), max_size=12), st.randoms())
def test_any_stream_gives_the_driver_the_same_in_any_pieces(
    parts: list[bytes], chance: random.Random
) -> None:
    stream = b"".join(parts)
    whole = Masker().feed(stream)
    assert len(whole) == len(stream)
    assert heard(whole) == heard(stream)
    masker, pieces, rest = Masker(), b"", stream
    while rest:
        size = chance.randint(1, 9)
        pieces += masker.feed(rest[:size])
        rest = rest[size:]
    assert pieces == whole


@given(
    st.text(alphabet="0123456789.,NSEWVADM", max_size=60),
    st.sampled_from(["GGA", "GLL", "VTG", "GSV", "BWC"]),
)
def test_no_digit_of_a_sentence_that_is_not_read_is_left(fields: str, formatter: str) -> None:
    out = masked(with_checksum(f"GP{formatter},{fields}"))
    assert set(out[7 : out.rindex("*")]) <= set("0X.,")
    assert isinstance(parse_sentence(out.encode()), Sentence)
