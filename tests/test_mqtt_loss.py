"""Delivery under loss: brokers that die, freeze, forget, fill up, are cut off: nothing is lost or blocks."""

import json
import random
import resource
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from brokers import Mosquitto, free_port
from histories import open_store
from lugwatch.clock import SystemClock
from lugwatch.model import AlertState
from lugwatch.publishers.mqtt import Remembered
from phones import QUICK, Crew, Desk, alert, change, estimate, until
from relays import Relay


def sequences(crew: Crew) -> list[int]:
    return [json.loads(payload)["sequence"] for topic, payload, _ in crew.messages if topic == "event"]


@pytest.mark.slow
def test_a_thousand_alerts_through_a_broker_that_dies_fifty_times(desk: Desk) -> None:
    """Each arrives, and none twice after what a receiver drops by its sequence number.

    The broker keeps nothing: what it took and had not passed on dies with it, and the phone loses what it
    had not read; so the publisher tells that again to a broker that has forgotten us. The phone is there
    before the publisher is let in again. All else is left to chance, seeded.
    """
    alerts_count, deaths = 1000, 50
    rng = random.Random(20)
    heard: list[int] = []
    with Mosquitto() as broker, Relay(broker.port) as relay:
        publisher = desk.publisher(relay.port)
        publisher.start()
        sequence = 0
        for _ in range(deaths):
            crew = Crew(broker.port)
            relay.open()
            batch = [
                change(number, alert(number))
                for number in range(sequence + 1, sequence + 1 + alerts_count // deaths)
            ]
            sequence = batch[-1].sequence
            first = rng.randrange(len(batch))
            publisher.publish(batch[:first])
            if rng.random() < 0.7:  # sometimes it dies before it has even answered
                until(lambda: "connected" in publisher.health())
            publisher.publish(batch[first:])
            wanted = rng.randrange(0, 10)
            until(lambda count=wanted, crew=crew: len(sequences(crew)) >= count)  # type: ignore[misc]
            broker.kill()
            relay.close()
            crew.wait_until_lost()
            heard += sequences(crew)
            crew.leave()
            broker.start()
        crew = Crew(broker.port)
        relay.open()
        until(lambda: "waiting" not in publisher.health())
        crew.wait_for(lambda topic, payload, _: topic == "recent" and f'"sequence": {sequence},' in payload)
        heard += sequences(crew)
        crew.leave()
    assert sorted(set(heard)) == list(range(1, alerts_count + 1))
    assert set(desk.settled) == set(range(1, alerts_count + 1))
    assert "only in sum" not in publisher.health()


@pytest.mark.slow
def test_cut_off_for_ten_minutes(broker: Mosquitto, desk: Desk) -> None:
    """C36, by a cable that drops everything and closes nothing: the publisher's own keep-alive finds it."""
    with Relay(broker.port) as relay:
        publisher = desk.publisher(relay.port, pace=replace(QUICK, keepalive_seconds=1))
        publisher.start()
        crew = desk.crew(broker.port)
        crew.topic("status")
        relay.cut.set()
        crew.wait_for(lambda topic, payload, _: topic == "status" and '"offline"' in payload)
        publisher.publish([estimate(float(n)) for n in range(1000)])
        publisher.publish([change(1, alert(3)), change(2, alert(3, AlertState.NORMAL)), change(3, alert(5))])
        until(lambda: "ended" in publisher.health() or "does not answer" in publisher.health())
        assert "alert changes waiting: 3" in publisher.health()
        relay.close()
        relay.cut.clear()
        relay.open()
        crew.wait_for(lambda topic, payload, _: topic == "event" and '"sequence": 3,' in payload)
        until(lambda: "waiting" not in publisher.health())
        assert sequences(crew) == [1, 2, 3]
        late = desk.crew(broker.port)
        assert late.topic("alert/5")["alert_id"] == 5 and late.topic("joint/bar")["probe_celsius"] == 999.0
        assert late.topic("status")["status"] == "online"
        assert "alert/3" not in [topic for topic, _, _ in late.messages]


def _namespaces() -> str | None:
    """Why no network of our own can be made here; None if it can."""
    if shutil.which("ip") is None or shutil.which("unshare") is None:
        return "needs the programs ip and unshare"
    made = subprocess.run(
        ["unshare", "-n", "ip", "link", "add", "probe", "type", "veth", "peer", "name", "other"],
        capture_output=True,
        text=True,
        check=False,
    )
    return None if made.returncode == 0 else f"needs root: {made.stderr.strip() or made.stdout.strip()}"


def test_cut_off_by_the_network_itself(desk: Desk, tmp_path: Path) -> None:
    """The broker in a network namespace of its own, behind a link that goes down: packets vanish."""
    reason = _namespaces()
    if reason is not None:
        pytest.skip(reason)
    name = f"lw{free_port()}"
    near, far, inside = f"{name}n"[:15], f"{name}f"[:15], ("ip", "netns", "exec", name)

    def ip(*words: str) -> None:
        subprocess.run(["ip", *words], check=True, capture_output=True)

    ip("netns", "add", name)
    try:
        ip("link", "add", near, "type", "veth", "peer", "name", far, "netns", name)
        ip("addr", "add", "198.18.77.1/30", "dev", near)  # for tests, RFC 2544
        ip("link", "set", near, "up")
        ip("-n", name, "addr", "add", "198.18.77.2/30", "dev", far)
        ip("-n", name, "link", "set", far, "up")
        ip("-n", name, "link", "set", "lo", "up")
        with Mosquitto(address="198.18.77.2", prefix=inside) as broker:
            publisher = desk.publisher(
                broker.port, host="198.18.77.2", pace=replace(QUICK, keepalive_seconds=1)
            )
            publisher.start()
            crew = desk.crew(broker.port, host="198.18.77.2")
            crew.topic("status")
            ip("link", "set", near, "down")
            publisher.publish([change(1, alert(3)), estimate(50.0)])
            until(lambda: "connected" not in publisher.health())
            assert "alert changes waiting: 1" in publisher.health()
            ip("link", "set", near, "up")
            until(lambda: "connected" in publisher.health() and "waiting" not in publisher.health())
            late = desk.crew(broker.port, host="198.18.77.2")
            assert late.topic("alert/3")["sequence"] == 1
            desk.close()
    finally:
        subprocess.run(["ip", "link", "del", near], check=False, capture_output=True)
        ip("netns", "del", name)


def test_frozen_for_longer_than_its_keep_alive_and_thawed(broker: Mosquitto, desk: Desk) -> None:
    publisher = desk.publisher(broker.port, pace=replace(QUICK, keepalive_seconds=1))
    publisher.start()
    crew = desk.crew(broker.port)
    crew.topic("status")
    broker.freeze()
    publisher.publish([change(number, alert(number)) for number in range(1, 41)])
    until(lambda: "it no longer answers" in publisher.health())
    broker.thaw()
    until(lambda: "waiting" not in publisher.health())
    crew.wait_for(lambda topic, payload, _: topic == "event" and '"sequence": 40,' in payload)
    assert set(sequences(crew)) == set(range(1, 41))
    assert "over MQTT 5" in publisher.health()


def test_a_broker_that_stays_away_costs_bounded_memory(desk: Desk) -> None:
    """C36: a season of telemetry and a flood of alerts."""
    publisher = desk.publisher(free_port())
    publisher.start()
    for number in range(20_000):  # until its bounds are reached
        publisher.publish([estimate(float(number)), change(number + 1, alert(number % 300 + 1))])
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for number in range(20_000, 60_000):
        publisher.publish([estimate(float(number)), change(number + 1, alert(number % 300 + 1))])
    grown_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert "alert changes waiting: 1000" in publisher.health()
    assert grown_kib < 20_000, grown_kib


def test_a_broker_that_refuses_for_a_while(desk: Desk, tmp_path: Path) -> None:
    """Rights that are given later: what was refused is offered again, on the same connection too."""
    rights = tmp_path / "rights"
    rights.write_text("topic read #\ntopic write lugwatch/sea-pea/status\n", encoding="utf-8")
    rights.chmod(0o644)
    tmp_path.chmod(0o755)
    with Mosquitto("allow_anonymous true", f"acl_file {rights}", "user root") as broker:
        publisher = desk.publisher(broker.port, pace=replace(QUICK, refused_seconds=0.3))
        publisher.start()
        publisher.publish([change(1, alert(3)), change(2, alert(4))])
        until(lambda: "does not take" in publisher.health())
        assert "alert changes waiting: 2" in publisher.health()
        rights.write_text("topic readwrite #\n", encoding="utf-8")
        broker.reload()
        until(lambda: "waiting" not in publisher.health())
        assert desk.crew(broker.port).topic("alert/4")["sequence"] == 2


def test_a_broker_with_room_for_nobody_else(desk: Desk) -> None:
    with Mosquitto("allow_anonymous true", "max_connections 2") as broker:
        inside = []
        for number in range(6):
            publisher = desk.publisher(broker.port, client_id=f"p{number}")
            publisher.start()
            until(lambda publisher=publisher: not publisher.health().startswith("connecting"))  # type: ignore[misc]
            if "closed the connection without an answer" in publisher.health():
                break
            inside.append(publisher)
        publisher.publish([change(1, alert(3))])
        inside[0].close()
        until(lambda: "connected" in publisher.health() and "waiting" not in publisher.health())
        assert 1 <= len(inside) <= 4


def test_a_broker_that_takes_small_packets_only(desk: Desk) -> None:
    """MQTT 5 section 3.2.2.3.6; what can never go through holds nothing up, and is said."""
    with Mosquitto("allow_anonymous true", "max_packet_size 2000") as broker:
        publisher = desk.publisher(broker.port)
        publisher.start()
        crew = desk.crew(broker.port)
        crew.topic("status")
        large = replace(alert(3), text="x" * 3000)
        publisher.publish([change(1, large), change(2, alert(4))])
        event = crew.topic("event")
        assert (event["sequence"], event["untold_count"]) == (2, 0)
        until(lambda: "takes no message as large as" in publisher.health())
        assert desk.settled and "connected" in publisher.health()


@pytest.mark.slow
def test_the_last_will_comes_within_the_stated_time(broker: Mosquitto, desk: Desk) -> None:
    """The stated time is 1.5 keep-alives and 5 s for the broker to look; with 2 s at most 8 s."""
    with Relay(broker.port) as relay:
        publisher = desk.publisher(relay.port, pace=replace(QUICK, keepalive_seconds=2))
        publisher.start()
        crew = desk.crew(broker.port)
        stated = crew.topic("status")["offline_after_seconds"]
        assert stated == 8.0
        clock = SystemClock()
        relay.cut.set()
        began_seconds = clock.monotonic_seconds()
        crew.wait_for(lambda topic, payload, _: topic == "status" and '"offline"' in payload)
        assert clock.monotonic_seconds() - began_seconds <= stated


def test_what_waited_at_a_power_cut_goes_out_after_it(broker: Mosquitto, desk: Desk, tmp_path: Path) -> None:
    """Alert changes and what is to be told of them are one transaction; delivered ones are not told again."""
    path = tmp_path / "boat.db"
    store = open_store(path)
    store.ledger.open_way("mqtt")
    changes = [change(number, alert(number)) for number in range(1, 6)]
    store.write(changes, monotonic_seconds=1.0, time=changes[0].time)
    store.ledger.settle("mqtt", [1, 2])
    store.write([], monotonic_seconds=2.0, time=changes[0].time)
    store._open_connection().close()  # the battery switch
    with open_store(path) as store:
        remembered = Remembered(
            history_id=store.ledger.history_id,
            alerts=store.load_alerts(),
            sequences=store.ledger.last_sequences(),
            waiting=store.ledger.open_way("mqtt"),
            recent=store.ledger.recent_changes(20),
        )
        crew = desk.crew(broker.port)
        publisher = desk.publisher(broker.port, remembered=remembered)
        publisher.start()
        until(lambda: sorted(desk.settled) == [3, 4, 5])
        assert crew.topic("event")["history_id"] == store.ledger.history_id
        crew.wait_for(lambda topic, payload, _: topic == "event" and '"sequence": 5,' in payload)
        assert sequences(crew) == [3, 4, 5]
        assert [c["sequence"] for c in crew.topic("recent")["changes"]] == [1, 2, 3, 4, 5]
        store.ledger.settle("mqtt", desk.settled)
        store.write([], monotonic_seconds=3.0, time=changes[0].time)
        assert store.ledger.open_way("mqtt") == []


def test_two_boards_that_speak_for_one_boat_notice(broker: Mosquitto, desk: Desk) -> None:
    first = desk.publisher(broker.port, client_id="a")
    second = desk.publisher(broker.port, client_id="b")
    first.start()
    second.start()
    until(lambda: "another lugwatch (client id b) speaks" in first.health())
    until(lambda: "another lugwatch (client id a) speaks" in second.health())


def test_a_fight_over_one_client_id_is_one_line(
    broker: Mosquitto, desk: Desk, caplog: pytest.LogCaptureFixture
) -> None:
    """C35: told once, and the two slow down instead of looping."""
    pace = replace(QUICK, most_takeover_seconds=1.0)
    publishers = [desk.publisher(broker.port, pace=pace) for _ in range(2)]
    for publisher in publishers:
        publisher.start()
    for publisher in publishers:
        until(lambda publisher=publisher: publisher._attempt.losses >= 6)  # type: ignore[misc]
    lines = [record.getMessage() for record in caplog.records if "running twice" in record.getMessage()]
    assert len(lines) == 2, caplog.messages  # one of each
