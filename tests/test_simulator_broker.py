"""The broker beside an invented boat: what it keeps, whom it answers, how it ends."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from hangups import hang_up
from lugwatch.errors import OperationFailed
from lugwatch.simulator import broker as broker_module
from lugwatch.simulator.broker import BrokerKind, RunningBroker, start_broker

PATIENCE_SECONDS = 30.0


def wait_for(what: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_SECONDS
    pause = threading.Event()
    while not what():
        assert time.monotonic() < deadline, "waited in vain"
        pause.wait(0.005)


def client(identity: str) -> Client:
    return Client(
        callback_api_version=CallbackAPIVersion.VERSION2,
        client_id=identity,
        protocol=MQTTProtocolVersion.MQTTv311,
    )


@pytest.fixture(params=list(BrokerKind))
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[RunningBroker]:
    running = start_broker(tmp_path / "broker", kind=request.param)
    yield running
    running.stop()
    running.stop()
    assert running.process.poll() is not None


def test_a_broker_keeps_what_is_retained_and_tells_a_last_will(broker: RunningBroker) -> None:
    heard: list[tuple[str, bytes, bool]] = []
    subscribed = threading.Event()

    def on_message(_client: Client, _data: object, message: MQTTMessage) -> None:
        heard.append((message.topic, message.payload, message.retain))

    doomed = client("doomed")
    doomed.will_set("boat/status", "offline", qos=1, retain=True)
    doomed.connect(broker.host, broker.port)
    doomed.loop_start()
    doomed.publish("boat/status", "online", qos=1, retain=True).wait_for_publish(PATIENCE_SECONDS)
    listener = client("listener")
    listener.on_message = on_message
    listener.on_subscribe = lambda *_: subscribed.set()
    listener.connect(broker.host, broker.port)
    listener.loop_start()
    listener.subscribe("boat/#", qos=1)
    assert subscribed.wait(PATIENCE_SECONDS)
    wait_for(lambda: ("boat/status", b"online", True) in heard)
    # the line breaks: no goodbye
    stream = doomed.socket()
    assert stream is not None
    doomed.loop_stop()
    stream.close()
    hang_up(doomed)
    wait_for(lambda: any(payload == b"offline" for _topic, payload, _retain in heard))
    hang_up(listener)


def test_a_broker_answers_only_this_machine(broker: RunningBroker) -> None:
    assert broker.host == "127.0.0.1"
    shown = Path("/proc/net/tcp").read_text().upper()
    assert f"0100007F:{broker.port:04X} 00000000:0000 0A" in shown
    assert f"00000000:{broker.port:04X} 00000000:0000 0A" not in shown


@pytest.mark.parametrize("kind", list(BrokerKind))
def test_a_broker_ends_with_a_parent_that_was_killed(tmp_path: Path, kind: BrokerKind) -> None:
    code = (
        "import sys, pathlib\n"
        "from lugwatch.simulator.broker import BrokerKind, start_broker\n"
        f"broker = start_broker(pathlib.Path({str(tmp_path)!r}), kind=BrokerKind({kind.value!r}))\n"
        "sys.stdout.write(f'{broker.process.pid}\\n'); sys.stdout.flush()\n"
        "sys.stdin.read()\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    with parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert is_running(child)
        parent.send_signal(signal.SIGKILL)
    wait_for(lambda: not is_running(child))


def is_running(pid: int) -> bool:
    """Whether the process lives; one that waits to be collected does not."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state not in "ZX"


def test_a_port_that_is_taken_is_said(tmp_path: Path, broker: RunningBroker) -> None:
    with pytest.raises(OperationFailed, match=str(broker.port)):
        start_broker(tmp_path / "other", broker.port, kind=broker.kind)


def test_without_any_broker_the_way_to_one_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker_module, "mosquitto_program", lambda: None)
    monkeypatch.setattr(broker_module.importlib.util, "find_spec", lambda _name: None)
    with pytest.raises(OperationFailed, match="demo"):
        start_broker(tmp_path)
    with pytest.raises(OperationFailed, match="install the package mosquitto"):
        start_broker(tmp_path, kind=BrokerKind.MOSQUITTO)
