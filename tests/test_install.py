"""The installer: units held against systemd's own judges, and the whole way in a root of its own.

The root is an overlay over this machine's, in a mount namespace: real `useradd`, real virtual environments,
nothing left behind.
"""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pages import ROOT, built_page

DEPLOY = ROOT / "deploy"
UNITS = ("lugwatch-watch.service", "lugwatch-web.service", "lugwatch-backup.service")
WORST_EXPOSURE = 2.5  # of systemd-analyze security: 0 is closed, 10 is open

needs_analyze = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd-analyze here")


def install(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", DEPLOY / "install.sh", *words], capture_output=True, text=True, timeout=60, check=False
    )


@pytest.fixture(params=UNITS)
def unit(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A unit as it is put in place, with a program that is there."""
    text = (DEPLOY / "files" / request.param).read_text(encoding="utf-8")
    text = text.replace("@GROUPS@", "dialout")
    path = tmp_path / str(request.param)
    path.write_text(
        re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", text, flags=re.MULTILINE), encoding="utf-8"
    )
    return path


@needs_analyze
def test_systemd_finds_nothing_to_say_of_a_unit(unit: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "verify", unit], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@needs_analyze
def test_the_timer_asks_by_time_since_start_and_not_by_the_clock(tmp_path: Path) -> None:
    for name in ("lugwatch-backup.service", "lugwatch-backup.timer"):
        text = (DEPLOY / "files" / name).read_text(encoding="utf-8")
        text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", text, flags=re.MULTILINE)
        (tmp_path / name).write_text(text, encoding="utf-8")
        assert "OnCalendar" not in text
    done = subprocess.run(
        ["systemd-analyze", "verify", tmp_path / "lugwatch-backup.timer"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@needs_analyze
def test_a_unit_is_closed_but_for_what_it_needs(unit: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", unit],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found[1]) <= WORST_EXPOSURE


def test_a_dry_run_says_all_and_does_nothing() -> None:
    done = install("--dry-run")
    assert done.returncode == 0, done.stderr
    for words in ("useradd --system", "pip install", "lugwatch-watch.service", "systemctl enable --now"):
        assert words in done.stdout
    assert not Path("/opt/lugwatch").exists() and not Path("/etc/lugwatch").exists()


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--sideways"], 2, "--sideways is no option"),
        (["--from"], 2, "--from needs a path"),
        (["--roll-back", "--dry-run"], 1, "no version before"),
    ],
)
def test_what_is_wrong_is_one_line(words: list[str], status: int, said: str) -> None:
    done = install(*words)
    assert done.returncode == status and said in done.stderr
    assert done.stderr.count("\n") == 1


WHOLE_WAY = r"""
set -eu
cd /
chmod a+x "$HOME"  # a Python of root's own has to be within the service's reach
sh $DEPLOY/install.sh --no-start --from $WHEEL >/tmp/first.log 2>&1 || { cat /tmp/first.log; exit 1; }
getent passwd lugwatch | grep -q nologin
test "$(stat -c '%U %G %a' /etc/lugwatch/lugwatch.toml)" = "root lugwatch 640"
test "$(stat -c '%U %a' /var/lib/lugwatch)" = "lugwatch 750"
! grep -q @GROUPS@ /etc/systemd/system/lugwatch-watch.service
lugwatch --version
first="$(readlink /opt/lugwatch/current)"

# an owner's configuration, watched by the service's user
probe=/srv/w1/28-0000054321ab bytes="72 01 4b 46 7f ff 0e 10 57"
mkdir -p $probe
printf '%s : crc=57 YES\n%s t=23125\n' "$bytes" "$bytes" >$probe/w1_slave
cat >/etc/lugwatch/lugwatch.toml <<TOML
[boat]
name = "Grey Plover"
[store]
database = "/var/lib/lugwatch/lugwatch.db"
[onewire]
path = "/srv/w1"
[[probe]]
id = "bar"
source = "onewire"
address = "28-0000054321ab"
[[joint]]
id = "bar"
probe = "bar"
air = "none"
TOML
watch() {
    setpriv --reuid lugwatch --regid lugwatch --init-groups timeout -s TERM 12 \
        lugwatch watch --config /etc/lugwatch/lugwatch.toml || test $? = 124
}
watch
test "$(stat -c '%U' /var/lib/lugwatch/lugwatch.db)" = lugwatch
lugwatch joints --db /var/lib/lugwatch/lugwatch.db --json | grep -q '"probe_celsius": 23.125'

# the daily backup as its unit runs it: a disk that is not there is no failure, and is noted
backs_up() {
    setpriv --reuid lugwatch --regid lugwatch --init-groups \
        lugwatch backup --config /etc/lugwatch/lugwatch.toml --if-due
}
grep -q -- '--if-due' /etc/systemd/system/lugwatch-backup.service
test -e /etc/systemd/system/lugwatch-backup.timer
printf '[backup]\nfolder = "/mnt/backup"\n' >>/etc/lugwatch/lugwatch.toml
backs_up | grep -q "no such folder"
grep -q "no such folder" /var/lib/lugwatch/lugwatch.db.last-backup.json
mkdir -p /mnt/backup
mount -t tmpfs -o size=32m,uid="$(id -u lugwatch)",gid="$(id -g lugwatch)" tmpfs /mnt/backup
backs_up | grep -q "checked"
backs_up | grep -q "nothing to do"
lugwatch restore /mnt/backup --config /etc/lugwatch/lugwatch.toml | grep -q "put back"  # by root
test "$(stat -c '%U' /var/lib/lugwatch/lugwatch.db)" = lugwatch
watch
lugwatch joints --db /var/lib/lugwatch/lugwatch.db --json | grep -q '"probe_celsius": 23.125'
umount /mnt/backup

# again: an upgrade keeps the configuration, backs the data up, and can be taken back
sh $DEPLOY/install.sh --no-start --from $WHEEL >/tmp/second.log 2>&1 || { cat /tmp/second.log; exit 1; }
second="$(readlink /opt/lugwatch/current)"
test "$first" != "$second"
grep -q "Grey Plover" /etc/lugwatch/lugwatch.toml
ls /var/lib/lugwatch/backups/before-"$(basename $second)".db
sh $DEPLOY/install.sh --no-start --roll-back
test "$(readlink /opt/lugwatch/current)" = "$first"
lugwatch joints --db /var/lib/lugwatch/lugwatch.db --json | grep -q '"probe_celsius": 23.125'
! sh $DEPLOY/install.sh --no-start --roll-back 2>/tmp/again.log
grep -q "no version before" /tmp/again.log

sh $DEPLOY/install.sh --no-start --uninstall
test ! -e /opt/lugwatch && test ! -e /etc/systemd/system/lugwatch-watch.service
test -e /var/lib/lugwatch/lugwatch.db && test -e /etc/lugwatch/lugwatch.toml
echo the whole way
"""

OVERLAY = r"""
set -eu
mount -t tmpfs tmpfs "$PLACE"
mkdir "$PLACE/upper" "$PLACE/work" "$PLACE/root"
mount -t overlay overlay -o "lowerdir=/,upperdir=$PLACE/upper,workdir=$PLACE/work" "$PLACE/root"
mount --rbind /dev "$PLACE/root/dev"
mount -t proc proc "$PLACE/root/proc"
exec chroot "$PLACE/root" /bin/sh -c "$SCRIPT"
"""


def overlay_is_possible(folder: Path) -> bool:
    place = folder / "try"
    place.mkdir()
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", OVERLAY],
        env={**os.environ, "PLACE": str(place), "SCRIPT": "true"},
        capture_output=True, timeout=60, check=False,
    )  # fmt: skip
    return done.returncode == 0


@pytest.mark.slow
def test_the_whole_way_in_a_root_of_its_own(tmp_path: Path) -> None:
    if os.geteuid() != 0 or not overlay_is_possible(tmp_path):
        pytest.skip("needs root and overlay mounts")
    built_page()
    wheels = tmp_path / "wheels"
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", wheels, ROOT],
        check=True, timeout=300,
    )  # fmt: skip
    (wheel,) = wheels.glob("lugwatch-*.whl")
    place = tmp_path / "place"
    place.mkdir()
    # under the overlay the machine's own /tmp is seen as it is, this test's folder included
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", OVERLAY],
        env={
            # how pip finds its packages may stand in variables; a tree of ours on the path may not
            **{name: value for name, value in os.environ.items() if not name.startswith("PYTHON")},
            # what is installed comes first: a developer's own environment has a lugwatch too
            "PATH": "/usr/local/bin:/usr/sbin:/sbin:" + os.environ["PATH"],
            "HOME": os.environ.get("HOME", "/root"),
            "PLACE": str(place),
            "SCRIPT": WHOLE_WAY,
            "DEPLOY": str(DEPLOY),
            "WHEEL": str(wheel),
        },
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0 and done.stdout.endswith("the whole way\n"), done.stdout[-3000:] + done.stderr
