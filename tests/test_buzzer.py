"""Buzzer, lamp and button on gpiozero's own mock pins, by the manual clock."""

import math
from dataclasses import replace

import pytest

pytest.importorskip("gpiozero")

from gpiozero.pins.mock import MockFactory

from alerts_told import acknowledged, alert, change
from lugwatch.clock import ManualClock
from lugwatch.config_ways import PinSettings
from lugwatch.errors import OperationFailed
from lugwatch.model import AlertChangeKind, AlertState, Category
from lugwatch.publishers import pins
from lugwatch.publishers.buzzer import PinPublisher
from lugwatch.publishers.patterns import Light, Pattern, Sound

ALL = frozenset(Category)
GPIO, BUTTON_GPIO = 17, 27


class Rig:
    """One publisher on mock pins; `edges` turns it by hand and says when the pin went on."""

    def __init__(self, voice: Sound | Light, *, button: bool = True, active_high: bool = True) -> None:
        self.clock, self.factory = ManualClock(), MockFactory()
        self.silenced: list[str] = []
        self.publisher = PinPublisher(
            "buzzer",
            PinSettings(
                gpio=GPIO,
                active_high=active_high,
                categories=ALL,
                button_gpio=BUTTON_GPIO if button else None,
            ),
            voice,
            clock=self.clock,
            on_silence=self.silenced.append,
            open_output=lambda gpio, high: pins.open_output(gpio, active_high=high, factory=self.factory),
            open_button=lambda gpio, pressed: pins.open_button(gpio, pressed, factory=self.factory),
        )

    def level(self) -> bool:
        return bool(self.factory.pin(GPIO).state)

    def press(self) -> None:
        self.factory.pin(BUTTON_GPIO).drive_low()
        self.factory.pin(BUTTON_GPIO).drive_high()

    def edges(self, seconds: float) -> list[float]:
        """Seconds, from now, at which the pin goes on within so many."""
        began, found = self.clock.monotonic_seconds(), list[float]()
        before = self.level()
        while (gone := self.clock.monotonic_seconds() - began) < seconds:
            pause = self.publisher.turn()
            if self.level() and not before:
                found.append(round(gone, 3))
            before = self.level()
            self.clock.advance(min(pause, 0.1))
        return found


def test_each_category_has_its_own_sound() -> None:
    # three short sounds and two: counts from IEC 62923-1, from memory
    for category, expected in {
        Category.ALARM: [0.0, 0.7, 1.4, 7.0, 7.7, 8.4],
        Category.WARNING: [0.0, 0.7],
        Category.CAUTION: [0.0],
    }.items():
        rig = Rig(Sound(ALL))
        rig.publisher.turn()
        rig.publisher.publish([change(alert(category=category))])
        assert rig.edges(13.0) == pytest.approx(expected, abs=0.11), category


def test_a_warning_comes_back_each_minute_and_a_caution_never() -> None:
    rig = Rig(Sound(ALL))
    rig.publisher.publish([change(alert(category=Category.WARNING))])
    assert rig.edges(125.0) == pytest.approx([0.0, 0.7, 60.0, 60.7, 120.0, 120.7], abs=0.11)
    rig = Rig(Sound(ALL))
    rig.publisher.publish([change(alert(category=Category.CAUTION))])
    assert len(rig.edges(7200.0)) == 1


def test_it_stops_on_acknowledgement_and_when_the_condition_is_over() -> None:
    for last in (
        acknowledged(alert()),
        change(alert(), AlertChangeKind.RECTIFIED, AlertState.RECTIFIED_UNACKNOWLEDGED),
    ):
        rig = Rig(Sound(ALL))
        rig.publisher.publish([change(alert())])
        rig.publisher.turn()
        assert rig.level()
        rig.publisher.publish([last])
        rig.publisher.turn()
        assert not rig.level()
        assert rig.edges(60.0) == []


