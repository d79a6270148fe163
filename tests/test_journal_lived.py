"""The journal where it is lived with: replay, restart, watch."""

import json
import math
import sqlite3
import threading
import zlib
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

import boats
from histories import START_TIME, open_store, put
from journals import (
    AMPS,
    TWO,
    Plain,
    entry,
    learned_boat,
)
from lugwatch import journal, snapshot
from lugwatch.clock import ManualClock
from lugwatch.model import (
    JointBaseline,
    JournalKind,
    Output,
)
from lugwatch.pipeline import State
from lugwatch.replay import replay, resume
from lugwatch.runner import Watch
from lugwatch.store.crew import put_journal_entry
from lugwatch.store.recording import open_recording
from lugwatch.units import parse_time
from processes import until
from test_cli import CONFIG, Spoken, recording, say


@pytest.fixture(scope="module")
def learned() -> tuple[State, Plain]:
    """Both joints after three passages."""
    return learned_boat()


Speak = Callable[..., Spoken]


@pytest.fixture
def speak(capsys: pytest.CaptureFixture[str]) -> Speak:
    return lambda *words: say(capsys, "journal", *words)


def csv_rows(hours: float, start: float = 0.0) -> list[str]:
    """An alternator's passage of one joint; from one hour on it heats by half as much again."""
    rows = []
    for k in range(round(start * 360), round((start + hours) * 360)):
        seconds = 10.0 * k
        more = 6.0 * max(0.0, 1.0 - math.exp(-(seconds - 3600.0) / 180.0)) if seconds > 3600.0 else 0.0
        rise = (boats.two_mode_celsius(seconds, AMPS) - 20.0) + more
        rows.append(f"{START_TIME // 1000 + 10 * k},{20.0 + rise:.4f},20.0,{AMPS:.0f}")
    return rows


def replayed(folder: Path, database: Path, rows: list[str], speak: Speak, capsys: Any) -> dict[str, Any]:
    configuration = folder / "lugwatch.toml"
    configuration.write_text(CONFIG, encoding="utf-8")
    path = recording(folder, rows)
    assert say(capsys, "replay", path, "--config", configuration, "--db", database).status == 0
    return answers(database, capsys)


def answers(database: Path, capsys: Any) -> dict[str, Any]:
    words = ("joints", "alerts", "passages", "shapes")
    return {word: json.loads(say(capsys, word, "--db", database, "--json").out) for word in words}


