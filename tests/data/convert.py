"""Turns the measured data beside this file into the recording format of `lugwatch replay`.

    python convert.py cell  electrothermal-30q/Q30_S001_4C.csv  out.csv
    python convert.py heater  heater-step/tclab_step_test.csv  out.csv

Cell: columns `load` (A), `cell` and `room` (°C), figures copied as they stand, faults included.
Heater: its heaters are set in per cent of power, so the "current" is the root of that figure (A² = %);
there is no air probe, so `room` is the first reading of heater 1, before it warmed.
"""

import csv
import math
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

CELL_HEADER = ["time", "load", "cell", "room"]
HEATER_HEADER = ["time", "heater_1", "heater_2", "plate_1", "plate_2", "room"]


def cell_rows(source: Path) -> Iterator[list[str]]:
    with source.open(encoding="utf-8-sig", newline="") as lines:
        for row in csv.reader(lines):
            yield [row[0], row[1], row[4], row[6]]


def heater_rows(source: Path) -> Iterator[list[str]]:
    with source.open(encoding="utf-8", newline="") as lines:
        room: str | None = None
        for row in csv.DictReader(lines):
            room = room or row["T1"]
            roots = [repr(math.sqrt(float(row[heater]))) for heater in ("Q1", "Q2")]
            yield [row["Time"], *roots, row["T1"], row["T2"], room]


def write(header: list[str], rows: Iterable[list[str]], out: Path) -> None:
    with out.open("w", encoding="utf-8", newline="") as lines:
        writer = csv.writer(lines)
        writer.writerow(header)
        writer.writerows(rows)


def cell(source: Path, out: Path) -> None:
    write(CELL_HEADER, cell_rows(source), out)


def heater(source: Path, out: Path) -> None:
    write(HEATER_HEADER, heater_rows(source), out)


if __name__ == "__main__":
    {"cell": cell, "heater": heater}[sys.argv[1]](Path(sys.argv[2]), Path(sys.argv[3]))
