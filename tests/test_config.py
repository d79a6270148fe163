"""The configuration: what it defaults to, and every mistake at once with its key and value."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lugwatch import config
from lugwatch.errors import ConfigurationError, UserError

GOOD = """
[boat]
name = "Grey Plover"

[[probe]]
id = "bar"
source = "onewire"
address = "28-0000054321ab"

[[probe]]
id = "air"

[[current]]
id = "alternator"
source = "serial"
device = "/dev/node"
rated_amps = 120

[[joint]]
id = "bar"
name = "Bus bar, alternator stud"
probe = "bar"
current = "alternator"
air = "air"
cable_insulation = "90"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "lugwatch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def mistakes(folder: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(ConfigurationError) as caught:
        config.load(write(folder, text))
    return caught.value.mistakes


def test_a_good_configuration_is_read(tmp_path: Path) -> None:
    read = config.load(write(tmp_path, GOOD))
    assert read.boat.slug == "grey-plover"
    (joint,) = read.boat.joints
    assert joint.rated_amps == 120, "of its current, when it says none itself"
    assert (joint.limit_celsius, joint.limit_basis) == (90.0, "insulation class 90 °C")
    assert read.boat.channels[2].source == "serial /dev/node"
    assert read.database == tmp_path / "lugwatch.db"
    assert read.channels[0].keys == {"address": "28-0000054321ab"}


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    assert config.load(write(tmp_path, "\ufeff" + GOOD)).boat.name == "Grey Plover"


@pytest.mark.parametrize(
    ("insulation", "limit"), [('"60"', 60.0), ('"105C"', 105.0), ("125", 105.0), ('"200 °C"', 105.0)]
)
def test_the_limit_comes_from_insulation_and_terminal(tmp_path: Path, insulation: str, limit: float) -> None:
    """Classes: 33 CFR 183.425 table 5. Terminal: tinned, 65 K over 40 °C, IEC 60947-1 table 2."""
    read = config.load(write(tmp_path, GOOD.replace('"90"', insulation)))
    assert read.boat.joints[0].limit_celsius == limit


def test_every_mistake_is_told_at_once_with_its_key_and_value(tmp_path: Path) -> None:
    text = GOOD.replace("rated_amps = 120", 'rated_amps = "120"').replace('air = "air"', 'air = "aie"')
    text = text.replace('current = "alternator"', 'current = "alternater"')
    text += 'limit_celcius = 90\nneighbours = ["bar"]\n[wach]\ninterval = 3\n[watch]\ninterval_seconds = -5\n'
    told = "\n".join(mistakes(tmp_path, text))
    for expected in (
        "[[current]] \"alternator\" rated_amps = '120'",
        '[[joint]] "bar" air = "aie" is no [[probe]]; did you mean "air"?',
        'current = "alternater" is no [[current]]; did you mean "alternator"?',
        'limit_celcius = 90 is not a setting here; did you mean "limit_celsius"?',
        "neighbours names the joint itself",
        'did you mean "watch"?',
        "[watch] interval_seconds = -5",
    ):
        assert expected in told, told


def test_a_joint_says_what_air_is_around_it_or_none(tmp_path: Path) -> None:
    (told,) = mistakes(tmp_path, GOOD.replace('air = "air"\n', ""))
    assert 'air = "none"' in told
    read = config.load(write(tmp_path, GOOD.replace('air = "air"', 'air = "none"')))
    assert read.boat.joints[0].air is None


@pytest.mark.parametrize("value", ["0000054321", "12:34:56", "no", "5.43e14", "true"])
def test_an_id_is_quoted_text_or_a_clear_mistake(tmp_path: Path, value: str) -> None:  # C32
    with pytest.raises(UserError) as caught:
        config.load(write(tmp_path, GOOD.replace('id = "air"', f"id = {value}")))
    assert "\n" not in str(caught.value) or "id = " in str(caught.value)


def test_unknown_keys_only_warn_a_replay(tmp_path: Path) -> None:
    read = config.load(write(tmp_path, GOOD + 'colour = "red"\n'), lenient=True)
    assert any("colour" in warning for warning in read.warnings)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"  \n", "is empty"),
        (b"[boat\nname", "not valid TOML"),
        (b'[boat]\nname = "x', "not valid TOML"),
        (b"\xff\xfe[\x00b\x00", "not UTF-8"),
        (b'[boat]\nname = "x"\n', "no [[joint]]"),
        (b"[[joint]]\nid = 'a'\n", "[boat]"),
        (b"boat = 3\n", "boat"),
        (b"[boat]\nname='x'\n[joint]\nid='a'\n", "joint"),
    ],
)
def test_a_file_that_is_none_is_named(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "lugwatch.toml"
    path.write_bytes(content)
    with pytest.raises(UserError, match=r"lugwatch\.toml") as caught:
        config.load(path)
    assert says in str(caught.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no configuration at"):
        config.load(tmp_path / "lugwatch.toml")


@given(cut=st.integers(0, len(GOOD)))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
def test_a_half_written_file_is_an_error_or_a_smaller_boat(tmp_path: Path, cut: int) -> None:
    path = write(tmp_path, GOOD[:cut])
    try:
        assert config.load(path).boat.joints
    except UserError as error:
        assert "lugwatch.toml" in str(error)


@pytest.mark.parametrize(
    ("written", "read"), [("50", (50.0,)), ("[70, 50]", (70.0, 50.0)), ("[16.5]", (16.5,)), ("", ())]
)
def test_cables_are_a_number_or_a_list(tmp_path: Path, written: str, read: tuple[float, ...]) -> None:
    text = GOOD + (f"cable_mm2 = {written}\n" if written else "")
    assert config.load(write(tmp_path, text)).boat.joints[0].cable_mm2 == read


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("cable_mm2 = 400", "cable_mm2 = 400 is outside the conductor table, 1.5 to 240 mm²"),
        ("cable_mm2 = [50, 0.75]", "cable_mm2 = 0.75 is outside the conductor table"),
        ("cable_mm2 = []", "name each cable on the stud"),
        ("cable_mm2 = [10, 10, 10, 10, 10, 10, 10]", "1 to 6 of them"),
        ('cable_mm2 = "50"', "cable_mm2"),
        ("cable_mm2 = -50", "cable_mm2"),
        ("cable_mm2 = [50, nan]", "cable_mm2"),
        ("metal_grams = 0.2", "metal_grams = 0.2: input should be greater than or equal to 1"),
    ],
)
def test_cables_that_cannot_be_are_told_once_in_one_line(tmp_path: Path, line: str, says: str) -> None:
    told = mistakes(tmp_path, GOOD + line + "\n")
    assert len(told) == 1, told
    assert says in told[0]
    assert '[[joint]] "bar"' in told[0]
    assert "\n" not in told[0]
