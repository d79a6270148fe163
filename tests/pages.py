"""The built page for tests: built once if its sources changed; a page in this process, and a served one."""

import asyncio
import importlib.util
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, TracebackType
from typing import Any

import httpx

from lugwatch.clock import ManualClock

ROOT = Path(__file__).parent.parent

_SERVE = """
import sys
from pathlib import Path
from lugwatch.clock import SystemClock
from lugwatch.config import load
from lugwatch.dashboard.serve import serve
serve(load(Path(sys.argv[1])), SystemClock(), lambda url: print(url, flush=True))
"""


def build_hook() -> ModuleType:
    """web/build_hook.py as a module; it is no part of the package."""
    spec = importlib.util.spec_from_file_location("build_hook", ROOT / "web" / "build_hook.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def built_page() -> Path:
    """The folder of the built page, fresh."""
    hook = build_hook()
    hook.build(ROOT)
    folder: Path = hook.built_folder(ROOT)
    return folder


class InProcess:
    """Plain requests to an application without a port; raw bodies stay as they were sent."""

    def __init__(self, app: Any, base_url: str = "http://localhost:8037") -> None:
        self._app = app
        self._base_url = base_url

    def request(self, method: str, path: str, **named: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(app=self._app)
            async with httpx.AsyncClient(transport=transport, base_url=self._base_url) as client:
                return await client.request(method, path, **named)

        return asyncio.run(ask())

    def get(self, path: str, **named: Any) -> httpx.Response:
        return self.request("GET", path, **named)

    def post(self, path: str, **named: Any) -> httpx.Response:
        return self.request("POST", path, **named)

    def tell(self, path: str, json: object = None, **named: Any) -> httpx.Response:
        """POST as the page's own script does it: from this origin, with the page's token."""
        cookies = named.get("headers", {}).get("Cookie")
        asked = {"Cookie": cookies} if cookies else {}
        token = self.get("/api/session", headers=asked).json()["token"]
        headers = {"Origin": self._base_url, "X-Lugwatch-Token": token, **named.pop("headers", {})}
        return self.post(path, headers=headers, json=json, **named)

    def bytes_on_the_line(self, path: str) -> int:
        """How much is sent for `path` to a browser that takes gzip."""
        answer = self.get(path, headers={"Accept-Encoding": "gzip"})
        return answer.num_bytes_downloaded


@dataclass
class Bench:
    """A real database, its clock, and the page over it."""

    database: Path
    clock: ManualClock
    client: InProcess

    def get(self, path: str) -> Any:
        """The JSON at `path`, which has to be there."""
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()


class Served:
    """`with Served(folder) as page:` serves `folder`/lugwatch.db from a process of its own."""

    def __init__(self, folder: Path, port: int = 0, web: str = "") -> None:
        built_page()
        self.configuration = folder / "lugwatch.toml"
        self.configuration.write_text(
            f'[boat]\nname = "Sandpiper"\n[web]\nport = {port}\n{web}'
            '[[probe]]\nid = "bar"\n[[joint]]\nid = "bar"\nprobe = "bar"\nair = "none"\n',
            encoding="utf-8",
        )
        self.process: subprocess.Popen[str] | None = None
        self.url = ""

    def __enter__(self) -> "Served":
        environment = {**os.environ, "PYTHONPATH": str(ROOT / "daemon")}
        self.process = subprocess.Popen(
            [sys.executable, "-c", _SERVE, str(self.configuration)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )
        assert self.process.stdout is not None
        self.url = self.process.stdout.readline().strip()
        if not self.url:
            assert self.process.stderr is not None
            raise RuntimeError(f"the server did not start: {self.process.stderr.read()}")
        return self

    @property
    def port(self) -> int:
        return int(self.url.rstrip("/").rsplit(":", 1)[1])

    def stop(self) -> tuple[int, float]:
        """Ask it to end; its exit status and how many seconds it took."""
        assert self.process is not None
        asked = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        status = self.process.wait(timeout=30)
        return status, time.monotonic() - asked

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self.process is not None
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(timeout=30)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()
