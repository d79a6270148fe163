"""Where another probe would earn most, from the configured circuit and what flows in it.

Heat goes with the square of the current, so a second probe on a circuit of 150 A is worth more than five on
one of 30 A. What it is ranked by is judgement (common practice, no source). Not here: words of the sheet,
files. May import: model.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lugwatch.model import Boat, Joint, Part, PartKind, Quantity

_TWO_ENDS = (PartKind.FUSE, PartKind.ISOLATOR, PartKind.SHUNT)
_MACHINES = (PartKind.ALTERNATOR, PartKind.CHARGER, PartKind.INVERTER, PartKind.BATTERY)
LEAST_AMPS = 30.0  # below it a joint has to be very bad to be warm
# how much of a heavy circuit's worth each kind of gap is
_SHARES = {"none": 1.0, "other_end": 0.8, "return": 0.6, "twin": 0.5, "air": 0.7}


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """One place for a probe. amps: what it carries; measured: seen in the history, else by the rating."""

    kind: str  # "none", "other_end", "return", "twin", "air"
    about: str
    text: str
    amps: float | None
    measured: bool


def advise(boat: Boat, parts: Sequence[Part], heaviest_amps: Mapping[str, float]) -> list[Suggestion]:
    """All suggestions, the most worth first. heaviest_amps: largest mean of half an hour, by current."""
    carried: dict[str, tuple[float, bool]] = {}
    for channel in boat.channels:
        if channel.quantity is Quantity.AMPS:
            seen = heaviest_amps.get(channel.channel)
            rated = max(
                (j.rated_amps or 0.0 for j in boat.joints if j.current == channel.channel), default=0.0
            )
            told = seen if seen is not None else rated or channel.rated_amps or 0.0
            carried[channel.channel] = (told, seen is not None)
    joints = {j.joint: j for j in boat.joints}
    found: list[tuple[float, Suggestion]] = []

    def add(kind: str, about: str, current: str | None, text: str) -> None:
        amps, measured = carried.get(current or "", (0.0, False))
        if current is None or amps >= LEAST_AMPS:
            worth = _SHARES[kind] * amps**2
            found.append(
                (worth, Suggestion(kind=kind, about=about, text=text, amps=amps or None, measured=measured))
            )

    for channel in boat.channels:
        if channel.quantity is not Quantity.AMPS:
            continue
        on_it = [j for j in boat.joints if j.current == channel.channel]
        if not on_it:
            add("none", channel.name, channel.channel,
                "this current is measured and no joint of it has a probe: begin nearest the bar")  # fmt: skip
        elif len(on_it) == 1:
            add("twin", on_it[0].name, channel.channel,
                "the only probe on its current: a twin tells a bad joint from another load")  # fmt: skip
    for part in parts:
        on_part = [joints[j] for j in part.joints if j in joints]
        if len(on_part) != 1:
            continue
        current = on_part[0].current
        if part.kind in _TWO_ENDS:
            add(
                "other_end",
                part.name,
                current,
                f"only one side has a probe ({on_part[0].name}): its other terminal",
            )
        elif part.kind in _MACHINES:
            add(
                "return",
                part.name,
                current,
                f"one terminal has a probe ({on_part[0].name}): its other pole carries the same",
            )
    for name in dict.fromkeys(_without_air(boat.joints)):
        add("air", joints[name].name, joints[name].current,
            "no probe is in its air: it is watched by limit and rate of rise alone")  # fmt: skip
    return [suggestion for _, suggestion in sorted(found, key=lambda item: -item[0])]


def _without_air(joints: Sequence[Joint]) -> list[str]:
    return [j.joint for j in joints if j.air is None]
