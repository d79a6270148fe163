"""The addresses under /api: what the page's script and the owner's own scripts ask and tell.

May import: the rooms of the dashboard, errors, units.
"""

import math
from collections.abc import Callable
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Header, HTTPException, Query, Request
from fastapi.responses import JSONResponse, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from lugwatch import __version__
from lugwatch.dashboard.actions import do_deed, do_joint_deed, write_entry
from lugwatch.dashboard.doors import COOKIE, MOST_LETTERS, SESSION_SECONDS, Doors
from lugwatch.dashboard.gate import is_proxied, session_cookie
from lugwatch.dashboard.joint_view import MOST_POINTS
from lugwatch.dashboard.look import Look
from lugwatch.dashboard.stream import events
from lugwatch.dashboard.surroundings import Surroundings
from lugwatch.model import CrewDeed
from lugwatch.units import parse_time

DESCRIPTION = (
    "What the page knows, for the owner's own scripts. Times are RFC 3339 UTC with Z; names end in their "
    "unit; what is not known is null, never NaN, 0 or a sentinel. A change needs an Origin that is this "
    "address, the header X-Lugwatch-Token from /api/session, and a session where a pass-phrase is set."
)


class Refusal(BaseModel):
    """Why not, in one line."""

    detail: str


REFUSALS: dict[int | str, dict[str, Any]] = {
    400: {"model": Refusal, "description": "The body is no JSON."},
    401: {"model": Refusal, "description": "The pass-phrase is asked for."},
    403: {"model": Refusal, "description": "A change without this page's origin or token."},
    404: {"model": Refusal, "description": "There is no such thing."},
    413: {"model": Refusal, "description": "The body is too large."},
    421: {"model": Refusal, "description": "The name in the address is not one of this computer's."},
    422: {"model": Refusal, "description": "What was asked cannot be meant."},
    503: {"model": Refusal, "description": "The history cannot be read now."},
}


def _answers(example: object) -> dict[int | str, dict[str, Any]]:
    """The answer as it looks, for the schema."""
    return {200: {"content": {"application/json": {"example": example}}}}


_JOINT = {
    "joint": "bar_alternator", "name": "Bus bar, alternator stud", "state": "warming", "probe_celsius": 58.4,
    "reference_celsius": 31.0, "rise_kelvin": 27.4, "current_amps": 92.0, "baseline_ratio": 1.46,
    "baseline_ratio_sd": 0.035, "settles_at_celsius": 71.0, "settles_at_sd_kelvin": 2.8,
    "limit_celsius": 90.0,
    "seconds_to_limit": None, "resistance_ohms": None, "reason": None,
}  # fmt: skip
_ALERT = {
    "alert_id": 7, "joint": "bar_alternator", "name": "Bus bar, alternator stud", "condition": "warming",
    "category": "caution", "state": "active-unacknowledged", "raised_time": "2026-05-28T20:01:40Z",
    "rectified_time": None, "acknowledged_time": None, "text": "…", "advice": "…",
}  # fmt: skip
_COLUMNS = {"time_seconds": [1780000000.0], "minimum": [58.1], "mean": [58.4], "maximum": [88.5]}

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
    @app.get(
        "/api/now",
        responses=_answers(
            {
                "time": "2026-05-28T20:26:40Z",
                "sentence": "Seven steady, one warming.",
                "joints": [_JOINT],
                "alerts": [_ALERT],
                "currents": [{"channel": "alternator", "current_amps": 92.0}],
            }
        ),
    )
    def now() -> JSONResponse:
        """Everything that the first page shows."""
        return JSONResponse(look.now())

    @app.get(
        "/api/circuit",
        responses=_answers(
            [
                {
                    "name": "Bus bar",
                    "lines": [
                        {
                            "current": "alternator",
                            "into": True,
                            "stud": "bar_alternator",
                            "steps": [{"joint": "alternator_output"}],
                            "end": {"name": "Alternator", "kind": "alternator"},
                        }
                    ],
                }
            ]
        ),
    )
    def circuit() -> JSONResponse:
        """What stands where in the drawing of the boat, in the order that current flows."""
        return JSONResponse(look.circuit())

    @app.get("/api/chart")
    def chart(
        hours: Annotated[float | None, Query(gt=0, le=24 * 400, allow_inf_nan=False)] = None,
        start: Annotated[str | None, Query(alias="from")] = None,
        to: str | None = None,
    ) -> JSONResponse:
        """All joints and currents: the last hours, or from one time to another."""
        if start is None and to is None:
            return JSONResponse(look.chart_hours(hours or 1.0))
        return JSONResponse(look.chart(*_span(start, to, LONGEST_CHART_MS)))

    @app.get(
        "/api/joints/{joint}",
        responses=_answers(
            {
                "joint": "bar_alternator",
                "now": _JOINT,
                "sheet": {"limit_celsius": 90.0},
                "journal": [],
                "passages": {"points": [], "creep": None, "told": None},
            }
        ),
    )
    def one_joint(joint: str) -> JSONResponse:
        """One joint: now, what it is made of, passage to passage, its journal."""
        found = look.joint(joint)
        if found is None:
            raise HTTPException(404, f"there is no joint {joint!r}")
        return JSONResponse(found)

    @app.get(
        "/api/joints/{joint}/lines",
        responses=_answers({"celsius": _COLUMNS, "gaps": [[1780000060.0, 1780000600.0]], "alerts": [_ALERT]}),
    )
    def joint_lines(
        joint: str,
        start: Annotated[str | None, Query(alias="from")] = None,
        to: str | None = None,
        points: Annotated[int, Query(ge=2, le=MOST_POINTS)] = 600,
    ) -> JSONResponse:
        """The lines of one joint: least, mean and most of each point, gaps, alerts and entries."""
        found = look.joint_lines(joint, *_span(start, to, LONGEST_LINES_MS), points)
        if found is None:
            raise HTTPException(404, f"there is no joint {joint!r}")
        return JSONResponse(found)

    @app.get("/api/passages")
    def passages() -> JSONResponse:
        """All passages, newest first."""
        return JSONResponse(look.passages())

    @app.get("/api/passages/{passage_id}")
    def one_passage(
        passage_id: int, other: Annotated[int | None, Query(alias="with")] = None
    ) -> JSONResponse:
        """One passage: what ran, margins, changes; `with` another one beside it."""
        found = look.passage(passage_id, other)
        if found is None:
            raise HTTPException(404, f"there is no passage {passage_id if other is None else other}")
        return JSONResponse(found)

    @app.get("/api/season")
    def season() -> JSONResponse:
        """Each joint over all passages that have ended, against its first that could tell."""
        return JSONResponse(look.season())

    @app.get("/api/winter")
    def winter() -> JSONResponse:
        """All joints, the one to work on first at the head: why, what to do, with what material."""
        found = look.winter()
        if found is None:
            raise HTTPException(404, "nothing was written yet")
        return JSONResponse(found)

    @app.get("/api/creep")
    def creep() -> JSONResponse:
        """The last judgement on how each joint moves over passages."""
        return JSONResponse(look.creeps())

    @app.get("/api/alerts", responses=_answers([_ALERT]))
    def alerts(
        joint: str = "", category: str = "", condition: str = "", active: bool | None = None
    ) -> JSONResponse:
        """Alerts newest first, those that fit."""
        return JSONResponse(look.alerts(joint=joint, category=category, condition=condition, active=active))

    @app.get("/api/journal")
    def journal() -> JSONResponse:
        """All entries of the journal, newest first."""
        return JSONResponse(look.journal())

    @app.get("/api/fitting")
    def fitting() -> JSONResponse:
        """What checks of the fitting found, by its steps; empty where nothing was checked."""
        return JSONResponse(look.fitting())

    @app.get("/api/health")
    def health() -> JSONResponse:
        """How the watch itself is doing."""
        return JSONResponse({"version": __version__, **look.watchman(), **surroundings.disk()})

    @app.get(
        "/api/log",
        responses=_answers(
            {"lines": [{"time": "2026-05-28T20:26:40Z", "level": "WARNING", "text": "the broker is away"}]}
        ),
    )
    def log() -> JSONResponse:
        """The last lines of the watch's log, newest first, without addresses and secrets; null: not known."""
        return JSONResponse({"lines": surroundings.log_lines()})


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


