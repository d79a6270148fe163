"""Serving the page: one port, a clear line if it is taken, an end within seconds of being told.

Not here: the application. The only room that names uvicorn.
"""

import asyncio
import ipaddress
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import uvicorn

from lugwatch.clock import Clock, SystemClock
from lugwatch.config import Configuration
from lugwatch.dashboard import tls
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.dashboard.proof_follow import Follower
from lugwatch.errors import OperationFailed
from lugwatch.publishers.loop import Loop

# streams end by themselves within a quarter of a second; what still hangs then is cut
GRACE_SECONDS = 3
SIGNALS = (signal.SIGINT, signal.SIGTERM)


class _Server(uvicorn.Server):
    """Ends quietly on SIGINT and SIGTERM: uvicorn's own would raise the signal once more at the end."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        before = {number: signal.signal(number, self.handle_exit) for number in SIGNALS}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def serve(configuration: Configuration, clock: Clock, ready: Callable[[str], None] | None = None) -> None:
    """Serve until SIGINT or SIGTERM; call `ready` with the page's address once it answers.

    Raises OperationFailed if the port is taken or the page was never built, UserError for a certificate
    that cannot be used.
    """
    host, port = configuration.web_host, configuration.web_port
    stop: list[Callable[[], bool]] = []
    mqtt, page = configuration.mqtt, configuration.page
    if page.certificate_file is not None:
        tls.check(page.certificate_file, page.key_file)
    follower = Follower(configuration.database, clock)
    # real seconds: readings are written by the machine's clock, however fast a demo lives
    following = Loop("proof tests", follower.turn, SystemClock())
    follower.wake = following.wake
    app = create_app(
        configuration.database,
        clock,
        Settings(
            temperature_unit=configuration.temperature_unit,
            time_zone=page.time_zone,
            allowed_hosts=(*own_names(host), *page.names),
            watching=configuration.boat.watching,
            parts=page.parts,
            stacks=page.stacks,
            passphrase_file=page.passphrase_file,
            reading_asks=page.reading_asks,
            loopback=is_loopback(host),
            hsts_seconds=86_400 * page.hsts_days,
            broker=None if mqtt is None else (mqtt.host, mqtt.port),
        ),
        stopping=lambda: any(asked() for asked in stop),
        follower=follower,
    )
    listening = open_port(host, port)
    try:
        settings = uvicorn.Config(
            app,
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=GRACE_SECONDS,
            ssl_certfile=page.certificate_file,
            ssl_keyfile=page.key_file,
        )
        server = _Server(settings)
        stop.append(lambda: server.should_exit)
        following.start()
        asyncio.run(_run(server, listening, ready, page.scheme))
    finally:
        following.close(GRACE_SECONDS)
        listening.close()


async def _run(
    server: _Server, listening: socket.socket, ready: Callable[[str], None] | None, scheme: str
) -> None:
    serving = asyncio.ensure_future(server.serve(sockets=[listening]))
    while not server.started and not serving.done():
        await asyncio.sleep(0.02)
    if ready is not None and server.started:
        ready(page_url(listening, scheme))
    await serving


def open_port(host: str, port: int) -> socket.socket:
    """A bound socket; port 0 takes any free one. Raises OperationFailed."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(128)  # here, not later: a second server must hear now that the port is taken
    except OSError as error:
        listening.close()
        raise OperationFailed(
            f"cannot serve the page at {host} port {port} ({error.strerror or error}); "
            "is it served already? choose another with --port or [web] port"
        ) from None
    return listening


def page_url(listening: socket.socket, scheme: str = "http") -> str:
    """The address to open on this computer."""
    host, port = listening.getsockname()[:2]
    if host in ("0.0.0.0", "::"):
        host = "localhost"
    return f"{scheme}://[{host}]:{port}/" if ":" in host else f"{scheme}://{host}:{port}/"


def is_loopback(host: str) -> bool:
    """Whether the page, served there, answers nobody but this computer."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host in ("localhost", "localhost.localdomain")


def own_names(host: str) -> tuple[str, ...]:
    """Names under which a phone may know this computer: the configured one, its own, and that with .local."""
    own = socket.gethostname().lower()
    short = own.split(".")[0]
    return tuple(name for name in (host.lower(), own, short, f"{short}.local") if name)
