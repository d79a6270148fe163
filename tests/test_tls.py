"""The page over TLS of its own: a certificate made here, cookies that stay on it, wrong files in one line."""

import ssl
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner

from lugwatch import config
from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.dashboard import tls
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.dashboard.doors import write_lock
from lugwatch.errors import ConfigurationError, UserError
from pages import InProcess, Served, built_page

PHRASE = "four words on paper"


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True, timeout=60)


def certify(folder: Path, name: str = "boat") -> tuple[Path, Path]:
    """A certificate of its own making for localhost, and its key."""
    openssl(
        folder, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
        "-keyout", f"{name}.key", "-out", f"{name}.pem", "-days", "2", "-subj", "/CN=localhost",
        "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
    )  # fmt: skip
    return folder / f"{name}.pem", folder / f"{name}.key"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return certify(tmp_path_factory.mktemp("tls"))


@pytest.fixture
def trusting(made: tuple[Path, Path]) -> Iterator[httpx.Client]:
    with httpx.Client(verify=ssl.create_default_context(cafile=str(made[0])), timeout=20) as client:
        yield client


def test_the_page_speaks_tls_and_its_cookie_stays_there(
    tmp_path: Path, made: tuple[Path, Path], trusting: httpx.Client
) -> None:
    write_lock(tmp_path / "lugwatch.passphrase", PHRASE)
    web = f'certificate_file = "{made[0]}"\nkey_file = "{made[1]}"\n'
    with Served(tmp_path, web=web) as served:
        assert served.url.startswith("https://127.0.0.1:")
        page = trusting.get(served.url)
        assert page.status_code == 200
        assert "strict-transport-security" not in page.headers, "only when asked for"
        token = trusting.get(served.url + "api/session").json()["token"]
        headers = {"Origin": served.url.rstrip("/"), "X-Lugwatch-Token": token}
        entered = trusting.post(served.url + "api/enter", json={"passphrase": PHRASE}, headers=headers)
        assert entered.status_code == 200
        cookie = entered.headers["set-cookie"]
        assert all(word in cookie for word in ("Secure", "HttpOnly", "SameSite=lax"))
        assert trusting.get(served.url + "api/session").json()["may_change"] is True
        # plain HTTP gets no page
        with pytest.raises(httpx.HTTPError):
            httpx.get(served.url.replace("https", "http"), timeout=20)
        assert trusting.get(served.url).status_code == 200, "and it goes on"
        status, seconds = served.stop()
        assert status == 0 and seconds < 5.0


@pytest.mark.parametrize(("seconds", "told"), [(0, None), (86_400, "max-age=86400")])
def test_browsers_are_told_to_insist_only_when_asked_and_over_tls(
    tmp_path: Path, seconds: int, told: str | None
) -> None:
    app = create_app(tmp_path / "none.db", ManualClock(), Settings(hsts_seconds=seconds), built=built_page())
    assert InProcess(app, "https://localhost:8037").get("/").headers.get("strict-transport-security") == told
    assert "strict-transport-security" not in InProcess(app).get("/").headers


def test_a_file_may_hold_both(tmp_path: Path, made: tuple[Path, Path]) -> None:
    both = tmp_path / "both.pem"
    both.write_bytes(made[0].read_bytes() + made[1].read_bytes())
    tls.check(both, None)
    tls.check(*made)


def test_what_is_wrong_with_a_file_is_one_line(tmp_path: Path, made: tuple[Path, Path]) -> None:
    certificate, key = made
    _, other = certify(tmp_path, "other")
    words, cut, locked = tmp_path / "words", tmp_path / "cut.pem", tmp_path / "locked.key"
    words.write_bytes(b"\xff\x00 no certificate")
    cut.write_text(certificate.read_text()[:200])
    openssl(tmp_path, "pkcs8", "-topk8", "-in", str(key), "-out", "locked.key", "-passout", "pass:secret")
    old = tmp_path / "old.key"
    openssl(tmp_path, "ec", "-in", str(key), "-out", "old.key", "-aes128", "-passout", "pass:secret")
    for files, said in (
        ((tmp_path / "none.pem", key), "cannot read the certificate"),
        ((tmp_path, key), "cannot read the certificate"),
        ((words, key), "holds no certificate"),
        ((key, key), "holds no certificate"),
        ((cut, key), "is it whole?"),
        ((certificate, tmp_path / "none.key"), "cannot read the key"),
        ((certificate, words), "holds no private key; give the PEM file"),
        ((certificate, None), "holds no private key; name it with key_file"),
        ((certificate, other), "does not belong to the certificate"),
        ((certificate, locked), "the key is encrypted"),
        ((certificate, old), "the key is encrypted"),
    ):
        with pytest.raises(UserError) as error:
            tls.check(*files)
        assert said in str(error.value) and "\n" not in str(error.value), error.value


def test_the_command_says_it_and_ends_with_status_2(tmp_path: Path, made: tuple[Path, Path]) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text(
        '[boat]\nname = "S"\n[[probe]]\nid = "bar"\n[[joint]]\nid = "bar"\nprobe = "bar"\nair = "none"\n'
    )
    _, other = certify(tmp_path, "other")
    for words, said in (
        (["--certificate", str(made[0]), "--key", str(other)], "does not belong"),
        (["--key", str(other)], "--key stands without --certificate"),
    ):
        command = [sys.executable, "-m", "lugwatch", "web", "--config", str(path), "--port", "0", *words]
        ended = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert ended.returncode == 2 and said in ended.stderr and "Traceback" not in ended.stderr
        assert len(ended.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("web", "said"),
    [
        ('key_file = "boat.key"', "[web] key_file stands without certificate_file"),
        ("hsts_days = 30", "name a certificate_file first"),
    ],
)
def test_half_a_setting_is_a_mistake(tmp_path: Path, web: str, said: str) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text(
        f'[boat]\nname = "S"\n[web]\n{web}\n[[probe]]\nid = "bar"\n'
        '[[joint]]\nid = "bar"\nprobe = "bar"\nair = "none"\n'
    )
    with pytest.raises(ConfigurationError) as error:
        config.load(path)
    assert any(said in mistake for mistake in error.value.mistakes)


def test_addresses_that_are_told_begin_with_https(tmp_path: Path) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text(
        '[boat]\nname = "S"\n[web]\ncertificate_file = "boat.pem"\n'
        '[[probe]]\nid = "bar"\nsource = "onewire"\naddress = "28-000005e2fdc3"\n'
        '[[joint]]\nid = "bar"\nprobe = "bar"\nair = "none"\n'
    )
    assert config.load(path).page.certificate_file == tmp_path / "boat.pem"
    said = CliRunner().invoke(commands, ["passphrase", "set", "--config", str(path)]).output
    assert "https://" in said and "http://" not in said
    checked = CliRunner().invoke(commands, ["check", "--config", str(path)]).output
    assert "https://127.0.0.1:8037" in checked
    assert f"caution: cannot read the certificate {tmp_path / 'boat.pem'}: No such file" in checked
