"""When a buzzer sounds and a lamp shines, as on-times and pauses: pure, the time is an argument.

Three sounds for an alarm and two for a warning, and no sound that goes on after acknowledgement or after
the condition is over; visual signals flash until acknowledged and are steady then; a silenced sound
returns after 30 s: IMO MSC.302(87) section 7.3. Lengths and repetitions from memory of IEC 62923-1
(alarm each 7 s, warning each minute). The short sound of a caution is ours: there it is silent.
Not here: pins, threads. May import: model, publishers.standing.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from lugwatch.model import Alert, AlertState, Category, Output
from lugwatch.publishers.standing import Standing

SILENCE_SECONDS = 30.0  # MSC.302(87) 7.3.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """Seconds on, off, on, off, …; begun again after the last unless it is said once."""

    seconds: tuple[float, ...]
    once: bool = False

    def at(self, seconds: float) -> tuple[bool, float]:
        """On or off so long after its beginning, and seconds to the next edge (infinite: none)."""
        whole = sum(self.seconds)
        if self.once and seconds >= whole:
            return False, math.inf
        rest = seconds % whole
        for place, length in enumerate(self.seconds):
            if rest < length:
                return place % 2 == 0, length - rest
            rest -= length
        return False, self.seconds[-1]  # rounding brought it to the very end


STEADY = Pattern(seconds=(math.inf,))
SOUNDS = {
    Category.ALARM: Pattern(seconds=(0.4, 0.3, 0.4, 0.3, 0.4, 5.2)),
    Category.WARNING: Pattern(seconds=(0.4, 0.3, 0.4, 58.9)),
    Category.CAUTION: Pattern(seconds=(0.2, 0.0), once=True),
}
FLASHES = {
    Category.ALARM: Pattern(seconds=(0.25, 0.25)),
    Category.WARNING: Pattern(seconds=(0.8, 0.8)),
    Category.CAUTION: STEADY,
}
_UNSEEN = (
    AlertState.ACTIVE_UNACKNOWLEDGED,
    AlertState.ACTIVE_SILENCED,
    AlertState.RECTIFIED_UNACKNOWLEDGED,
)


class Sound:
    """What a buzzer does: it sounds the worst alert that is active and that nobody has acknowledged."""

    def __init__(self, categories: Collection[Category]) -> None:
        self._standing = Standing(categories)
        self._category: Category | None = None
        self._since_seconds = 0.0
        self._silent_until_seconds = -math.inf

    def restore(self, alerts: Sequence[Alert], now_seconds: float) -> None:
        self._standing.restore(alerts)
        self._look(now_seconds, anew=False)

    def note(self, outputs: Sequence[Output], now_seconds: float) -> None:
        # what speaks begins a sound anew and ends a silence; that it was seen or is over does not
        news = [change for change in self._standing.note(outputs) if change.speaks]
        if news:
            self._silent_until_seconds = -math.inf
        self._look(now_seconds, anew=bool(news))

    def silence(self, now_seconds: float) -> bool:
        """Be silent for 30 s, or until something new happens; False where nothing sounds."""
        if self._category is None:
            return False
        self._silent_until_seconds = now_seconds + SILENCE_SECONDS
        return True

    def at(self, now_seconds: float) -> tuple[bool, float]:
        """On or off, and seconds to the next edge."""
        if self._category is None:
            return False, math.inf
        if now_seconds < self._silent_until_seconds:
            return False, self._silent_until_seconds - now_seconds
        pattern, since = SOUNDS[self._category], self._since_seconds
        if not pattern.once:
            # from the end of a silence it begins anew: whoever pressed the button hears it return
            since = max(since, self._silent_until_seconds)
        return pattern.at(now_seconds - since)

    def _look(self, now_seconds: float, *, anew: bool) -> None:
        worst = self._standing.worst(AlertState.ACTIVE_UNACKNOWLEDGED)
        category = None if worst is None else worst.category
        if category is self._category and not anew:
            return
        self._category, self._since_seconds = category, now_seconds
        if category is not None and SOUNDS[category].once and not anew:
            self._since_seconds = -math.inf  # it has had its sound: before a restart, or before the worse one


class Light:
    """What a lamp does: it flashes while there is something that nobody has seen, else it is steady."""

    def __init__(self, categories: Collection[Category]) -> None:
        self._standing = Standing(categories)

    def restore(self, alerts: Sequence[Alert], now_seconds: float) -> None:
        self._standing.restore(alerts)

    def note(self, outputs: Sequence[Output], now_seconds: float) -> None:
        self._standing.note(outputs)

    def silence(self, now_seconds: float) -> bool:
        """A lamp makes no noise."""
        return False

    def at(self, now_seconds: float) -> tuple[bool, float]:
        """On or off, and seconds to the next edge."""
        unseen = self._standing.worst(*_UNSEEN)
        if unseen is not None:
            return FLASHES[unseen.category].at(now_seconds)
        seen = self._standing.worst(AlertState.ACTIVE_ACKNOWLEDGED)
        return seen is not None, math.inf
