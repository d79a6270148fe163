"""A first configuration out of what was found: text that loads, and says what to change. Pure.

May import: sources.finding.
"""

import re
from collections.abc import Sequence

from lugwatch.sources.finding import Found, FoundChip, Transducer

_HEAD = """# lugwatch: what is watched, and where it is read from. Change the ids and names to your own words.
# `lugwatch check` lists every mistake at once; README.md lists every setting.
#
# Which probe is which: `lugwatch probes`, then warm one with a finger. Work on joints only with the circuit
# dead and the battery isolated.

[boat]
name = {name}

# [mqtt]                       # for the phone: any MQTT client app
# host = "localhost"
"""

_JOINT = """
[[joint]]
id = "{probe}"                 # one such table for each joint; rename probe and joint together
name = "{words}"
probe = "{probe}"
{current}
air = {air}{air_words}
# neighbours = ["..."]         # joints on the same metal
{rated}
# cable_insulation = "90"      # class in °C: its limit follows; or limit_celsius = 90
# cable_mm2 = 50
# stud = "M8"
"""


def text(boat: str, found: Found) -> str:
    """The TOML text. It has at least one probe and one joint, commented where nothing was found."""
    parts = [_HEAD.format(name=_quoted(boat))]
    probes: list[str] = []
    for address in found.onewire:
        probes.append(f"probe_{len(probes) + 1}")
        parts.append(f'\n[[probe]]\nid = "{probes[-1]}"\nsource = "onewire"\naddress = "{address}"\n')
    for t in (t for t in found.transducers if t.kind == "C"):
        probes.append(_unique(t.name, probes))
        parts.append(f'\n[[probe]]\nid = "{probes[-1]}"\n{_line(t)}')
    if not probes:
        probes.append("probe_1")
        parts.append(
            '\n[[probe]]\nid = "probe_1"\nsource = "onewire"\n'
            'address = "28-000000000000"   # nothing was found; put the id of your probe here\n'
        )
    currents = _currents(found, parts)
    parts += [_joint(probe, probes, currents) for probe in probes[: max(1, len(probes) - 1)]]
    return "".join(parts)


def _currents(found: Found, parts: list[str]) -> list[str]:
    names: list[str] = []
    rated = "rated_amps = 100               # of the shunt, as its plate says\n"
    for t in (t for t in found.transducers if t.kind != "C"):
        names.append(_unique(t.name, names))
        volts = (
            "amps_per_volt = 1000           # the shunt's: 200 A at 50 mV is 4000\n" if t.kind == "U" else ""
        )
        parts.append(f'\n[[current]]\nid = "{names[-1]}"\n{_line(t)}{volts}{rated}')
    for chip in (c for c in found.chips if c.chip != "ads1115"):
        names.append(f"current_{len(names) + 1}")
        parts.append(f'\n[[current]]\nid = "{names[-1]}"\n{_chip(chip)}{rated}')
    for chip in (c for c in found.chips if c.chip == "ads1115"):
        parts.append(
            f"\n# a converter answers at {chip.address:#04x} of {chip.bus}: for each thermistor\n"
            f'# [[probe]]\n# id = "thermistor_1"\n# source = "adc"\n# bus = "{chip.bus}"\n'
            f"# address = {chip.address:#04x}\n# input = 0\n# series_ohms = 10000\n"
            "# points = [[0, 32554], [25, 10000], [85, 1070]]   # three rows of its datasheet's table\n"
        )
    return names


def _line(t: Transducer) -> str:
    return f'source = "serial"\ndevice = {_quoted(t.device)}\ntransducer = {_quoted(t.name)}\n'


def _quoted(text: str) -> str:
    """A basic string of TOML 1.0; what a node calls itself is not to be trusted."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _chip(chip: FoundChip) -> str:
    return (
        f'source = "shunt_chip"\nchip = "{chip.chip}"\nbus = "{chip.bus}"\naddress = {chip.address:#04x}\n'
        "shunt_millivolts = 50          # as on the shunt's plate\nshunt_amps = 200\n"
    )


def _joint(probe: str, probes: Sequence[str], currents: Sequence[str]) -> str:
    has_air = len(probes) > 1
    return _JOINT.format(
        probe=probe,
        words=probe.replace("_", " ").capitalize(),
        current=f'current = "{currents[0]}"'
        if currents
        else '# current = "..."           # through this joint',
        air=f'"{probes[-1]}"' if has_air else '"none"',
        air_words="           # the probe in the air around it" if has_air else "",
        rated="rated_amps = 100" if currents else "# rated_amps = 100",
    )


def _unique(name: str, taken: Sequence[str]) -> str:
    base = re.sub(r"[^a-z0-9_.-]+", "_", name.lower()).strip("_.-")[:40] or "channel"
    chosen, number = base, 2
    while chosen in taken:
        chosen, number = f"{base}_{number}", number + 1
    return chosen
