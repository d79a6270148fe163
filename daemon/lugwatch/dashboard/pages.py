"""The pages' addresses and what each is made of. Words and markup are in `web/templates` and `web/texts`.

May import: the rooms of the dashboard, errors, units.
"""

from dataclasses import dataclass
from typing import Annotated

import jinja2
from fastapi import FastAPI, HTTPException, Path, Query, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response
from starlette.exceptions import HTTPException as StarletteHTTPException

from lugwatch import __version__
from lugwatch.dashboard.doors import Doors
from lugwatch.dashboard.gate import is_proxied, session_cookie
from lugwatch.dashboard.look import Look
from lugwatch.dashboard.record_sheet import Sheets
from lugwatch.dashboard.surroundings import Surroundings
from lugwatch.errors import OperationFailed, UserError
from lugwatch.json_shapes import JsonObject, dump
from lugwatch.model import Category, Condition, JournalKind

# as the manifest and the browser's own frame take them; the page itself has its colours in the style
PAPER = "#f5f1e8"
INK = "#14213d"
LONGEST_REFUSAL = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Maker:
    """Makes a page of a template and values."""

    templates: jinja2.Environment
    stamp: str
    look: Look
    doors: Doors
    surroundings: Surroundings

    def page(self, request: Request, name: str, status: int = 200, **values: object) -> HTMLResponse:
        text = self.templates.get_template(f"{name}.html").render(
            page=name,
            stamp=self.stamp,
            version=__version__,
            unit=self.look.temperature_unit,
            zone=self.surroundings.zone() or "",
            to_json=dump,
            **self._allowed(request),
            **values,
        )
        return HTMLResponse(text, status_code=status)

    def _allowed(self, request: Request) -> dict[str, object]:
        """What this browser may do; a lock that cannot be read opens nothing and hides nothing."""
        cookie = session_cookie(request.headers)
        try:
            return {
                "token": self.doors.token(cookie),
                "may_change": self.doors.may_change(cookie, proxied=is_proxied(request.headers)),
                "may_read": self.doors.may_read(cookie),
                "locked": self.doors.lock() is not None,
            }
        except UserError:
            return {"token": "", "may_change": False, "may_read": not self.doors.reading_asks, "locked": True}


def add_pages(app: FastAPI, maker: Maker) -> None:
    _add_present(app, maker)
    _add_past(app, maker)
    _add_own(app, maker)
    _add_refusals(app, maker)


def _add_present(app: FastAPI, maker: Maker) -> None:
    look = maker.look

    @app.get("/", include_in_schema=False)
    def now_page(request: Request) -> HTMLResponse:
        return maker.page(request, "now", now=look.now())

    @app.get("/joints/{joint}", include_in_schema=False)
    def joint_page(request: Request, joint: str) -> HTMLResponse:
        found = look.joint(joint)
        if found is None:
            raise HTTPException(404)
        return maker.page(request, "joint", joint=found, names=look.joint_names(), kinds=list(JournalKind))

    @app.get("/watchman", include_in_schema=False)
    def watchman_page(request: Request) -> HTMLResponse:
        around = maker.surroundings
        return maker.page(
            request,
            "watchman",
            watchman={
                **look.watchman(),
                **look.written_by(),
                **around.disk(),
                "backup": around.last_backup(look.clock.time()),
                "broker": around.broker_state(),
                "log": around.log_lines(),
            },
            fitting=_fitting(look),
            left=_fitting_left(look),
        )


def _fitting(look: Look) -> list[JsonObject]:
    """Nothing where the history cannot be read: the watchman says that at the head of its page."""
    try:
        return look.fitting()
    except UserError:
        return []


def _fitting_left(look: Look) -> list[JsonObject] | None:
    try:
        return look.fitting_left()
    except UserError:
        return None


