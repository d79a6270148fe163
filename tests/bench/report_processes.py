"""Memory, processor, start-up and wear of `watch` and `web` beside collectd and Prometheus, at the same time.

All get the same 24 channels each 5 s over loopback: lugwatch by a broker, collectd by its socket, Prometheus
by asking for a page. collectd keeps them in RRD files, Prometheus in its database; neither is told to judge
anything. What each needs is read from /proc (proc(5)). Not here: storage and queries (`report_storage`).
"""

import contextlib
import grp
import http.server
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import history_figure
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from recordings import Recording
from report_text import Table, figure, missing
from setting import Setting

from brokers import Mosquitto, free_port
from lugwatch.model import Boat, Quantity
from lugwatch.store.queries import History

INTERVAL_SECONDS = 5.0
WARM_UP_SECONDS = 20.0
PATIENCE_SECONDS = 60.0
DAY_SECONDS = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """What one program needed."""

    pss_megabytes: float  # its own memory and its share of what it shares
    rss_megabytes: float
    processor_percent: float  # of one core
    start_seconds: float
    start_processor_seconds: float
    dirtied_megabytes_a_day: float  # blocks of the file system that it made dirty


@dataclass(frozen=True, slots=True)
class Program:
    """A running process of this bench."""

    process: "subprocess.Popen[bytes]"
    start_seconds: float
    start_processor_seconds: float

    def counted(self) -> tuple[float, float]:
        """Seconds of the processor and bytes of blocks made dirty, so far."""
        proc = Path("/proc") / str(self.process.pid)
        fields = (proc / "stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
        io = dict(line.split(": ") for line in (proc / "io").read_text(encoding="ascii").splitlines())
        busy = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        return busy, float(io["write_bytes"])

    def megabytes(self) -> tuple[float, float]:
        """Proportional and resident set."""
        text = (Path("/proc") / str(self.process.pid) / "smaps_rollup").read_text(encoding="ascii")
        parts = dict(line.split(":", 1) for line in text.splitlines()[1:])
        pss, rss = (int(parts[name].split()[0]) / 1024.0 for name in ("Pss", "Rss"))
        return pss, rss


class Feeder(threading.Thread):
    """Gives everybody one row of the recording each 5 s; a row over and over when it ends."""

    def __init__(self, recording: Recording, broker_port: int, collectd_socket: Path | None) -> None:
        super().__init__(name="feeder", daemon=True)
        self.stop = threading.Event()
        self.page = b""
        self._recording, self._socket = recording, collectd_socket
        self.status = threading.Event()  # the watch has said that it is there
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="bench")
        self._client.on_connect = lambda client, *_: client.subscribe("lugwatch/+/status")
        self._client.on_message = self._on_status
        self._client.connect("127.0.0.1", broker_port)
        self._client.loop_start()

    def _on_status(self, _client: Client, _data: object, message: object) -> None:
        if b"online" in message.payload:  # type: ignore[attr-defined]
            self.status.set()

    def run(self) -> None:
        row, due = 0, time.monotonic()
        while not self.stop.wait(max(0.0, due - time.monotonic())):
            due += INTERVAL_SECONDS
            values = self._recording.values[row % len(self._recording.values)]
            read = [(n, float(v)) for n, v in zip(self._recording.channels, values, strict=True) if v == v]
            self.page = "".join(f'bench_reading{{channel="{n}"}} {v!r}\n' for n, v in read).encode()
            for name, value in read:
                self._client.publish(f"bench/{name}", repr(value))
            with contextlib.suppress(OSError):
                self._put(read)
            row += 1
        self._client.disconnect()
        self._client.loop_stop()

    def _put(self, read: list[tuple[str, float]]) -> None:
        """collectd's plain text protocol, collectd-unixsock(5)."""
        if self._socket is None or not self._socket.exists():
            return
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(2.0)
            line.connect(str(self._socket))
            for name, value in read:
                line.sendall(f"PUTVAL boat/bench/gauge-{name} interval=5 N:{value!r}\n".encode())
                line.recv(200)


