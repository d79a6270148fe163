"""Days afloat with a trouble every few minutes: what grows, what leaks, what is lost.

`PYTHONPATH=tests python tests/bench/soak.py [--days 30] [--speed 200] [--seed 1] [--every-minutes 15]`

Real processes, broker, phone and page client; times are the boat's unless real ones are named. At the end,
with the watch stopped in order: memory, descriptors, threads and the log's size over the second half of the
run; each alert change in the file was heard by the phone; readings received are in the file. Exit status 0 if
all held.
"""

import argparse
import random
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
from rig import Rig, Usage, rig, until_true

from lugwatch.store.queries import History

GROWTH_PERCENT_A_DAY = 1.0
HOUR_SECONDS = 3600.0


def troubles(afloat: Rig, rng: random.Random) -> dict[str, Callable[[], None]]:
    """What can be done to a boat's computer from outside; each comes back by itself."""

    def broker_dies() -> None:
        afloat.broker.kill()
        afloat.pause(rng.uniform(10.0, 240.0))
        afloat.broker.start()

    def broker_freezes() -> None:
        afloat.broker.freeze()
        afloat.pause(rng.uniform(10.0, 240.0))
        afloat.broker.thaw()

    def watch_dies() -> None:
        afloat.watch.kill()
        afloat.watch.start()

    def watch_is_restarted() -> None:
        afloat.watch.stop()
        afloat.watch.start()

    def page_dies() -> None:
        afloat.web.kill()
        afloat.web.start()

    def page_freezes() -> None:
        afloat.freeze(afloat.web, rng.uniform(5.0, 120.0))

    return {
        "broker dies": broker_dies,
        "broker freezes": broker_freezes,
        "watch is killed": watch_dies,
        "watch is restarted": watch_is_restarted,
        "page is killed": page_dies,
        "page freezes": page_freezes,
        "database is locked": lambda: afloat.lock(rng.uniform(2.0, 60.0)),
    }


def live(
    afloat: Rig, days: float, every_seconds: float, seed: int
) -> tuple[list[tuple[float, Usage, Usage, int]], Counter[str]]:
    """Troubles at random; each hour what the processes hold: boat's hours, watch, web, kB of the log."""
    rng, done, samples = random.Random(seed), Counter[str](), []
    begun = afloat.clock.monotonic_seconds()
    next_trouble, next_sample = rng.expovariate(1.0 / every_seconds), 0.0
    kinds = troubles(afloat, rng)
    while (now := afloat.clock.monotonic_seconds() - begun) < days * 86_400.0:
        if now >= next_trouble:
            name = rng.choice(sorted(kinds))
            begun_at = afloat.clock.time()
            kinds[name]()
            print(f"  {begun_at} to {afloat.clock.time()} ms: {name}", flush=True)
            done[name] += 1
            next_trouble = afloat.clock.monotonic_seconds() - begun + rng.expovariate(1.0 / every_seconds)
        if now >= next_sample:
            samples.append(
                (now / HOUR_SECONDS, afloat.watch.usage(), afloat.web.usage(), afloat.wal_kilobytes())
            )
            next_sample = now + HOUR_SECONDS
        for child in (afloat.watch, afloat.web):
            if child.process is not None and child.process.poll() is not None:
                raise SystemExit(f"{child.name} ended by itself with status {child.process.poll()}")
        time.sleep(0.01)
    return samples, done


