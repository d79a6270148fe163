"""The keys of every source: what is taken, what is a mistake and how it is said."""

import threading

import pytest

from lugwatch import config
from lugwatch.clock import ManualClock
from lugwatch.model import FaultKind, Reading
from lugwatch.sources import registry
from test_onewire import Tree

BASE = """
[boat]
name = "Curlew"
[[joint]]
id = "j"
probe = "lug"
air = "none"
"""
PROBE = '[[probe]]\nid = "lug"\n'
CURRENT = '[[current]]\nid = "alternator"\n'
ONEWIRE = 'source = "onewire"\naddress = "28-0000054321ab"\n'
SERIAL = 'source = "serial"\ndevice = "/dev/node"\ntransducer = "A"\n'
MQTT = 'source = "mqtt"\ntopic = "boat/amps"\n'
BROKER = '[mqtt]\nhost = "localhost"\n'


def load(tmp_path, text: str) -> config.Configuration:
    path = tmp_path / "boat.toml"
    path.write_text(BASE + text)
    return config.load(path)


def mistakes(tmp_path, text: str) -> list[str]:
    return registry.check(load(tmp_path, text))


@pytest.mark.parametrize(
    "text",
    [
        PROBE + ONEWIRE,
        PROBE + 'source = "onewire"\naddress = "28.AB2143050000"\n',
        PROBE + SERIAL + 'talker = "II"\nbaud = 4800\nscale = 2\noffset_kelvin = -0.4\n',
        PROBE + ONEWIRE + CURRENT + SERIAL + "zero_amps = 0.3\nscale = -1\namps_per_volt = 4000\n",
        PROBE + ONEWIRE + CURRENT + MQTT + 'json_path = "battery.amps"\nstale_seconds = 10\n' + BROKER,
        # a temperature and a current may share a name on one line
        PROBE + SERIAL + CURRENT + SERIAL,
    ],
)
def test_right_ones(tmp_path, text):
    assert mistakes(tmp_path, text) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (PROBE, ['[[probe]] "lug" source is missing', "onewire, serial, mqtt, adc, shunt_chip"]),
        (PROBE + 'source = "onewier"\n', ['source = "onewier"', 'did you mean "onewire"?']),
        (PROBE + ONEWIRE + CURRENT + ONEWIRE, ['[[current]] "alternator"', "temperatures only"]),
        (PROBE + 'source = "onewire"\n', ['[[probe]] "lug" address is missing']),
        (PROBE + 'source = "onewire"\naddress = 54321\n', ["address = 54321", "in quotes"]),  # C32
        (PROBE + 'source = "onewire"\naddress = false\n', ["address = false", "in quotes"]),
        (PROBE + 'source = "onewire"\naddress = 12:34:56\n', ["address = 12:34:56", "in quotes"]),
        (PROBE + 'source = "onewire"\naddress = "00-200000000000"\n', ["'00-200000000000'", "looks like"]),
        (PROBE + ONEWIRE + 'adress = "x"\n', ["adress = 'x'", 'did you mean "address"?']),
        (PROBE + SERIAL + "baud = 1\n", ["baud = 1", "300"]),
        (PROBE + SERIAL + "scale = 0\n", ["scale = 0", "same"]),
        (PROBE + SERIAL + "scale = nan\n", ["scale = nan", "finite"]),
        (PROBE + SERIAL + "zero_amps = 1\n", ["zero_amps = 1", "did you mean offset_kelvin?"]),
        (PROBE + ONEWIRE + CURRENT + SERIAL + "offset_kelvin = 1\n", ["offset_kelvin", "zero_amps?"]),
        (PROBE + ONEWIRE + CURRENT + MQTT, ['source = "mqtt"', "add [mqtt]"]),
        (PROBE + ONEWIRE + CURRENT + 'source = "mqtt"\ntopic = "boat/#"\n' + BROKER, ["'boat/#'", "one"]),
        (PROBE + ONEWIRE + CURRENT + MQTT + "stale_seconds = 0\n" + BROKER, ["stale_seconds = 0"]),
    ],
)
def test_one_mistake_one_line(tmp_path, text, said):
    (line,) = mistakes(tmp_path, text)
    assert "\n" not in line
    for part in said:
        assert part in line


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (ONEWIRE, 'source = "onewire"\naddress = "28.AB2143050000"\n'),  # the same, written otherwise
        (SERIAL, SERIAL),
        (MQTT, MQTT),
    ],
)
def test_two_channels_of_one_thing(tmp_path, first, second):
    (line,) = mistakes(tmp_path, PROBE + first + '[[probe]]\nid = "other"\n' + second + BROKER)
    assert line.startswith('[[probe]] "other"') and '[[probe]] "lug" has the same' in line


def test_two_speeds_of_one_line(tmp_path):
    (line,) = mistakes(tmp_path, PROBE + SERIAL + CURRENT + SERIAL + "baud = 4800\n")
    assert "baud = 4800" in line and "115200" in line


def test_all_mistakes_at_once(tmp_path):
    text = PROBE + 'source = "onewire"\n' + CURRENT + 'source = "mqtt"\nscale = 0\n'
    assert len(mistakes(tmp_path, text)) == 4


def test_one_source_for_each_bus_line_and_broker(tmp_path):
    text = (
        PROBE
        + ONEWIRE
        + CURRENT
        + SERIAL
        + '[[probe]]\nid = "a"\nsource = "serial"\ndevice = "/dev/other"\ntransducer = "A"\n'
        + '[[probe]]\nid = "b"\nsource = "serial"\ndevice = "/dev/other"\ntransducer = "B"\n'
        + '[[current]]\nid = "house"\n'
        + MQTT
        + BROKER
    )
    configuration = load(tmp_path, text)
    assert registry.check(configuration) == []
    sources = registry.open_all(configuration, ManualClock(), threading.Event())
    names = ["onewire", "serial /dev/node", "serial /dev/other", "mqtt"]
    assert sorted(source.name for source in sources) == sorted(names)
    assert {source.name for source in sources} == {c.source for c in configuration.boat.channels}
    for source in sources:
        source.close()


def test_from_the_configuration_to_a_reading(tmp_path):
    tree = Tree(tmp_path, 1)
    address = tree.addresses[0].upper()
    text = PROBE + f'source = "onewire"\naddress = "{address}"\n[onewire]\npath = "{tmp_path}"\n'
    (source,) = registry.open_all(load(tmp_path, text), ManualClock(), threading.Event())
    (reading,) = source.poll()
    assert isinstance(reading, Reading) and (reading.channel, reading.value) == ("lug", 20.0)
    (tmp_path / tree.addresses[0] / "w1_slave").write_text("")
    (fault,) = source.poll()
    assert fault.kind is FaultKind.EMPTY and fault.source == "onewire"
