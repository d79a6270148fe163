"""How the fitting stands, on the page and on the boat's sheet."""

from dataclasses import replace
from pathlib import Path

from click.testing import CliRunner

from fitting_boats import START_TIME, a_check, recorded
from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.fitting import CheckKind, Outcome
from lugwatch.model import Part, PartKind
from lugwatch.store.fitting_checks import put_check
from pages import InProcess, built_page


def test_the_page_tells_it_too(tmp_path: Path) -> None:
    built_page()
    database = tmp_path / "boat.db"
    recorded(database, [{"bar": 20.0, "air": 20.0, "alternator": 30.0}] * 40, 30.0).close()
    client = InProcess(create_app(database, ManualClock(0.0, START_TIME)))
    assert client.get("/api/fitting").json() == []
    assert "Nothing of it was checked" in client.get("/watchman").text
    put_check(
        database, replace(a_check(CheckKind.SIGN, "alternator", Outcome.WRONG, 0), text="reversed: <x>")
    )
    (first, *_) = [row for row in client.get("/api/fitting").json() if row["state"] == "wrong"]
    assert first["step"] == "sign" and first["names"] == ["alternator"] and first["text"] == "reversed: <x>"
    assert "reversed: &lt;x&gt;" in client.get("/watchman").text


def test_the_page_tells_what_is_still_to_be_done_with_the_command(tmp_path: Path) -> None:
    built_page()
    database = tmp_path / "boat.db"
    client = InProcess(create_app(database, ManualClock(0.0, START_TIME)))
    assert "Still to be done" not in client.get("/watchman").text  # of a boat that nobody knows yet
    recorded(database, [{"bar": 20.0, "air": 20.0, "alternator": 30.0}] * 40, 30.0).close()

    def section(*parts: Part) -> str:
        app = create_app(database, ManualClock(0.0, START_TIME), Settings(parts=parts))
        page = InProcess(app).get("/watchman").text
        return page.split("Still to be done")[1].split("<h2>")[0]

    told = section()
    assert "0 of 1 joints stand on a part" in told and "<code>lugwatch circuit</code>" in told
    assert "<b>cold check</b>: 2 to do" in told and "<code>lugwatch fitting cold</code>" in told
    on_bar = Part(name="Bar", kind=PartKind.BAR, joints=("bar",))
    assert "lugwatch circuit" not in section(on_bar) and section(on_bar).count("<li>") == 6
    named = ["fitting", "named", "--all", "--db", str(database)]
    assert CliRunner().invoke(commands, named).exit_code == 0
    assert "<b>names</b>" not in section(on_bar) and section(on_bar).count("<li>") == 5


def test_the_boats_sheet_tells_how_the_fitting_stands(tmp_path: Path) -> None:
    built_page()
    database, out = tmp_path / "boat.db", tmp_path / "boat.html"
    recorded(database, [{"bar": 20.0, "air": 20.0, "alternator": 30.0}] * 400, 30.0).close()
    sheet = ["sheet", "boat", "--db", str(database), "-o", str(out)]
    assert CliRunner().invoke(commands, sheet).exit_code == 0
    assert "Nothing of it was checked" in out.read_text(encoding="utf-8")
    named = ["fitting", "named", "--all", "--db", str(database)]
    assert CliRunner().invoke(commands, named).exit_code == 0
    words = "reversed: moved by -20.0 A <where> about +20 A was expected"
    put_check(database, replace(a_check(CheckKind.SIGN, "alternator", Outcome.WRONG, 0), text=words))
    assert CliRunner().invoke(commands, sheet).exit_code == 0
    page = out.read_text(encoding="utf-8")
    section = page.split("Fitting of probes and shunts")[1].split("</section>")[0]
    assert words.replace("<", "&lt;").replace(">", "&gt;") in section
    assert section.count("not checked") == 5  # cold, zero, range, mounting, and the words below the table
    assert '<th scope="row">names</th><td>all</td>' in section
