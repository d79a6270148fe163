"""A history that was lived: two simulated days of one boat, replayed by the real command; a proof, a journal.

At anchor the inverter is loaded for a proof test of its stud; next day the boat motors for an hour and a
half, and the alternator's stud goes bad on the way (the demo's story).
"""

from pathlib import Path

from click.testing import CliRunner, Result

from lugwatch.cli.main import commands
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text
from lugwatch.simulator.record import record, write_recording_csv
from lugwatch.simulator.scenarios import Scenario, demo_story
from lugwatch.units import parse_time

PROVED = "bar_inverter"
WORSE = "bar_alternator"
EVENING, MORNING = parse_time("2026-05-03T18:00:00Z"), parse_time("2026-05-04T09:00:00Z")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, [str(w) for w in words])


def done(*words: str | Path) -> str:
    answer = run(*words)
    assert answer.exit_code == 0, answer.output
    return answer.output


def live(folder: Path) -> Path:
    """The database; the configuration lies beside it as boat.toml."""
    boat, path, database = make_boat(4), folder / "boat.toml", folder / "boat.db"
    path.write_text(configuration_text(boat, folder, ("127.0.0.1", 1883)), encoding="utf-8")
    proof = Scenario(
        name="proof",
        duration_seconds=1860.0,
        house_amps=((0.0, 4.0),),
        inverter_amps=((0.0, 0.0), (600.0, 90.0)),
    )
    previous = None
    assert EVENING is not None and MORNING is not None
    for start, scenario in ((EVENING, proof), (MORNING, demo_story())):
        lived = record(boat, scenario, seed=9, start_time=start, previous=previous)
        csv = folder / f"{start}.csv"
        write_recording_csv(csv, lived.rows, [p.channel for p in (*boat.probes, *boat.shunts)])
        done("replay", csv, "--config", path, "--db", database)
    done("prove", PROVED, "--db", database, "--amps", "90", "--from", "2026-05-03T17:00:00Z",
         "--note", "<as found>")  # fmt: skip
    done("journal", "add", PROVED, "--note", "Spring washer <M8> & nut looked at", "--at",
         "2026-05-03T20:00:00Z", "--by", "Ida", "--db", database)  # fmt: skip
    done("journal", "add", PROVED, "--millivolts", "4.5", "--amps", "90", "--celsius", "41", "--at",
         "2026-05-03T18:30:00Z", "--db", database)  # fmt: skip
    return database
