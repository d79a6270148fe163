"""The addresses under /api: what the page's script and the owner's own scripts ask and tell.

May import: the rooms of the dashboard, errors, units.
"""

import math
from collections.abc import Callable
from typing import Annotated

from fastapi import FastAPI, Header, HTTPException, Query, Request
from fastapi.responses import JSONResponse, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from lugwatch import __version__
from lugwatch.dashboard.actions import do_deed, write_entry
from lugwatch.dashboard.doors import COOKIE, MOST_LETTERS, SESSION_SECONDS, Doors
from lugwatch.dashboard.gate import is_proxied, session_cookie
from lugwatch.dashboard.joint_view import MOST_POINTS
from lugwatch.dashboard.look import Look
from lugwatch.dashboard.stream import events
from lugwatch.dashboard.surroundings import Surroundings
from lugwatch.model import CrewDeed
from lugwatch.units import parse_time

LONGEST_CHART_MS = 400 * 24 * 3_600_000
# of one joint; fifty years
LONGEST_LINES_MS = 50 * 366 * 24 * 3_600_000
SPAN_HINT = "from and to are RFC 3339 times with a zone, from before to, {days} days at most"


def _span(start: str | None, to: str | None, longest_ms: int) -> tuple[int, int]:
    first, last = parse_time(start or ""), parse_time(to or "")
    if first is None or last is None or not 0 < last - first <= longest_ms:
        raise HTTPException(422, SPAN_HINT.format(days=longest_ms // 86_400_000))
    return first, last


def add_answers(app: FastAPI, look: Look, surroundings: Surroundings) -> None:
    @app.get("/api/now")
    def now() -> JSONResponse:
        return JSONResponse(look.now())

    @app.get("/api/circuit")
    def circuit() -> JSONResponse:
        return JSONResponse(look.circuit())

    @app.get("/api/chart")
    def chart(
        hours: Annotated[float | None, Query(gt=0, le=24 * 400, allow_inf_nan=False)] = None,
        start: Annotated[str | None, Query(alias="from")] = None,
        to: str | None = None,
    ) -> JSONResponse:
        if start is None and to is None:
            return JSONResponse(look.chart_hours(hours or 1.0))
        return JSONResponse(look.chart(*_span(start, to, LONGEST_CHART_MS)))

    @app.get("/api/joints/{joint}")
    def one_joint(joint: str) -> JSONResponse:
        found = look.joint(joint)
        if found is None:
            raise HTTPException(404, f"there is no joint {joint!r}")
        return JSONResponse(found)

    @app.get("/api/joints/{joint}/lines")
    def joint_lines(
        joint: str,
        start: Annotated[str | None, Query(alias="from")] = None,
        to: str | None = None,
        points: Annotated[int, Query(ge=2, le=MOST_POINTS)] = 600,
    ) -> JSONResponse:
        found = look.joint_lines(joint, *_span(start, to, LONGEST_LINES_MS), points)
        if found is None:
            raise HTTPException(404, f"there is no joint {joint!r}")
        return JSONResponse(found)

    @app.get("/api/passages")
    def passages() -> JSONResponse:
        return JSONResponse(look.passages())

    @app.get("/api/passages/{passage_id}")
    def one_passage(
        passage_id: int, other: Annotated[int | None, Query(alias="with")] = None
    ) -> JSONResponse:
        found = look.passage(passage_id, other)
        if found is None:
            raise HTTPException(404, f"there is no passage {passage_id if other is None else other}")
        return JSONResponse(found)

    @app.get("/api/season")
    def season() -> JSONResponse:
        return JSONResponse(look.season())

    @app.get("/api/creep")
    def creep() -> JSONResponse:
        return JSONResponse(look.creeps())

    @app.get("/api/alerts")
    def alerts(
        joint: str = "", category: str = "", condition: str = "", active: bool | None = None
    ) -> JSONResponse:
        return JSONResponse(look.alerts(joint=joint, category=category, condition=condition, active=active))

    @app.get("/api/journal")
    def journal() -> JSONResponse:
        return JSONResponse(look.journal())

    @app.get("/api/health")
    def health() -> JSONResponse:
        return JSONResponse({"version": __version__, **look.watchman(), **surroundings.disk()})


class Entry(BaseModel):
    """An entry as it was typed; `write_entry` says what is wrong with it."""

    model_config = ConfigDict(extra="forbid")
    kind: str
    joint: str | None = None
    words: str | None = Field(default=None, max_length=20_000)
    millivolts: str | None = Field(default=None, max_length=40)
    amps: str | None = Field(default=None, max_length=40)
    celsius: str | None = Field(default=None, max_length=40)
    at: str | None = Field(default=None, max_length=40)
    by: str = Field(default="page", max_length=200)


def add_deeds(app: FastAPI, look: Look) -> None:
    @app.post("/api/alerts/{alert_id}/{deed}")
    def deed(alert_id: int, deed: CrewDeed) -> JSONResponse:
        noted = do_deed(look.database, look.clock, deed, alert_id)
        if noted is None:
            raise HTTPException(404, f"there is no alert {alert_id}")
        # accepted, not done: the watch takes it up within seconds
        return JSONResponse(noted, status_code=202)

    @app.post("/api/journal")
    def journal_entry(entry: Entry) -> JSONResponse:
        told = entry.model_dump()
        return JSONResponse(write_entry(look.database, look.clock, told), status_code=202)


class Phrase(BaseModel):
    """What was typed as the pass-phrase."""

    model_config = ConfigDict(extra="forbid")
    passphrase: str = Field(max_length=4 * MOST_LETTERS)


def add_doors(app: FastAPI, doors: Doors) -> None:
    @app.get("/api/session")
    def session(request: Request) -> JSONResponse:
        cookie = session_cookie(request.headers)
        return JSONResponse(
            {
                "token": doors.token(cookie),
                "may_change": doors.may_change(cookie, proxied=is_proxied(request.headers)),
                "may_read": doors.may_read(cookie),
            }
        )

    @app.post("/api/enter")
    def enter(request: Request, phrase: Phrase) -> JSONResponse:
        address = request.client.host if request.client else "?"
        wait = doors.wait_seconds(address)
        if wait > 0.0:
            seconds = math.ceil(wait)
            return JSONResponse(
                {"detail": f"Too many tries; wait {seconds} s."},
                status_code=429,
                headers={"Retry-After": str(seconds)},
            )
        cookie = doors.enter(phrase.passphrase, address)
        if cookie is None:
            return JSONResponse({"detail": "That is not it."}, status_code=422)
        answer = JSONResponse({"may_change": True})
        answer.set_cookie(
            COOKIE,
            cookie,
            max_age=SESSION_SECONDS,
            httponly=True,
            samesite="lax",
            secure=request.url.scheme == "https",
        )
        return answer

    @app.post("/api/leave")
    def leave() -> JSONResponse:
        answer = JSONResponse({"may_change": False})
        answer.delete_cookie(COOKIE, httponly=True, samesite="lax")
        return answer


def add_stream(app: FastAPI, look: Look, stopping: Callable[[], bool]) -> None:
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
