"""Keys put into an owner's own file: nothing else moves, and what cannot be done safely is not done."""

import os
import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch import config_edit
from lugwatch.config_edit import Change, changed, lines
from lugwatch.errors import OperationFailed, UserError

TEXT = """# ours
[boat]
name = "Grey Plover"  # [[probe]] in a comment

[[probe]]              # the bar
id = "bar"
source = "onewire"
address = "28-0123456789ab"

# the air, found in the locker
[[probe]]
source = "onewire"
id = 'air'
offset_kelvin = 0.5    # of last year
address = "28-0123456789ac"
[[current]]
id = "bar"
source = "serial"
"""
DAY = date(2026, 5, 3)


def offset(name: str, kelvin: float, note: str = "") -> Change:
    return Change(table="probe", name=name, keys={"offset_kelvin": kelvin, "offset_date": DAY}, note=note)


def test_keys_stand_at_the_end_of_their_table_and_all_else_stays() -> None:
    text = changed(TEXT, [offset("bar", -0.3125, "cold check"), offset("air", 2.0)])
    assert text == TEXT.replace(
        'address = "28-0123456789ab"\n',
        'address = "28-0123456789ab"\noffset_kelvin = -0.3125  # cold check\noffset_date = 2026-05-03\n',
    ).replace("offset_kelvin = 0.5    # of last year\n", "").replace(
        'address = "28-0123456789ac"\n',
        'address = "28-0123456789ac"\noffset_kelvin = 2\noffset_date = 2026-05-03\n',
    )
    assert tomllib.loads(text)["probe"][0]["offset_date"] == DAY


def test_a_probe_and_a_current_of_one_name_are_not_mixed_up() -> None:
    text = changed(TEXT, [Change(table="current", name="bar", keys={"zero_amps": 0.25})])
    read = tomllib.loads(text)
    assert read["current"][0]["zero_amps"] == 0.25 and "zero_amps" not in read["probe"][0]


def test_none_takes_a_key_away_and_twice_is_once() -> None:
    text = changed(TEXT, [Change(table="probe", name="air", keys={"offset_kelvin": None})])
    assert "offset_kelvin" not in text
    once = changed(TEXT, [offset("bar", 1.5)])
    assert changed(once, [offset("bar", 1.5)]) == once


def test_other_line_ends_and_no_line_end_are_kept() -> None:
    windows = TEXT.replace("\n", "\r\n")
    assert "\n" not in changed(windows, [offset("bar", 1.0)]).replace("\r\n", "")
    bare = TEXT.rstrip("\n")
    read = tomllib.loads(changed(bare, [Change(table="current", name="bar", keys={"zero_amps": 1.0})]))
    assert read["current"][0] == {"id": "bar", "source": "serial", "zero_amps": 1}


@pytest.mark.parametrize(
    "text",
    [
        'probe = [{ id = "bar", source = "onewire" }]\n',
        '[[probe]]\nid = "other"\n',
        # what looks like a table and a key stands inside of texts
        '[[probe]]\nid = "x"\nnote = """\n[[probe]]\noffset_kelvin = 3\n"""\n',
        '[[probe]]\nid = "x"\nnote = """\noffset_kelvin = 3\n"""\n',
    ],
)
def test_what_cannot_be_changed_safely_is_refused(text: str) -> None:
    name = "x" if 'id = "x"' in text else "bar"
    with pytest.raises(UserError, match="by hand"):
        changed(text, [offset(name, 1.0)])


@given(st.text(), st.floats(-5.0, 5.0), st.integers(0, 3))
def test_whatever_the_text_says_only_those_keys_move(comment: str, kelvin: float, where: int) -> None:
    line = "# " + "".join(c for c in comment if c.isprintable()) + "\n"
    rows = TEXT.splitlines(keepends=True)
    text = "".join([*rows[: 5 * where], line, *rows[5 * where :]])
    before, after = tomllib.loads(text), tomllib.loads(changed(text, [offset("air", kelvin)]))
    assert after["probe"][1].pop("offset_kelvin") == pytest.approx(kelvin, abs=5e-5)
    assert after["probe"][1].pop("offset_date") == DAY
    before["probe"][1].pop("offset_kelvin", None)
    assert after == before


def test_lines_are_told_as_they_will_stand() -> None:
    assert lines(offset("bar", -2.0625, "cold check")) == [
        "offset_kelvin = -2.0625  # cold check",
        "offset_date = 2026-05-03",
    ]
    assert lines(Change(table="probe", name="bar", keys={"offset_kelvin": None})) == []


def test_the_file_as_it_was_is_kept_with_owner_and_rights(tmp_path: Path) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text("old", encoding="utf-8")
    path.chmod(0o640)
    kept = config_edit.write(path, "new", 1_780_000_000_000)
    again = config_edit.write(path, "newer", 1_780_000_000_000)
    assert path.read_text() == "newer" and kept.read_text() == "old" and again.read_text() == "new"
    assert kept != again and kept.name.startswith("lugwatch.toml.before-2026")
    assert path.stat().st_mode & 0o777 == 0o640
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([path.name, kept.name, again.name])


def test_a_link_to_the_file_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    real, link = tmp_path / "etc" / "real.toml", tmp_path / "lugwatch.toml"
    real.write_text("old", encoding="utf-8")
    link.symlink_to(real)
    kept = config_edit.write(link, "new", 0)
    assert link.is_symlink() and real.read_text() == "new" and kept.parent == real.parent


def test_a_failed_write_leaves_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text("old", encoding="utf-8")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OperationFailed, match="nothing was changed"):
        config_edit.write(path, "new", 0)
    assert path.read_text() == "old" and [p.name for p in tmp_path.iterdir()] == ["lugwatch.toml"]
