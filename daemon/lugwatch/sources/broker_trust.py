"""Password and certificates of the broker in [mqtt]: for those who read from it and those who tell it.

A certificate is trusted because `ca_file` (or the system) signed it, or because it is the very one whose
`fingerprint` is configured; then neither names nor dates are asked for, so a boat whose clock is wrong still
gets its alerts. And what paho raises when a far side fails. Not here: connections that speak MQTT.
May import: config, errors, units.
"""

import hashlib
import hmac
import re
import socket
import ssl
import stat
import struct
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from paho.mqtt import MQTTException
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from lugwatch.config import MqttSettings
from lugwatch.errors import UserError
from lugwatch.units import format_time

# What paho raises when the far side is away or speaks something that is not MQTT.
FAR_SIDE_TROUBLE = (
    OSError,
    MQTTException,
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    AssertionError,
    struct.error,
)
NO_TLS = "it does not speak TLS on this port; check port and tls"
# The largest packet that we want from a broker; a measurement or a word of the crew is far smaller.
MOST_PACKET_BYTES = 131_072
FETCH_SECONDS = 5.0  # for a look at a certificate that was refused
_TLS_PORT = 8883  # IANA, "secure-mqtt"
# OpenSSL's X509_V_ERR_…, https://docs.openssl.org/3.0/man3/X509_STORE_CTX_get_error/
_NOT_YET_VALID, _EXPIRED, _WRONG_NAME, _WRONG_ADDRESS = 9, 10, 62, 64
_UNKNOWN_SIGNER = (18, 19, 20, 21)
# X.690 section 8.1.2 and table 1 of X.680 section 8
_SEQUENCE, _VERSION, _UTC_TIME, _GENERALIZED_TIME = 0x30, 0xA0, 0x17, 0x18


def mistakes(settings: MqttSettings) -> list[str]:
    """Everything wrong with [mqtt] that can be known without the broker, a line each."""
    found = []
    if not settings.host or re.search(r"[\s/]", settings.host):
        found.append(
            f'[mqtt] host = "{settings.host}" is no name or address; give it alone, as in "localhost", '
            "and the port as port"
        )
    if settings.tls is False and settings.port == _TLS_PORT:
        found.append(f"[mqtt] port = {_TLS_PORT} is for TLS; add tls = true, ca_file or fingerprint")
    if settings.username is None and settings.password_file is not None:
        found.append("[mqtt] password_file needs username as well; add it")
    checks: tuple[Callable[[MqttSettings], object], ...] = (read_password, fingerprint, tls_context)
    for check in checks:
        try:
            check(settings)
        except UserError as error:
            found.append(str(error))
    return list(dict.fromkeys(found))


def cautions(settings: MqttSettings) -> list[str]:
    """What works and should not stay as it is, a line each."""
    path = settings.password_file
    try:
        rights = 0 if path is None else path.stat().st_mode
    except OSError:  # `mistakes` says so
        return []
    if not rights & stat.S_IRWXO:
        return []
    return [f"[mqtt] password_file {path}: others may read it (mode {rights & 0o777:o}); chmod o= {path}"]


def small_packets() -> Properties:
    """For CONNECT: nobody at the broker may send us a packet that fills our memory.

    MQTT 5 section 3.1.2.11.4: the broker drops what is larger. Of 3.1.1 there is no such word, and a packet
    may have 256 MB; the broker's own limit has to do (`message_size_limit` of mosquitto).
    """
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = MOST_PACKET_BYTES
    return properties


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


def fingerprint(settings: MqttSettings) -> bytes | None:
    """SHA-256 of the broker's certificate (DER), as configured; None without one. Raises UserError."""
    if settings.fingerprint is None:
        return None
    digits = re.sub(r"[\s:]", "", settings.fingerprint)
    if not re.fullmatch(r"[0-9A-Fa-f]{64}", digits):
        raise UserError(
            f'[mqtt] fingerprint = "{settings.fingerprint}" is no SHA-256 fingerprint, 64 hexadecimal digits '
            "with or without colons; on the broker: openssl x509 -in CERTIFICATE -noout -fingerprint -sha256"
        )
    return bytes.fromhex(digits)


class WrongCertificate(ssl.SSLCertVerificationError):
    """The broker showed another certificate than the one that is pinned."""