class For(BaseModel):
    """For how long, where a deed has an end."""

    model_config = ConfigDict(extra="forbid")
    for_seconds: float | None = Field(default=None, gt=0.0, le=366 * 86_400.0, allow_inf_nan=False)


def add_deeds(app: FastAPI, look: Look) -> None:
    @app.post("/api/alerts/{alert_id}/{deed}")
    def deed(
        alert_id: int,
        deed: Literal["acknowledge", "silence", "shelve", "unshelve"],
        how_long: For | None = None,
    ) -> JSONResponse:
        """Leave a deed about an alert; the watch takes it up within seconds."""
        seconds = how_long.for_seconds if how_long is not None and deed == "shelve" else None
        noted = do_deed(look.database, look.clock, CrewDeed(deed), alert_id, seconds)
        if noted is None:
            raise HTTPException(404, f"there is no alert {alert_id}")
        # accepted, not done: the watch takes it up within seconds
        return JSONResponse(noted, status_code=202)

    @app.post("/api/joints/{joint}/{deed}")
    def joint_deed(joint: str, deed: Literal["out_of_service", "back_in_service"]) -> JSONResponse:
        """Take a joint out of service while it is worked on, or put it back."""
        noted = do_joint_deed(look.database, look.clock, CrewDeed(deed), joint)
        if noted is None:
            raise HTTPException(404, f"there is no joint {joint!r}")
        return JSONResponse(noted, status_code=202)

    @app.post("/api/journal")
    def journal_entry(entry: Entry) -> JSONResponse:
        """Write an entry of the journal, by the rules of `lugwatch journal add`."""
        told = entry.model_dump()
        return JSONResponse(write_entry(look.database, look.clock, told), status_code=202)


class Phrase(BaseModel):
    """What was typed as the pass-phrase."""

    model_config = ConfigDict(extra="forbid")
    passphrase: str = Field(max_length=4 * MOST_LETTERS)


def add_doors(app: FastAPI, doors: Doors) -> None:
    @app.get("/api/session")
    def session(request: Request) -> JSONResponse:
        """The token that a change must carry, and what this browser may do."""
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
        """Try a pass-phrase; five tries a minute."""
        address = request.client.host if request.client else "?"
        cookie = doors.attempt(phrase.passphrase, address)
        if isinstance(cookie, float):
            seconds = math.ceil(cookie)
            return JSONResponse(
                {"detail": f"Too many tries; wait {seconds} s."},
                status_code=429,
                headers={"Retry-After": str(seconds)},
            )
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
    def leave(request: Request) -> JSONResponse:
        """End this session."""
        answer = JSONResponse({"may_change": False})
        answer.delete_cookie(COOKIE, httponly=True, samesite="lax", secure=request.url.scheme == "https")
        return answer


def add_stream(app: FastAPI, look: Look, stopping: Callable[[], bool]) -> None:
    @app.get("/api/events")
    async def stream(
        after: Annotated[int | None, Query(ge=0, le=2**63 - 1)] = None,
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
