"""What lugwatch opens to the world, who may read its secrets, and that deploy/threats.md names real tests."""

import contextlib
import os
import re
import shutil
import socket
import stat
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from brokers import Mosquitto, free_port
from lugwatch.cli.main import commands
from lugwatch.clock import ScaledClock
from lugwatch.dashboard import doors
from lugwatch.dashboard.doors import read_lock, write_lock
from processes import Command, until
from test_watch_process import SPEED, Rig, seen

ROOT = Path(__file__).parent.parent
LISTENING = "0A"  # TCP_LISTEN, include/net/tcp_states.h of Linux


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    with Mosquitto() as broker:
        made = Rig(tmp_path, broker)
        try:
            yield made
        finally:
            made.close()


def sockets_that_wait(pid: int) -> list[tuple[str, str, int]]:
    """Protocol, local address in hexadecimal and port of each socket of a process that anybody may send to.

    TCP that listens, and UDP that is bound and has no far side. Format: proc(5), /proc/net/tcp.
    """
    links = []
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):  # closed meanwhile
            links.append(str(entry.readlink()))
    own = {found[1] for link in links if (found := re.fullmatch(r"socket:\[(\d+)\]", link))}
    waiting = []
    for table in ("tcp", "tcp6", "udp", "udp6"):
        path = Path(f"/proc/{pid}/net/{table}")
        for row in path.read_text(encoding="ascii").splitlines()[1:] if path.exists() else []:
            fields = row.split()
            address, port = fields[1].split(":")
            far_port = int(fields[2].split(":")[1], 16)
            open_to_all = fields[3] == LISTENING if table.startswith("tcp") else far_port == 0
            if fields[9] in own and open_to_all:
                waiting.append((table, address, int(port, 16)))
    return waiting


def test_a_listening_socket_is_found_at_all() -> None:
    with socket.create_server(("127.0.0.1", 0)) as tcp, socket.socket(type=socket.SOCK_DGRAM) as udp:
        udp.bind(("127.0.0.1", 0))
        found = {(table, port) for table, _, port in sockets_that_wait(os.getpid())}
        assert {("tcp", tcp.getsockname()[1]), ("udp", udp.getsockname()[1])} <= found


def test_the_page_is_the_only_port_and_the_watch_has_none(rig: Rig) -> None:
    """With every way out that needs a network: a broker, sentences over UDP."""
    clock = ScaledClock(SPEED, time.monotonic(), 1_780_000_000_000)
    port, far = free_port(), free_port()
    with rig.config.open("a", encoding="utf-8") as text:
        text.write(f'[web]\nport = {port}\n[nmea_alerts]\nudp_host = "127.0.0.1"\nudp_port = {far}\n')
    with (
        Command("watch", "--config", rig.config, clock=clock) as watch,
        Command("web", "--config", rig.config, clock=clock) as web,
    ):
        until(lambda: {"bar", "air", "alternator"} <= seen(rig).keys())
        until(lambda: any(table == "tcp" for table, _, _ in sockets_that_wait(web.running.pid)))
        assert sockets_that_wait(web.running.pid) == [("tcp", "0100007F", port)]
        for _ in range(20):
            waiting = sockets_that_wait(watch.running.pid)
            # a UDP socket that only sends has no far side either; it is bound to no chosen port
            assert [w for w in waiting if w[0].startswith("tcp")] == []
            assert all(w[2] not in (far, port, 10110) for w in waiting)


# ---- secrets ------------------------------------------------------------------------------------


def test_the_pass_phrase_is_its_owners_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        write_lock(tmp_path / "lock", "brass washers belong elsewhere")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "lock").stat().st_mode) == 0o600


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can write for another user")
def test_what_root_sets_the_service_may_read_and_nobody_else(tmp_path: Path) -> None:
    """As `sudo lugwatch passphrase set` does in /etc/lugwatch, which is of the group lugwatch."""
    service = 65_534
    (tmp_path / "etc").mkdir()
    os.chown(tmp_path / "etc", -1, service)
    path = tmp_path / "etc" / "lugwatch.passphrase"
    write_lock(path, "brass washers belong elsewhere")
    rights = path.stat()
    assert (rights.st_uid, rights.st_gid, stat.S_IMODE(rights.st_mode)) == (0, service, 0o640)
    assert read_lock(path) is not None


