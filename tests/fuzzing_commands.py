"""What instruments send back about alerts, as strategy and check: see `fuzzing`."""

import functools
import re

from hypothesis import strategies as st

from alerts_told import alert
from fuzzing import Target, spoilt
from lugwatch.clock import ManualClock
from lugwatch.model import CrewDeed
from lugwatch.publishers import nmea_commands
from lugwatch.publishers.nmea_ears import Ears
from test_nmea import with_checksum

COMMANDS = tuple(
    with_checksum(body).encode() + b"\r\n"
    for body in (
        "IIACN,202650.00,,10003,7,A,C", "IIACN,,,10003,7,S,C", "IIACN,,,,,Q,C", "IIACN,,ABC,10003,7,O,C",
        "IIACK,007",
    )
)  # fmt: skip
_STANDING = (alert(7), alert(1007))  # of the older sentence both are no. 7 and 8 of 999


def _commands(data: bytes) -> None:
    ears = Ears(ManualClock())
    # the same bytes on a line and as a datagram
    for sentence in (*ears.from_line("port", data), *ears.from_datagram(data)):
        found = nmea_commands.read(sentence, _STANDING)
        if isinstance(found, nmea_commands.Ignored):
            assert 8 < len(found.why) < 2200
        if not isinstance(found, nmea_commands.Command):
            continue
        body = ",".join((f"{sentence.talker}{sentence.formatter}", *sentence.fields)).encode()
        checksum = functools.reduce(lambda a, b: a ^ b, body)
        # some line of it is this sentence, letter for letter but for the case of the formatter, and sums up
        stated = re.findall(re.escape(body.upper()) + rb"\*([0-9A-F]{2})", data.upper())
        assert {int(digits, 16) for digits in stated} & {checksum, checksum ^ 0x20}
        assert found.deed in (CrewDeed.ACKNOWLEDGE, CrewDeed.SILENCE)
        assert found.alert_id in (7, 1007)
        if sentence.formatter == "ACN":
            assert sentence.fields[1] == "" and sentence.fields[2:4] == ("10003", str(found.alert_id))
            assert sentence.fields[5] == "C"


TARGET = Target(
    st.one_of(
        spoilt(COMMANDS, 8), st.lists(spoilt(COMMANDS), max_size=5).map(b"".join), st.binary(max_size=120)
    ),
    _commands,
)
