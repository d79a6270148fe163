"""A boat whose buses are recorded: a real folder and pseudo-terminal, chips of the simulator, and trouble."""

import errno
import threading
from pathlib import Path

from lugwatch import config
from lugwatch.clock import ManualClock
from lugwatch.model import Fault, Reading
from lugwatch.simulator.chips import ChipBus, ConverterDevice, ShuntDevice
from lugwatch.sources.bus_log import Poll, Writer
from lugwatch.sources.bus_playing import Played, Player
from lugwatch.sources.bus_recording import Recorder
from lugwatch.sources.outside import Outside
from lugwatch.sources.serial_nmea import open_port
from test_nmea import with_checksum
from test_onewire import BELOW_85, NINE_BIT, POWER_ON, PlayedFiles, Tree, line_of
from test_serial_nmea import Line

GGA = with_checksum("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")
OHMS = 50e-3 / 200


class RecordedBoat:
    """Three one-wire probes, a node on a pseudo-terminal, a shunt chip and a converter."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock, self.stop = ManualClock(), threading.Event()
        (folder / "w1").mkdir()
        self.tree = Tree(folder / "w1", 3)
        self.tree.master(state="0\n")
        self.files = PlayedFiles(self.clock)
        self.line = Line(folder / "node")
        seconds = self.clock.monotonic_seconds
        self.shunt = ShuntDevice(lambda: 95.0 * OHMS, seconds, wide=False)
        self.converter = ConverterDevice([lambda: 1.65, lambda: 1.2], seconds)
        self.chips = ChipBus({0x40: self.shunt, 0x48: self.converter}, self.clock.advance)
        self.config = folder / "lugwatch.toml"
        self.config.write_text(self._text(), encoding="utf-8")
        self.configuration = config.load(self.config)
        self.recorder = self.recorder_of(masked=True)
        self.polls: list[Poll] = []

    def recorder_of(self, masked: bool) -> Recorder:
        world = Outside(files=lambda: self.files, open_port=open_port, open_bus=lambda _: self.chips)
        return Recorder(self.configuration, self.clock, self.stop, masked=masked, world=world)

    def _text(self) -> str:
        probes = "".join(
            f'[[probe]]\nid = "p{n}"\nname = "Anna\'s {n}"\nsource = "onewire"\naddress = "{address}"\n'
            for n, address in enumerate(self.tree.addresses, 1)
        )
        return f"""
[boat]
name = "Grey Plover"
[onewire]
path = "w1"
[mqtt]
password_file = "secret"
username = "anna"
{probes}
[[probe]]
id = "lug"
source = "serial"
device = "{self.folder}/node"
transducer = "JOINT1"
[[probe]]
id = "stud"
source = "adc"
address = 0x48
input = 0
series_ohms = 10_000
ohms_at_25 = 10_000
beta_kelvin = 3435
[[current]]
id = "alternator"
source = "shunt_chip"
chip = "ina226"
address = 0x40
shunt_millivolts = 50
shunt_amps = 200
rated_amps = 200
zero_amps = 0.5
zero_date = 2026-05-03
[[current]]
id = "inverter"
source = "mqtt"
topic = "boat/inverter"
[[joint]]
id = "p1"
probe = "p1"
air = "p2"
current = "alternator"
note = "bought from Anna"
"""

    def read(self, *sources: str) -> list[Reading | Fault]:
        """One poll of each of these, five seconds later, kept for the file."""
        self.clock.advance(5.0)
        before = len(self.polls)
        for number, heading in enumerate(self.recorder.heading.sources):
            if any(heading.name.startswith(word) for word in sources):
                self.recorder.poll(number, self.polls.append)
        return [event for poll in self.polls[before:] for event in poll.came]

    def live(self) -> None:
        """Good readings, and what goes wrong on each bus."""
        self.read("onewire", "i2c", "serial")
        self.line.send(b"half,1*00\r\n" + with_checksum("IIXDR,C,45.3,C,JOINT1").encode() + b"\r\n")
        self.read("onewire", "i2c", "serial")
        self.tree.put(self.tree.addresses[0], POWER_ON)
        self.tree.put(self.tree.addresses[1], NINE_BIT)
        self.files.errors[f"{self.tree.addresses[2]}/w1_slave"] = errno.EIO
        self.shunt.power_on()
        self.line.send(GGA.encode() + b"\r\n$IIXDR,C,4")
        self.read("onewire", "i2c", "serial")
        self.tree.put(self.tree.addresses[0], BELOW_85)
        self.files.errors.clear()
        self.chips.error = lambda address: errno.EREMOTEIO if address == 0x48 else None
        self.line.send(b"6.0,C,JOINT1*00\r\n\xff\xfe\r\n")
        self.read("onewire", "i2c", "serial")
        self.chips.error = lambda address: errno.ETIMEDOUT
        for address in self.tree.addresses:
            self.tree.put(address, POWER_ON)
        self.line.unplug()
        for _ in range(4):
            self.read("onewire", "i2c", "serial")
        self.chips.error = lambda address: None
        for address in self.tree.addresses:
            self.tree.put(address, line_of(31.0))
        self.clock.advance(90.0)
        self.read("onewire", "i2c", "serial")
        self.read("onewire", "i2c", "serial")

    def write(self, path: Path, most_bytes: int = 10_000_000) -> Path:
        writer = Writer(path, self.recorder.heading, most_bytes)
        for poll in self.polls:
            assert writer.put(poll)
        writer.close("asked")
        return path

    def close(self) -> None:
        self.recorder.close()
        self.line.unplug()


def played(path: Path) -> list[Played]:
    """All polls of a file."""
    return list(Player(path).play())
