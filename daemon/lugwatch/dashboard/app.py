"""The web application: pages, JSON, one event stream. Each request reads anew; nothing is kept between.

Not here: what a view holds (`views`), who may ask (`guard`), how it is served (`serve`).
"""

from collections.abc import Callable, Collection
from pathlib import Path
from typing import Annotated, Any

import jinja2
from fastapi import FastAPI, Header, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse, StreamingResponse
from fastapi.staticfiles import StaticFiles
from starlette.middleware.gzip import GZipMiddleware

from lugwatch import __version__
from lugwatch.clock import Clock
from lugwatch.dashboard.actions import acknowledge
from lugwatch.dashboard.guard import Guard
from lugwatch.dashboard.look import Look
from lugwatch.dashboard.stream import events
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Watching
from lugwatch.units import parse_time

BUILT = Path(__file__).parent / "built"
LONGEST_CHART_MS = 400 * 24 * 3_600_000


def create_app(
    database: Path,
    clock: Clock,
    *,
    temperature_unit: str = "celsius",
    allowed_hosts: Collection[str] | None = None,
    watching: Watching | None = None,
    stopping: Callable[[], bool] = lambda: False,
    built: Path = BUILT,
) -> FastAPI:
    """The application over `database`, which may not be there yet.

    allowed_hosts: names of this computer beyond loopback names and literal addresses. stopping: becomes
    true when the server stops; streams end then. Raises OperationFailed if the page was never built.
    """
    stamp = built / "stamp.txt"
    if not stamp.is_file():
        raise OperationFailed(
            "the page is not built; install lugwatch with pip, or run `python web/build_hook.py`"
        )
    look = Look(
        database=database, clock=clock, watching=watching or Watching(), temperature_unit=temperature_unit
    )
    # documentation pages are off: they would load scripts from elsewhere
    app = FastAPI(title="lugwatch", version=__version__, docs_url=None, redoc_url=None, openapi_url=None)
    app.add_middleware(GZipMiddleware, minimum_size=500)
    app.add_middleware(Guard, allowed_hosts=tuple(allowed_hosts or ()))
    app.mount("/built", _Assets(directory=built), name="built")
    app.add_exception_handler(UserError, _cannot_read)
    app.add_exception_handler(OperationFailed, _cannot_read)
    _add_pages(app, look, _templates(built), stamp.read_text(encoding="ascii")[:12])
    _add_json(app, look)
    _add_stream(app, look, stopping)
    return app


class _Assets(StaticFiles):
    """Scripts and styles; their address carries the build's stamp, so a phone may keep them."""

    def file_response(self, *arguments: Any, **named: Any) -> Any:
        response = super().file_response(*arguments, **named)
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response

    async def get_response(self, path: str, scope: Any) -> Any:
        # templates lie beside them and are nobody's business
        if not path.endswith((".js", ".css", ".svg")):
            raise HTTPException(404)
        return await super().get_response(path, scope)


def _cannot_read(_request: Request, error: Exception) -> JSONResponse:
    return JSONResponse({"detail": str(error)}, status_code=503)


def _templates(built: Path) -> jinja2.Environment:
    loader = jinja2.FileSystemLoader(built / "templates")
    return jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )


def _add_pages(app: FastAPI, look: Look, templates: jinja2.Environment, stamp: str) -> None:
    def page(name: str, **values: object) -> HTMLResponse:
        text = templates.get_template(f"{name}.html").render(
            page=name, stamp=stamp, version=__version__, unit=look.temperature_unit, **values
        )
        return HTMLResponse(text)

    @app.get("/")
    def now_page() -> HTMLResponse:
        return page("now", now=look.now())

    @app.get("/passages")
    def passages_page() -> HTMLResponse:
        return page("passages", passages=look.passages(), creeps=look.creeps())

    @app.get("/watchman")
    def watchman_page() -> HTMLResponse:
        return page("watchman", watchman=look.watchman())


def _add_json(app: FastAPI, look: Look) -> None:
    @app.get("/api/now")
    def now() -> JSONResponse:
        return JSONResponse(look.now())

    @app.get("/api/chart")
    def chart(
        hours: Annotated[float | None, Query(gt=0, le=24 * 400, allow_inf_nan=False)] = None,
        start: Annotated[str | None, Query(alias="from")] = None,
        to: str | None = None,
    ) -> JSONResponse:
        if start is None and to is None:
            return JSONResponse(look.chart_hours(hours or 1.0))
        first, last = parse_time(start or ""), parse_time(to or "")
        if first is None or last is None or not 0 < last - first <= LONGEST_CHART_MS:
            raise HTTPException(
                422, "from and to are RFC 3339 times with a zone, from before to, 400 days at most"
            )
        return JSONResponse(look.chart(first, last))

    @app.get("/api/passages")
    def passages() -> JSONResponse:
        return JSONResponse(look.passages())

    @app.get("/api/creep")
    def creep() -> JSONResponse:
        return JSONResponse(look.creeps())

    @app.get("/api/alerts")
    def alerts() -> JSONResponse:
        return JSONResponse(look.alerts())

    @app.get("/api/health")
    def health() -> JSONResponse:
        return JSONResponse({"version": __version__, **look.watchman()})

    @app.post("/api/alerts/{alert_id}/acknowledge")
    def acknowledge_alert(alert_id: int) -> JSONResponse:
        noted = acknowledge(look.database, look.clock, alert_id)
        if noted is None:
            raise HTTPException(404, f"there is no alert {alert_id}")
        # accepted, not done: the watch takes it up within seconds
        return JSONResponse(noted, status_code=202)


def _add_stream(app: FastAPI, look: Look, stopping: Callable[[], bool]) -> None:
    @app.get("/api/events")
    async def stream(
        after: Annotated[int | None, Query(ge=0)] = None,
        last_event_id: Annotated[str | None, Header()] = None,
    ) -> StreamingResponse:
        """A client resumes by the standard's header, or by `after` where it opened a stream of its own."""
        if last_event_id and last_event_id.isascii() and last_event_id.isdigit():
            after = int(last_event_id[:18])
        return StreamingResponse(
            events(look, after, stopping),
            media_type="text/event-stream",
            headers={"X-Accel-Buffering": "no", "Cache-Control": "no-store"},
        )
