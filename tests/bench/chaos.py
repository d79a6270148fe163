"""Processes killed, brokers frozen, a card full or read-only, at random: what is lost, how soon it goes on.

`PYTHONPATH=tests python tests/bench/chaos.py [--rounds 500] [--speed 20] [--seed 1]`

Each round does one thing, lets it be over, and looks: readings on the card up to ten seconds before a kill
(the boat's), watching again within ten seconds (real ones). At the end: integrity, alerts in one unbroken row
and each heard by the phone. The card is a small file system in memory where mounting is allowed, else a
folder, and then it cannot be full. Exit status 0 if all held.
"""

import argparse
import random
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
from rig import Rig, rig, until_true

LOST_SECONDS = 10.0
RESUMED_SECONDS = 10.0
CARD = "size=256m"


class Rounds:
    """What was done, and what it cost."""

    def __init__(self, afloat: Rig, rng: random.Random, *, is_card: bool) -> None:
        self._afloat, self._rng = afloat, rng
        self.done: Counter[str] = Counter()
        self.lost_seconds: list[float] = []
        self.resumed_seconds: list[float] = []
        self.failed: list[str] = []
        self._kinds: dict[str, Callable[[], None]] = {
            "watch killed": self._kill_watch,
            "watch and page killed at once": self._kill_both,
            "page killed": self._kill_page,
            "broker killed": self._kill_broker,
            "broker frozen": self._freeze_broker,
            "database locked": lambda: afloat.lock(rng.uniform(1.0, 30.0)),
        }
        if is_card:
            self._kinds |= {"card full": self._fill, "card read-only": self._read_only}

    def one(self) -> None:
        name = self._rng.choice(sorted(self._kinds))
        self._afloat.pause(self._rng.uniform(0.0, 60.0))
        before = self._afloat.last_estimate_id()
        self._kinds[name]()
        self.done[name] += 1
        try:
            took = until_true(lambda: self._afloat.last_estimate_id() > before)
        except TimeoutError:
            self.failed.append(f"round {self.done.total()}, {name}: no estimate any more")
            raise
        self.resumed_seconds.append(took)

    def _kill_watch(self) -> None:
        killed = self._afloat.clock.time()
        self._afloat.watch.kill()
        self._look_what_is_lost(killed)
        self._afloat.watch.start()

    def _kill_both(self) -> None:
        self._afloat.web.kill()
        self._kill_watch()
        self._afloat.web.start()

    def _kill_page(self) -> None:
        self._afloat.web.kill()
        self._afloat.web.start()

    def _kill_broker(self) -> None:
        self._afloat.broker.kill()
        self._afloat.pause(self._rng.uniform(1.0, 120.0))
        self._afloat.broker.start()

    def _freeze_broker(self) -> None:
        self._afloat.broker.freeze()
        self._afloat.pause(self._rng.uniform(1.0, 120.0))
        self._afloat.broker.thaw()

    def _fill(self) -> None:
        ballast = self._afloat.database.with_name("ballast")
        with ballast.open("wb", buffering=0) as file, suppress(OSError):
            while True:
                file.write(bytes(65536))
        self._afloat.pause(self._rng.uniform(10.0, 120.0))
        ballast.unlink()

    def _read_only(self) -> None:
        """The kernel refuses while somebody writes, which is a matter of luck: try for a while."""
        for _ in range(50):
            if self._remount("ro"):
                self._afloat.pause(self._rng.uniform(10.0, 120.0))
                break
            self._afloat.pause(0.5)
        assert self._remount("rw")

    def _remount(self, how: str) -> bool:
        words = ["mount", "-o", f"remount,{how}", str(self._afloat.database.parent)]
        return subprocess.run(words, capture_output=True, check=False).returncode == 0

    def _look_what_is_lost(self, killed_time: int) -> None:
        """Only of a time in which the card took what it was given."""
        standing = self._afloat.query(
            "SELECT count(*) FROM alert WHERE condition = 'not_recording' AND rectified_time IS NULL"
        )
        newest = self._afloat.query("SELECT max(time) FROM reading")[0][0]
        if standing == [(0,)] and isinstance(newest, int):
            self.lost_seconds.append((killed_time - newest) / 1000.0)


