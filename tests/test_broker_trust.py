"""Whom a certificate makes known: signers, pins, wrong names and wrong clocks; and a try at the broker."""

import socket
import ssl
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brokers import Mosquitto, free_port
from lugwatch.cli.main import main
from lugwatch.clock import SystemClock
from lugwatch.config import MqttSettings
from lugwatch.publishers.mqtt_trial import Trial, try_broker
from lugwatch.sources import broker_trust
from phones import QUICK, Desk, alert, change, settings, until

NOW = datetime.now(UTC)


def openssl(*words: str) -> str:
    return subprocess.run(["openssl", *words], check=True, capture_output=True, text=True).stdout


class Signer:
    """A certificate authority in a folder, and certificates for a broker signed by it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ca_file = folder / "ca.pem"
        subject = ("-subj", "/CN=boat signer", "-days", "4000")
        openssl("req", "-x509", *self._key("ca"), *subject, "-out", str(self.ca_file))
        (folder / "index.txt").touch()
        (folder / "serial").write_text("01\n", encoding="ascii")
        (folder / "ca.conf").write_text(
            f"[ca]\ndefault_ca = boat\n[boat]\ndatabase = {folder}/index.txt\nserial = {folder}/serial\n"
            f"new_certs_dir = {folder}\ndefault_md = sha256\npolicy = any\nunique_subject = no\n"
            "copy_extensions = copy\n[any]\ncommonName = supplied\n",
            encoding="ascii",
        )

    def _key(self, name: str) -> tuple[str, ...]:
        return ("-newkey", "rsa:2048", "-nodes", "-keyout", str(self.folder / f"{name}.key"))

    def sign(self, name: str, begins: datetime, ends: datetime, alternative: str = "IP:127.0.0.1") -> Path:
        """A certificate and key of that name; the certificate's path."""
        request, certificate = self.folder / f"{name}.csr", self.folder / f"{name}.pem"
        openssl(
            *("req", "-new", *self._key(name), "-subj", f"/CN={name}", "-out", str(request)),
            *("-addext", f"subjectAltName={alternative}"),
        )
        openssl(
            *("ca", "-batch", "-config", str(self.folder / "ca.conf"), "-in", str(request)),
            *("-out", str(certificate), "-cert", str(self.ca_file), "-keyfile", str(self.folder / "ca.key")),
            *("-startdate", f"{begins:%Y%m%d%H%M%SZ}", "-enddate", f"{ends:%Y%m%d%H%M%SZ}", "-notext"),
        )
        return certificate

    def broker(self, name: str, port: int) -> Mosquitto:
        """A broker that shows that certificate on `port`."""
        self.folder.chmod(0o755)
        tls = (f"certfile {self.folder}/{name}.pem", f"keyfile {self.folder}/{name}.key")
        return Mosquitto("allow_anonymous true", "user root", f"listener {port} 127.0.0.1", *tls)


@pytest.fixture(scope="module")
def signer(tmp_path_factory: pytest.TempPathFactory) -> Signer:
    return Signer(tmp_path_factory.mktemp("signer"))


def fingerprint(certificate: Path) -> str:
    """As openssl says it, and as README says to ask for it."""
    text = openssl("x509", "-in", str(certificate), "-noout", "-fingerprint", "-sha256")
    return text.strip().split("=")[1]


def trial(port: int, **more: object) -> Trial:
    return try_broker(settings(port, **more), "sea-pea", "trial", SystemClock(), QUICK)


def day(delta: int) -> datetime:
    return NOW + timedelta(days=delta)


# ---- certificates -------------------------------------------------------------------------------


def test_a_signed_certificate_is_enough(signer: Signer) -> None:
    signer.sign("good", day(-1), day(30))
    port = free_port()
    with signer.broker("good", port):
        found = trial(port, tls=True, ca_file=signer.ca_file)
        assert found.good and found.text == f"127.0.0.1:{port} over MQTT 5 takes and confirms messages"
        unknown = trial(port, tls=True)
        assert not unknown.good
        assert "signed by nobody we trust; name the signer's in ca_file, or pin it" in unknown.text


def test_a_clock_that_is_behind_is_named_as_such(signer: Signer) -> None:
    """The certificate begins tomorrow: what a board without a battery sees that wakes up in the past."""
    signer.sign("young", day(1), day(30))
    port = free_port()
    with signer.broker("young", port):
        found = trial(port, tls=True, ca_file=signer.ca_file)
        begins = f"{day(1):%Y-%m-%dT%H:%M:%SZ}"
        assert f"not valid before {begins}: this machine's clock says {NOW:%Y-%m-%dT}" in found.text
        assert found.text.endswith("set the clock")


def test_a_certificate_that_is_over_is_named_as_such(signer: Signer) -> None:
    signer.sign("old", day(-30), day(-1))
    port = free_port()
    with signer.broker("old", port):
        found = trial(port, tls=True, ca_file=signer.ca_file)
        ends = f"{day(-1):%Y-%m-%dT%H:%M:%SZ}"
        assert f"was valid until {ends}: this machine's clock says {NOW:%Y-%m-%dT}" in found.text


def test_a_certificate_of_another_name(signer: Signer) -> None:
    signer.sign("elsewhere", day(-1), day(30), "DNS:broker.example")
    port = free_port()
    with signer.broker("elsewhere", port):
        found = trial(port, tls=True, ca_file=signer.ca_file)
        assert "its certificate is not for the name 127.0.0.1" in found.text


