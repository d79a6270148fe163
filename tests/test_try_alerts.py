"""One test through every way out: what arrived, what failed and what to try."""

import json
import os
import select
import socket
import tty
from pathlib import Path

import pytest

import phones
from brokers import Mosquitto
from lugwatch.cli.main import main
from lugwatch.clock import ManualClock, SystemClock
from lugwatch.config_ways import NmeaAlertSettings, PinSettings, PushSettings, WaysOut
from lugwatch.model import Category
from lugwatch.publishers import mqtt_echo, pins, trial
from lugwatch.publishers.trial import Openers, Outcome
from web_service import WebService

ALL = frozenset(Category)
BUZZER = PinSettings(gpio=17, active_high=True, categories=ALL, button_gpio=27)
LAMP = PinSettings(gpio=22, active_high=True, categories=ALL)


def tried(settings: WaysOut, openers: Openers, *, button: bool = False) -> list[Outcome]:
    return list(trial.try_all(settings, "Sea Pea", ManualClock(), button=button, openers=openers))


# ---- MQTT ----------------------------------------------------------------------------------------


def test_a_message_goes_to_the_broker_and_back_and_nobody_takes_it_for_an_alert(broker: Mosquitto) -> None:
    phone = phones.Crew(broker.port)
    outcome = mqtt_echo.try_mqtt(phones.settings(broker.port), "sea-pea", SystemClock())
    assert outcome.good and outcome.words == f"came back from 127.0.0.1:{broker.port} over MQTT 5"
    assert outcome.seconds < 5.0
    _, payload, retained = phone.wait_for(lambda topic, *_: topic == "test")
    assert json.loads(payload)["text"] == "Test only, no alert." and not retained
    assert {topic for topic, *_ in phone.messages} == {"test"}
    phone.leave()


def test_the_older_protocol_is_tried_as_configured(broker: Mosquitto) -> None:
    settings = phones.settings(broker.port, protocol="3.1.1")
    outcome = mqtt_echo.try_mqtt(settings, "sea-pea", SystemClock())
    assert outcome.good and outcome.words.endswith("over MQTT 3.1.1")


def test_no_broker_is_said_with_what_to_try() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
    outcome = mqtt_echo.try_mqtt(phones.settings(port), "sea-pea", SystemClock())
    assert not outcome.good
    said, advice = outcome.words.split("; ")
    assert said == f"no broker at 127.0.0.1:{port} (Connection refused)"
    assert advice == "is it running, are host, port and network right?"


# ---- messages ------------------------------------------------------------------------------------


def test_each_destination_is_tried_and_a_failing_one_is_told(tmp_path: Path) -> None:
    pytest.importorskip("apprise")
    with WebService() as service:
        path = tmp_path / "addresses"
        path.write_text(f"json://127.0.0.1:{service.port}/\njson://127.0.0.1:1/?cto=1\n", encoding="utf-8")
        path.chmod(0o600)
        push = PushSettings(urls_file=path, categories=ALL, most_in_ten_minutes=8)
        good, bad = trial.try_all(WaysOut(push=push), "Sea Pea", SystemClock(), button=False)
        assert service.titles() == ["Sea Pea: test only"]
    assert good.good and good.way == "push messages, line 1 (JSON)"
    assert not bad.good and "is the internet there?" in bad.words


def test_a_missing_file_of_addresses_fails_that_way_alone(tmp_path: Path) -> None:
    pytest.importorskip("apprise")
    push = PushSettings(urls_file=tmp_path / "none", categories=ALL, most_in_ten_minutes=8)
    (outcome,) = tried(WaysOut(push=push), Openers())
    assert not outcome.good and "chmod 600" in outcome.words


# ---- pins ----------------------------------------------------------------------------------------


class Board:
    """Mock pins, and each level that an output was given."""

    def __init__(self, *, pressed: bool) -> None:
        from gpiozero.pins.mock import MockFactory

        self.factory = MockFactory()
        self.levels: list[tuple[int, bool]] = []
        self._pressed = pressed

    def openers(self) -> Openers:
        board = self

        def output(gpio: int, active_high: bool) -> pins.Output:
            pin = pins.open_output(gpio, active_high=active_high, factory=board.factory)

            class Seen:
                def on(self) -> None:
                    pin.on()
                    board.levels.append((gpio, bool(board.factory.pin(gpio).state)))

                def off(self) -> None:
                    pin.off()
                    board.levels.append((gpio, bool(board.factory.pin(gpio).state)))

                def close(self) -> None:
                    pin.close()

            return Seen()

        def button(gpio: int, pressed: object) -> pins.Button:
            switch = pins.open_button(gpio, pressed, factory=board.factory)  # type: ignore[arg-type]
            if board._pressed:
                board.factory.pin(gpio).drive_low()
            return switch

        return Openers(output=output, button=button)


