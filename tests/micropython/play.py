"""The node's own files on a played bus; prints what it says. Runs under MicroPython and under CPython.

The bus is played at its bytes: scratchpads of probes, registers of a shunt amplifier.
"""

import gc
import sys

from node import Node
from probes import Probes, crc8, rom
from sentence import NOTHING, Line
from shunt import Shunt

ROMS = ("28-0000054321ab", "28-000005432177", "28-0000054321ff")
# 1/16 °C for each probe in each round; a word for what is wrong with it
PLAN = (
    (
        (401, 360, -162),
        8000,
    ),  # 25.0625, 22.5, -10.125 °C (DS18B20 datasheet, table 1); 20 mV (SBOS547 example)
    ((1360, "power-on", 0), -32000),  # a true 85 °C beside one that had not measured; -80 mV
    (("crc", "short", "gone"), 1),
    ((-880, 2000, 8), 0x7FFF),  # -55, +125, +0.5 °C; the end of the range
    ((402, 361, -161), "gone"),
    ((403, 362, -160), "dip"),
    ((404, 363, -159), 12345),
    ((405, 364, -158), -1),
)


def fill(pad, what):
    raw, six = (0x0550, 0x0C) if what == "power-on" else (what, None)
    if what == "short":
        for i in range(9):
            pad[i] = 0
        return
    if what == "crc":
        raw = 400
    pad[0], pad[1] = raw & 0xFF, raw >> 8 & 0xFF
    pad[2], pad[3], pad[4], pad[5], pad[7] = 0x4B, 0x46, 0x7F, 0xFF, 0x10
    pad[6] = 0x10 - (raw & 15) if six is None else six
    pad[8] = crc8(pad, 8) ^ (1 if what == "crc" else 0)


class Bus:
    """One-wire: all answer a reset unless all are gone."""

    def __init__(self):
        self.now = PLAN[0][0]
        self.pads = tuple(bytearray(9) for _ in ROMS)
        self.roms = tuple(rom(text) for text in ROMS)
        self.selected = 0
        self.commands = []

    def measure(self, now):
        self.now = now
        for i in range(3):
            if now[i] != "gone":
                fill(self.pads[i], now[i])

    def reset(self):
        return True

    def writebyte(self, byte):
        if self.commands is not None:
            self.commands.append(byte)

    def select_rom(self, wanted):
        self.selected = self.roms.index(wanted)

    def readinto(self, buffer):
        if self.now[self.selected] != "gone":
            for i in range(9):
                buffer[i] = self.pads[self.selected][i]


class I2c:
    """An INA226 by its registers; one whose answers take no new memory."""

    def __init__(self):
        self.registers = {0xFE: 0x5449, 0xFF: 0x2260, 0x00: 0x4127, 0x06: 8, 0x01: 0}
        self.gone = False

    def readfrom_mem_into(self, address, register, buffer):
        if self.gone:
            raise OSError(5)
        word = self.registers[register]
        buffer[0], buffer[1] = word >> 8 & 0xFF, word & 0xFF

    def writeto_mem(self, address, register, buffer):
        self.registers[register] = buffer[0] << 8 | buffer[1]


def say(buffer, length):
    print("line " + bytes(buffer[: length - 2]).decode())


def nowhere(buffer, length):
    pass


def make(bus, i2c, write):
    shunt = Shunt(i2c, "ina226", 0x40, 250)
    names = (b"BAR_ALT", b"BATTERY_POS", b"AIR_LOCKER")
    return Node(Probes(bus, bus.roms), names, shunt, b"ALTERNATOR", write, b"e66058388345", 12)


def play():
    bus, i2c = Bus(), I2c()
    node = make(bus, i2c, say)
    for probes, code in PLAN:
        i2c.gone = code == "gone"
        if code == "dip":
            i2c.registers[0x00] = 0x4127
        elif code != "gone":
            i2c.registers[0x01] = code & 0xFFFF
        node.begin()
        bus.measure(probes)
        node.finish()
    print("commands", bus.commands[:4], len(bus.commands))


def numbers():
    line = Line()
    for value in (0, 1, -1, 9, 10, 99, 100, 101, 12345, -12345, 1250000, -550000, 100000000, NOTHING):
        for decimals in (0, 2, 3, 4):
            line.begin(b"X")
            line.number(value, decimals)
            print("number", value, decimals, bytes(line.buffer[2 : line.length]).decode())
    line.begin(b"IIXDR")
    for _ in range(20):
        line.field(b"TOO LONG")
    say(line.buffer, line.end())


def memory():
    """After a few rounds none asks for new memory: two minutes of them, identity lines included."""
    bus, i2c = Bus(), I2c()
    bus.commands = None
    bus.measure(PLAN[0][0])
    i2c.registers[0x01] = 8000
    node = make(bus, i2c, nowhere)
    node.begin()
    node.finish()
    gc.collect()
    before = gc.mem_alloc()
    for _ in range(130):
        node.begin()
        node.finish()
    print("allocated", gc.mem_alloc() - before)


play()
numbers()
if sys.implementation.name == "micropython":
    memory()
