"""Small invented boats and a plain two-mode joint for tests of the core."""

from collections.abc import Iterable, Iterator

from lugwatch import pipeline, replay
from lugwatch.model import (
    Boat,
    Channel,
    Event,
    Joint,
    Output,
    Quantity,
    Scan,
    Tick,
    Watching,
)
from lugwatch.pipeline import State

START_TIME = 1_780_000_000_000


def channel(name: str, quantity: Quantity = Quantity.CELSIUS, source: str | None = "onewire") -> Channel:
    return Channel(
        channel=name,
        quantity=quantity,
        name=name.replace("_", " "),
        source=source,
        rated_amps=120.0 if quantity is Quantity.AMPS else None,
    )


def joint(name: str, **changes: object) -> Joint:
    values: dict[str, object] = {
        "joint": name,
        "name": name.replace("_", " ").capitalize(),
        "probe": name,
        "current": "alternator",
        "air": "air",
        "neighbours": (),
        "rated_amps": 120.0,
        "limit_celsius": 90.0,
        "limit_basis": "set in the configuration",
    }
    return Joint(**{**values, **changes})  # type: ignore[arg-type]


def boat(*joints: Joint, watching: Watching | None = None) -> Boat:
    """A boat whose probes, air and alternator current are all there is."""
    joints = joints or (joint("bar"),)
    return Boat(
        name="Grey Plover",
        slug="grey-plover",
        channels=(
            *(channel(j.probe) for j in joints),
            channel("air"),
            channel("alternator", Quantity.AMPS, "serial /dev/node"),
        ),
        joints=joints,
        watching=watching or Watching(),
    )


def two_mode_celsius(
    seconds: float, amps: float, *, own_kelvin: float = 12.0, soak_kelvin: float = 8.0, air: float = 20.0
) -> float:
    """A step of `amps` at second 0 on a joint that rises by own + soak at 120 A; τ 180 s and 2400 s."""
    import math

    share = (amps / 120.0) ** 2
    fast = own_kelvin * (1.0 - math.exp(-seconds / 180.0))
    slow = soak_kelvin * (1.0 - math.exp(-seconds / 2400.0))
    return air + share * (fast + slow)


def begin(a_boat: Boat) -> State:
    return pipeline.begin(a_boat, 0.0, START_TIME)


def scan(seconds: float, **values: float) -> Scan:
    return Scan(
        values=tuple(values.items()), monotonic_seconds=seconds, time=START_TIME + round(seconds * 1000)
    )


def tick(seconds: float) -> Tick:
    return Tick(monotonic_seconds=seconds, time=START_TIME + round(seconds * 1000))


def run(state: State, events: Iterable[Event]) -> tuple[State, list[Output]]:
    outputs: list[Output] = []
    for event in events:
        state, more = replay.step_and_learn(state, event)
        outputs += more
    return state, outputs


def motoring(
    start: float, end: float, amps: float = 90.0, step: float = 5.0, *, own_kelvin: float = 12.0
) -> Iterator[Event]:
    """One joint, `bar`, under a steady load: both its modes, read in sixteenths."""
    for k in range(round((end - start) / step)):
        seconds = start + k * step
        probe = two_mode_celsius(seconds, amps, own_kelvin=own_kelvin)
        yield scan(seconds, bar=round(probe * 16) / 16, air=20.0, alternator=amps)
        yield tick(seconds)