@pytest.mark.parametrize("pressed", [True, False])
def test_buzzer_button_and_lamp(pressed: bool) -> None:
    pytest.importorskip("gpiozero")
    board = Board(pressed=pressed)
    settings = WaysOut(buzzer=BUZZER, lamp=LAMP)
    outcomes = tried(settings, board.openers(), button=True)
    assert [(o.way, o.good) for o in outcomes] == [
        ("buzzer", True),
        ("silence button", pressed),
        ("lamp", True),
    ]
    words = outcomes[1].words
    assert ("GPIO 27: pressed" if pressed else "not pressed within 15 s") in words
    for gpio in (17, 22):
        assert [level for at, level in board.levels if at == gpio] == [True, False] * 3 + [False]


def test_a_pin_that_the_watch_holds_is_left_to_it() -> None:
    pytest.importorskip("gpiozero")
    board = Board(pressed=False)
    held = pins.open_output(17, active_high=True, factory=board.factory)
    (outcome,) = tried(WaysOut(buzzer=BUZZER), board.openers())
    assert not outcome.good and "is lugwatch watch running?" in outcome.words
    held.close()


# ---- sentences -----------------------------------------------------------------------------------


def test_sentences_are_sent_and_taken_back_over_udp_and_a_port() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        nmea = NmeaAlertSettings(
            device=os.ttyname(slave),
            baud=4800,
            udp_host="127.0.0.1",
            udp_port=receiver.getsockname()[1],
            sentences=frozenset({"ALR", "ALF"}),
            talker="II",
            categories=ALL,
        )
        outcomes = tried(WaysOut(nmea=nmea), Openers())
        assert [o.good for o in outcomes] == [True, True], outcomes
        said = []
        while select.select([receiver], [], [], 0.0)[0]:
            said.append(receiver.recv(200).decode())
    assert len(said) == 4 and all("TEST ONLY" in sentence for sentence in said)
    assert [s.split(",")[3] for s in said if s.startswith("$IIALR")] == ["A", "V"]
    os.close(master)
    os.close(slave)


# ---- the command ---------------------------------------------------------------------------------

BOAT = """
[boat]
name = "Sea Pea"
[[probe]]
id = "bar"
[[joint]]
id = "bar"
probe = "bar"
air = "none"
"""


def run(path: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str, str]:
    """Exit status, standard output and standard error, as the user sees them."""
    with pytest.raises(SystemExit) as ended:
        main(["try-alerts", "--config", str(path), *more])
        raise SystemExit(0)
    said = capsys.readouterr()
    assert isinstance(ended.value.code, int)
    return ended.value.code, said.out, said.err


def test_the_command_tells_each_way_on_a_line_and_its_status(
    tmp_path: Path, broker: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "lugwatch.toml"
    mqtt = f"[mqtt]\nhost = '127.0.0.1'\nport = {broker.port}\n"
    path.write_text(mqtt + BOAT, encoding="utf-8")
    status, told, trouble = run(path, capsys)
    assert (status, trouble) == (0, "")
    assert told.startswith(f"ok      MQTT: came back from 127.0.0.1:{broker.port} over MQTT 5 (")
    path.write_text(mqtt + "[nmea_alerts]\ndevice = '/dev/none'\n" + BOAT, encoding="utf-8")
    status, told, trouble = run(path, capsys)
    assert status == 1 and told.count("\n") == 2
    assert "FAILED  alert sentences, /dev/none: " in told and "check plug, name and rights" in told
    assert trouble == "lugwatch: 1 of 2 ways out failed: alert sentences, /dev/none\n"
    status, told, _ = run(path, capsys, "--json")
    assert status == 1 and [row["arrived"] for row in json.loads(told)] == [True, False]


def test_nothing_configured_is_the_users_to_mend(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text(BOAT, encoding="utf-8")
    status, told, trouble = run(path, capsys)
    assert status == 2 and told == "" and "no way out but the page is configured" in trouble
