"""When a current is told as doubtful: why it is not believed, and the finding that comes of it.

Not here: how that is found (`current_doubt`), states of alerts (`alert_states`), words (`advice`).
May import: model, advice, alert_states.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from lugwatch import advice
from lugwatch.alert_states import Finding, Verdict
from lugwatch.model import Category, Channel, Condition

# A load that comes and goes must not make it chatter.
OFF_DELAY_SECONDS = 300.0


class Doubt(StrEnum):
    """Why a current is not believed."""

    IMPLAUSIBLE = "implausible"  # beyond what its shunt can carry, or leaping
    CLIPPED = "clipped"  # at the end of the range: the true current is that or more
    STUCK = "stuck"  # one number, while others say that the current changes
    HELD = "held"  # one number where it always varied; too short, or without a witness: not told
    REVERSED = "reversed"  # flows the way it cannot


# Their sizes are wrong or unknown; of a reversed one only the sign is.
UNKNOWN_SIZE = frozenset({Doubt.IMPLAUSIBLE, Doubt.CLIPPED, Doubt.STUCK, Doubt.HELD})
# How long it must be true. A starter cranks for some seconds with several times the rating.
ON_DELAY_SECONDS = {
    Doubt.IMPLAUSIBLE: 40.0,
    Doubt.CLIPPED: 20.0,
    Doubt.STUCK: 0.0,
    Doubt.REVERSED: 60.0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubted:
    """One current that is not believed now."""

    doubt: Doubt
    amps: float  # what it says; NaN: its source says no number
    seconds: float = 0.0  # for how long it has said so; stuck only
    witness: str = ""  # in words, what contradicts it


def doubtful_finding(channel: Channel, doubted: Doubted | None, judgeable: bool) -> Finding:
    """Once for a channel, whatever of it is doubted; a caution: nothing burns for it.

    judgeable: False holds things as they are: silent, or never seen to move since the start.
    """
    if doubted is not None and doubted.doubt in ON_DELAY_SECONDS:
        text, what_to_do = _words(channel, doubted)
        verdict, on_delay = Verdict.TRUE, ON_DELAY_SECONDS[doubted.doubt]
    else:
        text, what_to_do, on_delay = "", "", 0.0
        verdict = Verdict.FALSE if judgeable and doubted is None else Verdict.HOLD
    return Finding(
        condition=Condition.CURRENT_DOUBTFUL,
        joint=None,
        channel=channel.channel,
        verdict=verdict,
        category=Category.CAUTION,
        on_delay_seconds=on_delay,
        off_delay_seconds=OFF_DELAY_SECONDS,
        text=text,
        advice=what_to_do,
    )


def _words(channel: Channel, doubted: Doubted) -> tuple[str, str]:
    match doubted.doubt:
        case Doubt.IMPLAUSIBLE:
            return advice.current_implausible(channel, doubted.amps, doubted.witness)
        case Doubt.CLIPPED:
            return advice.current_clipped(channel, None if math.isnan(doubted.amps) else doubted.amps)
        case Doubt.REVERSED:
            return advice.current_reversed(channel, doubted.amps)
        case _:
            return advice.current_stuck(channel, doubted.amps, doubted.seconds, doubted.witness)


def reason(doubted: Doubted) -> str:
    """Why a joint on this current has no figures, for its card."""
    if math.isnan(doubted.amps):
        return "its current is not believed: it is at the end of its range"
    what = {
        Doubt.IMPLAUSIBLE: f"it says {doubted.amps:.1f} A, which its shunt does not carry",
        Doubt.CLIPPED: f"it stands at the end of its range, {doubted.amps:.1f} A",
        Doubt.STUCK: f"it is stuck at {doubted.amps:.2f} A",
        Doubt.HELD: f"it stands still at {doubted.amps:.2f} A, and always varied before",
        Doubt.REVERSED: f"it says {doubted.amps:.1f} A, the wrong way",
    }
    return f"its current is not believed: {what[doubted.doubt]}"
