"""What decides what the report prints: ratios, what is missing, which threshold is fair."""

import datetime
import math
from pathlib import Path

import numpy as np
import pytest
import report_processes
import report_storage
from report_detection import Detected, best_without_more_false, far_from, row
from report_text import NOT_MEASURED, Table, figure, heading, missing
from setting import Setting


def rule(name: str, *minutes: float, false: float = 0.0) -> Detected:
    return Detected(name=name, minutes=minutes, false_per_1000_hours=false)


def test_a_figure_stands_beside_how_many_times_ours_it_is() -> None:
    assert figure(129.2, "ms", 0, ours=33.0) == "129 ms (3.9 ×)"
    assert figure(28.0, "ms", 0, ours=33.0) == "28 ms (0.85 ×)"
    assert figure(43.67, "bytes", 2, ours=0.73) == "43.67 bytes (60 ×)"
    assert figure(0.73, "bytes", 2) == "0.73 bytes"
    assert figure(None, "ms", 0, ours=33.0) == NOT_MEASURED


def test_a_table_and_its_heading_are_markdown_with_date_and_machine() -> None:
    table = Table(title="T", columns=("", "ours"), rows=[("a", "1 s")], notes=["Said."])
    assert table.markdown().splitlines()[:5] == ["**T**", "", "|  | ours |", "| --- | --- |", "| a | 1 s |"]
    said = heading(quick=True, today=datetime.date(2026, 5, 3))
    assert said.startswith("Measured on 2026-05-03: ")
    assert "GiB" in said and "--quick" in said


def test_the_threshold_that_sees_most_without_more_false_alerts_is_taken() -> None:
    eager = rule("eager", 1.0, 1.0, 1.0, false=9.0)
    slow = rule("slow", 30.0, 30.0, math.inf)
    soon = rule("soon", 20.0, 20.0, math.inf)
    blind = rule("blind", 1.0, math.inf, math.inf)
    assert best_without_more_false([eager, slow, soon, blind], 0.0) is soon
    assert best_without_more_false([eager, slow], 9.0) is eager
    assert best_without_more_false([eager], 0.0) is None


def test_what_is_missed_is_infinitely_late_and_said() -> None:
    ours = rule("lugwatch", 2.0, 3.0, math.inf)
    assert row(ours, ours) == ("lugwatch", "3.0 min", "3.0 min", "1 of 3", "0.0")
    other = rule("fixed", math.inf, 24.0, math.inf, false=12.5)
    assert row(other, ours) == ("fixed", "more than half missed", "24.0 min", "2 of 3", "12.5")
    assert row(rule("rate", 6.0, 6.0, 9.0), ours)[1] == "6.0 min (2.0 ×)"
    text = far_from(ours, rule("who knows", 0.5, 1.0, 4.0))
    assert "after 1.0 min (median)" in text
    assert "1.8 min later" in text
    assert "Of the 1 that lugwatch missed he knows of 1" in text


def test_a_tool_that_is_not_here_is_named_with_its_package_and_the_rest_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is started: storage alone, of one short day, with an empty search path."""
    monkeypatch.setenv("PATH", str(tmp_path))
    kept = report_storage.Kept(bytes_a_reading=0.8, passage_seconds=0.02, season_seconds=0.03)
    monkeypatch.setattr(report_storage, "_lugwatch", lambda *_: kept)
    monkeypatch.setattr(report_storage, "_plain", lambda *_: kept)
    monkeypatch.setattr(report_storage.history_figure, "together", lambda *_: [_Short()])
    setting = Setting(cache=tmp_path, run=tmp_path, plots=None, quick=True, sweeping=False)
    table = report_storage.storage(setting)
    assert [cells[3:] for cells in table.rows] == [(NOT_MEASURED, NOT_MEASURED)] * 3
    assert table.rows[0][1:3] == ("0.80 bytes", "0.80 bytes (1.0 ×)")
    assert missing("rrdtool", "rrdtool") in table.notes
    assert missing("promtool", "prometheus") in table.notes


def test_what_the_watch_is_told_to_read_is_a_configuration_that_it_takes(tmp_path: Path) -> None:
    from history_figure import boat_with_sister

    from lugwatch import config

    boat = boat_with_sister(_Short())  # type: ignore[arg-type]
    path = tmp_path / "lugwatch.toml"
    path.write_text(report_processes._configuration(boat, 1883, 8037), encoding="utf-8")
    read = config.load(path).boat
    assert {c.channel for c in read.channels} == {c.channel for c in boat.channels}
    assert [j.joint for j in read.joints] == [j.joint for j in boat.joints]


def test_holes_take_the_value_before_them() -> None:
    values = np.array([[np.nan, 1.0], [2.0, np.nan], [np.nan, 3.0]])
    assert report_storage._without_holes(values).tolist() == [[0.0, 1.0], [2.0, 1.0], [2.0, 3.0]]


class _Short:
    """Some rows of a recording."""

    channels = ("bar_alternator", "sister_stud")
    values = np.ones((4, 2))
