"""What stands in files and messages around MQTT: password, certificates, status, acknowledgement.

Not here: the connection. May import errors, units, json_shapes and config.
"""

import json
import ssl
from pathlib import Path

from lugwatch.config import MqttSettings
from lugwatch.errors import UserError
from lugwatch.json_shapes import dump
from lugwatch.units import format_time

WORD_BYTES = 1024  # an acknowledgement is shorter than this


def read_password(settings: MqttSettings) -> str | None:
    """The first line of the password file; None without one. Raises UserError."""
    if settings.password_file is None:
        return None
    if settings.username is None:
        raise UserError("[mqtt] password_file needs username as well; add it")
    try:
        text = settings.password_file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise UserError(
            f"[mqtt] password_file {settings.password_file}: {reason}; write the password into it, one line"
        ) from None
    if not text.strip():
        raise UserError(f"[mqtt] password_file {settings.password_file} is empty; write the password into it")
    return text.splitlines()[0]


class _ClosingSocket(ssl.SSLSocket):
    """Closes itself where the handshake fails; paho drops it open there."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except (OSError, ValueError):
            self.close()
            raise


def tls_context(settings: MqttSettings) -> ssl.SSLContext | None:
    """Certificates checked against `ca_file`, or the system's own; None without TLS. Raises UserError."""
    if not settings.tls:
        return None
    ca_file: Path | None = settings.ca_file
    try:
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except OSError as error:  # ssl.SSLError is one
        reason = error.strerror or "it holds no certificate"
        raise UserError(
            f"[mqtt] ca_file {ca_file}: {reason}; name the certificate that signed the broker's (PEM)"
        ) from None
    context.sslsocket_class = _ClosingSocket
    return context


def alert_id_in(payload: bytes) -> int | None:
    """The alert meant by `{"alert_id": n}` or a plain number; None if it is neither."""
    if len(payload) > WORD_BYTES:
        return None
    try:
        word = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if isinstance(word, dict):
        word = word.get("alert_id")
    good = isinstance(word, int) and not isinstance(word, bool) and 0 < word < 2**63
    return word if good else None


def status_text(
    word: str, *, time: int | None, heartbeat_seconds: float, connected_time: int, boot: str | None
) -> str:
    """The JSON of `status`; `time` is the heartbeat's, null in a last will: nobody was there to look."""
    return dump(
        {
            "status": word,
            "time": None if time is None else format_time(time),
            "heartbeat_seconds": heartbeat_seconds,
            "connected_time": format_time(connected_time),
            "boot": boot,
        }
    )
