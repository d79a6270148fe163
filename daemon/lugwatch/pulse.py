"""Who has reported when, and what the service manager is told of it.

A worker that hangs looks well from outside: each of them reports with every turn, and the service
manager's watchdog is fed only while all have reported within their time (case C42). The protocol is
that of sd_notify(3): lines of text in one datagram to the socket that NOTIFY_SOCKET names.
Not here: what a hanging worker means to the crew (`attendance`). May import: clock.
"""

import os
import socket
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from lugwatch.clock import Clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Late:
    """A worker that has not reported within its time."""

    worker: str
    silent_seconds: float


class Pulse:
    """The latest report of each worker. Safe for threads: each report is one assignment."""

    def __init__(self, clock: Clock) -> None:
        # real seconds, whatever the boat's clock does: the watchdog counts them too
        self._clock = clock
        self._within_seconds: dict[str, float] = {}
        self._last_seconds: dict[str, float] = {}

    def expect(self, worker: str, within_seconds: float) -> Callable[[], None]:
        """From now on `worker` reports within such a time; call what is returned to report."""
        self._within_seconds[worker] = within_seconds

        def report() -> None:
            self._last_seconds[worker] = self._clock.monotonic_seconds()

        report()
        return report

    def late(self) -> list[Late]:
        """Who is overdue, longest silence first."""
        now_seconds = self._clock.monotonic_seconds()
        silent = {name: now_seconds - self._last_seconds[name] for name in list(self._within_seconds)}
        late = [
            Late(worker=name, silent_seconds=seconds)
            for name, seconds in silent.items()
            if seconds > self._within_seconds[name]
        ]
        return sorted(late, key=lambda one: -one.silent_seconds)


class ServiceManager:
    """Tells the service manager; does nothing where there is none. Never raises for its sake."""

    def __init__(self, address: str | None, watchdog_seconds: float | None) -> None:
        self._address = None if not address else ("\0" + address[1:] if address[0] == "@" else address)
        self.watchdog_seconds = watchdog_seconds
        self._status = ""

    def ready(self) -> None:
        self._tell("READY=1")

    def stopping(self) -> None:
        self._tell("STOPPING=1")

    def feed(self) -> None:
        """All is well: the watchdog begins to count anew."""
        if self.watchdog_seconds is not None:
            self._tell("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line for whoever asks how the service is; told when it changes."""
        line = " ".join(text.split())[:900]
        if line != self._status:
            self._status = line
            self._tell(f"STATUS={line}")

    def _tell(self, line: str) -> None:
        if self._address is None:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.setblocking(False)
                sender.sendto(line.encode(), self._address)
        except OSError:
            pass  # a manager that does not listen will notice a missing WATCHDOG=1 by itself


def service_manager(environment: Mapping[str, str] | None = None) -> ServiceManager:
    """As the environment says it: NOTIFY_SOCKET, WATCHDOG_USEC, and WATCHDOG_PID if it is for another."""
    values = os.environ if environment is None else environment
    address = values.get("NOTIFY_SOCKET")
    period = values.get("WATCHDOG_USEC", "")
    for_us = values.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
    seconds = int(period) / 1e6 if period.isdecimal() and int(period) > 0 and for_us else None
    return ServiceManager(address, seconds)
