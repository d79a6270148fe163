"""Words and files around MQTT: what acknowledges, who may connect, whom a certificate makes known."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from brokers import Mosquitto, free_port
from lugwatch.errors import UserError
from lugwatch.publishers.mqtt_words import alert_id_in
from phones import Desk, alert, change, until


@pytest.fixture
def desk() -> Iterator[Desk]:
    desk = Desk()
    yield desk
    desk.close()


@pytest.mark.parametrize("payload", [b"3", b'{"alert_id": 3}', b' {"alert_id":3,"who":"mate"}\n'])
def test_words_that_acknowledge(payload: bytes) -> None:
    assert alert_id_in(payload) == 3


@pytest.mark.parametrize(
    "payload",
    [
        *(
            b"",
            b"x",
            b"3.0",
            b"-3",
            b"0",
            b"true",
            b"[3]",
            b'"3"',
            b"NaN",
            b'{"id": 3}',
            b'{"alert_id": null}',
        ),
        *(b"\xff\xfe", b"[" * 900, b"9" * 900, b'{"alert_id": 3}' + b" " * 2000),
    ],
)
def test_words_that_do_not(payload: bytes) -> None:
    assert alert_id_in(payload) is None


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
