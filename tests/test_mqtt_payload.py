"""The bytes of one MQTT message as a number and its time, or why not."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused
from lugwatch.sources.mqtt_payload import Word, read_payload

PATH = ("battery", "amps")


@pytest.mark.parametrize(
    ("payload", "path", "outcome"),
    [
        (b"23.5", None, 23.5),
        (b" 23.5\n", None, 23.5),
        (b"-1.2e1", None, -12.0),
        (b'{"battery":{"amps":4}}', PATH, 4.0),
        (b'{"battery":{"amps":"4.5"}}', PATH, 4.5),
        (b'{"battery":[{"amps":1},{"amps":2}]}', ("battery", "1", "amps"), 2.0),
        (b"", None, FaultKind.EMPTY),
        (b"  ", None, FaultKind.EMPTY),
        (b'{"battery":{"amps":null}}', PATH, FaultKind.EMPTY),
        (b"nan", None, FaultKind.NOT_FINITE),
        (b"-Infinity", None, FaultKind.NOT_FINITE),
        (b"1e999", None, FaultKind.NOT_FINITE),
        (b'{"battery":{"amps":NaN}}', PATH, FaultKind.NOT_FINITE),
        (b'{"battery":{"amps":1e999}}', PATH, FaultKind.NOT_FINITE),
        (b'{"battery":{"amps":' + b"9" * 400 + b"}}", PATH, FaultKind.NOT_FINITE),
        (b'{"battery":{"amps":"inf"}}', PATH, FaultKind.NOT_FINITE),
        (b"2_3.5", None, FaultKind.MALFORMED),
        ("２３".encode(), None, FaultKind.MALFORMED),
        (b"23,5", None, FaultKind.MALFORMED),
        (b"ON", None, FaultKind.MALFORMED),
        (b'{"amps":4}', None, FaultKind.MALFORMED),
        (b'{"battery":{"amps":true}}', PATH, FaultKind.MALFORMED),
        (b'{"battery":{"volts":4}}', PATH, FaultKind.MALFORMED),
        (b'{"battery":4}', PATH, FaultKind.MALFORMED),
        (b'{"battery":{"am', PATH, FaultKind.MALFORMED),
        (b"[" * 50_000, PATH, FaultKind.MALFORMED),
        (b"\xff\xfe", None, FaultKind.MALFORMED),
        (b"1" * 70_000, None, FaultKind.MALFORMED),
    ],
)
def test_payloads(payload, path, outcome):
    word = read_payload(payload, path)
    if isinstance(outcome, float):
        assert word == Word(value=outcome, time=None)
    else:
        assert isinstance(word, Refused) and word.kind is outcome


@pytest.mark.parametrize(
    ("time_text", "milliseconds"),
    [
        ('"2026-05-01T10:00:00Z"', 1_777_629_600_000),
        ("1777629600", 1_777_629_600_000),
        ("1777629600.5", 1_777_629_600_500),
        ("true", None),
        ('"yesterday"', None),
        ("1e400", None),
        ('"2026-05-01T10:00:00"', None),  # no zone
    ],
)
def test_a_messages_own_time(time_text, milliseconds):
    word = read_payload(f'{{"v": 1, "time": {time_text}}}'.encode(), ("v",))
    assert word == Word(value=1.0, time=milliseconds)


@given(st.binary(max_size=60), st.sampled_from([None, ("a",), ("a", "0", "")]))
def test_no_payload_raises(payload, path):
    read_payload(payload, path)


@pytest.mark.parametrize(
    ("payload", "path", "clipped"),
    [
        ('{"v": 150, "clipped": true}', ("v",), True),
        ('{"battery": {"amps": -80.5, "clipped": true}}', PATH, True),
        ('{"battery": {"amps": -80.5}, "clipped": true}', PATH, False),  # said of something else
        ('{"v": 150, "clipped": false}', ("v",), False),
        ('{"v": 150, "clipped": 1}', ("v",), False),
        ('{"v": 150, "clipped": "true"}', ("v",), False),
    ],
)
def test_a_number_that_is_said_to_be_clipped_is_none(payload, path, clipped):
    word = read_payload(payload.encode(), path)
    if clipped:
        assert isinstance(word, Refused) and word.kind is FaultKind.CLIPPED
        assert "said to be clipped" in word.detail
    else:
        assert isinstance(word, Word)
