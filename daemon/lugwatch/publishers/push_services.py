"""Messages through apprise, the only file here that names it. It is an optional extra.

Addresses hold passwords and tokens: they are read from a file that only its owner may read, and no part
of one ever stands in a log, an error or the database. What apprise itself says goes nowhere; only a
status number is taken from it.
Not here: what is sent when. May import: errors, model.
"""

import importlib.util
import logging
import re
import stat
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lugwatch.errors import UserError
from lugwatch.model import Category

MISSING = '[push] needs apprise, which is not installed: pip install "lugwatch[push]"'
# What one of some hundred services may raise where it should have said False.
_SERVICE_TROUBLE = (
    OSError,
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    RuntimeError,
    ArithmeticError,
)
_STATUS = re.compile(r"\berror=(\d{3})\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Destination:
    """One address, ready to send to; its text is not kept here."""

    line: int  # in the file, from 1
    kind: str  # the service as apprise calls it
    service: Any

    @property
    def name(self) -> str:
        return f"line {self.line} ({self.kind})"


def is_installed() -> bool:
    return importlib.util.find_spec("apprise") is not None


def read_destinations(path: Path) -> list[Destination]:
    """Every address in the file: one a line, `#` begins a comment.

    Raises UserError: apprise is missing, the file is missing, readable by others or empty, or a line
    is not an address that apprise understands. The line itself is never shown.
    """
    if not is_installed():
        raise UserError(MISSING)
    where = f"[push] urls_file {path}"
    try:
        rights = path.stat().st_mode
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise UserError(f"{where}: {reason}; write one address a line into it, and chmod 600") from None
    if rights & (stat.S_IRWXG | stat.S_IRWXO):
        raise UserError(f"{where}: others may read it (mode {rights & 0o777:o}); chmod 600 {path}")
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        address = line.strip()
        if address and not address.startswith("#"):
            found.append(_destination(number, address, where))
    if not found:
        raise UserError(f"{where}: it holds no address; write one a line, such as apprise understands")
    return found


def _destination(number: int, address: str, where: str) -> Destination:
    import apprise

    _quiet()
    asset = apprise.AppriseAsset(
        app_id="lugwatch",
        app_desc="lugwatch",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        async_mode=False,
        storage_mode=apprise.PersistentStoreMode.MEMORY,
    )
    service = apprise.Apprise.instantiate(address, asset=asset)
    if service is None:
        raise UserError(
            f"{where}, line {number}: apprise does not understand this address; "
            "compare it with apprise's list of services, and look for a missing part"
        )
    return Destination(line=number, kind=str(service.service_name), service=service)


def send(destination: Destination, category: Category, title: str, body: str) -> str | None:
    """Send one message; blocks as long as the service does. None when it was taken, else why not."""
    import apprise

    kinds = {
        Category.ALARM: apprise.NotifyType.FAILURE,
        Category.WARNING: apprise.NotifyType.WARNING,
        Category.CAUTION: apprise.NotifyType.INFO,
    }
    heard = _quiet()
    heard.begin()
    try:
        # the service itself, in this thread: apprise's own queue would outlive a stop
        taken = destination.service.notify(
            title=title, body=body, notify_type=kinds[category], body_format=apprise.NotifyFormat.TEXT
        )
    except _SERVICE_TROUBLE as error:
        return f"apprise failed: {type(error).__name__}"  # its text may hold the address
    finally:
        said = heard.end()
    if taken:
        return None
    status = next((found.group(1) for text in said if (found := _STATUS.search(text))), None)
    if status is not None:
        return f"refused with status {status}"
    return "not taken: no connection, no answer in time, or refused"


class _Heard(logging.Handler):
    """Keeps what apprise says in one thread until its message is sent, and shows it to nobody."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._said: dict[int, list[str]] = {}

    def begin(self) -> None:
        self._said[threading.get_ident()] = []

    def end(self) -> list[str]:
        return self._said.pop(threading.get_ident(), [])

    def emit(self, record: logging.LogRecord) -> None:
        said = self._said.get(threading.get_ident())
        if said is not None:
            said.append(record.getMessage())


def _quiet() -> _Heard:
    """Apprise's log ends in our ear: an address may stand in it."""
    for name in ("urllib3", "requests"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    logger = logging.getLogger("apprise")
    for handler in logger.handlers:
        if isinstance(handler, _Heard):
            return handler
    heard = _Heard()
    logger.handlers = [heard]
    logger.propagate = False
    logger.setLevel(logging.WARNING)
    return heard
