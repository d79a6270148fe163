"""Starts by itself on a board of the RP2040 or ESP32 class. Lines go out on the board's USB serial port.

Not for the test bench: the parts that can be wrong are in the other files, which run anywhere.
"""

import binascii
import gc
import sys
import time

import machine
import onewire
import settings
from node import Node
from probes import CONVERSION_MS, Probes, rom
from shunt import Shunt

SECOND_MS = 1000
WATCHDOG_MS = 8000  # the longest that an RP2040 can count
RESTARTS_FILE = "restarts.txt"


def count_restart():
    """One more than last time; written once for each start, so the flash does not wear."""
    try:
        with open(RESTARTS_FILE) as file:
            before = int(file.read())
    except (OSError, ValueError):
        before = 0
    try:
        with open(RESTARTS_FILE, "w") as file:
            file.write(str(before + 1))
    except OSError:
        pass  # a flash that is full must not keep the node from measuring
    return before + 1


def run():
    """Measure and tell until the power goes; a step that hangs ends in a restart by the watchdog."""
    out = sys.stdout.buffer

    def write(buffer, length):
        out.write(buffer, length)

    shunt_name, shunt = b"", None
    if settings.SHUNT is not None:
        name, chip, address, micro_ohms = settings.SHUNT
        i2c = machine.I2C(
            settings.I2C_NUMBER,
            sda=machine.Pin(settings.SDA_PIN),
            scl=machine.Pin(settings.SCL_PIN),
            freq=100000,
        )
        shunt_name, shunt = name.encode(), Shunt(i2c, chip, address, micro_ohms)
    bus = onewire.OneWire(machine.Pin(settings.ONE_WIRE_PIN))
    node = Node(
        Probes(bus, tuple(rom(address) for _, address in settings.PROBES)),
        tuple(name.encode() for name, _ in settings.PROBES),
        shunt,
        shunt_name,
        write,
        binascii.hexlify(machine.unique_id()),
        count_restart(),
    )
    watchdog = machine.WDT(timeout=WATCHDOG_MS)
    gc.collect()
    began = time.ticks_ms()
    while True:
        watchdog.feed()
        node.begin()
        time.sleep_ms(CONVERSION_MS + 20)
        node.finish()
        began = time.ticks_add(began, SECOND_MS)
        left = time.ticks_diff(began, time.ticks_ms())
        if left > 0:
            time.sleep_ms(left)
        else:
            began = time.ticks_ms()  # many probes on the bus: as fast as it goes


run()