def verdicts(afloat: Rig, samples: list[tuple[float, Usage, Usage, int]]) -> list[tuple[str, str, bool]]:
    """What, how much, whether it holds. The watch has been stopped in order."""
    lines = []
    late = samples[len(samples) // 2 :]
    hours = np.array([sample[0] for sample in late])
    for place, name in ((1, "watch"), (2, "web")):
        kilobytes = np.array([sample[place].kilobytes for sample in late], dtype=float)
        slope, slope_sd = _slope(hours / 24.0, kilobytes)
        percent, percent_sd = 100.0 * slope / kilobytes.mean(), 100.0 * slope_sd / kilobytes.mean()
        # a process that was restarted grows to its size again: what must not be is growth beyond the noise
        lines.append(
            (
                f"{name}: memory, second half",
                f"{kilobytes.mean() / 1024:.0f} MB, {percent:+.1f} ± {percent_sd:.1f} % a day",
                percent - 2.0 * percent_sd <= GROWTH_PERCENT_A_DAY,
            )
        )
        for what, limit in (("descriptors", 64), ("threads", 64)):
            most = max(getattr(sample[place], what) for sample in samples)
            first = max(getattr(sample[place], what) for sample in samples[: len(samples) // 2])
            last = max(getattr(sample[place], what) for sample in late)
            lines.append(
                (f"{name}: {what}, most", f"{first}, then {last}", most <= limit and last <= first + 4)
            )
    wal = max(sample[3] for sample in samples)
    lines.append(("log beside the database, most", f"{wal / 1024:.1f} MB", wal <= 40 * 1024))
    changes = {int(row[0]) for row in afloat.query("SELECT sequence FROM alert_change")}  # type: ignore[call-overload]
    unheard = changes - afloat.phone.sequences
    lines.append(
        (
            "alert changes heard by the phone",
            f"{len(changes - unheard)} of {len(changes)}, {afloat.phone.doubles} came twice,"
            f" {afloat.phone.untold} told only in sum",
            len(unheard) <= afloat.phone.untold,
        )
    )
    for number in sorted(unheard):
        told = afloat.query(
            "SELECT alert_change.time, change, condition, joint FROM alert_change JOIN alert USING (alert_id)"
            " WHERE sequence = ?",
            number,
        )
        lines.append((f"unheard change {number}", str(told[0]), False))
    told, stored = _accounts(afloat)
    lines.append(("readings received, and in the file", f"{told} and {stored}", stored >= told > 0))
    check = str(afloat.query("PRAGMA integrity_check")[0][0])
    lines.append(("integrity check", check, check == "ok"))
    return lines


def _slope(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Least squares, with its standard deviation."""
    if len(x) < 3:
        return 0.0, float("inf")
    fit, covariance = np.polyfit(x, y, 1, cov=True)
    return float(fit[0]), float(np.sqrt(covariance[0, 0]))


def _accounts(afloat: Rig) -> tuple[int, int]:
    """Readings that sources had counted when each start last wrote of them, and those in the file."""
    told = 0
    for (boot,) in afloat.query("SELECT boot_id FROM boot"):
        told += sum(
            int(row[0])  # type: ignore[call-overload]
            for row in afloat.query(
                "SELECT max(readings_count) FROM source_health JOIN batch USING (batch_id) WHERE boot_id = ?"
                " GROUP BY source",
                boot,
            )
        )
    with History.open(afloat.database) as history:
        return told, history.count_readings()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--speed", type=float, default=200.0, help="boat's seconds in a real one")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--every-minutes", type=float, default=15.0, help="of the boat's, between two troubles"
    )
    parser.add_argument("--keep", type=Path, metavar="DIR", help="an empty folder for all of it, not deleted")
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="soak-") as folder,
        rig(
            options.keep or Path(folder), days=options.days, speed=options.speed, seed=options.seed
        ) as afloat,
    ):
        samples, done = live(afloat, options.days, 60.0 * options.every_minutes, options.seed)
        waiting = "SELECT count(*) FROM outbox"
        until_true(lambda: afloat.query(waiting)[0][0] == 0)
        status = afloat.watch.stop()
        lines = [("watch stopped in order", f"status {status}", status == 0), *verdicts(afloat, samples)]
        print(f"{options.days:g} days at {options.speed:g} times real time, seed {options.seed}")
        for name, count in sorted(done.items()):
            print(f"  {name}: {count}")
        for what, reached, holds in lines:
            print(f"{'ok ' if holds else 'NO '} {what}: {reached}")
        for log in ("watch.log", "web.log"):
            text = (afloat.folder / log).read_text(encoding="utf-8", errors="replace")
            print(f"{log}: {text.count(chr(10))} lines, {text.count('Traceback')} tracebacks")
            if "Traceback" in text:
                print(text[text.index("Traceback") :][:3000])
    raise SystemExit(0 if all(holds for _, _, holds in lines) else 1)


if __name__ == "__main__":
    main()
