"""The circuit goes into the owner's own file: what he wrote stays, and what is written holds."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lugwatch import config
from lugwatch.circuit_edit import HARD, WAITING, Wiring, part_text, waiting, wired
from lugwatch.dashboard.circuit import Shown, circuit
from lugwatch.demo import PARTS, demo_text
from lugwatch.errors import UserError
from lugwatch.model import Part, PartKind
from lugwatch.simulator.boat import make_boat

OWNERS = """# Ours, since May
[boat]
name = "Tern"   # of the pond

# on the engine
[[probe]]
id = "a"
[[probe]]
id = "b"
[[probe]]
id = "c"
[[current]]
id = "x"
source = "serial"
device = "/dev/x"
transducer = "X"
[[current]]
id = "y"
source = "serial"
device = "/dev/x"
transducer = "Y"

# the first
[[joint]]
id = "a"
probe = "a"
current = "x"   # as measured
air = "none"
stud = "M8"
# cable_mm2 = 50

# the second, from bar to nut
[[joint]]
id = "b"
probe = "b"
air = "none"
cable_mm2 = 50
stud = "M10"
[joint.stack]
lugs = ["50:100"]   # one

[[joint]]
id = "c"
probe = "c"
air = "none"

# old and good
[[part]]
name = "Class T"   # 200 A
kind = "fuse"      # slow
joints = [
  "a",             # near side
]

