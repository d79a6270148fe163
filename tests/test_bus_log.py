"""The file of recorded bus traffic: bounded, whole or told to be cut, and read without trust."""

import gzip
import json
import math
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from lugwatch.cli.main import commands
from lugwatch.errors import OperationFailed, UserError
from lugwatch.model import Reading
from lugwatch.sources import bus_log
from lugwatch.sources.bus_log import Writer
from lugwatch.sources.bus_playing import Player
from recorded_boat import RecordedBoat, played


@pytest.fixture
def boat(tmp_path: Path) -> Iterator[RecordedBoat]:
    made = RecordedBoat(tmp_path)
    yield made
    made.close()


def test_it_is_as_large_as_it_may_be_and_whole(boat: RecordedBoat, tmp_path: Path) -> None:
    most = 20_000
    writer = Writer(tmp_path / "bus.gz", boat.recorder.heading, most)
    count = 0
    while True:
        boat.read("onewire", "i2c")
        if not all([writer.put(poll) for poll in boat.polls[-2:]]):
            break
        count += 1
        assert count < 5000
    writer.close("size")
    size = (tmp_path / "bus.gz").stat().st_size
    assert most / 2 < size <= most
    player = Player(tmp_path / "bus.gz")
    assert all(p.same for p in player.play())
    assert player.reader.ending == bus_log.Ending(ended="size", polls=writer.polls)
    assert not (tmp_path / "bus.gz.partial").exists()


def test_one_that_was_cut_short_is_played_as_far_as_it_is_whole(boat: RecordedBoat, tmp_path: Path) -> None:
    """What a power cut leaves is the .partial file, up to its last flush."""
    writer = Writer(tmp_path / "bus.gz", boat.recorder.heading, 10_000_000)
    for _ in range(60):
        boat.read("onewire", "i2c")
        for poll in boat.polls[-2:]:
            writer.put(poll)
    partial = tmp_path / "bus.gz.partial"
    assert not (tmp_path / "bus.gz").exists()
    player = Player(partial)
    kept = list(player.play())
    assert 20 <= len(kept) < 120 and all(p.same for p in kept)
    assert player.reader.cut_short
    result = CliRunner().invoke(commands, ["replay-bus", str(partial)])
    assert result.exit_code == 0 and "cut short" in result.output
    writer.close("asked")
    assert len(played(tmp_path / "bus.gz")) == 120


def test_nothing_is_written_over(boat: RecordedBoat, tmp_path: Path) -> None:
    (tmp_path / "bus.gz").write_text("mine")
    with pytest.raises(UserError, match="is there already"):
        Writer(tmp_path / "bus.gz", boat.recorder.heading, 1_000_000)
    with pytest.raises(UserError, match="does the folder exist"):
        Writer(tmp_path / "nowhere" / "bus.gz", boat.recorder.heading, 1_000_000)
    Writer(tmp_path / "other.gz", boat.recorder.heading, 1_000_000).abandon()
    with pytest.raises(UserError, match="cut short, or still being made"):
        Writer(tmp_path / "other.gz", boat.recorder.heading, 1_000_000)
    assert (tmp_path / "bus.gz").read_text() == "mine"


def test_a_full_disk_is_one_line(boat: RecordedBoat, tmp_path: Path) -> None:
    writer = Writer(tmp_path / "bus.gz", boat.recorder.heading, 1_000_000)
    writer.abandon()
    with Path("/dev/full").open("wb", buffering=0) as full:
        writer._file = full  # type: ignore[assignment]
        with pytest.raises(OperationFailed, match="is there room"):
            writer.close("asked")
    assert not (tmp_path / "bus.gz").exists()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "holds nothing"),
        (b"time,bar\n", "damaged, or no recording"),
        (gzip.compress(b""), "holds nothing"),
        (gzip.compress(b"time,bar\n1,2\n"), "is no recording of buses"),
        (gzip.compress(b'{"format": "lugwatch bus recording", "version": 2}\n'), "newer lugwatch"),
        (gzip.compress(b"x" * 9_000_000), "longer than any poll"),
    ],
)
def test_a_file_that_is_none_is_one_line(data: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "bus.gz"
    path.write_bytes(data)
    with pytest.raises(UserError, match=words):
        list(Player(path).play())


def test_a_stranger_s_file_opens_nothing_here(boat: RecordedBoat, tmp_path: Path) -> None:
    """Its channels are checked as a configuration is, and sources that are not played are refused."""
    boat.read("onewire")
    path = boat.write(tmp_path / "bus.gz")
    lines = gzip.decompress(path.read_bytes()).splitlines()
    heading = json.loads(lines[0])
    for change, words in (
        ({"address": "rubbish"}, "not the id of a thermometer"),
        ({"source": "mqtt", "topic": "a"}, "no broker is configured"),
        ({"id": "../../etc"}, "id"),
        ({"source": "serial", "device": "/dev/other", "transducer": "A"}, "none of the sources"),
    ):
        spoilt = json.loads(lines[0])
        table = {**heading["sources"][0]["probe"][0], **change}
        if "source" in change:
            del table["address"]
        spoilt["sources"][0]["probe"] = [table]
        path.write_bytes(gzip.compress(b"\n".join([json.dumps(spoilt).encode(), *lines[1:], b""])))
        with pytest.raises(UserError, match=words):
            Player(path)


@pytest.fixture(scope="module")
def a_good_file(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes]:
    """A place for files, and the text of a small recording."""
    folder = tmp_path_factory.mktemp("good")
    boat = RecordedBoat(folder)
    boat.read("onewire", "i2c")
    boat.read("onewire", "i2c")
    text = gzip.decompress(boat.write(folder / "good.gz").read_bytes())
    boat.close()
    return folder / "bus.gz", text


@given(st.binary(max_size=400), st.integers(min_value=0))
def test_no_file_however_odd_ends_in_a_traceback(
    a_good_file: tuple[Path, bytes], noise: bytes, place: int
) -> None:
    path, good = a_good_file
    cut = place % len(good)
    text = good[:cut] + noise + good[cut:] if place % 2 else good[:cut] + noise
    path.write_bytes(gzip.compress(text))
    try:
        for one in Player(path).play():
            assert all(math.isfinite(e.value) for e in one.came if isinstance(e, Reading))
    except UserError as error:
        assert str(error)
