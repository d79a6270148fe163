"""Names and sentences around MQTT: the client id, the text of `status`, another who speaks for the boat.

Not here: the connection; what the crew says (`crew_words`). May import json_shapes and units.
"""

import hashlib
import hmac
import json
from pathlib import Path

from lugwatch.json_shapes import dump
from lugwatch.units import format_time

_MACHINE_IDS = (Path("/etc/machine-id"), Path("/var/lib/dbus/machine-id"))
# A client id of 1 to 23 letters and digits is allowed at every broker, MQTT 3.1.1 [MQTT-3.1.3-5].
_ID_PREFIX, _ID_LENGTH = "lugwatch", 23


def machine_id(paths: tuple[Path, ...] = _MACHINE_IDS) -> str | None:
    """What tells this machine from any other, for as long as its system is installed; None if unknown."""
    for path in paths:
        try:
            text = path.read_text(encoding="ascii", errors="replace").strip()
        except OSError:
            continue
        if text and text != "uninitialized":
            return text
    return None


def client_id(slug: str, machine: str) -> str:
    """One id for each boat and machine, the same after every restart.

    A keyed hash, since machine-id(5) asks that the id itself be shown to nobody.
    """
    digest = hmac.new(machine.encode(), f"lugwatch {slug}".encode(), hashlib.sha256).hexdigest()
    return (_ID_PREFIX + digest)[:_ID_LENGTH]


def status_text(
    word: str,
    *,
    time: int | None,
    heartbeat_seconds: float,
    offline_after_seconds: float,
    connected_time: int,
    boot: str | None,
    client_id: str,
    history_id: str,
    last_sequence: int,
) -> str:
    """The JSON of `status`; `time` is the heartbeat's, null in a last will: nobody was there to look."""
    return dump(
        {
            "status": word,
            "time": None if time is None else format_time(time),
            "heartbeat_seconds": heartbeat_seconds,
            "offline_after_seconds": offline_after_seconds,
            "connected_time": format_time(connected_time),
            "boot": boot,
            "client_id": client_id,
            "history_id": history_id,
            "last_sequence": last_sequence,
        }
    )


def other_speaker(payload: bytes, own_client_id: str) -> str | None:
    """The client id of another lugwatch whose `status` this is, online just now; None if there is none."""
    try:
        status = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(status, dict) or status.get("status") != "online":
        return None
    speaker = status.get("client_id")
    if not isinstance(speaker, str) or speaker == own_client_id:
        return None
    return "".join(c for c in speaker if c.isprintable())[:40]
