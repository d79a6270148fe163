"""What the node says and when: one line for each measurement, and who it is.

A probe or shunt that gave nothing keeps its line, with an empty value. Runs under MicroPython and
under CPython.
"""

from sentence import NOTHING, Line

FIRMWARE = b"1"
IDENTITY_EVERY = 60  # rounds, each a second


class Node:
    """probes, shunt: as in their files; the shunt may be None. write: takes (buffer, length).

    names: of the probes, in their order, as bytes. identity: bytes that stay with this board. restarts: how
    often it has started.
    """

    def __init__(self, probes, names, shunt, shunt_name, write, identity, restarts):
        self._probes = probes
        self._names = names
        self._shunt = shunt
        self._shunt_name = shunt_name
        self._write = write
        self._identity = identity
        self._restarts = restarts
        self._round = 0
        self._line = Line()

    def begin(self):
        """The start of a second: the probes begin to measure, the current is told."""
        if self._round % IDENTITY_EVERY == 0:
            self._tell_identity()
        self._round += 1
        self._probes.begin()
        if self._shunt is not None:
            self._tell(b"I", self._shunt.read(), 3, b"A", self._shunt_name)

    def finish(self):
        """After the probes' conversion: each one's temperature."""
        for i in range(len(self._names)):
            raw = self._probes.read(i)
            # a sixteenth of a degree is 625 ten-thousandths, so nothing is rounded
            self._tell(b"C", raw if raw == NOTHING else raw * 625, 4, b"C", self._names[i])

    def _tell(self, kind, value, decimals, unit, name):
        line = self._line
        line.begin(b"IIXDR")
        line.field(kind)
        line.number(value, decimals)
        line.field(unit)
        line.field(name)
        self._write(line.buffer, line.end())

    def _tell_identity(self):
        line = self._line
        line.begin(b"IITXT,01,01,01,node ")
        line.put(self._identity)
        line.put(b" firmware ")
        line.put(FIRMWARE)
        self._write(line.buffer, line.end())
        line.begin(b"IIXDR")
        line.field(b"G")
        line.number(self._restarts, 0)
        line.field(b"")
        line.field(b"RESTARTS")
        line.field(b"G")
        line.number(self._round, 0)
        line.field(b"")
        line.field(b"ROUNDS")
        self._write(line.buffer, line.end())