class _TrustingSocket(ssl.SSLSocket):
    """Closes itself where the handshake fails, which the client library does not; looks at the pin."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
            wanted: bytes | None = getattr(self.context, "pinned", None)
            if wanted is not None:
                shown = hashlib.sha256(self.getpeercert(binary_form=True) or b"").digest()
                if not hmac.compare_digest(shown, wanted):
                    raise WrongCertificate(
                        f"its certificate has the fingerprint {shown.hex(':').upper()}, "
                        "which is not the one in [mqtt]"
                    )
        except (OSError, ValueError):
            self.close()
            raise


class _Context(ssl.SSLContext):
    pinned: bytes | None = None


def tls_context(settings: MqttSettings) -> ssl.SSLContext | None:
    """Certificates checked against `ca_file` or the system's own, and the pin; None without TLS.

    With a pin and no `ca_file` the pin alone decides. Raises UserError.
    """
    if not settings.tls:
        return None
    ca_file: Path | None = settings.ca_file
    context = _Context(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN  # the broker's own certificate may be the ca_file
    context.pinned = fingerprint(settings)
    if ca_file is None:
        context.load_default_certs()
    else:
        try:
            context.load_verify_locations(cafile=str(ca_file))
        except OSError as error:  # ssl.SSLError is one
            reason = error.strerror if not isinstance(error, ssl.SSLError) else "it holds no certificate"
            raise UserError(
                f"[mqtt] ca_file {ca_file}: {reason}; name the certificate that signed the broker's (PEM)"
            ) from None
    if context.pinned is not None:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE if ca_file is None else ssl.CERT_REQUIRED
    context.sslsocket_class = _TrustingSocket
    return context


# ---- what is wrong, in words ------------------------------------------------------------------


def certificate_trouble(error: ssl.SSLError, settings: MqttSettings, time: int) -> str:
    """Why a TLS connection was not made, in words; `time` [ms since 1970 UTC] is this machine's clock.

    Asks the broker once more for its certificate where its dates are to be told.
    """
    if not isinstance(error, ssl.SSLCertVerificationError) or isinstance(error, WrongCertificate):
        reason = getattr(error, "reason", None)
        if reason in ("WRONG_VERSION_NUMBER", "UNEXPECTED_EOF_WHILE_READING", "RECORD_LAYER_FAILURE"):
            return NO_TLS
        return str(reason or error).replace("_", " ") if reason else str(error)
    now = format_time(time)
    match error.verify_code:
        case code if code in (_NOT_YET_VALID, _EXPIRED):
            validity = _look(settings)
            if code == _NOT_YET_VALID:
                since = f"before {format_time(validity.not_before)}" if validity else "yet"
                return f"its certificate is not valid {since}: this machine's clock says {now}; set the clock"
            until = f" {format_time(validity.not_after)}" if validity else " some time ago"
            return (
                f"its certificate was valid until{until}: this machine's clock says {now}; "
                "renew the certificate, or set the clock"
            )
        case code if code in (_WRONG_NAME, _WRONG_ADDRESS):
            return (
                f"its certificate is not for the name {settings.host}; give host as the certificate has it, "
                "or pin it with fingerprint"
            )
        case code if code in _UNKNOWN_SIGNER:
            return "its certificate is signed by nobody we trust; name the signer's in ca_file, or pin it"
        case _:
            return f"its certificate is not accepted ({error.verify_message})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Validity:
    """From when until when a certificate is valid [ms since 1970 UTC]."""

    not_before: int
    not_after: int


def _look(settings: MqttSettings) -> Validity | None:
    """The dates of the certificate that the broker shows to anybody; None if it shows none."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    try:
        address = (settings.host, settings.port)
        with (
            socket.create_connection(address, timeout=FETCH_SECONDS) as plain,
            context.wrap_socket(plain, server_hostname=settings.host) as link,
        ):
            return validity_of(link.getpeercert(binary_form=True) or b"")
    except (OSError, ValueError):
        return None


def validity_of(certificate: bytes) -> Validity:
    """The dates in a certificate (DER). Raises ValueError where it is none. Source: RFC 5280 section 4.1.

    Certificate ::= SEQUENCE { tbsCertificate SEQUENCE { [0] version, serialNumber, signature, issuer,
    validity SEQUENCE { notBefore, notAfter }, … } … }
    """
    try:
        tag, whole, _ = _element(certificate)
        _require(tag == _SEQUENCE)
        tag, fields, _ = _element(whole)
        _require(tag == _SEQUENCE)
        if fields[0] == _VERSION:
            fields = _element(fields)[2]
        for _ in ("serialNumber", "signature", "issuer"):
            fields = _element(fields)[2]
        tag, dates, _ = _element(fields)
        _require(tag == _SEQUENCE)
        first_tag, first, dates = _element(dates)
        second_tag, second, _ = _element(dates)
        return Validity(not_before=_time(first_tag, first), not_after=_time(second_tag, second))
    except IndexError:
        raise ValueError("not a certificate") from None


def _require(true: bool) -> None:
    if not true:
        raise ValueError("not a certificate")


def _element(data: bytes) -> tuple[int, bytes, bytes]:
    """Tag, content and what follows: X.690 section 8.1, lengths in the definite form."""
    tag, length, start = data[0], data[1], 2
    if length & 0x80:
        start = 2 + (length & 0x7F)
        length = int.from_bytes(data[2:start], "big")
    _require(len(data) >= start + length)
    return tag, data[start : start + length], data[start + length :]


def _time(tag: int, text: bytes) -> int:
    """RFC 5280 section 4.1.2.5: UTCTime's two digits are of 1950 to 2049."""
    _require(tag in (_UTC_TIME, _GENERALIZED_TIME))
    digits = text.decode("ascii")
    if tag == _UTC_TIME:
        digits = ("19" if int(digits[:2]) >= 50 else "20") + digits
    moment = datetime.strptime(digits, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC)
    return round(moment.timestamp() * 1000)
