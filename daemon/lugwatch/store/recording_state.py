"""Whether the history is being written, when to try again, and when it is worth an alert. Pure.

May import: errors.
"""

from dataclasses import dataclass

from lugwatch.errors import OperationFailed
from lugwatch.store.errors import StoreBusy

# Another program's lock costs nothing but patience; it is told when it stays.
BUSY_TOLD_SECONDS = 30.0
# A card that is all but full takes a write now and then: it is well when it has taken all for so long.
WELL_SECONDS = 30.0
# A card that is full or cannot be written is not asked at each commit, which would cost more with each.
FIRST_PAUSE_SECONDS, LONGEST_PAUSE_SECONDS = 8.0, 60.0

ADVICE = (
    "Watching and alerts go on; what was read waits in memory, for some hours, and is lost if the power goes."
    " Free some space on the card, or see that it can be written; nothing has to be restarted."
    " If it stays so, the card is worn out: make a backup and put in another."
)


@dataclass(slots=True)
class RecordingState:
    """Of one store; seconds are monotonic."""

    failing_since_seconds: float | None = None
    told: bool = False
    next_try_seconds: float = 0.0
    writing_since_seconds: float | None = None  # while trouble is told
    _pause_seconds: float = FIRST_PAUSE_SECONDS

    def may_try(self, now_seconds: float) -> bool:
        return now_seconds >= self.next_try_seconds

    def failed(self, error: OperationFailed, now_seconds: float) -> bool:
        """A write failed; True if it is to be told now."""
        if self.failing_since_seconds is None:
            self.failing_since_seconds = now_seconds
        self.writing_since_seconds = None
        busy = isinstance(error, StoreBusy)
        if not busy:
            self.next_try_seconds = now_seconds + self._pause_seconds
            self._pause_seconds = min(LONGEST_PAUSE_SECONDS, 2.0 * self._pause_seconds)
        if self.told or (busy and now_seconds - self.failing_since_seconds < BUSY_TOLD_SECONDS):
            return False
        self.told = True
        return True

    def well(self, now_seconds: float) -> bool:
        """A write succeeded; True if trouble had been told and is over."""
        self.next_try_seconds = 0.0
        if self.told:
            if self.writing_since_seconds is None:
                self.writing_since_seconds = now_seconds
            if now_seconds - self.writing_since_seconds < WELL_SECONDS:
                return False
        was_told = self.told
        self.failing_since_seconds, self.writing_since_seconds, self.told = None, None, False
        self._pause_seconds = FIRST_PAUSE_SECONDS
        return was_told