def test_a_replay_takes_entries_in_at_their_time_and_gives_the_same_answer_each_time(
    tmp_path: Path, speak: Speak, capsys: pytest.CaptureFixture[str]
) -> None:
    configuration = tmp_path / "lugwatch.toml"
    configuration.write_text(CONFIG, encoding="utf-8")
    found = []
    for name in ("first.db", "second.db"):
        path = tmp_path / name
        for seconds, words in ((5400, ("--good",)), (-60, ("--millivolts", "4.5", "--amps", "90"))):
            at = str(START_TIME // 1000 + seconds)
            spoken = speak("add", "bar", *words, "--at", at, "--db", path, "--config", configuration)
            assert spoken.status == 0, spoken.err
        found.append(replayed(tmp_path, path, csv_rows(2.5), speak, capsys))
        # the same recording once more: every row is held, and no entry acts again
        assert replayed(tmp_path, path, csv_rows(2.5), speak, capsys) == found[-1]
    assert found[0] == found[1]
    (joint,) = found[0]["joints"]
    # its baseline is of after the entry: what it had become by then; the window that was open counts
    begun = parse_time(joint["baseline_time"])
    assert begun == pytest.approx(START_TIME + 5_400_000, abs=10_000)
    assert abs(joint["baseline_ratio"] - 1.0) < 3.0 * joint["baseline_ratio_sd"]
    plain = tmp_path / "plain.db"
    without = replayed(tmp_path, plain, csv_rows(2.5), speak, capsys)
    earlier = parse_time(without["joints"][0]["baseline_time"])
    assert earlier is not None and begun is not None and earlier < begun - 600_000


def test_an_entry_of_after_the_recording_waits_for_the_next_one(
    tmp_path: Path, speak: Speak, capsys: pytest.CaptureFixture[str]
) -> None:
    path, later = tmp_path / "boat.db", tmp_path / "later"
    later.mkdir()
    before = replayed(tmp_path, path, csv_rows(2.5), speak, capsys)
    assert before["joints"][0]["baseline_time"] is not None
    at = str(START_TIME // 1000 + 9100)
    assert speak("add", "bar", "--good", "--at", at, "--db", path).status == 0
    assert speak("add", "bar", "--note", "and earlier", "--at", "1000", "--db", path).status == 0
    assert replayed(tmp_path, path, csv_rows(2.5), speak, capsys) == before
    after = replayed(later, path, csv_rows(0.3, start=2.5), speak, capsys)
    assert after["joints"][0]["baseline_time"] is None
    assert after["joints"][0]["state"] == "learning"
    # not again with the third
    third = tmp_path / "third"
    third.mkdir()
    last = replayed(third, path, csv_rows(1.0, start=2.8), speak, capsys)
    assert last["joints"][0]["baseline_time"] is not None


def test_a_replay_cut_in_two_takes_no_entry_twice(tmp_path: Path) -> None:
    from lugwatch import config

    configuration = tmp_path / "lugwatch.toml"
    configuration.write_text(CONFIG, encoding="utf-8")
    boat = config.load(configuration, lenient=True).boat
    path = tmp_path / "boat.db"
    clock = ManualClock(0.0, 0)
    open_store(path, clock=clock, boat=boat).close()
    put_journal_entry(path, entry(JournalKind.GOOD, time=START_TIME + 1_000_000))
    for part, held in ((csv_rows(1.5), None), (csv_rows(1.0, start=1.5), START_TIME + 5_390_000)):
        rows = open_recording(recording(tmp_path, part), boat)
        with open_store(path, clock=clock, boat=boat) as store:
            replay(rows, boat, store, held_until=held)
            saved = store.load_snapshot()
            assert saved is not None
            document = json.loads(saved[2])
    assert document["journal_taken_until"] == 1
    # evidence counts from when the rise was certain, through the cut: more than the second part alone has
    assert document["joints"]["bar"]["baseline_evidence_seconds"] > 4000.0


class Listener:
    """A publisher that stops the watch when it hears that a baseline has ended."""

    def __init__(self, stop: threading.Event) -> None:
        self.stop = stop

    def start(self) -> None:
        pass

    def publish(self, outputs: Sequence[Output]) -> None:
        if any(isinstance(o, JointBaseline) and o.ended_time is not None for o in outputs):
            self.stop.set()

    def close(self) -> None:
        pass


def test_a_watch_hands_out_an_entry_again_whose_effect_was_not_kept(
    tmp_path: Path, learned: tuple[State, Plain]
) -> None:
    """The power goes between hearing of an entry and the snapshot: the next start takes it in again."""
    path, (state, plain) = tmp_path / "boat.db", learned
    time = START_TIME + round(plain.seconds * 1000)
    old = snapshot.to_text(state, plain.seconds, time)
    clock = ManualClock(plain.seconds, time)
    with open_store(path, clock=clock, boat=TWO) as store:
        put(store, [], snapshot=old)
        put_journal_entry(path, entry(JournalKind.WORK))
    for _ in range(2):
        _watch_until_a_baseline_ends(path, clock)
        with closing(sqlite3.connect(path)) as connection:
            (packed,) = connection.execute("SELECT packed FROM snapshot WHERE key = 'pipeline'").fetchone()
            body = zlib.decompress(packed)
            assert json.loads(body)["journal_taken_until"] == 1
            assert json.loads(body)["joints"]["bar"]["stage"] == 0
            # what a cut would have left: the snapshot of before
            connection.execute("UPDATE snapshot SET packed = NULL, body = ? WHERE key = 'pipeline'", (old,))
            connection.commit()


def _watch_until_a_baseline_ends(path: Path, clock: ManualClock) -> None:
    store = open_store(path, clock=clock, boat=TWO)
    resumed = resume(TWO, store, clock.monotonic_seconds(), clock.time())
    assert not journal.was_taken(resumed.journal, 1)
    stop = threading.Event()
    listener = Listener(stop)
    watch = Watch(state=resumed, sources=(), store=store, publishers=(listener,), clock=clock, stop=stop)
    runner = threading.Thread(target=watch.run)
    runner.start()
    # the clock of the boat goes on until the entry had its effect
    until(lambda: clock.wait(stop, 1.0), 20.0, 0.01)
    runner.join(10.0)
    assert not runner.is_alive()
