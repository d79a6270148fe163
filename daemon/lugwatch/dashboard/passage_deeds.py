"""Addresses under /api by which the page names, splits and merges passages, and undoes it.

Each writes one decision and nothing else; the watch is not asked, since it goes by what was found.
May import: the rooms of the dashboard, store, clock, passage_cuts.
"""

from fastapi import FastAPI
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from lugwatch.dashboard.actions import WHO
from lugwatch.dashboard.look import Look
from lugwatch.errors import UserError
from lugwatch.json_shapes import passage_decision_object
from lugwatch.passage_cuts import LONGEST_NAME, LONGEST_NOTE, Decision, Deed, one_line
from lugwatch.store.passage_decisions import decide
from lugwatch.units import parse_time


class Words(BaseModel):
    """A name or a note as it was typed; "" takes it away."""

    model_config = ConfigDict(extra="forbid")
    words: str = Field(max_length=20_000)


class At(BaseModel):
    """Where to split, RFC 3339 with a zone."""

    model_config = ConfigDict(extra="forbid")
    at: str = Field(max_length=40)


class With(BaseModel):
    """The neighbour to merge with, the one before or the one after."""

    model_config = ConfigDict(extra="forbid")
    other_id: int


def add_passage_deeds(app: FastAPI, look: Look) -> None:
    def done(deed: Deed, passage_id: int, words: str | None = None, **more: int | None) -> JSONResponse:
        new = Decision(
            decision_id=0,
            time=look.clock.time(),
            deed=deed,
            who=WHO,
            passage_id=passage_id,
            words=words,
            **more,
        )
        return JSONResponse(passage_decision_object(decide(look.database, new)))

    @app.post("/api/passages/{passage_id}/name")
    def name(passage_id: int, told: Words) -> JSONResponse:
        """Call a passage by a name."""
        return done(Deed.NAME, passage_id, one_line(told.words, "Name", LONGEST_NAME))

    @app.post("/api/passages/{passage_id}/note")
    def note(passage_id: int, told: Words) -> JSONResponse:
        """Keep a note with a passage, in place of the one it had."""
        return done(Deed.NOTE, passage_id, one_line(told.words, "Note", LONGEST_NOTE))

    @app.post("/api/passages/{passage_id}/split")
    def split(passage_id: int, told: At) -> JSONResponse:
        """Split a passage at a time within it."""
        at = parse_time(told.at)
        if at is None:
            raise UserError(
                f"When: {told.at!r} is no time; give one with its zone, as in 2026-05-03T14:30:00Z"
            )
        return done(Deed.SPLIT, passage_id, cut_time=at)

    @app.post("/api/passages/{passage_id}/merge")
    def merge(passage_id: int, told: With) -> JSONResponse:
        """Make one passage of two neighbours; `passage_id` of the answer is its number."""
        return done(Deed.MERGE, passage_id, other_id=told.other_id)

    @app.post("/api/passage_decisions/{decision_id}/undo")
    def undo(decision_id: int) -> JSONResponse:
        """Undo one decision on a passage."""
        return done(Deed.UNDO, 0, undone_id=decision_id)

    @app.get("/api/passage_decisions")
    def decisions() -> JSONResponse:
        """Every decision on passages, newest first, and whether it counts."""
        return JSONResponse(look.passage_decisions())