def test_a_pin_needs_no_signer_no_name_and_no_clock(signer: Signer, desk: Desk) -> None:
    """An expired certificate for another name, self-made: but it is the one that was pinned."""
    certificate = signer.sign("pinned", day(-30), day(-1), "DNS:broker.example")
    other = signer.sign("other", day(-1), day(30))
    port = free_port()
    with signer.broker("pinned", port):
        publisher = desk.publisher(port, tls=True, fingerprint=fingerprint(certificate))
        publisher.start()
        publisher.publish([change(1, alert(3))])
        until(lambda: "connected to" in publisher.health() and "waiting" not in publisher.health())
        plain = fingerprint(certificate).replace(":", "").lower()
        assert trial(port, tls=True, fingerprint=plain).good
        wrong = trial(port, tls=True, fingerprint=fingerprint(other))
        assert not wrong.good
        assert f"fingerprint {fingerprint(certificate)}, which is not the one in [mqtt]" in wrong.text
        both = trial(port, tls=True, fingerprint=plain, ca_file=signer.ca_file)
        assert "was valid until" in both.text  # with a signer as well both must hold


def test_a_port_without_tls() -> None:
    with Mosquitto() as broker:
        found = trial(broker.port, tls=True)
        assert "does not speak TLS on this port; check port and tls" in found.text


def test_the_dates_of_a_certificate(signer: Signer) -> None:
    """Against OpenSSL's own reading; years from 2050 on are written in another form, RFC 5280 4.1.2.5."""
    ends = datetime(2061, 2, 3, 4, 5, 6, tzinfo=UTC)
    begins = datetime(1999, 12, 31, 23, 59, 59, tzinfo=UTC)
    certificate = signer.sign("long", begins, ends)
    found = broker_trust.validity_of(ssl.PEM_cert_to_DER_cert(certificate.read_text("ascii")))
    said = openssl("x509", "-in", str(certificate), "-noout", "-dates")
    read = [ssl.cert_time_to_seconds(line.split("=")[1]) for line in said.splitlines()]
    assert [found.not_before, found.not_after] == [1000 * seconds for seconds in read]
    assert found.not_after == round(1000 * ends.timestamp())


@given(st.binary(max_size=300))
def test_bytes_that_are_no_certificate(data: bytes) -> None:
    for text in (data, b"\x30\x82\x01\x00\x30\x81\xff" + data):
        try:
            broker_trust.validity_of(text)
        except ValueError:
            continue
        raise AssertionError(text)


# ---- settings, and the try itself ---------------------------------------------------------------


def broken(**more: object) -> MqttSettings:
    return settings(8883, **{"host": "mqtt://pi:1883", "fingerprint": "AB:CD", "tls": False, **more})


def test_every_mistake_at_once(tmp_path: Path) -> None:
    none = tmp_path / "none"
    found = broker_trust.mistakes(broken(password_file=none))
    assert len(found) == 4 and len({line.split(" ", 2)[1] for line in found}) == 4
    assert all(line.startswith("[mqtt] ") for line in found)
    found = broker_trust.mistakes(broken(tls=True, ca_file=none, username="u", password_file=none))
    assert [key for key in ("host", "fingerprint", "password_file") if not any(key in f for f in found)] == []
    assert broker_trust.mistakes(settings(1883)) == []


def test_a_try_says_what_is_wrong(tmp_path: Path) -> None:
    port = free_port()
    assert trial(port).text == f"no broker at 127.0.0.1:{port} (Connection refused)"
    users, rights = tmp_path / "users", tmp_path / "rights"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "boat", "right"], check=True)
    rights.write_text("user boat\ntopic read #\n", encoding="utf-8")
    for file in (users, rights):
        file.chmod(0o644)
    tmp_path.chmod(0o755)
    password = tmp_path / "password"
    lines = ("allow_anonymous false", f"password_file {users}", f"acl_file {rights}", "user root")
    with Mosquitto(*lines) as broker:
        password.write_text("wrong\n", encoding="utf-8")
        login: dict[str, object] = {"username": "boat", "password_file": password}
        assert "refuses us (Not authorized): check user and password" in trial(broker.port, **login).text
        password.write_text("right\n", encoding="utf-8")
        found = trial(broker.port, **login)
        assert not found.good and "does not take alert/0: Not authorized" in found.text


def test_a_try_at_a_port_that_never_answers() -> None:
    with socket.create_server(("127.0.0.1", 0)) as door:
        found = trial(door.getsockname()[1])
        assert not found.good and "does not answer" in found.text and found.seconds < 10.0


def test_check_tries_the_broker(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def check(*more: str) -> tuple[object, str, str]:
        with pytest.raises(SystemExit) as ended:
            main(["check", "--config", str(path), *more])
            raise SystemExit(0)
        spoken = capsys.readouterr()
        return ended.value.code, spoken.out, spoken.err

    with Mosquitto() as broker:
        text = (
            '[boat]\nname = "Sea Pea"\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\n{more}'
            '[[probe]]\nid = "bar"\nsource = "mqtt"\ntopic = "t/bar"\n'
            '[[joint]]\nid = "bar"\nprobe = "bar"\nair = "none"\n'
        )
        path = tmp_path / "lugwatch.toml"
        path.write_text(text.format(port=broker.port, more=""), encoding="utf-8")
        said = check("--hardware")[1]
        assert f"broker: 127.0.0.1:{broker.port} over MQTT 5 takes and confirms messages" in said
        path.write_text(text.format(port=8883, more='username = "boat"\n'), encoding="utf-8")
        status, _, wrong = check()
        assert status == 2 and "[mqtt] port = 8883 is for TLS; add tls = true" in wrong
        path.write_text(text.format(port=broker.port, more='fingerprint = "0"\n'), encoding="utf-8")
        status, _, wrong = check()
        assert status == 2 and 'fingerprint = "0" is no SHA-256 fingerprint' in wrong
