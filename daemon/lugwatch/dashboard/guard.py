"""Who may talk to the page: host names that are this computer, writes from this page only and of a bounded
size, strict headers.

A page of the internet, open in the same browser, can point a name of its own at this computer (DNS
rebinding) or post a form to it; both are refused here. Not here: the
pass-phrase (`gate`). Imports nothing of ours.
"""

import ipaddress
from collections.abc import Collection
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK_NAMES = frozenset({"localhost", "localhost.localdomain"})

# The longest entry of the journal, each letter written as \uXXXX, is 120 kB; nobody has more to tell.
MOST_BODY_BYTES = 131_072

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


def host_name(authority: str) -> str | None:
    """The name or address in a Host header, lower case, without port and brackets; None if malformed."""
    try:
        name = urlsplit(f"//{authority}").hostname
    except ValueError:
        return None
    return name.rstrip(".") if name else None


def is_allowed(authority: str, allowed: Collection[str]) -> bool:
    """Whether a Host header names this computer: a literal address, a loopback name or an allowed name."""
    name = host_name(authority)
    if name is None:
        return False
    if name in LOOPBACK_NAMES or name in allowed:
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    # an address cannot be rebound: only names are looked up
    return True


def is_same_origin(headers: Headers) -> bool:
    """Whether a writing request comes from our own page: its Origin is the very host it was sent to."""
    try:
        origin = urlsplit(headers.get("origin", ""))
    except ValueError:  # brackets that do not close
        return False
    return origin.scheme in ("http", "https") and origin.netloc.lower() == headers.get("host", "").lower()


async def bounded_body(headers: Headers, receive: Receive) -> bytes | None:
    """The whole body of a request; None as soon as it is larger than `MOST_BODY_BYTES`, the rest unread."""
    length = headers.get("content-length", "0")
    if length.isascii() and length.isdigit() and int(length[:18]) > MOST_BODY_BYTES:
        return None
    body = bytearray()
    while True:
        message = await receive()
        body += message.get("body", b"")
        if len(body) > MOST_BODY_BYTES:
            return None
        if message["type"] != "http.request" or not message.get("more_body", False):
            return bytes(body)


def _replayed(body: bytes, receive: Receive) -> Receive:
    told = False

    async def replay() -> Message:
        nonlocal told
        if told:
            return await receive()
        told = True
        return {"type": "http.request", "body": body, "more_body": False}

    return replay


def _refusal(scope: Scope, words: str, status: int) -> Response:
    """An object for a script, words for a reader."""
    if str(scope["path"]).startswith("/api/"):
        return JSONResponse({"detail": words}, status_code=status)
    return PlainTextResponse(words, status_code=status)


class Guard:
    """The outermost layer: checks the host, then origin and size of writes, and adds the headers."""

    def __init__(self, app: ASGIApp, allowed_hosts: Collection[str] = (), hsts_seconds: int = 0) -> None:
        self.app = app
        self.hsts_seconds = hsts_seconds
        self.allowed = frozenset(name.lower().rstrip(".") for name in allowed_hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    # a sheet brings a policy of its own, for the style inside it
                    headers.setdefault(name, value)
                # over TLS alone: RFC 6797, 7.2
                if self.hsts_seconds and scope["scheme"] == "https":
                    headers["Strict-Transport-Security"] = f"max-age={self.hsts_seconds}"
                if "cache-control" not in headers:
                    headers["Cache-Control"] = "no-store"
            await send(message)

        headers = Headers(scope=scope)
        if not is_allowed(headers.get("host", ""), self.allowed):
            refusal = "This name is not one of this computer's; use its address, or localhost."
            await _refusal(scope, refusal, 421)(scope, receive, send_guarded)
            return
        if scope["method"] not in ("GET", "HEAD") and not is_same_origin(headers):
            refusal = "Refused: this did not come from the lugwatch page."
            await _refusal(scope, refusal, 403)(scope, receive, send_guarded)
            return
        if scope["method"] not in ("GET", "HEAD"):
            # a program, unlike a browser, can say any origin: it must not fill the memory either
            body = await bounded_body(headers, receive)
            if body is None:
                refusal = f"Refused: more than {MOST_BODY_BYTES} bytes."
                await _refusal(scope, refusal, 413)(scope, receive, send_guarded)
                return
            receive = _replayed(body, receive)
        await self.app(scope, receive, send_guarded)
