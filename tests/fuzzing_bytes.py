"""Targets of `fuzzing` as a fuzzer of bytes wants them: good examples to begin with, and bytes -> example.

Targets that are not here get their bytes through hypothesis, which makes an example of any bytes.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import fuzzing
import fuzzing_commands
import fuzzing_files

_PATHS = (None, ("battery", "amps"), ("1", "1"), ("time",))


@dataclass(frozen=True, slots=True)
class Raw:
    """seeds: what the corpus begins with; example: what the target's check is given for some bytes."""

    seeds: tuple[bytes, ...]
    example: Callable[[bytes], Any]


def _choosing(seeds: tuple[bytes, ...], choices: tuple[Any, ...]) -> Raw:
    """The first byte chooses, the rest is read."""
    return Raw(
        tuple(bytes([n]) + seed for seed in seeds for n in range(len(choices))),
        lambda data: (data[1:], choices[data[0] % len(choices)] if data else choices[0]),
    )


def _plain(seeds: tuple[bytes, ...]) -> Raw:
    return Raw(seeds, lambda data: data)


RAW: dict[str, Raw] = {
    "one-wire text": _choosing(fuzzing._SLAVES, fuzzing.FAMILIES),
    "one-wire number": _choosing(fuzzing._BARE, fuzzing.FAMILIES),
    "one-wire ids": Raw(
        (b"28-0123456789ab", b"28.AB8967452301", b"28 01 23 45 67 89 ab"),
        lambda data: data.decode("utf-8", errors="replace"),
    ),
    "sentences": _plain((*fuzzing._LINES, b"".join(fuzzing._LINES))),
    "MQTT payloads": _choosing(fuzzing._PAYLOADS, _PATHS),
    "commands of instruments": _plain(fuzzing_commands.COMMANDS),
    "words of the crew": _plain(fuzzing._WORDS),
    "configuration": _plain((fuzzing_files._TOML,)),
    "recordings": _plain(fuzzing_files._CSV),
    "notes of backups": _plain(fuzzing_files._NOTES),
}
