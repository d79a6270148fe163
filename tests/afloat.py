"""A whole watch in threads of this process on a clock that its one source drives: trouble with the store."""

import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import boats
from histories import START_TIME, open_store
from lugwatch.clock import Clock, ManualClock
from lugwatch.model import AlertChange, AlertChangeKind, Condition, Estimate, Fault, Output, Reading
from lugwatch.replay import resume
from lugwatch.runner import Watch
from lugwatch.store.writer import Store

NEWS = (AlertChangeKind.RAISED, AlertChangeKind.RECTIFIED, AlertChangeKind.ACKNOWLEDGED)


class Listener:
    """A publisher that keeps what it hears."""

    def __init__(self) -> None:
        self.outputs: list[Output] = []

    def start(self) -> None:
        pass

    def publish(self, outputs: Sequence[Output]) -> None:
        self.outputs += outputs

    def close(self) -> None:
        pass

    def changes(self, condition: Condition) -> list[str]:
        """But for what is said again."""
        return [
            o.change.value
            for o in list(self.outputs)
            if isinstance(o, AlertChange) and o.alert.condition is condition and o.change in NEWS
        ]

    def estimates(self) -> int:
        return sum(isinstance(o, Estimate) for o in list(self.outputs))


class Afloat:
    """`with Afloat(path) as boat:` readings each 5 s of the boat's clock, as fast as the watch takes them."""

    name = "onewire"
    interval_seconds = 5.0

    def __init__(self, path: Path, clock: ManualClock | None = None, store: Store | None = None) -> None:
        self.path = path
        self.clock = clock or ManualClock(1000.0, START_TIME)
        self.label: Clock = self.clock  # what the source's labels come from
        self.bar_celsius = 25.0
        self.listener = Listener()
        self.stop = threading.Event()
        self.store: Store = store or open_store(path, clock=self.clock)
        self.read = 0
        self.waits_for_store = True  # False where the store's own waits move the clock
        # done by the store's own thread before it writes: a connection belongs to one thread at a time
        self.before_writing: Callable[[], object] = lambda: None
        self._write = self.store.write
        self.store.write = self._prepared_write  # type: ignore[method-assign]
        state = resume(boats.boat(), self.store, self.clock.monotonic_seconds(), self.clock.time())
        self.watch = Watch(
            state=state,
            sources=(self,),
            store=self.store,
            publishers=(self.listener,),
            clock=self.clock,
            stop=self.stop,
        )
        self._thread = threading.Thread(target=self.watch.run)

    def __enter__(self) -> "Afloat":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self._thread.join(30.0)
        assert not self._thread.is_alive()

    def _prepared_write(self, *outputs: Sequence[Output], **moment: Any) -> None:
        self.before_writing()
        self._write(*outputs, **moment)

    def _is_ahead(self) -> bool:
        return self.watch.backlog > 20 or (self.waits_for_store and self.watch.unwritten > 20)

    def poll(self) -> Sequence[Reading | Fault]:
        # a slow machine or card has a slower boat, not one that loses readings
        while self._is_ahead() and not self.stop.wait(0.001):
            pass
        now, time = self.clock.monotonic_seconds(), self.label.time()
        self.read += 1
        values = {"bar": self.bar_celsius, "air": 20.0, "alternator": 90.0}
        return [
            Reading(channel=channel, value=value, monotonic_seconds=now, time=time)
            for channel, value in values.items()
        ]

    def close(self) -> None:
        pass
