"""What fails together is told together: a bus is one alert, a supply that takes all of them is one."""

from collections.abc import Iterator

import boats
from lugwatch.model import AlertChange, AlertChangeKind, Condition, Event, Fault, FaultKind
from test_pipeline import changes


def test_a_bus_whose_probes_all_fail_is_one_alert_that_says_what_they_answer() -> None:
    two = boats.boat(boats.joint("bar"), boats.joint("lug"))

    def story(dip: range) -> Iterator[Event]:
        for k in range(120):
            seconds = 5.0 * k
            yield boats.scan(seconds, alternator=0.0)
            for n, probe in enumerate(("bar", "lug", "air")):
                at = seconds + 1.5 * n  # a bus answers one probe after the other
                if k in dip:
                    yield Fault(
                        source="onewire", channel=probe, kind=FaultKind.SHORTED, detail="all zeros",
                        monotonic_seconds=at, time=boats.START_TIME + round(at * 1000),
                    )  # fmt: skip
                else:
                    yield boats.scan(at, **{probe: 20.0})
            yield boats.tick(seconds + 4.0)

    _, outputs = boats.run(boats.begin(two), story(range(20, 50)))
    told = [o for o in outputs if isinstance(o, AlertChange)]
    assert [(o.change, o.alert.condition, o.alert.channel) for o in told] == [
        (AlertChangeKind.RAISED, Condition.NO_DATA, "onewire"),
        (AlertChangeKind.RECTIFIED, Condition.NO_DATA, "onewire"),
    ]
    assert told[0].alert.text.startswith("Everything on onewire (3 channels) is silent")
    assert told[0].alert.text.endswith("it answers: all zeros.")
    # a dip of ten seconds is in the history and no alert
    _, outputs = boats.run(boats.begin(two), story(range(20, 22)))
    assert changes(outputs) == [] and sum(isinstance(o, Fault) for o in outputs) == 6


def test_a_probe_that_was_silent_before_its_bus_is_not_said_to_be_well() -> None:
    two = boats.boat(boats.joint("bar"), boats.joint("lug"))

    def story() -> Iterator[Event]:
        for k in range(200):
            values = {"alternator": 0.0}
            if k < 100:
                values |= {"air": 20.0, "lug": 21.0}
            if k < 20:
                values |= {"bar": 21.0}
            yield boats.scan(5.0 * k, **values)
            yield boats.tick(5.0 * k)

    _, outputs = boats.run(boats.begin(two), story())
    told = [o for o in outputs if isinstance(o, AlertChange) and o.change is not AlertChangeKind.REPEATED]
    assert [(o.change, o.alert.joint, o.alert.channel) for o in told] == [
        (AlertChangeKind.RAISED, "bar", "bar"),
        (AlertChangeKind.RAISED, None, "onewire"),
    ]


def test_a_dip_of_the_supply_that_takes_every_bus_is_one_event() -> None:
    def story() -> Iterator[Event]:
        for k in range(200):
            seconds = 5.0 * k
            if not 50 <= k < 80:
                yield boats.scan(seconds, bar=21.0, air=20.0, alternator=0.0)
            yield boats.tick(seconds)

    _, outputs = boats.run(boats.begin(boats.boat()), story())
    assert changes(outputs) == [
        (AlertChangeKind.RAISED, Condition.NO_DATA),
        (AlertChangeKind.RECTIFIED, Condition.NO_DATA),
    ]
