"""Fuzz every parser of text and bytes from outside: `fuzz_parsers.py --minutes 10 [TARGET ...]`.

Targets and what has to hold for each stand in `tests/fuzzing.py` and `fuzzing_files.py`. Each has its turn
for some seconds, with another seed each time, until the time is up. Printed: how many examples each had, the
slowest of them, and every failure with its smallest example. Status 1 if there was one.
"""

import argparse
import sys
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from hypothesis import HealthCheck, given, seed, settings
from hypothesis.errors import Flaky

from fuzzing import EXAMPLE_SECONDS, Target, ended_within
from fuzzing_files import TARGETS, forget_files

TURN_SECONDS = 10.0
EXAMPLES_A_ROUND = 400


@dataclass(slots=True)
class Done:
    """What one target was given."""

    examples: int = 0
    seconds: float = 0.0
    slowest_seconds: float = 0.0
    failures: list[str] = field(default_factory=list)


class TimeIsUp(BaseException):
    """Out of hypothesis, which takes an Exception for a finding."""


def turn(target: Target, done: Done, number: int, until: float) -> None:
    """One round of examples; a failure is kept with hypothesis' smallest example of it."""

    @seed(number)
    @settings(
        max_examples=EXAMPLES_A_ROUND, deadline=None, database=None, derandomize=False,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(target.examples)
    def run(example: object) -> None:
        began = time.monotonic()
        if began > until:
            raise TimeIsUp
        done.examples += 1
        try:
            with ended_within(EXAMPLE_SECONDS):
                target.check(example)
        finally:
            spent = time.monotonic() - began
            done.seconds += spent
            done.slowest_seconds = max(done.slowest_seconds, spent)

    try:
        run()
    except TimeIsUp:
        return
    except (Exception, Flaky) as error:  # noqa: BLE001 - whatever it is, it is what was looked for
        last = traceback.format_exception(error)[-14:]
        done.failures.append("".join(last)[-3000:])


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0, help="how long in all")
    parser.add_argument("--seed", type=int, default=int(time.time()), help="of the first round")
    parser.add_argument("target", nargs="*", help=f"one or more of: {', '.join(TARGETS)}")
    arguments = parser.parse_args()
    unknown = [name for name in arguments.target if name not in TARGETS]
    if unknown or arguments.minutes <= 0:
        parser.error(f"no such target: {', '.join(unknown)}" if unknown else "--minutes above 0")
    settings.register_profile("bench", derandomize=False, deadline=None)
    settings.load_profile("bench")
    names = arguments.target or list(TARGETS)
    done = {name: Done() for name in names}
    end = time.monotonic() + 60.0 * arguments.minutes
    rounds = 0
    while time.monotonic() < end:
        for name in names:
            until = min(end, time.monotonic() + TURN_SECONDS)
            while time.monotonic() < until and len(done[name].failures) < 3:
                rounds += 1
                turn(TARGETS[name], done[name], arguments.seed + rounds, until)
        if all(len(one.failures) >= 3 for one in done.values()):
            break
    forget_files()
    print(f"seed {arguments.seed}, {arguments.minutes:g} min")
    for name, one in done.items():
        rate = one.examples / one.seconds if one.seconds else 0.0
        print(
            f"{name:20} {one.examples:9} examples {rate:8.0f} a second, slowest {one.slowest_seconds:6.3f} s,"
            f" {len(one.failures)} failures"
        )
    for name, one in done.items():
        for failure in one.failures:
            print(f"\n---- {name}\n{failure}")
    sys.exit(1 if any(one.failures for one in done.values()) else 0)


if __name__ == "__main__":
    main()
