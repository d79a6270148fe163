"""The circuit as it is read off a configuration: what is a bar, what is a line, in which order."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch import config
from lugwatch.dashboard.circuit import (
    Bar,
    Line,
    Shown,
    circuit,
    circuit_object,
    common_name,
    guess_kind,
)
from lugwatch.errors import ConfigurationError
from lugwatch.json_shapes import dump
from lugwatch.model import Boat, Channel, Joint, Part, PartKind, Quantity, Watching
from lugwatch.simulator.boat import make_boat
from lugwatch.simulator.boat_text import configuration_text


def a_joint(joint: str, current: str | None, *neighbours: str, name: str | None = None) -> Joint:
    return Joint(
        joint=joint,
        name=name or joint.replace("_", " "),
        probe=joint,
        current=current,
        air=None,
        neighbours=neighbours,
        rated_amps=100.0,
        limit_celsius=90.0,
        limit_basis="set in the configuration",
    )


def a_boat(*joints: Joint) -> Boat:
    currents = dict.fromkeys(j.current for j in joints if j.current)
    channels = [Channel(channel=c, quantity=Quantity.AMPS, name=c, source=None) for c in currents]
    return Boat(name="Tern", slug="tern", channels=tuple(channels), joints=joints, watching=Watching())


def drawn_joints(bars: tuple[Bar, ...]) -> list[str]:
    found = [line.stud for bar in bars for line in bar.lines if line.stud]
    return found + [s for bar in bars for line in bar.lines for s in line.steps if isinstance(s, str)]


def test_the_demo_boat_is_drawn_as_she_is_wired(tmp_path: Path) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text(configuration_text(make_boat(), tmp_path, ("localhost", 1883)), encoding="utf-8")
    configuration = config.load(path)
    positive, negative = circuit(configuration.boat, configuration.page.parts)
    assert (positive.name, negative.name) == ("Bus bar", "Negative bar")
    alternator, battery, inverter, house = positive.lines
    fuse = Shown(name="Alternator fuse", kind=PartKind.FUSE)
    assert alternator.into and alternator.stud == "bar_alternator"
    assert alternator.steps == ("alternator_output", "fuse_alternator_in", fuse, "fuse_alternator_out")
    assert alternator.end == Shown(name="alternator", kind=PartKind.ALTERNATOR)
    assert not battery.into and battery.end == Shown(name="battery", kind=PartKind.BATTERY)
    assert battery.steps[0] == "switch_battery" and battery.steps[-1] == "battery_positive"
    assert inverter.end == Shown(name="inverter", kind=PartKind.INVERTER)
    assert (house.stud, house.steps) == ("bar_house", ())
    # what charges the battery comes out of it again at the negative bar, and goes back to the engine
    back, out = sorted(negative.lines, key=lambda line: not line.into)
    assert (back.into, back.stud, back.end and back.end.kind) == (True, "negative_battery", PartKind.BATTERY)
    assert (out.into, out.stud, out.end and out.end.name) == (False, "negative_engine", "alternator")


def test_one_joint_alone_is_a_line_without_a_bar() -> None:
    (bar,) = circuit(a_boat(a_joint("stud", "alternator")))
    assert bar.name is None
    (line,) = bar.lines
    assert (line.steps, line.stud) == (("stud",), None)
    assert line.end == Shown(name="alternator", kind=PartKind.ALTERNATOR)


def test_a_joint_without_a_current_is_still_drawn() -> None:
    (bar,) = circuit(a_boat(a_joint("stud", None)))
    assert bar.lines == (Line(current=None, into=False, stud=None, steps=("stud",), end=None),)


def test_two_joints_of_one_current_on_one_metal_have_a_part_between_them() -> None:
    boat = a_boat(
        a_joint("isolator_in", "battery", "isolator_out", name="Isolator, in"),
        a_joint("isolator_out", "battery", name="Isolator, out"),
    )
    (bar,) = circuit(boat)
    assert bar.lines[0].steps == (
        "isolator_in", Shown(name="Isolator", kind=PartKind.ISOLATOR), "isolator_out",
    )  # fmt: skip


def test_parts_say_what_names_cannot() -> None:
    boat = a_boat(
        a_joint("a", "hot"), a_joint("b", "hot", "c"), a_joint("c", "hot"), a_joint("d", "hot"),
        a_joint("e", "cold", "d"),
    )  # fmt: skip
    parts = (
        Part(name="Big one", kind=PartKind.ALTERNATOR, joints=("a",)),
        Part(name="Class T", kind=PartKind.FUSE, joints=("b", "c")),
        Part(name="Main", kind=PartKind.BAR, joints=("d", "e")),
        Part(name="Bow motor", kind=PartKind.CONSUMER, joints=("nowhere",)),
    )
    (bar,) = circuit(boat, parts)
    hot, cold = bar.lines
    assert bar.name == "Main"
    assert hot.end == Shown(name="Big one", kind=PartKind.ALTERNATOR)
    assert hot.steps == ("a", "b", Shown(name="Class T", kind=PartKind.FUSE), "c")
    assert cold.end == Shown(name="cold", kind=PartKind.CONSUMER)


def test_a_part_with_one_joint_stands_beyond_it() -> None:
    boat = a_boat(a_joint("bar_a", "x"), a_joint("switch", "x"), a_joint("bar_b", "y", "bar_a"))
    parts = (Part(name="Battery switch", kind=PartKind.ISOLATOR, joints=("switch",)),)
    bars = circuit(boat, parts)
    line = next(line for line in bars[0].lines if line.current == "x")
    assert line.steps == ("switch", Shown(name="Battery switch", kind=PartKind.ISOLATOR))


@pytest.mark.parametrize(
    ("names", "shared"),
    [
        (["Main fuse, in", "Main fuse, out"], "Main fuse"),
        (["Bus bar, a", "Bus bar, b", "Bus bar"], "Bus bar"),
        (["Port", "Starboard"], ""),
        (["Fuse"], "Fuse"),
    ],
)
def test_what_names_share(names: list[str], shared: str) -> None:
    assert common_name(names) == shared


def test_a_kind_is_a_whole_word() -> None:
    among = (PartKind.FUSE, PartKind.ISOLATOR)
    assert guess_kind(["Main Fuse, in"], among, PartKind.PART) is PartKind.FUSE
    assert guess_kind(["Confused"], among, PartKind.PART) is PartKind.PART


_IDS = tuple("abcdefghij")


@given(
    currents=st.lists(st.sampled_from([None, "x", "y", "z"]), min_size=1, max_size=10),
    pairs=st.lists(st.tuples(st.sampled_from(_IDS), st.sampled_from(_IDS)), max_size=12),
    parts=st.lists(
        st.tuples(st.sampled_from(list(PartKind)), st.lists(st.sampled_from(_IDS), min_size=1, max_size=4)),
        max_size=4,
    ),
)
def test_whatever_the_file_says_each_joint_is_drawn_once(
    currents: list[str | None], pairs: list[tuple[str, str]], parts: list[tuple[PartKind, list[str]]]
) -> None:
    joints = [
        replace(a_joint(i, current), neighbours=tuple(b for a, b in pairs if a == i != b))
        for i, current in zip(_IDS, currents, strict=False)
    ]
    told = [Part(name=kind.value, kind=kind, joints=tuple(dict.fromkeys(on))) for kind, on in parts]
    bars = circuit(a_boat(*joints), told)
    assert sorted(drawn_joints(bars)) == [j.joint for j in joints]
    assert dump(circuit_object(bars))


# ---- the configuration ----------------------------------------------------------------------

GOOD = """
[boat]
name = "Tern"
[[probe]]
id = "a"
[[probe]]
id = "b"
[[joint]]
id = "a"
probe = "a"
air = "none"
[[joint]]
id = "b"
probe = "b"
air = "none"
"""


def load(folder: Path, text: str) -> config.Configuration:
    path = folder / "lugwatch.toml"
    path.write_text(GOOD + text, encoding="utf-8")
    return config.load(path)


def test_parts_are_read(tmp_path: Path) -> None:
    read = load(tmp_path, '[[part]]\nname = "Class T"\nkind = "fuse"\njoints = ["a", "b"]\n')
    assert read.page.parts == (Part(name="Class T", kind=PartKind.FUSE, joints=("a", "b")),)
    assert load(tmp_path, "").page.parts == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[[part]]\nname = "F"\njoints = ["c"]\n', '[[part]] "F" joints = "c" is no [[joint]]; known: a, b'),
        (
            '[[part]]\nname = "F"\njoints = ["a"]\n[[part]]\nname = "G"\njoints = ["a"]\n',
            'joints = "a" stands on "F" already',
        ),
        ('[[part]]\nname = "F"\nkind = "wire"\njoints = ["a"]\n', "kind = 'wire'"),
        ('[[part]]\nname = "F"\njoints = []\n', "joints"),
        ('[web]\ntime_zone = "Mars/Olympus"\n', '[web] time_zone = "Mars/Olympus" is not known'),
        ('[web]\ntime_zone = "../etc/passwd"\n', "time_zone"),
        ('[web]\npassphrase_for = "nothing"\n', "passphrase_for"),
    ],
)
def test_a_wrong_part_is_one_line(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        load(tmp_path, text)
    assert len(caught.value.mistakes) == 1 and says in caught.value.mistakes[0], caught.value.mistakes


def test_the_page_is_told_its_names_zone_and_phrase(tmp_path: Path) -> None:
    text = '[web]\nnames = ["boat.example"]\ntime_zone = "Europe/Athens"\npassphrase_for = "everything"\n'
    page = load(tmp_path, text).page
    assert (page.names, page.time_zone, page.reading_asks) == (("boat.example",), "Europe/Athens", True)
    assert page.passphrase_file == tmp_path / "lugwatch.passphrase"
    assert load(tmp_path, "").page.reading_asks is False
