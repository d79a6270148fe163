"""A private MQTT broker in a child process, for the demo: mosquitto where it is found, else amqtt.

Anonymous, and only on this machine's own loopback. Not here: clients. Run as a module it is that
child. May import: errors.
"""

import asyncio
import ctypes
import importlib.util
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from lugwatch.errors import OperationFailed

HOST = "127.0.0.1"
READY_SECONDS = 30.0
STOP_SECONDS = 5.0
# where Debian puts services, which is not on everybody's path
SERVICE_FOLDERS = "/usr/sbin:/usr/local/sbin"
PARENT_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG, <linux/prctl.h>


class BrokerKind(StrEnum):
    """Which program answers."""

    MOSQUITTO = "mosquitto"
    AMQTT = "amqtt"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningBroker:
    """A broker that answers at host and port until `stop`."""

    host: str
    port: int
    kind: BrokerKind
    process: subprocess.Popen[bytes]

    def stop(self) -> None:
        """End the child and wait for it. Harmless when called twice."""
        self.process.terminate()
        try:
            self.process.wait(STOP_SECONDS)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def mosquitto_program() -> str | None:
    """Where mosquitto is, or None."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path=SERVICE_FOLDERS)


def start_broker(directory: Path, port: int = 0, *, kind: BrokerKind | None = None) -> RunningBroker:
    """Start a broker and return when it answers; port 0: any free one.

    Its configuration and log lie in `directory`. The child ends when the calling thread or process
    does, so call this from a thread that lives as long as the broker shall. Raises OperationFailed.
    """
    program = mosquitto_program()
    chosen = kind or (BrokerKind.MOSQUITTO if program else BrokerKind.AMQTT)
    if chosen is BrokerKind.MOSQUITTO and program is None:
        raise OperationFailed("there is no mosquitto on this machine; install the package mosquitto")
    if chosen is BrokerKind.AMQTT and importlib.util.find_spec("amqtt") is None:
        raise OperationFailed(
            "there is no MQTT broker on this machine: install mosquitto, or lugwatch with its demo extra "
            "(pip install 'lugwatch[demo]')"
        )
    directory.mkdir(parents=True, exist_ok=True)
    port = _free_port(port)
    arguments = [chosen.value, str(os.getpid()), str(port)]
    if chosen is BrokerKind.MOSQUITTO:
        arguments += [str(program), str(_write_configuration(directory, port))]
    log = directory / "broker.log"
    with log.open("wb") as output:
        process = subprocess.Popen(
            [sys.executable, "-m", "lugwatch.simulator.broker", *arguments],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            env=_environment(),
            start_new_session=True,  # Ctrl-C is for the parent, who then stops its broker in order
        )
    running = RunningBroker(host=HOST, port=port, kind=chosen, process=process)
    _wait_until_it_answers(running, log)
    return running


def _environment() -> dict[str, str]:
    # the child finds this very package, however the parent found it
    package = str(Path(__file__).resolve().parents[2])
    paths = [package, *filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}


def _write_configuration(directory: Path, port: int) -> Path:
    path = directory / "broker.conf"
    lines = [f"listener {port} {HOST}", "allow_anonymous true", "persistence false"]
    if os.geteuid() == 0:
        # changing its user would make the kernel forget to end it with its parent (prctl(2))
        lines.append("user root")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _free_port(port: int) -> int:
    """This port, or any for 0, after making sure that nobody has it: else we would greet a stranger."""
    with socket.socket() as found:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind((HOST, port))
        except OSError as error:
            raise OperationFailed(
                f"cannot have port {port} on {HOST}: {error.strerror}; try another port"
            ) from None
        return int(found.getsockname()[1])


def _wait_until_it_answers(running: RunningBroker, log: Path) -> None:
    deadline = time.monotonic() + READY_SECONDS
    while time.monotonic() < deadline:
        if running.process.poll() is not None:
            last = log.read_text(errors="replace").strip().splitlines()[-1:]
            raise OperationFailed(
                f"the broker {running.kind} ended at once on port {running.port}: "
                f"{last[0] if last else 'it said nothing'}; try another port"
            )
        try:
            socket.create_connection((running.host, running.port), timeout=1.0).close()
            return
        except OSError:
            time.sleep(0.02)
    running.stop()
    raise OperationFailed(f"the broker {running.kind} does not answer after {READY_SECONDS:.0f} s; see {log}")


# ---- the child ---------------------------------------------------------------------------------


def _end_with_parent(parent: int) -> None:
    """Ask the kernel for SIGTERM when the parent is gone; end now if it already is."""
    libc = ctypes.CDLL(None, use_errno=True)
    libc.prctl(PARENT_DEATH_SIGNAL, int(signal.SIGTERM), 0, 0, 0)
    if os.getppid() != parent:
        raise SystemExit(1)


async def _serve_amqtt(port: int) -> None:
    from amqtt.broker import Broker  # the demo's extra: only where it is needed

    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    await broker.start()
    await stop.wait()
    await broker.shutdown()


def _child(arguments: list[str]) -> None:
    kind, parent, port, *command = arguments
    _end_with_parent(int(parent))
    if kind == BrokerKind.MOSQUITTO:
        program, configuration = command
        os.execv(program, [program, "-c", configuration])
    asyncio.run(_serve_amqtt(int(port)))


if __name__ == "__main__":
    _child(sys.argv[1:])