def _add_past(app: FastAPI, maker: Maker) -> None:
    look = maker.look

    @app.get("/passages", include_in_schema=False)
    def passages_page(request: Request) -> HTMLResponse:
        return maker.page(
            request,
            "passages",
            passages=look.passages(),
            creeps=look.creeps(),
            decisions=look.passage_decisions(),
        )

    @app.get("/passages/{passage_id}", include_in_schema=False)
    def passage_page(
        request: Request, passage_id: int, other: Annotated[int | None, Query(alias="with")] = None
    ) -> HTMLResponse:
        found = look.passage(passage_id, other)
        if found is None:
            raise HTTPException(404)
        made = look.now()["time"]
        return maker.page(request, "passage", passage=found, made=made)

    @app.get("/season", include_in_schema=False)
    def season_page(request: Request) -> HTMLResponse:
        return maker.page(request, "season", season=look.season())

    @app.get("/alerts", include_in_schema=False)
    def alerts_page(
        request: Request, joint: str = "", category: str = "", condition: str = "", which: str = ""
    ) -> HTMLResponse:
        active = {"active": True, "over": False}.get(which)
        shown = look.alerts(joint=joint, category=category, condition=condition, active=active)
        everything = look.alerts()
        return maker.page(
            request,
            "alerts",
            alerts=shown,
            count=len(everything),
            histories=look.alert_histories(),
            names=look.joint_names(),
            categories=list(Category),
            conditions=[c for c in Condition if any(a["condition"] == c for a in everything)],
            chosen={"joint": joint, "category": category, "condition": condition, "which": which},
        )

    @app.get("/journal", include_in_schema=False)
    def journal_page(request: Request) -> HTMLResponse:
        return maker.page(
            request, "journal", entries=look.journal(), names=look.joint_names(), kinds=list(JournalKind)
        )

    @app.get("/photos/{photo_id}", include_in_schema=False)
    def photo(photo_id: Annotated[int, Path(ge=1, le=2**63 - 1)]) -> Response:
        found = look.photo(photo_id)
        if found is None:
            raise HTTPException(404)
        # never by what the file says of itself; a number may be another photo's after a restore
        return Response(found, media_type="image/jpeg", headers={"Cache-Control": "no-cache"})


def add_sheets(app: FastAPI, sheets: Sheets) -> None:
    """Sheets to print or keep, as `lugwatch sheet` writes them: no part of the page, nothing to press."""

    def told(sheet: str | None) -> HTMLResponse:
        if sheet is None:
            raise HTTPException(404)
        return HTMLResponse(sheet, headers={"Content-Security-Policy": sheets.policy(sheet)})

    @app.get("/joints/{joint}/sheet", include_in_schema=False)
    def joint_sheet(joint: str) -> HTMLResponse:
        return told(sheets.joint(joint))

    @app.get("/passages/{passage_id}/sheet", include_in_schema=False)
    def passage_sheet(passage_id: int) -> HTMLResponse:
        return told(sheets.passage(passage_id))

    @app.get("/sheet", include_in_schema=False)
    def boat_sheet() -> HTMLResponse:
        return told(sheets.boat())

    @app.get("/winter", include_in_schema=False)
    def winter_sheet() -> HTMLResponse:
        return told(sheets.winter())


def _add_own(app: FastAPI, maker: Maker) -> None:
    @app.get("/page", include_in_schema=False)
    def settings_page(request: Request) -> HTMLResponse:
        return maker.page(request, "settings")

    @app.get("/enter", include_in_schema=False)
    def enter_page(request: Request) -> HTMLResponse:
        return maker.page(request, "enter")

    @app.get("/manifest.webmanifest", include_in_schema=False)
    def manifest() -> Response:
        return Response(
            dump(
                {
                    "name": "lugwatch",
                    "short_name": "lugwatch",
                    "start_url": "/",
                    "scope": "/",
                    "display": "standalone",
                    "background_color": PAPER,
                    "theme_color": INK,
                    "icons": [
                        {"src": f"/built/mark.svg?v={maker.stamp}", "sizes": "any", "type": "image/svg+xml"},
                        {
                            "src": f"/built/mark-192.png?v={maker.stamp}",
                            "sizes": "192x192",
                            "type": "image/png",
                        },
                        {
                            "src": f"/built/mark-512.png?v={maker.stamp}",
                            "sizes": "512x512",
                            "type": "image/png",
                        },
                    ],
                }
            ),
            media_type="application/manifest+json",
        )


def _add_refusals(app: FastAPI, maker: Maker) -> None:
    """What is not there or cannot be read: a page for a reader, an object for a script."""

    def refuse(request: Request, status: int, detail: str, problem: str | None) -> Response:
        if request.url.path.startswith(("/api/", "/built/")):
            return JSONResponse({"detail": _one_line(detail)}, status_code=status)
        return maker.page(request, "absent", status=status, problem=problem)

    def not_there(request: Request, error: Exception) -> Response:
        assert isinstance(error, StarletteHTTPException)
        problem = None if error.status_code == 404 else str(error.detail)
        return refuse(request, error.status_code, str(error.detail), problem)

    def cannot(request: Request, error: Exception) -> Response:
        # what the reader typed is their mistake, what the boat cannot do is not
        typed = isinstance(error, UserError) and request.method != "GET"
        return refuse(request, 422 if typed else 503, str(error), str(error))

    def wrong_question(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        told = "; ".join(f"{e['loc'][-1]}: {e['msg']}" for e in error.errors())
        return refuse(request, 422, told, told)

    app.add_exception_handler(StarletteHTTPException, not_there)
    app.add_exception_handler(UserError, cannot)
    app.add_exception_handler(OperationFailed, cannot)
    app.add_exception_handler(RequestValidationError, wrong_question)


def _one_line(text: str) -> str:
    """What was typed may stand in a refusal, and may be anything: one line, of a bounded length."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= LONGEST_REFUSAL else line[: LONGEST_REFUSAL - 1] + "…"
