"""Time from a satellite receiver on a serial line: RMC and ZDA, against another reader of NMEA 0183."""

import random
from datetime import UTC, datetime, time

import pynmea2
import pytest

from lugwatch.sources.base import Refused
from lugwatch.sources.nmea import Sentence, parse_sentence, satellite_time


def parsed(line: str) -> Sentence:
    sentence = parse_sentence(line.encode())
    assert not isinstance(sentence, Refused), line
    return sentence


def ms(*moment: int) -> int:
    return round(datetime(*moment, tzinfo=UTC).timestamp() * 1000)  # type: ignore[misc, arg-type]


def with_checksum(body: str) -> str:
    counted = 0
    for character in body:
        counted ^= ord(character)
    return f"${body}*{counted:02X}"


def test_examples_as_printed() -> None:
    """E. Raymond, "NMEA Revealed", sections ZDA and RMC (from memory); checksums counted here."""
    zda = with_checksum("GPZDA,160012.71,11,03,2004,-1,00")
    assert satellite_time(parsed(zda)) == ms(2004, 3, 11, 16, 0, 12, 710_000)
    rmc = with_checksum("GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E")
    # years of two digits are of this century: no receiver of today says 1994
    assert satellite_time(parsed(rmc)) == ms(2094, 11, 19, 22, 54, 46)


@pytest.mark.parametrize(
    "body",
    [
        "GPRMC,225446,V,4916.45,N,12311.12,W,000.5,054.7,191126,020.3,E",  # no fix
        "GPRMC,,A,,,,,,,,,",
        "GPRMC,225446,A,4916.45",
        "GPRMC,256000,A,4916.45,N,12311.12,W,000.5,054.7,191126,020.3,E",
        "GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,320126,020.3,E",
        "GPZDA,,,,,,",
        "GPZDA,160012,30,02,2026,00,00",
        "GPZDA,1600,11,03,2026,00,00",
        "GPGGA,160012,,,,,0,,,,,,,,",
        "IIXDR,C,21.5,C,160012",
    ],
)
def test_what_is_no_time_is_none(body: str) -> None:
    assert satellite_time(parsed(with_checksum(body))) is None


def test_any_moment_is_read_as_another_reader_reads_it() -> None:
    chance = random.Random(4)
    for _ in range(200):
        moment = datetime.fromtimestamp(chance.randrange(1_600_000_000, 2_500_000_000), UTC)
        rmc = with_checksum(
            f"GPRMC,{moment:%H%M%S}.50,A,4916.45,N,12311.12,W,0.5,54.7,{moment:%d%m%y},20.3,E"
        )
        zda = with_checksum(f"GPZDA,{moment:%H%M%S}.50,{moment:%d,%m,%Y},00,00")
        true = round(moment.timestamp() * 1000) + 500
        theirs = pynmea2.parse(rmc)
        said = datetime.combine(theirs.datestamp, time.fromisoformat(str(theirs.timestamp)[:8]), UTC)
        assert satellite_time(parsed(rmc)) == satellite_time(parsed(zda)) == true
        assert round(said.timestamp() * 1000) + 500 == true
