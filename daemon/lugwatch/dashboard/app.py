"""The web application put together: pages, JSON, one event stream. Nothing is kept between two requests.

Not here: what a view holds (`look`), which addresses there are (`pages`, `answers`), who may ask
(`guard`, `gate`), how it is served (`serve`).
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fastapi import FastAPI, HTTPException
from fastapi.staticfiles import StaticFiles
from starlette.middleware.gzip import GZipMiddleware

from lugwatch import __version__
from lugwatch.clock import Clock
from lugwatch.dashboard import answers, pages, templates
from lugwatch.dashboard.doors import Doors
from lugwatch.dashboard.gate import Gate
from lugwatch.dashboard.guard import Guard
from lugwatch.dashboard.look import Look
from lugwatch.dashboard.passage_deeds import add_passage_deeds
from lugwatch.dashboard.proof_deeds import add_proof_page, add_proofs
from lugwatch.dashboard.proof_follow import Follower
from lugwatch.dashboard.record_sheet import Sheets
from lugwatch.dashboard.surroundings import Surroundings
from lugwatch.dashboard.templates import BUILT
from lugwatch.model import Part, Watching
from lugwatch.stack import Stack


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What the configuration says of the page, beyond where the database is."""

    temperature_unit: str = "celsius"
    time_zone: str | None = None
    language: str = "en"
    allowed_hosts: Collection[str] = ()  # beyond loopback names and literal addresses
    watching: Watching = field(default_factory=Watching)
    parts: Collection[Part] = ()
    stacks: Mapping[str, Stack] = field(default_factory=dict)
    passphrase_file: Path | None = None
    reading_asks: bool = False
    loopback: bool = True
    broker: tuple[str, int] | None = None
    hsts_seconds: int = 0


def create_app(
    database: Path,
    clock: Clock,
    settings: Settings | None = None,
    *,
    stopping: Callable[[], bool] = lambda: False,
    follower: Follower | None = None,
    built: Path = BUILT,
) -> FastAPI:
    """The application over `database`, which may not be there yet.

    stopping: becomes true when the server stops; streams end then. follower: takes its turns in a thread of
    the server, or is turned by whoever made it. Raises OperationFailed if the page
    was never built.
    """
    settings = settings or Settings()
    stamp = templates.stamp(built)
    look = Look(
        database=database,
        clock=clock,
        watching=settings.watching,
        temperature_unit=settings.temperature_unit,
        parts=tuple(settings.parts),
        stacks=settings.stacks,
    )
    doors = Doors(
        clock=clock,
        file=settings.passphrase_file,
        reading_asks=settings.reading_asks,
        loopback=settings.loopback,
    )
    surroundings = Surroundings(database=database, broker=settings.broker, time_zone=settings.time_zone)
    # documentation pages are off: they would load scripts from elsewhere
    app = FastAPI(
        title="lugwatch",
        version=__version__,
        description=answers.DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        responses=answers.REFUSALS,
        redirect_slashes=False,  # an address that is nearly right is not there, and says so
    )
    app.add_middleware(GZipMiddleware, minimum_size=500)
    app.add_middleware(Gate, doors=doors)
    app.add_middleware(Guard, allowed_hosts=tuple(settings.allowed_hosts), hsts_seconds=settings.hsts_seconds)
    app.mount("/built", _Assets(directory=built), name="built")
    maker = pages.Maker(
        templates=templates.environment(built, settings.language),
        stamp=stamp,
        look=look,
        doors=doors,
        surroundings=surroundings,
    )
    pages.add_pages(app, maker)
    pages.add_sheets(app, Sheets.of(look, built, settings.language))
    answers.add_answers(app, look, surroundings)
    answers.add_deeds(app, look)
    add_passage_deeds(app, look)
    follower = follower or Follower(database, clock)
    add_proof_page(app, maker)
    add_proofs(app, look, follower)
    answers.add_doors(app, doors)
    answers.add_stream(app, look, stopping)
    return app


class _Assets(StaticFiles):
    """Scripts and styles; their address carries the build's stamp, so a phone may keep them."""

    def file_response(self, *arguments: Any, **named: Any) -> Any:
        response = super().file_response(*arguments, **named)
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response

    async def get_response(self, path: str, scope: Any) -> Any:
        # templates and texts lie beside them and are nobody's business
        if not path.endswith((".js", ".css", ".svg", ".png")):
            raise HTTPException(404)
        return await super().get_response(path, scope)
