"""A real mosquitto for a test: on a free loopback port, without persistence, gone afterwards.

Freezing it stops its process without closing anything: what a dead network looks like.
"""

import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType


def free_port() -> int:
    """A loopback port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """`with Mosquitto() as broker:` starts it; `broker.port` stays the same over stop and start."""

    def __init__(
        self,
        *lines: str,
        port: int | None = None,
        address: str = "127.0.0.1",
        prefix: tuple[str, ...] = (),
    ) -> None:
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        if program is None:
            raise RuntimeError("these tests need a real broker: install the Debian package mosquitto")
        self.port = port or free_port()
        self.address = address
        self._program = (*prefix, program)
        self._folder = tempfile.TemporaryDirectory(prefix="broker-")
        self._configuration = Path(self._folder.name) / "broker.conf"
        text = [f"listener {self.port} {address}", "persistence false", *(lines or ("allow_anonymous true",))]
        self._configuration.write_text("\n".join(text) + "\n", encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "Mosquitto":
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()
        self._folder.cleanup()

    @property
    def process(self) -> "subprocess.Popen[bytes]":
        """The one that runs."""
        assert self._process is not None
        return self._process

    def start(self) -> None:
        """Returns when it listens."""
        self._process = subprocess.Popen(
            [*self._program, "-c", str(self._configuration)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + 20.0
        while time.monotonic() < deadline:
            if self._process.poll() is not None:
                raise RuntimeError(f"mosquitto ended with status {self._process.returncode}")
            try:
                socket.create_connection((self.address, self.port), timeout=1.0).close()
                return
            except OSError:
                os.sched_yield()
        raise RuntimeError("mosquitto does not listen after 20 s")

    def stop(self) -> None:
        """A clean end: its clients are told."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """The end of a power cut: nobody is told, nothing is kept."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """It holds its connections and answers nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def reload(self) -> None:
        """It reads its users and rights again."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        self._process.send_signal(how)
        self._process.send_signal(signal.SIGCONT)
        self._process.wait(20.0)
        self._process = None
