"""Asks for the pass-phrase where it is wanted: a change needs our token and a phone that may change; a page
or an answer needs one that may read. Everything behind it may forget about this.

May import: doors, errors.
"""

import asyncio
from http.cookies import CookieError, SimpleCookie
from urllib.parse import quote

from starlette.datastructures import Headers
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from lugwatch.dashboard.doors import COOKIE, Doors
from lugwatch.errors import UserError

TOKEN_HEADER = "x-lugwatch-token"
# what must be there to enter at all, and says nothing of the boat
OPEN_PATHS = ("/built/", "/enter", "/api/enter", "/api/session", "/api/leave", "/manifest.webmanifest")
PROXY_HEADERS = ("forwarded", "x-forwarded-for", "x-forwarded-host", "via")


def session_cookie(headers: Headers) -> str | None:
    """The session's cookie as the browser sent it."""
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return found.value if found is not None else None


def is_proxied(headers: Headers) -> bool:
    """Whether somebody else may be asking through a program on this computer."""
    return any(name in headers for name in PROXY_HEADERS)


class Gate:
    """A layer of the application; `doors` decides."""

    def __init__(self, app: ASGIApp, doors: Doors) -> None:
        self.app = app
        self.doors = doors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            # the lock is a small file: read in a thread, never on the event loop
            refused = await asyncio.to_thread(self._refused, scope)
            if refused is not None:
                await refused(scope, receive, send)
                return
        await self.app(scope, receive, send)

    def _refused(self, scope: Scope) -> Response | None:
        headers, path = Headers(scope=scope), str(scope["path"])
        cookie = session_cookie(headers)
        is_open = path.startswith(OPEN_PATHS)
        try:
            if scope["method"] in ("GET", "HEAD"):
                if is_open or self.doors.may_read(cookie):
                    return None
                if path.startswith("/api/"):
                    return JSONResponse({"detail": "Enter the pass-phrase first."}, status_code=401)
                return RedirectResponse(f"/enter?to={quote(path, safe='/')}", status_code=303)
            if path == "/api/enter":
                return None  # trying out a phrase needs nothing but the phrase
            if not self.doors.is_token(cookie, headers.get(TOKEN_HEADER, "")):
                return JSONResponse({"detail": "This page is too old; load it again."}, status_code=403)
            if path == "/api/leave" or self.doors.may_change(cookie, proxied=is_proxied(headers)):
                return None
        except UserError as error:
            return JSONResponse({"detail": str(error)}, status_code=503)
        return JSONResponse({"detail": "Enter the pass-phrase first."}, status_code=401)
