"""Addresses of proof tests: the page, what was kept, beginning, following and ending one.

Each does what `lugwatch prove` and `lugwatch proofs` do, by the same functions. May import: the rooms of the
dashboard, proof_trial, proof_words, store, errors, units.
"""

from dataclasses import replace
from typing import Annotated

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from lugwatch import proof_trial, proof_words
from lugwatch.dashboard import proof_view
from lugwatch.dashboard.actions import WHO
from lugwatch.dashboard.look import Look
from lugwatch.dashboard.pages import Maker
from lugwatch.dashboard.proof_follow import Follower
from lugwatch.dashboard.reading import is_absent
from lugwatch.errors import UserError
from lugwatch.json_shapes import JsonObject
from lugwatch.proof_trial import LONGEST_NOTE, LONGEST_WHO, MOST_JOINTS, Wanted
from lugwatch.proving import LONGEST_MINUTES
from lugwatch.store.proofs import put_proof
from lugwatch.store.queries import History
from lugwatch.units import parse_time

# numbers of rows are counted up from 1; SQLite has no larger ones
MOST_NUMBER = 2**63 - 1
Number = Annotated[int, Query(ge=0, le=MOST_NUMBER)]
_Figure = Annotated[float, Field(gt=0.0, lt=1e5, allow_inf_nan=False)]

# fields of the form as its reader knows them
_LABELS = {"joints": "Joints", "amps": "Current", "minutes": "Minutes", "allowed_kelvin": "Allowed rise"}


class Asked(BaseModel):
    """A test as it was asked for; what is left out is the joint's own."""

    model_config = ConfigDict(extra="forbid")
    joints: list[Annotated[str, Field(max_length=64)]] = Field(min_length=1, max_length=MOST_JOINTS)
    amps: _Figure | None = None
    minutes: Annotated[float, Field(gt=0.0, le=LONGEST_MINUTES, allow_inf_nan=False)] = LONGEST_MINUTES
    allowed_kelvin: _Figure | None = None
    note: str | None = Field(default=None, max_length=LONGEST_NOTE)
    by: str = Field(default=WHO, max_length=LONGEST_WHO)

    def wanted(self) -> Wanted:
        wanted = Wanted(
            joints=tuple(self.joints),
            amps=self.amps,
            minutes=self.minutes,
            allowed_kelvin=self.allowed_kelvin,
            note=self.note or None,
            who=self.by or WHO,
        )
        proof_trial.check(wanted, lambda name: _LABELS[name])
        return wanted


class AskedOfRecord(Asked):
    """The same of a load that is over; `from` is the first time that it may begin, RFC 3339."""

    start: str | None = Field(default=None, alias="from", max_length=40)


class End(BaseModel):
    """How to end it: `keep` what it says so far, or throw it away."""

    model_config = ConfigDict(extra="forbid")
    keep: bool


def add_proof_page(app: FastAPI, maker: Maker) -> None:
    look = maker.look

    @app.get("/proofs", include_in_schema=False)
    def proofs_page(
        request: Request, joint: str = "", one: Number | None = None, other: Number | None = None
    ) -> HTMLResponse:
        joints: list[JsonObject] = []
        kept: list[JsonObject] = []
        compared = None
        if not is_absent(look.database):
            with History.open(look.database) as history:
                joints, kept = proof_view.choices(history), proof_view.all_kept(history)
                if one is not None and other is not None:
                    compared = proof_view.compared(history, one, other)
        return maker.page(
            request,
            "proofs",
            joints=joints,
            kept=kept,
            compared=compared,
            chosen=joint,
            caution=proof_words.CAUTION,
            most_minutes=LONGEST_MINUTES,
        )


def add_proofs(app: FastAPI, look: Look, follower: Follower) -> None:
    @app.get("/api/proofs")
    def proofs(joint: str = "") -> JSONResponse:
        """Every proof test that was kept, or those of one joint, newest first, with its sentences."""
        if is_absent(look.database):
            return JSONResponse([])
        with History.open(look.database) as history:
            if joint and joint not in history.joint_ids():
                raise HTTPException(404, f"there is no joint {joint!r}")
            return JSONResponse(proof_view.all_kept(history, joint or None))

    @app.get("/api/proofs/compare")
    def compare(one: Number, other: Number) -> JSONResponse:
        """Two kept tests beside each other, and how much warmer the first one ends."""
        found = None
        if not is_absent(look.database):
            with History.open(look.database) as history:
                found = proof_view.compared(history, one, other)
        if found is None:
            raise HTTPException(404, f"there is no test {one} or no test {other}")
        return JSONResponse(found)

    @app.post("/api/proofs")
    def prove_from_record(asked: AskedOfRecord) -> JSONResponse:
        """Judge a load of the record and keep the result, as `lugwatch prove` does."""
        first = None if asked.start is None else parse_time(asked.start)
        if asked.start is not None and first is None:
            raise UserError(
                f"From: {asked.start!r} is no time; give one with its zone, as in 2026-05-03T14:30:00Z"
            )
        wanted = asked.wanted()
        with History.open(look.database) as history:
            tests = proof_trial.prove(history, wanted, first)
            if not tests:
                raise UserError(proof_words.no_test(wanted.joints, latest=first is None))
            earlier = {t.joint: proof_trial.last_before(history.proofs(t.joint), t) for t in tests}
            names = {j.joint: j.name for j in history.boat().joints}
        tests = [replace(t, proof_id=put_proof(look.database, t)) for t in tests]
        shown = [proof_view.kept(t, names, earlier[t.joint]) for t in tests]
        return JSONResponse(
            {"kept": shown, "compared": proof_view.against_each_other(tests, names)}, status_code=201
        )

    @app.get("/api/proof_trial")
    def trial() -> JSONResponse:
        """The test under way: its stage, forecast and course, joint by joint; else the last one."""
        if is_absent(look.database):
            return JSONResponse({"caution": proof_words.CAUTION, "problem": None, "trial": None})
        following = follower.now()
        with History.open(look.database) as history:
            return JSONResponse(proof_view.trial(history, following, follower.problem))

    @app.post("/api/proof_trial")
    def begin(asked: Asked) -> JSONResponse:
        """Begin a test: the load is followed until its verdict is certain or its time is up."""
        return JSONResponse({"trial_id": follower.begin(asked.wanted())}, status_code=202)

    @app.post("/api/proof_trial/end")
    def end(how: End) -> JSONResponse:
        """End the test under way now."""
        if not follower.end(keep=how.keep):
            raise HTTPException(404, "no test is under way")
        return JSONResponse({"kept": how.keep}, status_code=202)
