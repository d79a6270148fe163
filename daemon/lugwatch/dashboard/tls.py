"""A certificate and its key for the page: looked at before anything is served, so a wrong file is one line.

Serving is the server's own (`serve`). May import: errors.
"""

import ssl
from pathlib import Path

from lugwatch.errors import UserError

_CERTIFICATE, _KEY, _ENCRYPTED = "-----BEGIN CERTIFICATE-----", "PRIVATE KEY-----", "ENCRYPTED"
# far beyond any chain; a wrong file may be a film
LARGEST_BYTES = 1_000_000


class _AsksForPhrase(Exception):
    """The key is encrypted; nobody is there to type."""


def check(certificate: Path, key: Path | None) -> None:
    """Whether a server can use them. Raises UserError with one line that names the file."""
    if _CERTIFICATE not in _text(certificate, "certificate"):
        raise UserError(
            f"{certificate}: holds no certificate; give a PEM file that begins one, chain and all"
        )
    holder = certificate if key is None else key
    text = _text(holder, "key")
    if _KEY not in text:
        hint = "name it with key_file" if key is None else "give the PEM file of the private key"
        raise UserError(f"{holder}: holds no private key; {hint}")
    encrypted = UserError(
        f"{holder}: the key is encrypted, and nobody types its pass-phrase when the boat starts; "
        "keep one without, readable for the page's user alone"
    )
    if _ENCRYPTED in text:
        raise encrypted
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, _ask)
    except _AsksForPhrase:
        raise encrypted from None
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            raise UserError(f"{holder}: this key does not belong to the certificate {certificate}") from None
        reason = (error.reason or "no reason given").replace("_", " ").lower()
        raise UserError(f"{certificate}: cannot be used with its key ({reason}); is it whole?") from None


def _text(path: Path, what: str) -> str:
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_BYTES).decode("ascii", "replace")
    except OSError as error:
        raise UserError(
            f"cannot read the {what} {path}: {error.strerror}; is it there, and may this user read it?"
        ) from None


def _ask() -> str:
    raise _AsksForPhrase