def test_what_a_stolen_card_holds_opens_nothing_once_the_phrase_is_set_anew(tmp_path: Path) -> None:
    """A thief has the secret that signs sessions, and can make one; a new phrase has a new secret."""
    phrase = "brass washers belong elsewhere"
    path = tmp_path / "lugwatch.passphrase"
    write_lock(path, phrase)
    assert phrase not in path.read_text(encoding="utf-8")
    clock = ScaledClock(1.0, time.monotonic(), 1_780_000_000_000)
    stolen = tmp_path / "stolen"
    shutil.copy(path, stolen)
    made = doors.Doors(clock=clock, file=stolen).enter(phrase, "thief")
    ours = doors.Doors(clock=clock, file=path)
    assert made is not None and ours.may_change(made, proxied=True), "what is stolen works until then"
    write_lock(path, "another phrase altogether")
    assert not ours.may_change(made, proxied=True)


def test_the_services_write_nothing_that_others_may_read() -> None:
    for unit in (ROOT / "deploy" / "files").glob("*.service"):
        text = unit.read_text(encoding="utf-8")
        assert "UMask=0027" in text and "StateDirectoryMode=0750" in text, unit.name


def test_an_upgrade_leaves_secrets_as_they_are(tmp_path: Path) -> None:
    """The part of deploy/install.sh that sets rights, on a folder that stands for /etc/lugwatch."""
    if os.geteuid() != 0:
        pytest.skip("only root can give files away")
    script = (ROOT / "deploy" / "install.sh").read_text(encoding="utf-8")
    lines = [line.strip() for line in script.splitlines() if 'find "$settings"' in line]
    assert len(lines) == 3
    # the chown needs the user lugwatch; here "nobody" stands for it
    run = "\n".join(lines).replace("lugwatch", "nobody").replace("root:nobody", "root:nogroup")
    for name, owner, rights in (("plain.toml", 0, 0o644), ("urls", 65_534, 0o600), ("word", 65_534, 0o644)):
        (tmp_path / name).touch()
        (tmp_path / name).chmod(rights)
        os.chown(tmp_path / name, owner, 65_534)
    environment = {**os.environ, "settings": str(tmp_path), "dry": ""}
    subprocess.run(["sh", "-euc", run], env=environment, check=True)
    after = {p.name: (p.stat().st_uid, stat.S_IMODE(p.stat().st_mode)) for p in tmp_path.iterdir()}
    assert after == {"plain.toml": (0, 0o640), "urls": (65_534, 0o600), "word": (65_534, 0o600)}


# ---- the page of threats ------------------------------------------------------------------------


def test_every_test_that_the_threats_name_is_there_and_runs() -> None:
    text = (ROOT / "deploy" / "threats.md").read_text(encoding="utf-8")
    named = re.findall(r"`(test_\w+)(?:::|/)(test_\w+)`", text)
    assert len(named) >= 25
    for file, test in named:
        source = (ROOT / "tests" / f"{file}.py").read_text(encoding="utf-8")
        assert re.search(rf"^(async )?def {test}\(", source, re.MULTILINE), f"{file}::{test}"
    attacks = [name for file, name in named if file.startswith("test_attacks")]
    for path in (ROOT / "tests").glob("test_attacks*.py"):
        for test in re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE):
            assert test in attacks, f"{path.name}::{test} is not in deploy/threats.md"
    assert len(text.splitlines()) <= 90, "a page"


def test_every_file_and_setting_that_the_threats_name_is_there() -> None:
    text = (ROOT / "deploy" / "threats.md").read_text(encoding="utf-8")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for path in re.findall(r"`(deploy/[\w./-]+)`", text):
        assert (ROOT / path).exists(), path
    for setting in re.findall(r"`(\w+) = ", text):
        assert setting in readme, setting
    for command in re.findall(r"`lugwatch ([a-z-]+)", text):
        assert command in commands.commands, command