def processes(setting: Setting) -> Table:
    """Everything side by side for some minutes."""
    recording = history_figure.together(setting, 1)[0]
    boat = history_figure.boat_with_sister(recording)
    seconds = setting.pick(600, 60)
    notes = [
        f"{len(recording.channels)} channels each 5 s, {len(boat.joints)} joints; {seconds} s measured after"
        f" {WARM_UP_SECONDS:.0f} s to settle, nobody looks at the page. lugwatch keeps, estimates, judges and"
        " tells; collectd and Prometheus keep. Start: the watch's until it is heard on the broker, the page's"
        " and Prometheus' until they answer, collectd's until it takes a reading. Here lugwatch gets its"
        " channels by a broker; a boat whose probes are on its own bus can do without one.",
        "Blocks dirtied are scaled from these seconds to a day: what comes each two hours (Prometheus'"
        " blocks) or each hour (lugwatch's packed hours) is in it only if it fell into them.",
    ]
    found: dict[str, Need | None] = {"collectd": None, "prometheus": None}
    with ExitStack() as stack:
        feeder, programs = _start_all(stack, setting.run / "processes", recording, boat, notes)
        feeder.stop.wait(WARM_UP_SECONDS)
        stored = _stored(setting.run / "processes")
        before = {name: program.counted() for name, program in programs.items()}
        begun = time.monotonic()
        feeder.stop.wait(seconds)
        passed = time.monotonic() - begun
        kept = _stored(setting.run / "processes") - stored
        due = len(recording.channels) * round(passed / INTERVAL_SECONDS)
        notes.append(
            f"Of {due} readings that were due meanwhile the watch wrote {kept} (a commit is each 9 s)."
        )
        for name, program in programs.items():
            if program.process.poll() is not None:
                notes.append(f"{name} ended by itself with status {program.process.returncode}.")
                continue
            busy, dirtied = program.counted()
            pss, rss = program.megabytes()
            found[name] = Need(
                pss_megabytes=pss,
                rss_megabytes=rss,
                processor_percent=100.0 * (busy - before[name][0]) / passed,
                start_seconds=program.start_seconds,
                start_processor_seconds=program.start_processor_seconds,
                dirtied_megabytes_a_day=(dirtied - before[name][1]) / 1e6 * DAY_SECONDS / passed,
            )
    return _table(found, notes)


def _stored(folder: Path) -> int:
    """Readings that the watch has written."""
    with History.open(folder / "lugwatch.db") as history:
        return history.count_readings()


def _table(found: dict[str, Need | None], notes: list[str]) -> Table:
    watch, web = found.get("watch"), found.get("web")
    others = [found.get(name) for name in ("collectd", "prometheus", "broker")]

    def row(what: str, unit: str, digits: int, value: Callable[[Need], float]) -> tuple[str, ...]:
        both = None if watch is None or web is None else value(watch) + value(web)
        return (
            what,
            *(figure(None if need is None else value(need), unit, digits) for need in (watch, web)),
            *(figure(None if n is None else value(n), unit, digits, ours=both) for n in others),
        )

    return Table(
        title="Programs that run",
        columns=(
            *("", "lugwatch watch", "lugwatch web", "collectd with RRD files", "Prometheus"),
            "the broker (mosquitto)",
        ),
        rows=[
            row("memory, PSS", "MB", 1, lambda n: n.pss_megabytes),
            row("memory, RSS", "MB", 1, lambda n: n.rss_megabytes),
            row("processor, of one core", "%", 2, lambda n: n.processor_percent),
            row("start", "s", 2, lambda n: n.start_seconds),
            row("processor until then", "s", 2, lambda n: n.start_processor_seconds),
            row("blocks dirtied a day", "MB", 0, lambda n: n.dirtied_megabytes_a_day),
        ],
        notes=["In brackets: times watch and web together.", *notes],
    )


