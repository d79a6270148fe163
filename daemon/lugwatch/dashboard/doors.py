"""Who may change things, and where asked for, who may read: the pass-phrase and what follows from it.

A pass-phrase is kept as an Argon2id hash (argon2-cffi, the profile of RFC 9106 section 4 for little
memory) in a file that only its owner may read, beside a secret that signs sessions; a new phrase makes a
new secret, so that every phone must enter anew. A session is a signed cookie: nothing is kept here, and a
restart of the page locks nobody out. Every change also carries a token that only our own pages can read.
Without a pass-phrase, changes are taken only on the loopback address, and not through a proxy.
Not here: cookies and headers (`app`), host names (`guard`). May import: clock, errors, units.
"""

import base64
import hashlib
import hmac
import json
import os
import secrets
import threading
from dataclasses import dataclass, field
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from lugwatch.clock import Clock
from lugwatch.errors import OperationFailed, UserError

COOKIE = "lugwatch_session"
SESSION_SECONDS = 90 * 24 * 3600
LEAST_LETTERS = 8
MOST_LETTERS = 200
# tries in a minute: of one address, and of all together
TRIES_OF_ONE = 5
TRIES_OF_ALL = 20
TRY_SECONDS = 60.0
# no 0/o, 1/l/i: read off a terminal and typed on a phone
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lock:
    """What the file holds."""

    passphrase_hash: str
    secret: bytes


def new_passphrase() -> str:
    """Four groups of four letters and digits: 79 bits."""
    return "-".join("".join(secrets.choice(_LETTERS) for _ in range(4)) for _ in range(4))


def check_passphrase(text: str) -> str:
    """The phrase as it is kept. Raises UserError where it is too short, too long or cannot be typed."""
    phrase = text.strip()
    if not LEAST_LETTERS <= len(phrase) <= MOST_LETTERS or not phrase.isprintable():
        raise UserError(
            f"a pass-phrase has {LEAST_LETTERS} to {MOST_LETTERS} letters that can be typed; some words do"
        )
    return phrase


def write_lock(path: Path, phrase: str) -> None:
    """Keep the hash of this phrase, with a new secret. Raises UserError, OperationFailed."""
    hashed = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY).hash(check_passphrase(phrase))
    text = json.dumps({"passphrase_hash": hashed, "secret": secrets.token_hex(32)}) + "\n"
    beside = path.with_name(path.name + ".new")
    try:
        beside.unlink(missing_ok=True)
        with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            _for_the_service(file.fileno(), path.parent)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise OperationFailed(f"cannot write {path}: {error.strerror}; may this user write there?") from None


def _for_the_service(descriptor: int, folder: Path) -> None:
    """What root writes into a folder of the service's group that group may read, else the page could not."""
    group = folder.stat().st_gid
    if os.geteuid() == 0 and group != 0:
        os.fchown(descriptor, -1, group)
        os.fchmod(descriptor, 0o640)


def read_lock(path: Path) -> Lock | None:
    """None where no phrase was set. Raises UserError where the file is not one of ours."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return Lock(
            passphrase_hash=str(document["passphrase_hash"]), secret=bytes.fromhex(document["secret"])
        )
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        reason = getattr(error, "strerror", None) or "it is damaged"
        raise UserError(
            f"cannot read the pass-phrase in {path} ({reason}); set it anew: lugwatch passphrase set"
        ) from None


@dataclass(slots=True, kw_only=True)
class Doors:
    """One page's doors. Used from several threads."""

    clock: Clock
    file: Path | None = None  # where the phrase is kept; None: there can be none
    reading_asks: bool = False
    loopback: bool = True  # the page is served on the loopback address alone
    tries: dict[str, list[float]] = field(default_factory=dict)
    open_secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    _counting: threading.RLock = field(default_factory=threading.RLock)
    # one hash takes 64 MiB, and as many tries as there are threads may come at once
    _hashing: threading.Lock = field(default_factory=threading.Lock)

    def lock(self) -> Lock | None:
        """Read each time: the command sets it while the page runs."""
        return None if self.file is None else read_lock(self.file)

    def may_change(self, cookie: str | None, *, proxied: bool) -> bool:
        lock = self.lock()
        if lock is None:
            return self.loopback and not proxied
        return self._session(lock, cookie) is not None

    def may_read(self, cookie: str | None) -> bool:
        if not self.reading_asks:
            return True
        lock = self.lock()
        # asked for and never set: nobody reads, rather than everybody
        return lock is not None and self._session(lock, cookie) is not None

    def token(self, cookie: str | None) -> str:
        """What a change must carry beside the cookie; other sites can make a browser send the cookie only."""
        lock = self.lock()
        if lock is None:
            return _sign(self.open_secret, "token")
        return _sign(lock.secret, f"token {self._session(lock, cookie) or ''}")

    def is_token(self, cookie: str | None, given: str) -> bool:
        return hmac.compare_digest(self.token(cookie).encode(), given.encode())

    def wait_seconds(self, address: str) -> float:
        """How long until this address may try again; 0: now."""
        now = self.clock.monotonic_seconds()
        with self._counting:
            self.tries = {
                a: kept for a, t in self.tries.items() if (kept := [s for s in t if now - s < TRY_SECONDS])
            }
            own = list(self.tries.get(address, []))
            everybody = sorted(s for t in self.tries.values() for s in t)
        waits = [own[-TRIES_OF_ONE] + TRY_SECONDS - now] if len(own) >= TRIES_OF_ONE else []
        if len(everybody) >= TRIES_OF_ALL:
            waits.append(everybody[-TRIES_OF_ALL] + TRY_SECONDS - now)
        return max(waits, default=0.0)

    def attempt(self, phrase: str, address: str) -> str | float | None:
        """`enter` where this address may try now, else the seconds to wait; counts those at once singly."""
        with self._counting:
            wait = self.wait_seconds(address)
            if wait > 0.0:
                return wait
            self._count(address)
        return self._check(phrase, address)

    def enter(self, phrase: str, address: str) -> str | None:
        """A new session's cookie, or None where it is not the phrase. Counts as a try."""
        self._count(address)
        return self._check(phrase, address)

    def _count(self, address: str) -> None:
        with self._counting:
            self.tries.setdefault(address, []).append(self.clock.monotonic_seconds())

    def _check(self, phrase: str, address: str) -> str | None:
        lock = self.lock()
        if lock is None or len(phrase) > MOST_LETTERS:
            return None
        try:
            with self._hashing:
                PasswordHasher().verify(lock.passphrase_hash, phrase.strip())
        except (VerificationError, InvalidHashError):
            return None
        with self._counting:
            self.tries.pop(address, None)
        body = f"{self.clock.time() // 1000 + SESSION_SECONDS}.{secrets.token_hex(12)}"
        return f"{body}.{_sign(lock.secret, body)}"

    def _session(self, lock: Lock, cookie: str | None) -> str | None:
        """The number of a session that is ours and not over."""
        body, _, signature = (cookie or "").rpartition(".")
        if not body or not hmac.compare_digest(_sign(lock.secret, body).encode(), signature.encode()):
            return None
        until, _, number = body.partition(".")
        return number if int(until) > self.clock.time() // 1000 else None


def _sign(secret: bytes, text: str) -> str:
    digest = hmac.new(secret, text.encode(), hashlib.sha256).digest()
    return base64.urlsafe_b64encode(digest).decode().rstrip("=")