[[part]]
name = "Old lamp"
joints = ["c"]
# the end
"""


def comments(text: str) -> list[str]:
    return sorted(row[row.index("#") :].strip() for row in text.splitlines() if "#" in row)


def a_part(name: str, kind: PartKind, *joints: str) -> Part:
    return Part(name=name, kind=kind, joints=joints)


def test_the_demo_boat_has_her_circuit_in_her_configuration(tmp_path: Path) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_text(demo_text(make_boat(), tmp_path, ("localhost", 1883), 8037), encoding="utf-8")
    read = config.load(path)
    assert read.page.parts == PARTS
    assert {j for p in PARTS for j in p.joints} == {j.joint for j in read.boat.joints}
    positive, negative = circuit(read.boat, read.page.parts)
    assert (positive.name, negative.name) == ("Bus bar", "Negative bar")
    battery = next(line for line in positive.lines if line.current == "battery")
    switch = Shown(name="Battery switch", kind=PartKind.ISOLATOR)
    assert battery.steps == ("switch_battery", switch, "battery_positive")
    assert battery.end == Shown(name="Battery", kind=PartKind.BATTERY)


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_parts_change_come_and_go_and_all_else_stays(ending: str) -> None:
    before = OWNERS.replace("\n", ending)
    text = wired(
        before,
        Wiring(
            parts=(
                a_part("Class T", PartKind.ISOLATOR, "a", "b"),
                a_part("Bow thruster", PartKind.CONSUMER, "c"),
                a_part("Solar", PartKind.CHARGER),
            ),
            currents={"a": "y", "b": "x"},
            neighbours={"a": ("b",), "b": ("a",)},
        ),
    )
    assert text.count("\r\n") == (text.count("\n") if ending == "\r\n" else 0)
    tables = tomllib.loads(text)
    assert tables["part"] == [
        {"name": "Class T", "kind": "isolator", "joints": ["a", "b"]},
        {"name": "Bow thruster", "kind": "consumer", "joints": ["c"]},
    ]
    assert [(j["id"], j.get("current"), j.get("neighbours")) for j in tables["joint"]] == [
        ("a", "y", ["b"]), ("b", "x", ["a"]), ("c", None, None),
    ]  # fmt: skip
    assert tables["joint"][1]["stack"] == {"lugs": ["50:100"]}
    assert set(comments(OWNERS)) <= set(comments(text))
    assert waiting(text) == (a_part("Solar", PartKind.CHARGER),)
    assert 'current = "y"   # as measured' in text and 'name = "Class T"   # 200 A' in text


def test_what_waits_is_asked_for_and_does_not_pile_up() -> None:
    idle = (a_part('The "big" one', PartKind.BATTERY), a_part("Shunt", PartKind.SHUNT))
    once = wired(OWNERS, Wiring(parts=(a_part("Class T", PartKind.FUSE, "a"), *idle)))
    assert waiting(once) == idle
    again = wired(once, Wiring(parts=(a_part("Class T", PartKind.FUSE, "a"), *idle)))
    assert again == once and again.count(WAITING) == 1
    fitted = wired(
        once, Wiring(parts=(a_part("Class T", PartKind.FUSE, "a"), a_part("Shunt", PartKind.SHUNT, "b")))
    )
    assert WAITING not in fitted and waiting(fitted) == ()
    assert waiting(once.replace('# kind = "shunt"', "# kind is a shunt")) == ()


def test_joints_stand_in_the_order_of_the_flow_with_what_belongs_to_them() -> None:
    parts = (a_part("Class T", PartKind.FUSE, "a"), a_part("Old lamp", PartKind.PART, "c"))
    text = wired(OWNERS, Wiring(parts=parts, order=("c", "b", "a")))
    before, after = tomllib.loads(OWNERS), tomllib.loads(text)
    assert [j["id"] for j in after["joint"]] == ["c", "b", "a"]
    assert sorted(after["joint"], key=lambda j: j["id"]) == before["joint"]
    assert after["part"] == before["part"] and comments(text) == comments(OWNERS)
    assert '# the second, from bar to nut\n[[joint]]\nid = "b"' in text
    assert '# the first\n[[joint]]\nid = "a"' in text
    assert wired(text, Wiring(parts=parts, order=("c", "b", "a"))) == text


@pytest.mark.parametrize(
    "text",
    [
        'part = [{name = "F", joints = ["a"]}]\n' + OWNERS[: OWNERS.index("# old and good")],
        OWNERS.replace('name = "Class T"', 'name = """Class T"""').replace("[[part]]", "[['part']]")
        + 'x = """\n[[part]]\nname = "Class T"\n"""\n',
        OWNERS.replace('id = "a"\nprobe', '"id" = """\\\n   a"""\nprobe').replace("[[joint]]", '[["joint"]]')
        + "[joint.odd]\n",
    ],
)  # fmt: skip
def test_a_file_written_in_another_way_is_never_spoiled(text: str) -> None:
    """It is changed and says what it should, or it is refused in one line."""
    tomllib.loads(text)
    wiring = Wiring(parts=(a_part("Class T", PartKind.ISOLATOR, "b"),), order=("b", "a", "c"))
    try:
        told = tomllib.loads(wired(text, wiring))
    except UserError as error:
        assert HARD in str(error) and "\n" not in str(error)
    else:
        assert [(p["name"], p["kind"], p["joints"]) for p in told["part"]] == [("Class T", "isolator", ["b"])]
        assert [j["id"] for j in told["joint"]] == ["b", "a", "c"]


_NAMES = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=12)


@given(
    names=st.lists(_NAMES, max_size=5, unique_by=str.casefold),
    kinds=st.lists(st.sampled_from(list(PartKind)), min_size=5, max_size=5),
    places=st.lists(st.integers(-1, 4), min_size=3, max_size=3),
    order=st.permutations("abc"),
    currents=st.dictionaries(st.sampled_from("abc"), st.sampled_from("xy")),
)
def test_whatever_the_circuit_the_file_says_it_and_keeps_the_rest(
    names: list[str], kinds: list[PartKind], places: list[int], order: list[str], currents: dict[str, str]
) -> None:
    parts = tuple(
        a_part(name, kind, *(j for j, at in zip("abc", places, strict=True) if at == n))
        for n, (name, kind) in enumerate(zip(names, kinds, strict=False))
    )
    text = wired(OWNERS, Wiring(parts=parts, order=tuple(order), currents=currents))
    after, before = tomllib.loads(text), tomllib.loads(OWNERS)
    told = {p["name"]: (p.get("kind", "part"), p["joints"]) for p in after.get("part", [])}
    assert told == {p.name: (p.kind.value, list(p.joints)) for p in parts if p.joints}
    assert {p.name for p in waiting(text)} == {p.name for p in parts if not p.joints}
    assert [j["id"] for j in after["joint"]] == order
    for table in after["joint"]:
        was = next(j for j in before["joint"] if j["id"] == table["id"])
        assert table == was | ({"current": currents[table["id"]]} if table["id"] in currents else {})
    assert {k: v for k, v in after.items() if k not in ("part", "joint")} == {
        k: v for k, v in before.items() if k not in ("part", "joint")
    }
    kept = [c for c in comments(OWNERS) if c not in ("# 200 A", "# slow", "# near side")]
    assert set(kept) <= set(comments(text))


def test_a_part_is_written_as_the_reader_reads_it() -> None:
    text = part_text(a_part('a "b" \\ c', PartKind.BAR, "x", "y"))
    assert tomllib.loads(text)["part"] == [{"name": 'a "b" \\ c', "kind": "bar", "joints": ["x", "y"]}]
