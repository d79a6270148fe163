"""A joint described from bar to nut in the configuration: read, checked, told and drawn on its page."""

import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner

from invented_boat import write_invented_history
from lugwatch import config
from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.dashboard.app import Settings, create_app
from lugwatch.errors import ConfigurationError
from lugwatch.stack import Lug, Part, Stack, Surface
from lugwatch.stack_drawing import draw_numbered, part_names
from pages import InProcess, built_page

BOAT = """
[boat]
name = "Sandpiper"
[[probe]]
id = "bar"
[[joint]]
id = "bar_alternator"
probe = "bar"
air = "none"
stud = "M10, brass"
torque_newton_metres = 20
"""


def load(folder: Path, stack: str) -> config.Configuration:
    path = folder / "lugwatch.toml"
    path.write_text(BOAT + stack, encoding="utf-8")
    return config.load(path)


def test_it_is_read_with_the_joints_own_stud_and_torque(tmp_path: Path) -> None:
    text = (
        '[joint.stack]\nlugs = ["50:150", "16:20"]\nthrough = ["washer"]\nsurface = "used"\nbar_mm = "30x6"\n'
    )
    stack = load(tmp_path, text).page.stacks["bar_alternator"]
    assert stack == Stack(
        lugs=(Lug(cable_mm2=50.0, amps=150.0), Lug(cable_mm2=16.0, amps=20.0)),
        stud="M10",
        torque_newton_metres=20.0,
        surface=Surface.USED,
        bar_width_mm=30.0,
        bar_thickness_mm=6.0,
        in_path=(Part.WASHER,),
    )
    assert load(tmp_path, "").page.stacks == {}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('lugs = ["50"]', "lugs '50': write the copper of its cable"),
        ('lugs = ["50:150"]\nstud = "M7"', "stud = 'M7' is none of M5; M6; M8; M10; M12"),
        ('lugs = ["50:150"]\nthrough = ["rivet"]', "through = 'rivet' is none of washer;"),
        ('lugs = ["50:150"]\nbar = "gold"', "bar = 'gold' is none of copper;"),
        ('lugs = ["50:150"]\nsurface = "wet"', "surface = 'wet' is none of bright;"),
        ('lugs = ["50:150"]\nhardware = "wood"', "hardware = 'wood' is none of stainless 304;"),
        ('lugs = ["50:150"]\nbar_mm = "wide"', "bar_mm 'wide': write width and thickness"),
        ('lugs = ["50:150"]\ntorque_newton_metres = 900', "torque_newton_metres = 900: give 0.1 to 200 N m"),
    ],
)
def test_a_mistake_is_one_line_with_its_joint(tmp_path: Path, line: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as error:
        load(tmp_path, f"[joint.stack]\n{line}\n")
    (mistake,) = error.value.mistakes
    assert mistake.startswith('[[joint]] "bar_alternator" stack ') and said in mistake


def test_the_page_says_what_the_command_says(tmp_path: Path) -> None:
    stack = load(tmp_path, '[joint.stack]\nlugs = ["50:150"]\nthrough = ["washer"]\n').page.stacks
    clock = ManualClock()
    with write_invented_history(tmp_path / "lugwatch.db", clock):
        app = create_app(tmp_path / "lugwatch.db", clock, Settings(stacks=stack), built=built_page())
        page = InProcess(app)
        told = page.get("/api/joints/bar_alternator").json()["stack"]
        html = page.get("/joints/bar_alternator").text
        assert page.get("/api/joints/fuse_bar").json()["stack"] is None
        without = page.get("/joints/fuse_bar").text
    words = [
        "stack",
        "--lug",
        "50:150",
        "--stud",
        "M10",
        "--torque-newton-metres",
        "20",
        "--through",
        "washer",
    ]
    said = CliRunner().invoke(commands, words).output
    for line in (*told["told"], *told["advice"]):
        assert line in said
    assert "circuit dead" in html and 'class="stack-drawing"' in html
    assert "[joint.stack]" in without and "lugwatch stack" in without and "stack-drawing" not in without


def test_each_number_of_the_drawing_has_its_name() -> None:
    stack = Stack(lugs=(Lug(cable_mm2=50.0, amps=150.0), Lug(cable_mm2=16.0, amps=20.0)), in_path=(Part.NUT,))
    drawing = ET.fromstring(draw_numbered(stack, 'a "title" <b>'))
    texts = [t for t in drawing.iter("text")]
    assert [t.text for t in texts] == [str(n) for n in range(1, len(part_names(stack)) + 1)]
    heights = [float(t.attrib["y"]) for t in texts]
    assert all(b - a >= 24 for a, b in pairwise(heights)), "never over each other"
    names = part_names(stack)
    assert names[0].startswith("nut,") and names[-1] == "stud M8" and "bar, copper" in names[-2]
    low = ET.fromstring(draw_numbered(replace(stack, lugs=stack.lugs[:1], in_path=(Part.WASHER,)), "low"))
    for one in (drawing, low):
        _, top, _, height = map(float, one.attrib["viewBox"].split())
        assert max(float(t.attrib["y"]) for t in one.iter("text")) < top + height - 4, "not cut off"
