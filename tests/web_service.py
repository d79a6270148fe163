"""A service that takes messages over HTTP, as it may be found: well, failing, hanging, away."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any


class WebService:
    """Listens on its port while `open`; `status` is its answer, `hangs` keeps it from answering."""

    def __init__(self) -> None:
        self.status = 200
        self.taken: list[dict[str, Any]] = []
        self.asked = 0
        self.released = threading.Event()
        self.released.set()
        self._server: ThreadingHTTPServer | None = None
        self.port = 0
        self.open()

    def open(self) -> None:
        service = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                service.asked += 1
                if not service.released.is_set():
                    service.released.wait(20.0)
                    return  # it has hung, and forgets
                if service.status == 200:
                    service.taken.append(json.loads(body))
                try:
                    self.send_response(service.status)
                    self.send_header("Content-Length", "0")
                    self.end_headers()
                except OSError:
                    pass  # whoever asked has hung up

            def log_message(self, format: str, *arguments: object) -> None:
                """Tests say what matters."""

        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self.port = self._server.server_port
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def shut(self) -> None:
        """Away: connections are refused."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    def hang(self) -> None:
        self.released.clear()

    def titles(self) -> list[str]:
        return [str(message["title"]) for message in self.taken]

    def __enter__(self) -> "WebService":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.released.set()
        self.shut()
