"""The one sentence that answers "is everything all right?".

Words for counts, worst news never left out, old news never told as present. Not here: what to do
about it (`advice`). Pure; may import model and units only.
"""

from collections import Counter
from collections.abc import Sequence

from lugwatch.model import Category, JointState
from lugwatch.units import format_duration

WAITING = "Waiting for the watch to start."
UNREADABLE = "Nothing is known: the history cannot be read."

# fmt: off
_COUNTS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen", "twenty",
)
# fmt: on

# A joint that is all right is named first, unless one must be acted on now.
_WORDS = {
    JointState.HOT: "over its limit",
    JointState.HEADING_HOT: "heading over its limit",
    JointState.RISING_FAST: "rising fast",
    JointState.INTERMITTENT: "making and breaking contact",
    JointState.PROBE_OFF: "with its probe off",
    JointState.STEADY: "steady",
    JointState.NO_LOAD: "without load",
    JointState.LIMIT_ONLY: "within its limit",
    JointState.LEARNING: "still learning",
    JointState.WARMING: "warming",
    JointState.CREEPING: "heating more from passage to passage",
    JointState.SILENT: "silent",
    JointState.OUT_OF_SERVICE: "out of service",
}
_PLURAL = {"its limit": "their limits"}
_ALL = {
    JointState.STEADY: "{all} joints steady.",
    JointState.NO_LOAD: "{all} joints at rest: too little current to judge.",
    JointState.LEARNING: "{all} joints quiet, still learning what is usual.",
    JointState.LIMIT_ONLY: "{all} joints within their limits.",
    JointState.SILENT: "Nothing is known: {all_small} joints are silent.",
    JointState.OUT_OF_SERVICE: "{all} joints out of service: none is watched.",
}


def count_word(count: int) -> str:
    """A count as it is said: in words up to twenty."""
    return _COUNTS[count] if 0 <= count < len(_COUNTS) else str(count)


def sentence(
    states: Sequence[JointState],
    *,
    age_seconds: float | None,
    stale: bool,
    other_alerts: Sequence[Category] = (),
) -> str:
    """The sentence for these joints.

    age_seconds: since the last write, None if no clock can tell. stale: that is too long.
    other_alerts: active alerts that are about no joint.
    """
    if stale:
        if age_seconds is None:
            return "Nothing is known: no reading since this computer started."
        return f"Nothing is known: no reading for {format_duration(age_seconds)}."
    if not states:
        return WAITING
    text = _joints(states)
    if not other_alerts:
        return text
    worst = min(other_alerts, key=list(Category).index)
    more = f"one {worst}" if len(other_alerts) == 1 else f"{count_word(len(other_alerts))} alerts"
    return f"{text[:-1]}; {more} not about a joint."


def _joints(states: Sequence[JointState]) -> str:
    counts = Counter(states)
    if len(counts) == 1:
        (state,) = counts
        count = counts[state]
        if count > 1 and state in _ALL:
            return _ALL[state].format(all=_all(count), all_small=_all(count).lower())
        if state is JointState.SILENT:
            return "Nothing is known: the joint is silent."
        which = "The joint is" if count == 1 else f"{_all(count)} joints"
        return f"{which} {_words(state, count)}."
    parts = [
        f"{count_word(counts[state])} {_words(state, counts[state])}" for state in _WORDS if counts[state]
    ]
    text = ", ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def _all(count: int) -> str:
    return "Both" if count == 2 else f"All {count_word(count)}"


def _words(state: JointState, count: int) -> str:
    words = _WORDS[state]
    if count > 1:
        for one, many in _PLURAL.items():
            words = words.replace(one, many)
    return words
