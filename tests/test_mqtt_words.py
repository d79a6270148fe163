"""Words and files around MQTT: what acknowledges, who may connect, whom a certificate makes known."""

import json
import re
import subprocess
from dataclasses import fields, replace
from pathlib import Path

import pytest

from brokers import Mosquitto, free_port
from lugwatch.errors import UserError
from lugwatch.model import Alert, AlertChangeKind, AlertState, CrewDeed
from lugwatch.publishers import crew_words
from lugwatch.publishers.crew_words import CrewWord
from lugwatch.publishers.mqtt_words import client_id, machine_id, other_speaker, status_text
from lugwatch.publishers.outbox import Outbox
from phones import TIME, Desk, alert, change, estimate, until


@pytest.mark.parametrize("payload", [b"3", b'{"alert_id": 3}', b' {"alert_id":3,"since":"x","who":[]}\n'])
def test_words_that_acknowledge(payload: bytes) -> None:
    word = crew_words.read(payload)
    assert word == CrewWord(deed=CrewDeed.ACKNOWLEDGE, alert_id=3, who="MQTT")


@pytest.mark.parametrize(
    "payload",
    [
        *(b"", b"x", b"3.0", b"-3", b"0", b"true", b"[3]", b'"3"', b"NaN", b"1e999", b'{"id": 3}'),
        *(b'{"alert_id": null}', b'{"alert_id": "3"}', b'{"alert_id": 3, "deed": "sink"}'),
        *(b'{"alert_id": 3, "deed": ["acknowledge"]}', b'{"alert_id": 3, "minutes": "many"}'),
        *(b'{"alert_id": 3, "minutes": NaN}', b'{"alert_id": 3, "minutes": -5}'),
        *(b"\xff\xfe", b"[" * 900, b"9" * 900, b'{"alert_id": 3}' + b" " * 2000),
    ],
)
def test_words_that_do_not_are_told_why(payload: bytes) -> None:
    why = crew_words.read(payload)
    assert isinstance(why, str) and 10 < len(why) < 120
    reply = json.loads(crew_words.refusal(why, TIME))
    assert reply["done"] is False and reply["text"] == f"Not understood: {why}."


def test_who_says_it_and_what_is_given_back() -> None:
    word = crew_words.read(b'{"alert_id": 3, "who": " Mate\\n\\u0007", "request": "r-1", "minutes": 30}')
    assert isinstance(word, CrewWord)
    assert (word.who, word.request, word.for_seconds) == ("Mate (MQTT)", "r-1", 1800.0)


# ---- replies ------------------------------------------------------------------------------------


def asked(desk: crew_words.Desk, alert_id: int, *alerts: Alert) -> dict[str, object] | None:
    word = CrewWord(deed=CrewDeed.ACKNOWLEDGE, alert_id=alert_id, who="MQTT", request="r")
    reply = desk.ask(word, {a.alert_id: a for a in alerts}, 100.0, TIME)
    return None if reply is None else dict(json.loads(reply))


def test_a_deed_is_answered_when_it_is_done() -> None:
    desk = crew_words.Desk(reply_seconds=15.0)
    assert asked(desk, 3, alert(3)) is None
    assert desk.changed(change(7, alert(3)), TIME) == []
    seen = replace(change(8, alert(3, AlertState.ACTIVE_ACKNOWLEDGED)), change=AlertChangeKind.ACKNOWLEDGED)
    assert desk.changed(replace(seen, alert=alert(4)), TIME) == []
    (reply,) = desk.changed(seen, TIME)
    assert json.loads(reply) == {
        "alert_id": 3,
        "deed": "acknowledge",
        "done": True,
        "text": "Acknowledged: The bar is warming.",
        "time": "2026-05-28T20:26:40Z",
        "request": "r",
    }
    assert desk.changed(seen, TIME) == desk.overdue(1000.0, TIME) == []


def test_what_cannot_be_done_or_is_done_already_is_said_at_once() -> None:
    desk = crew_words.Desk(reply_seconds=15.0)
    over = asked(desk, 3)
    assert over is not None and (over["done"], over["text"]) == (False, "No alert 3 stands now.")
    mate = replace(alert(3, AlertState.ACTIVE_ACKNOWLEDGED), acknowledged_by="Mate (MQTT)")
    twice = asked(desk, 3, mate)
    assert twice is not None and twice["done"] is True and "already by Mate" in str(twice["text"])


def test_deeds_that_change_nothing_are_answered_at_once() -> None:
    desk = crew_words.Desk(reply_seconds=15.0)
    quiet = {3: alert(3, AlertState.ACTIVE_ACKNOWLEDGED)}
    for deed, words in ((CrewDeed.SILENCE, "makes no sound"), (CrewDeed.UNSHELVE, "not put aside")):
        reply = desk.ask(CrewWord(deed=deed, alert_id=3, who="MQTT"), quiet, 0.0, TIME)
        assert reply is not None and words in reply and json.loads(reply)["done"] is True


def test_silence_needs_no_number() -> None:
    desk = crew_words.Desk(reply_seconds=15.0)
    word = crew_words.read(b'{"deed": "silence"}')
    assert word == CrewWord(deed=CrewDeed.SILENCE, alert_id=None, who="MQTT")
    reply = desk.ask(word, {}, 0.0, TIME)
    assert reply is not None and "No alert stands now" in reply
    assert desk.ask(word, {3: alert(3)}, 0.0, TIME) is None
    quiet = replace(change(8, alert(3, AlertState.ACTIVE_SILENCED)), change=AlertChangeKind.SILENCED)
    assert len(desk.changed(quiet, TIME)) == 1


