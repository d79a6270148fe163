"""A clock that stands still while a driver thinks and moves when it asks the world something, or waits.

Recorded and played, a driver is given the same clock: the one times that it can see are those in the
recording. So a play is the same to the last bit and not to within what the machine took in between.
May import: nothing of ours.
"""


class StepClock:
    """Without `wait`, which recorder and player add in their own ways. Of one thread."""

    def __init__(self, micros: int, time: int) -> None:
        """micros: monotonic [µs]; time: wall label [ms]."""
        self._micros = self._began_micros = micros
        self._began_time = time

    @property
    def micros(self) -> int:
        return self._micros

    @property
    def began_micros(self) -> int:
        return self._began_micros

    @property
    def began_time(self) -> int:
        return self._began_time

    def begin(self, micros: int, time: int) -> None:
        """A poll begins: from here the label goes on with the monotonic clock."""
        self._micros = self._began_micros = max(self._micros, micros)
        self._began_time = time

    def move_to(self, micros: int) -> None:
        """Never back."""
        self._micros = max(self._micros, micros)

    def monotonic_seconds(self) -> float:
        return self._micros / 1e6

    def time(self) -> int:
        return self._began_time + (self._micros - self._began_micros) // 1000
