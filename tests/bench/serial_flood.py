"""A saturated serial line with garbage: is any reading with a good checksum lost, and what does it cost?

`serial_flood.py [--minutes 10] [--garbage 0.3]`: another process writes 115,200 baud (11,520 bytes a second)
into a pseudo-terminal, evenly. So large a share is garbage: noise, half sentences, sentences with one bit
turned. The real driver reads it as the watch does. Sixteen transducers, each below what one may bring.
Printed: sentences sent, read and lost; processor time of the reading process as a share of one core.
"""

import argparse
import os
import random
import resource
import sys
import threading
import time
import tty
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from lugwatch.clock import SystemClock
from lugwatch.model import Fault, FaultKind, Quantity, Reading
from lugwatch.sources.serial_nmea import SerialChannel, SerialNmea
from test_nmea import with_checksum

BYTES_A_SECOND = 11_520
STEP_SECONDS = 0.01
TRANSDUCERS = 16
# so many values of a channel differ until they come again
VALUES = 30_000


def pieces(seed: int, garbage: float) -> Iterator[tuple[bytes, tuple[int, int] | None]]:
    """Lines without end: their bytes, and transducer and count of a good one."""
    chance = random.Random(seed)
    counts = [0] * TRANSDUCERS
    sent = spoilt = 0
    turn = 0
    while True:
        if spoilt <= garbage * (sent + spoilt):
            line = _garbage(chance)
            spoilt += len(line)
            yield line, None
            continue
        transducer, turn = turn, (turn + 1) % TRANSDUCERS
        line = _sentence(transducer, counts[transducer])
        sent += len(line)
        yield line, (transducer, counts[transducer])
        counts[transducer] += 1


def _sentence(transducer: int, count: int) -> bytes:
    return with_checksum(f"IIXDR,C,{count % VALUES / 100:.2f},C,T{transducer:02}").encode() + b"\r\n"


def _garbage(chance: random.Random) -> bytes:
    match chance.randrange(3):
        case 0:
            return bytes(chance.randrange(256) for _ in range(chance.randrange(1, 60))) + b"\n"
        case 1:
            return _sentence(chance.randrange(TRANSDUCERS), 31_415)[: chance.randrange(1, 20)] + b"\r\n"
        case _:
            line = bytearray(_sentence(chance.randrange(TRANSDUCERS), 31_415))
            # before the checksum: there a turned bit may be a small letter for a capital one
            line[chance.randrange(len(line) - 4)] ^= 1 << chance.randrange(7)
            return bytes(line)


def send(line: int, seed: int, garbage: float, seconds: float) -> None:
    """In the child: as fast as 115,200 baud and no faster."""
    stream = pieces(seed, garbage)
    waiting, began, sent = bytearray(), time.monotonic(), 0
    while (now := time.monotonic() - began) < seconds:
        due = int(now * BYTES_A_SECOND) - sent
        while len(waiting) < due:
            waiting += next(stream)[0]
        while due > 0:
            written = os.write(line, waiting[:due])
            del waiting[:written]
            sent += written
            due -= written
        time.sleep(STEP_SECONDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flooded:
    """What became of one flood: sentences with a good checksum, faults told, share of one core."""

    total_bytes: int
    sent: int
    lost: int
    made_up: int
    faults: Counter[FaultKind]
    cpu_seconds: float
    cpu_ratio: float


def flood(minutes: float, garbage: float, seed: int) -> Flooded:
    """So many minutes of it, in real time."""
    far, near = os.openpty()
    tty.setraw(near)
    tty.setraw(far)
    seconds = 60.0 * minutes
    source = SerialNmea(
        name="serial", device=os.ttyname(near), baud=115_200, clock=SystemClock(), stop=threading.Event(),
        channels=[
            SerialChannel(channel=f"{t}", quantity=Quantity.CELSIUS, kind="C", transducer=f"T{t:02}")
            for t in range(TRANSDUCERS)
        ],
    )  # fmt: skip
    source.poll()  # open, so that nothing is sent before anybody listens
    child = os.fork()
    if child == 0:
        send(far, seed, garbage, seconds)
        os._exit(0)
    read: list[list[float]] = [[] for _ in range(TRANSDUCERS)]
    faults: Counter[FaultKind] = Counter()
    began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF)
    while time.monotonic() - began < seconds + 2.0:
        for event in source.poll():
            if isinstance(event, Reading):
                read[int(event.channel)].append(event.value)
            elif isinstance(event, Fault):
                faults[event.kind] += 1
    after = resource.getrusage(resource.RUSAGE_SELF)
    os.waitpid(child, 0)
    source.close()
    for descriptor in (far, near):
        os.close(descriptor)
    cpu_seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return compared(int(seconds * BYTES_A_SECOND), garbage, seed, read, faults, cpu_seconds)


def compared(
    total_bytes: int, garbage: float, seed: int, read: list[list[float]], faults: Counter[FaultKind],
    cpu_seconds: float,
) -> Flooded:  # fmt: skip
    """Against what was sent, told over again: every value of every transducer in its order, and no other."""
    expected: list[list[float]] = [[] for _ in range(TRANSDUCERS)]
    size = 0
    for line, good in pieces(seed, garbage):
        size += len(line)
        if size > total_bytes:
            break
        if good is not None:
            expected[good[0]].append(good[1] % VALUES / 100)
    sent, lost, made_up = 0, 0, 0
    for want, got in zip(expected, read, strict=True):
        sent += len(want)
        # the last line may have been under way when the time was up, or cut by it
        same = sum(a == b for a, b in zip(want, got, strict=False))
        lost += max(0, len(want) - same - 1)
        made_up += max(0, len(got) - same - 1)
    return Flooded(
        total_bytes=total_bytes, sent=sent, lost=lost, made_up=made_up, faults=faults,
        cpu_seconds=cpu_seconds, cpu_ratio=cpu_seconds / (total_bytes / BYTES_A_SECOND),
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--garbage", type=float, default=0.3, help="share of all bytes")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    done = flood(arguments.minutes, arguments.garbage, arguments.seed)
    print(
        f"{done.total_bytes / 1e6:.2f} MB in {arguments.minutes:g} min, {arguments.garbage:.0%} of it garbage"
    )
    print(
        f"sentences with a good checksum: {done.sent} sent, {done.lost} lost, {done.made_up} that nobody sent"
    )
    print(f"told of the rest: {', '.join(f'{n} × {kind}' for kind, n in sorted(done.faults.items()))}")
    print(f"processor: {done.cpu_seconds:.1f} s, {done.cpu_ratio:.1%} of one core")
    sys.exit(1 if done.lost or done.made_up else 0)


if __name__ == "__main__":
    main()
