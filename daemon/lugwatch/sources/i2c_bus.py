"""An I2C bus as one call: write some bytes to a chip, read some back; and what an error of it means.

Not here: what the bytes mean (`shunt_registers`, `adc_registers`), retries (`i2c`). The only file here that
names smbus2. May import: base, model.
"""

import contextlib
import errno
from pathlib import Path
from typing import Protocol

from lugwatch.model import FaultKind
from lugwatch.sources.base import Refused

# Errors that a plug, noise or another master may cause once: worth another try within the same cycle.
PASSING = (errno.EIO, errno.EAGAIN, errno.EREMOTEIO, errno.ENXIO, errno.EBUSY)
_NO_RIGHT = (errno.EACCES, errno.EPERM)
_GONE = (errno.ENOENT, errno.ENODEV)


class Bus(Protocol):
    """One bus; a seam, since a real one cannot be told to fail."""

    def transfer(self, address: int, data: bytes, read_bytes: int) -> bytes:
        """Write `data` to a chip, then read from it without letting go of the bus. Raises OSError."""

    def close(self) -> None:
        """Give it back. Harmless when called twice."""


class SystemBus:
    """The kernel's device. Opened when it is first needed, so that starting never depends on it."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._bus: object | None = None

    def transfer(self, address: int, data: bytes, read_bytes: int) -> bytes:
        # a machine without I2C need not carry the library's import
        from smbus2 import SMBus, i2c_msg

        if self._bus is None:
            self._bus = SMBus(self._path)
        bus = self._bus
        assert isinstance(bus, SMBus)
        write = i2c_msg.write(address, list(data))
        if read_bytes == 0:
            bus.i2c_rdwr(write)
            return b""
        read = i2c_msg.read(address, read_bytes)
        bus.i2c_rdwr(write, read)
        return bytes(read)

    def close(self) -> None:
        bus, self._bus = self._bus, None
        if bus is not None:
            with contextlib.suppress(OSError):
                bus.close()  # type: ignore[attr-defined]


def explain(error: OSError, path: str, address: int) -> Refused:
    """What an error of the bus means, with what to try.

    Numbers as in the kernel's I2C fault codes (Linux Documentation/i2c/fault-codes.rst).
    """
    if error.errno in _GONE:
        others = sorted(str(node) for node in Path(path).parent.glob("i2c-*"))
        there = f"there is {', '.join(others)}" if others else "is I2C switched on?"
        return Refused(kind=FaultKind.VANISHED, detail=f"no bus at {path}; {there}")
    if error.errno in _NO_RIGHT:
        detail = f"{path} may not be used by this user; it belongs in the group i2c"
        return Refused(kind=FaultKind.UNREADABLE, detail=detail)
    if error.errno in (errno.ENXIO, errno.EREMOTEIO):
        detail = f"no chip answers at {address:#04x} (errno {error.errno}); check plug, supply and address"
        return Refused(kind=FaultKind.NO_ANSWER, detail=detail)
    if error.errno == errno.ETIMEDOUT:
        detail = f"{path} timed out (errno {error.errno}); something holds its lines"
        return Refused(kind=FaultKind.TIMED_OUT, detail=detail)
    reason = error.strerror or str(error)
    return Refused(kind=FaultKind.UNREADABLE, detail=f"{address:#04x}: {reason} (errno {error.errno})")