def test_the_button_silences_for_30_s_and_is_told_as_the_crews_deed() -> None:
    # MSC.302(87) 7.3.5: silenced without acknowledgement it starts again after 30 s
    rig = Rig(Sound(ALL))
    rig.publisher.publish([change(alert())])
    assert len(rig.edges(2.0)) == 3
    rig.press()
    assert rig.silenced == ["button"]
    assert rig.edges(40.0) == pytest.approx([30.0, 30.7, 31.4, 37.0, 37.7, 38.4], abs=0.11)


def test_silenced_elsewhere_it_is_silent_and_comes_back_when_the_watch_says_so() -> None:
    rig = Rig(Sound(ALL))
    rig.publisher.publish([change(alert())])
    rig.edges(2.0)
    rig.publisher.publish([change(alert(), AlertChangeKind.SILENCED, AlertState.ACTIVE_SILENCED)])
    assert rig.edges(20.0) == []
    rig.publisher.publish([change(alert(), AlertChangeKind.SOUNDING)])
    assert len(rig.edges(2.0)) == 3


def test_an_alert_that_is_put_aside_makes_neither_sound_nor_light() -> None:
    for voice in (Sound(ALL), Light(ALL)):
        rig = Rig(voice, button=False)
        rig.publisher.publish([change(alert(), AlertChangeKind.SHELVED, AlertState.SHELVED)])
        assert rig.edges(20.0) == []


def test_something_new_breaks_a_silence() -> None:
    rig = Rig(Sound(ALL))
    rig.publisher.publish([change(alert(1, Category.WARNING))])
    rig.edges(1.0)
    rig.press()
    assert rig.edges(5.0) == []
    rig.publisher.publish([change(alert(2, Category.ALARM))])
    assert len(rig.edges(2.0)) == 3


def test_the_button_does_nothing_while_nothing_sounds() -> None:
    rig = Rig(Sound(ALL))
    rig.publisher.turn()
    rig.press()
    assert rig.silenced == []


def test_the_worst_one_sounds_and_the_next_when_it_is_acknowledged() -> None:
    rig = Rig(Sound(ALL))
    rig.publisher.publish([change(alert(1)), change(alert(2, Category.WARNING))])
    assert len(rig.edges(6.9)) == 3
    rig.publisher.publish([acknowledged(alert(1))])
    assert len(rig.edges(59.0)) == 2


def test_after_a_restart_an_alarm_sounds_on_and_a_caution_is_not_said_again() -> None:
    rig = Rig(Sound(ALL))
    rig.publisher.restore([alert(1, Category.CAUTION)])
    assert rig.edges(60.0) == []
    rig = Rig(Sound(ALL))
    rig.publisher.restore([alert(1, Category.ALARM)])
    assert len(rig.edges(6.9)) == 3


def test_a_caution_that_stands_makes_no_sound_again_when_an_alarm_is_acknowledged() -> None:
    rig = Rig(Sound(ALL))
    rig.publisher.publish([change(alert(1, Category.CAUTION)), change(alert(2))])
    rig.edges(3.0)
    rig.publisher.publish([acknowledged(alert(2))])
    assert rig.edges(60.0) == []


def test_only_categories_asked_for_are_heard() -> None:
    rig = Rig(Sound({Category.ALARM}))
    rig.publisher.publish([change(alert(1, Category.WARNING))])
    assert rig.edges(10.0) == []
    worse = replace(alert(1), category=Category.ALARM)
    rig.publisher.publish([change(worse, AlertChangeKind.WORSENED)])
    assert len(rig.edges(2.0)) == 3


def test_a_lamp_flashes_until_somebody_has_seen_and_is_steady_then() -> None:
    rig = Rig(Light(ALL), button=False)
    rig.publisher.publish([change(alert())])
    assert len(rig.edges(10.0)) == 20
    rig.publisher.publish([change(alert(), AlertChangeKind.RECTIFIED, AlertState.RECTIFIED_UNACKNOWLEDGED)])
    assert len(rig.edges(10.0)) >= 19  # over, and nobody has seen it: MSC.302(87) 7.3.7
    rig.publisher.publish([acknowledged(alert(2))])
    rig.publisher.publish([change(alert(), AlertChangeKind.ACKNOWLEDGED, AlertState.NORMAL)])
    assert len(rig.edges(10.0)) <= 1 and rig.level()
    rig.publisher.publish([change(alert(2), AlertChangeKind.RECTIFIED, AlertState.NORMAL)])
    rig.edges(1.0)
    assert not rig.level()


