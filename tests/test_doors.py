"""Who may change things on the page: pass-phrase, sessions, tokens, tries."""

import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from argon2 import PasswordHasher
from argon2.profiles import RFC_9106_LOW_MEMORY

from invented_boat import write_invented_history
from lugwatch.cli.main import main
from lugwatch.clock import ManualClock
from lugwatch.dashboard import doors
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.dashboard.doors import COOKIE, SESSION_SECONDS, Doors, new_passphrase, read_lock, write_lock
from lugwatch.dashboard.serve import is_loopback
from lugwatch.errors import UserError
from pages import InProcess

pytestmark = pytest.mark.usefixtures("built")


PHRASE = "brass washers belong elsewhere"


@pytest.fixture(scope="module")
def lock_text(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("lock") / "lock"
    write_lock(path, PHRASE)
    return path.read_text(encoding="utf-8")


@dataclass
class Bench:
    folder: Path
    clock: ManualClock
    lock: Path

    def page(self, **settings: object) -> InProcess:
        chosen = Settings(passphrase_file=self.lock, **settings)  # type: ignore[arg-type]
        return InProcess(create_app(self.folder / "a.db", self.clock, chosen))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    clock = ManualClock()
    with write_invented_history(tmp_path / "a.db", clock):
        yield Bench(tmp_path, clock, tmp_path / "lock")


@pytest.fixture
def locked(bench: Bench, lock_text: str) -> Bench:
    bench.lock.write_text(lock_text, encoding="utf-8")
    return bench


def enter(page: InProcess, phrase: str = PHRASE) -> httpx.Response:
    headers = {"Origin": "http://localhost:8037"}
    return page.post("/api/enter", json={"passphrase": phrase}, headers=headers)


def cookie_of(answer: httpx.Response) -> dict[str, str]:
    return {"Cookie": f"{COOKIE}={answer.cookies[COOKIE]}"}


# ---- without a pass-phrase ------------------------------------------------------------------


def test_on_this_computer_alone_nothing_is_asked(bench: Bench) -> None:
    page = bench.page()
    assert page.get("/api/session").json()["may_change"] is True
    assert page.tell("/api/alerts/7/acknowledge").status_code == 202


@pytest.mark.parametrize(
    ("settings", "headers"),
    [({"loopback": False}, {}), ({}, {"X-Forwarded-For": "10.0.0.4"}), ({}, {"Forwarded": "for=10.0.0.4"})],
)
def test_from_elsewhere_nothing_changes_until_a_phrase_is_set(
    bench: Bench, settings: dict[str, object], headers: dict[str, str]
) -> None:
    page = bench.page(**settings)
    assert page.get("/", headers=headers).status_code == 200
    refused = page.tell("/api/alerts/7/acknowledge", headers=headers)
    assert refused.status_code == 401 and "pass-phrase" in refused.json()["detail"]


def test_a_change_without_the_pages_token_is_refused(bench: Bench) -> None:
    page = bench.page()
    headers = {"Origin": "http://localhost:8037"}
    assert page.post("/api/alerts/7/acknowledge", headers=headers).status_code == 403
    wrong = {**headers, "X-Lugwatch-Token": "guessed"}
    assert page.post("/api/alerts/7/acknowledge", headers=wrong).status_code == 403
    other = bench.page().get("/api/session").json()["token"]
    assert other != page.get("/api/session").json()["token"], "each server makes its own"


# ---- with one -------------------------------------------------------------------------------


def test_the_phrase_opens_and_the_cookie_lasts_over_a_restart(locked: Bench) -> None:
    page = locked.page(loopback=False)
    assert page.tell("/api/alerts/7/acknowledge").status_code == 401
    answer = enter(page)
    assert answer.status_code == 200
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=lax" in cookie and "Secure" not in cookie
    assert f"Max-Age={SESSION_SECONDS}" in cookie
    again = locked.page(loopback=False)  # the server was started anew
    assert again.tell("/api/alerts/7/acknowledge", headers=cookie_of(answer)).status_code == 202


def test_the_cookie_is_secure_behind_tls(locked: Bench) -> None:
    page = InProcess(
        create_app(locked.folder / "a.db", locked.clock, Settings(passphrase_file=locked.lock)),
        "https://localhost:8037",
    )
    answer = page.post(
        "/api/enter", json={"passphrase": PHRASE}, headers={"Origin": "https://localhost:8037"}
    )
    assert "Secure" in answer.headers["set-cookie"]


def test_a_session_ends(locked: Bench, lock_text: str) -> None:
    page = locked.page()
    cookie = cookie_of(enter(page))
    assert page.tell("/api/alerts/7/acknowledge", headers=cookie).status_code == 202
    locked.clock.advance(SESSION_SECONDS + 1.0)
    assert page.tell("/api/alerts/7/acknowledge", headers=cookie).status_code == 401


def test_a_new_phrase_locks_every_phone_out(locked: Bench) -> None:
    page = locked.page()
    cookie = cookie_of(enter(page))
    write_lock(locked.lock, "another phrase altogether")
    assert page.tell("/api/alerts/7/acknowledge", headers=cookie).status_code == 401
    assert enter(page).status_code == 422


@pytest.mark.parametrize("spoil", ["", "x", "1.2.3", "99999999999.abc.AAAA", "é.b.c", '"', ";;=;"])
def test_a_made_up_cookie_is_nobodys(locked: Bench, spoil: str) -> None:
    gate = Doors(clock=locked.clock, file=locked.lock)
    assert gate.may_change(spoil, proxied=False) is False
    page = locked.page()
    headers = {"Cookie": f"{COOKIE}={spoil}".encode()}
    assert page.get("/api/session", headers=headers).json()["may_change"] is False


def test_one_bit_of_a_cookie_changed_is_another(locked: Bench) -> None:
    gate = Doors(clock=locked.clock, file=locked.lock)
    cookie = gate.enter(PHRASE, "here")
    assert cookie is not None and gate.may_change(cookie, proxied=True)
    later = str(int(cookie.split(".")[0]) + 1) + cookie[cookie.index(".") :]
    assert not gate.may_change(later, proxied=False)
    assert not gate.may_change(cookie[:-1] + ("A" if cookie[-1] != "A" else "B"), proxied=False)


def test_tries_are_few(locked: Bench) -> None:
    page = locked.page()
    for _ in range(doors.TRIES_OF_ONE):
        assert enter(page, "not this one").status_code == 422
    answer = enter(page)
    assert answer.status_code == 429 and 0 < int(answer.headers["retry-after"]) <= 60
    locked.clock.advance(doors.TRY_SECONDS + 1.0)
    assert enter(page).status_code == 200


def test_many_addresses_together_are_few_too(locked: Bench) -> None:
    gate = Doors(clock=locked.clock, file=None)
    for n in range(doors.TRIES_OF_ALL):
        assert gate.wait_seconds(f"10.0.0.{n}") == 0.0
        assert gate.enter("no", f"10.0.0.{n}") is None
    assert gate.wait_seconds("10.0.1.1") > 0.0
    locked.clock.advance(3600.0)
    assert gate.wait_seconds("10.0.1.1") == 0.0 and gate.tries == {}


# ---- reading --------------------------------------------------------------------------------


def test_reading_asks_where_it_is_told_to(locked: Bench) -> None:
    page = locked.page(reading_asks=True)
    for path in ("/api/now", "/api/events", "/api/joints/bar_alternator", "/api/journal"):
        assert page.get(path).status_code == 401, path
    answer = page.get("/passages/1")
    assert answer.status_code == 303 and answer.headers["location"] == "/enter?to=/passages/1"
    asked = page.get("/enter")
    assert asked.status_code == 200 and "Sandpiper" not in asked.text
    for path in ("/built/page.js", "/manifest.webmanifest"):
        assert page.get(path).status_code == 200
    cookie = cookie_of(enter(page))
    assert page.get("/api/now", headers=cookie).json()["boat"] == "Sandpiper"


def test_reading_asks_and_no_phrase_was_ever_set(bench: Bench) -> None:
    assert bench.page(reading_asks=True).get("/api/now").status_code == 401


def test_a_damaged_lock_opens_nothing(bench: Bench) -> None:
    bench.lock.write_text("{", encoding="utf-8")
    page = bench.page()
    answer = page.post("/api/alerts/7/acknowledge", headers={"Origin": "http://localhost:8037"})
    assert answer.status_code == 503 and "lugwatch passphrase set" in answer.json()["detail"]
    assert "Sandpiper" in page.get("/").text, "reading does not need it"
    assert page.get("/api/session").status_code == 503
    closed = bench.page(reading_asks=True)
    for path in ("/", "/enter", "/passages"):
        assert "Sandpiper" not in closed.get(path).text
        assert closed.get(path).status_code in (200, 503), path


def test_nothing_secret_is_ever_said(locked: Bench, lock_text: str) -> None:
    page = locked.page()
    lock = read_lock(locked.lock)
    assert lock is not None
    for path in ("/", "/enter", "/page", "/watchman", "/api/session", "/api/health", "/api/now"):
        text = page.get(path).text
        assert lock.passphrase_hash not in text and lock.secret.hex() not in text, path


# ---- the file and the command ---------------------------------------------------------------


def test_the_file_is_its_owners_and_holds_a_hash_alone(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    write_lock(path, PHRASE)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    text = path.read_text(encoding="utf-8")
    assert PHRASE not in text and "$argon2id$" in text
    lock = read_lock(path)
    assert lock is not None
    # RFC 9106 section 4, second recommended option: t=3, p=4, 64 MiB
    assert (RFC_9106_LOW_MEMORY.time_cost, RFC_9106_LOW_MEMORY.memory_cost) == (3, 65536)
    assert "m=65536,t=3,p=4" in lock.passphrase_hash
    assert PasswordHasher().verify(lock.passphrase_hash, PHRASE)


@pytest.mark.parametrize("phrase", ["short", "x" * 201, "with\x07bell in it"])
def test_a_phrase_that_is_none_is_refused(tmp_path: Path, phrase: str) -> None:
    with pytest.raises(UserError, match="8 to 200 letters"):
        write_lock(tmp_path / "lock", phrase)
    assert list(tmp_path.iterdir()) == []


def test_a_made_phrase_is_long_and_another_each_time() -> None:
    made = {new_passphrase() for _ in range(50)}
    assert len(made) == 50 and all(len(phrase) == 19 for phrase in made)
    assert not set("01oil") & set("".join(made))


def test_the_command_shows_it_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text(
        '[boat]\nname = "Tern"\n[[probe]]\nid = "a"\n[[joint]]\nid = "a"\nprobe = "a"\nair = "none"\n',
        encoding="utf-8",
    )
    main(["passphrase", "set", "--config", str(path), "--url", "http://tern.local:8037/"])
    said = capsys.readouterr().out
    phrase = next(line for line in said.splitlines() if "pass-phrase:" in line).split()[-1]
    assert "█" in said and "http://tern.local:8037/enter" in said
    lock = read_lock(tmp_path / "lugwatch.passphrase")
    assert lock is not None and PasswordHasher().verify(lock.passphrase_hash, phrase)
    main(["passphrase", "clear", "--config", str(path)])
    assert read_lock(tmp_path / "lugwatch.passphrase") is None
    main(["passphrase", "clear", "--config", str(path)])
    assert "No pass-phrase was set." in capsys.readouterr().out
    with pytest.raises(SystemExit) as caught:
        main(["passphrase", "set", "--config", str(path), "--url", "tern"])
    assert caught.value.code == 2 and "is no address" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("host", "alone"),
    [("127.0.0.1", True), ("::1", True), ("localhost", True), ("0.0.0.0", False), ("boat.local", False)],
)
def test_which_addresses_are_this_computer_alone(host: str, alone: bool) -> None:
    assert is_loopback(host) is alone