def verdicts(afloat: Rig, rounds: Rounds) -> list[tuple[str, str, bool]]:
    lost, resumed = np.array(rounds.lost_seconds or [np.nan]), np.array(rounds.resumed_seconds)
    sequences = [int(row[0]) for row in afloat.query("SELECT sequence FROM alert_change ORDER BY sequence")]  # type: ignore[call-overload]
    unheard = set(sequences) - afloat.phone.sequences
    check = str(afloat.query("PRAGMA integrity_check")[0][0])
    # two sentences that waited in one buffer may be read within a millisecond: they are of one batch. That
    # is one transaction, so what was written again after a failure would be of two
    twice = (
        "SELECT count(DISTINCT batch_id) AS batches FROM reading "
        "GROUP BY channel_id, time HAVING count(*) > 1"
    )
    doubled, at_once = afloat.query(f"SELECT total(batches > 1), total(batches = 1) FROM ({twice})")[0]
    return [
        (
            "readings lost by a kill",
            f"median {np.median(lost):.1f} s, most {lost.max():.1f} s, {len(rounds.lost_seconds)} kills",
            bool(lost.max() <= LOST_SECONDS),
        ),
        (
            "watching again after",
            f"median {np.median(resumed):.1f} s, longest {resumed.max():.1f} s (real)",
            bool(resumed.max() <= RESUMED_SECONDS),
        ),
        (
            "readings that stand twice",
            f"{doubled:.0f}; {at_once:.0f} pairs were read in one millisecond",
            doubled == 0,
        ),
        ("alert changes in one row", f"{len(sequences)}", sequences == sorted(set(sequences))),
        (
            "alert changes heard by the phone",
            f"{len(sequences) - len(unheard)}, {afloat.phone.untold} only in sum",
            len(unheard) <= afloat.phone.untold,
        ),
        ("integrity check", check, check == "ok"),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=500)
    parser.add_argument("--speed", type=float, default=20.0, help="boat's seconds in a real one")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="chaos-") as name:
        folder, card = Path(name) / "boat", Path(name) / "card"
        for made in (folder, card):
            made.mkdir()
        words = ["mount", "-t", "tmpfs", "-o", CARD, "tmpfs", str(card)]
        is_card = subprocess.run(words, capture_output=True, check=False).returncode == 0
        try:
            with rig(folder, days=2.0, speed=options.speed, seed=options.seed, card=card) as afloat:
                rounds = Rounds(afloat, random.Random(options.seed), is_card=is_card)
                with suppress(TimeoutError):
                    for _ in range(options.rounds):
                        rounds.one()
                    until_true(lambda: afloat.query("SELECT count(*) FROM outbox")[0][0] == 0)
                status = afloat.watch.stop()
                lines = [
                    ("watch stopped in order", f"status {status}", status == 0),
                    *verdicts(afloat, rounds),
                ]
                logs = {
                    name: (folder / f"{name}.log").read_text("utf-8", "replace") for name in ("watch", "web")
                }
        finally:
            if is_card:
                subprocess.run(["umount", "-l", str(card)], check=False)
    print(f"{rounds.done.total()} rounds at {options.speed:g} times real time, seed {options.seed}")
    for name, count in sorted(rounds.done.items()):
        print(f"  {name}: {count}")
    for what, reached, holds in lines:
        print(f"{'ok ' if holds else 'NO '} {what}: {reached}")
    for name, text in logs.items():
        print(f"{name}: {text.count('Traceback')} tracebacks in its log")
        if "Traceback" in text:
            print(text[text.index("Traceback") :][:3000])
    for line in rounds.failed:
        print(f"NO  {line}")
    raise SystemExit(0 if all(holds for _, _, holds in lines) and not rounds.failed else 1)


if __name__ == "__main__":
    main()