def test_an_inverted_pin_rests_high() -> None:
    rig = Rig(Sound(ALL), active_high=False)
    rig.publisher.turn()
    assert rig.level()
    rig.publisher.publish([change(alert())])
    rig.publisher.turn()
    assert not rig.level()


def test_closing_ends_the_sound_and_gives_the_pins_back() -> None:
    rig = Rig(Sound(ALL))
    rig.publisher.publish([change(alert())])
    rig.publisher.turn()
    rig.publisher.close()
    assert not rig.level()
    pins.open_output(GPIO, active_high=True, factory=rig.factory).close()


def test_a_pin_that_is_held_is_tried_again() -> None:
    rig = Rig(Sound(ALL))
    holder = pins.open_output(GPIO, active_high=True, factory=rig.factory)
    rig.publisher.publish([change(alert())])
    rig.publisher.turn()
    health = rig.publisher.health()
    assert (
        health.working is False and "GPIO 17" in health.words and "another program holds it" in health.words
    )
    holder.close()
    rig.clock.advance(31.0)
    assert len(rig.edges(7.0)) == 3
    assert rig.publisher.health().working is True


def test_no_such_pins_is_one_line() -> None:
    with pytest.raises(OperationFailed, match=r"^GPIO 99: 99 is not a valid pin name; is this a board"):
        pins.open_output(99, active_high=True, factory=MockFactory())


def test_the_thread_sounds_and_ends() -> None:
    from lugwatch.clock import SystemClock
    from processes import until

    factory = MockFactory()
    turns: list[int] = []
    publisher = PinPublisher(
        "buzzer",
        PinSettings(gpio=GPIO, active_high=True, categories=ALL),
        Sound(ALL),
        clock=SystemClock(),
        on_silence=turns.clear,
        open_output=lambda gpio, high: pins.open_output(gpio, active_high=high, factory=factory),
    )
    publisher.loop.on_turn = lambda: turns.append(1)
    publisher.start()
    publisher.publish([change(alert())])
    until(lambda: factory.pin(GPIO).state)
    publisher.close()
    assert turns and not factory.pin(GPIO).state


def test_a_pattern_is_on_and_off_as_written() -> None:
    pattern = Pattern(seconds=(1.0, 2.0))
    assert pattern.at(0.0) == (True, 1.0)
    assert pattern.at(1.5) == (False, 1.5)
    assert pattern.at(3.25) == (True, 0.75)
    assert Pattern(seconds=(1.0, 0.0), once=True).at(1.0) == (False, math.inf)


def test_a_press_is_a_deed_like_any_other_and_stands_in_the_alert() -> None:
    import boats
    from lugwatch import pipeline
    from lugwatch.model import AlertChange, CrewAction, CrewDeed

    rig = Rig(Sound(ALL))
    state, told = boats.run(
        boats.begin(boats.boat()),
        [event for s in range(0, 60, 5) for event in (boats.scan(s, bar=95.0, air=20.0), boats.tick(s))],
    )
    rig.publisher.publish(told)
    rig.edges(2.0)
    rig.press()
    (who,) = rig.silenced
    deed = CrewAction(deed=CrewDeed.SILENCE, who=who, monotonic_seconds=60.0, time=boats.START_TIME)
    _, told = pipeline.step(state, deed)
    (silenced,) = [output for output in told if isinstance(output, AlertChange)]
    assert silenced.alert.state is AlertState.ACTIVE_SILENCED and silenced.alert.silenced_by == "button"
    rig.publisher.publish([output for output in told if isinstance(output, AlertChange)])
    assert rig.edges(20.0) == []