def _start_all(
    stack: ExitStack, folder: Path, recording: Recording, boat: Boat, notes: list[str]
) -> tuple[Feeder, dict[str, Program]]:
    """One after the other, so that no start is disturbed by another."""
    folder.mkdir()
    begun = time.monotonic()
    broker = stack.enter_context(Mosquitto())
    broker_program = started(broker.process, begun)
    has_collectd = _program("collectd") is not None
    sock = folder / "collectd.sock"
    feeder = Feeder(recording, broker.port, sock if has_collectd else None)
    feeder.start()
    stack.callback(feeder.join, PATIENCE_SECONDS)
    stack.callback(feeder.stop.set)
    web_port = free_port()
    configuration = folder / "lugwatch.toml"
    configuration.write_text(_configuration(boat, broker.port, web_port), encoding="utf-8")

    def start(name: str, *words: str | Path, ready: Callable[[], object]) -> Program:
        log = stack.enter_context((folder / f"{name}.log").open("wb"))
        begun = time.monotonic()
        process = subprocess.Popen([str(w) for w in words], stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        stack.callback(ended, process)
        while not ready():
            if process.poll() is not None or time.monotonic() - begun > PATIENCE_SECONDS:
                said = (folder / f"{name}.log").read_text(encoding="utf-8", errors="replace")
                raise RuntimeError(f"{name} did not start: {said[-500:]}")
            time.sleep(0.005)
        return started(process, begun)

    lugwatch = (sys.executable, "-m", "lugwatch")
    programs = {
        "watch": start("watch", *lugwatch, "watch", "--config", configuration, ready=feeder.status.is_set),
        "web": start(
            "web", *lugwatch, "web", "--config", configuration, ready=lambda: answers(web_port, "/")
        ),
    }
    if has_collectd:
        path = folder / "collectd.conf"
        path.write_text(_collectd_configuration(folder, sock), encoding="utf-8")
        programs["collectd"] = start(
            "collectd", _program("collectd") or "", "-f", "-C", path, ready=lambda: _takes(sock)
        )
    else:
        notes.append(missing("collectd", "collectd-core"))
    if _program("prometheus") is not None:
        page_port = stack.enter_context(_page(feeder))
        programs["prometheus"] = prometheus_over(
            folder / "prometheus", start, scrape=f"127.0.0.1:{page_port}"
        )
    else:
        notes.append(missing("prometheus", "prometheus"))
    programs["broker"] = broker_program
    return feeder, programs


def prometheus_over(
    folder: Path, start: Callable[..., Program], *, scrape: str | None = None, name: str = "prometheus"
) -> Program:
    """The smallest that keeps: one target or none, no rules; its port is in `folder`/port."""
    folder.mkdir(exist_ok=True)
    port = free_port()
    (folder / "port").write_text(str(port), encoding="ascii")
    path = folder / "prometheus.yml"
    target = f"scrape_configs: [{{job_name: bench, static_configs: [{{targets: ['{scrape}']}}]}}]\n"
    path.write_text(
        f"global: {{scrape_interval: {INTERVAL_SECONDS:.0f}s}}\n{target if scrape else ''}", encoding="utf-8"
    )
    return start(
        name,
        *(_program("prometheus") or "", f"--config.file={path}", f"--storage.tsdb.path={folder / 'data'}"),
        *(f"--web.listen-address=127.0.0.1:{port}", "--storage.tsdb.retention.time=10y"),
        "--log.level=warn",
        ready=lambda: answers(port, "/-/ready"),
    )


def started(process: "subprocess.Popen[bytes]", begun: float) -> Program:
    """A process that is ready now; begun: when it was started [monotonic s]."""
    seconds = time.monotonic() - begun
    return Program(process, seconds, Program(process, seconds, 0.0).counted()[0])


def answers(port: int, path: str) -> bool:
    address = f"http://127.0.0.1:{port}{path}"
    with contextlib.suppress(OSError), urllib.request.urlopen(address, timeout=5.0) as answer:
        return bool(answer.status == 200)
    return False


def _takes(sock: Path) -> bool:
    """Whether collectd answers on its socket."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as line:
        line.settimeout(2.0)
        line.connect(str(sock))
        line.sendall(b"PUTVAL boat/bench/gauge-first interval=5 N:0\n")
        return line.recv(200).startswith(b"0 ")
    return False


@contextmanager
def _page(feeder: Feeder) -> Iterator[int]:
    """The newest row as text, for Prometheus to ask for."""

    class Page(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            body = feeder.page
            self.send_response(200)
            self.send_header("Content-Type", "text/plain; version=0.0.4")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Page)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def ended(process: "subprocess.Popen[bytes]") -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(20.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _program(name: str) -> str | None:
    return shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")


def _collectd_configuration(folder: Path, sock: Path) -> str:
    group = grp.getgrgid(os.getgid()).gr_name
    return f"""BaseDir "{folder}"
PIDFile "{folder}/collectd.pid"
Interval {INTERVAL_SECONDS:.0f}
LoadPlugin unixsock
<Plugin unixsock>
  SocketFile "{sock}"
  SocketGroup "{group}"
</Plugin>
LoadPlugin rrdtool
<Plugin rrdtool>
  DataDir "{folder}/rrd"
  CacheTimeout 10
  CacheFlush 100
</Plugin>
"""


def _configuration(boat: Boat, broker_port: int, web_port: int) -> str:
    parts = [
        '[boat]\nname = "Bench"\n',
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker_port}\n',
        f"[web]\nport = {web_port}\n",
    ]
    for channel in boat.channels:
        source = f'source = "mqtt"\ntopic = "bench/{channel.channel}"\n'
        if channel.quantity is Quantity.AMPS:
            rated = f"rated_amps = {channel.rated_amps:g}\n"
            parts.append(f'[[current]]\nid = "{channel.channel}"\n{source}{rated}')
        else:
            parts.append(f'[[probe]]\nid = "{channel.channel}"\n{source}')
    for joint in boat.joints:
        neighbours = ", ".join(f'"{name}"' for name in joint.neighbours)
        parts.append(
            f'[[joint]]\nid = "{joint.joint}"\nprobe = "{joint.probe}"\ncurrent = "{joint.current}"\n'
            f'air = "{joint.air}"\nneighbours = [{neighbours}]\nrated_amps = {joint.rated_amps:g}\n'
            f"limit_celsius = {joint.limit_celsius:g}\n"
        )
    return "\n".join(parts)