def test_a_watch_that_does_nothing_is_told_of_and_words_are_bounded() -> None:
    desk = crew_words.Desk(reply_seconds=15.0)
    answers = [asked(desk, 3, alert(3)) for _ in range(crew_words.WAITING_KEPT + 1)]
    assert answers[:-1] == [None] * crew_words.WAITING_KEPT
    assert answers[-1] is not None and "Too many" in str(answers[-1]["text"])
    assert desk.overdue(114.9, TIME) == []
    late = desk.overdue(115.0, TIME)
    assert len(late) == crew_words.WAITING_KEPT and json.loads(late[0])["done"] is False


# ---- names --------------------------------------------------------------------------------------


def test_a_client_id_is_of_one_boat_and_machine_and_fits_every_broker(tmp_path: Path) -> None:
    """At most 23 letters and digits, MQTT 3.1.1 section 3.1.3.1."""
    ids = {client_id(slug, machine) for slug in ("plover", "heron") for machine in ("m1", "m2")}
    assert len(ids) == 4 and all(re.fullmatch("[0-9a-zA-Z]{23}", name) for name in ids)
    assert client_id("plover", "m1") in ids
    known, unset = tmp_path / "id", tmp_path / "unset"
    known.write_text("abc\n", encoding="ascii")
    unset.write_text("uninitialized\n", encoding="ascii")
    assert machine_id((tmp_path / "none", unset, known)) == "abc"
    assert machine_id((tmp_path / "none",)) is None


def test_another_who_speaks_for_the_boat() -> None:
    def status(**words: object) -> bytes:
        return json.dumps(words).encode()

    assert other_speaker(status(status="online", client_id="b\n"), "a") == "b"
    for payload in (
        status(status="online", client_id="a"),
        status(status="offline", client_id="b"),
        status(status="online"),
        *(b"", b"[]", b"[" * 900, b"\xff"),
    ):
        assert other_speaker(payload, "a") is None


# ---- files --------------------------------------------------------------------------------------


def test_a_wrong_file_is_the_users_to_mend(desk: Desk, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.write_text("\n", encoding="utf-8")
    for more, words in (
        ({"username": "u", "password_file": tmp_path / "none"}, "No such file"),
        ({"username": "u", "password_file": empty}, "is empty"),
        ({"password_file": empty}, "needs username"),
        ({"tls": True, "ca_file": tmp_path / "none"}, "No such file"),
        ({"tls": True, "ca_file": empty}, "certificate"),
    ):
        with pytest.raises(UserError, match=words):
            desk.publisher(1883, **more)


def test_user_and_password(desk: Desk, tmp_path: Path) -> None:
    users = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "boat", "right"], check=True)
    users.chmod(0o644)
    tmp_path.chmod(0o755)
    password = tmp_path / "password"
    with Mosquitto("allow_anonymous false", f"password_file {users}", "user root") as broker:
        password.write_text("wrong\n", encoding="utf-8")
        wrong = desk.publisher(broker.port, username="boat", password_file=password)
        wrong.start()
        until(lambda: "check user and password" in wrong.health())
        password.write_text("right\n", encoding="utf-8")
        right = desk.publisher(broker.port, username="boat", password_file=password, client_id="b")
        right.start()
        until(lambda: "connected to" in right.health())


def test_tls_trusts_only_the_named_certificate(desk: Desk, tmp_path: Path) -> None:
    for name in ("ours", "other"):
        subprocess.run(
            [
                *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
                *("-subj", f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1"),
                *("-keyout", str(tmp_path / f"{name}.key"), "-out", str(tmp_path / f"{name}.pem")),
            ],
            check=True,
            capture_output=True,
        )
    tls = free_port()
    lines = ("allow_anonymous true", "user root", f"listener {tls} 127.0.0.1")
    with Mosquitto(*lines, f"certfile {tmp_path}/ours.pem", f"keyfile {tmp_path}/ours.key"):
        trusted = desk.publisher(tls, tls=True, ca_file=tmp_path / "ours.pem")
        trusted.start()
        trusted.publish([change(1, alert(3))])
        until(lambda: "connected to" in trusted.health() and "waiting" not in trusted.health())
        doubted = desk.publisher(tls, tls=True, ca_file=tmp_path / "other.pem", client_id="b")
        doubted.start()
        until(lambda: "certificate" in doubted.health().lower())


# ---- documents ----------------------------------------------------------------------------------


def test_readme_names_every_topic_and_key() -> None:
    """All that a phone gets beside an alert's own fields, and all that it may send."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    section = readme.split("## MQTT")[1].split("\n## ")[0]
    outbox = Outbox(["bar"], joint_seconds=1.0)
    outbox.note([estimate(20.0), change(1, alert(3))], 0.0)
    outbox.reply(crew_words.refusal("so", TIME))
    messages = []
    while (message := outbox.take(0.0)) is not None:
        messages.append(message)
    assert len(messages) == 5
    alerts_own = {field.name for field in fields(Alert)}
    for message in messages:
        assert f"`{message.topic.split('/')[0]}" in section, message.topic
        if not message.topic.startswith(("joint/", "recent")):
            for key in json.loads(message.payload).keys() - alerts_own:
                assert f'"{key}"' in section or f"`{key}`" in section, key
    status = status_text(
        "online", time=TIME, heartbeat_seconds=30.0, offline_after_seconds=35.0, connected_time=TIME,
        boot="b", client_id="c", history_id="h", last_sequence=1,
    )  # fmt: skip
    assert {"history_id", "last_sequence", "offline_after_seconds"} <= json.loads(status).keys()
    for word in (*json.loads(status).keys() - {"boot", "client_id", "connected_time"}, *crew_words.DEEDS):
        assert word in section, word
