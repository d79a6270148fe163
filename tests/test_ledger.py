"""Numbers that are never given twice, and what a way out has to tell: over cuts, full cards, copies."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from histories import START_TIME, alert, change, open_store
from lugwatch.errors import OperationFailed
from lugwatch.model import AlertState
from lugwatch.store import ledger
from lugwatch.store.backup import backup
from lugwatch.store.writer import Store


def put(store: Store, *sequences: int) -> None:
    outputs = [change(number, alert(number)) for number in sequences]
    store.write(outputs, monotonic_seconds=1.0, time=START_TIME)


def waiting(store: Store, way: str = "mqtt") -> list[int]:
    return [c.sequence for c in store.ledger.open_way(way)]


def cut(store: Store) -> None:
    """What a power cut leaves: the connection gone, nothing said at the end."""
    store._open_connection().close()
    store._connection = None


def fill(store: Store) -> None:
    connection = store._open_connection()
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")


def test_a_change_and_its_row_are_written_together(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        assert waiting(store) == []
        put(store, 1, 2)
        fill(store)
        with pytest.raises(OperationFailed):
            put(store, *range(3, 400))
        cut(store)
    with open_store(path) as store:
        assert waiting(store) == [1, 2] == [c.sequence for c in store.ledger.recent_changes(10)]


def test_what_is_settled_is_deleted_with_the_next_batch(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    store = open_store(path)
    waiting(store)
    put(store, 1, 2, 3)
    store.ledger.settle("mqtt", [1, 3])
    assert waiting(store) == [1, 2, 3]
    put(store)
    assert waiting(store) == [2]
    cut(store)
    assert waiting(open_store(path)) == [2]


def test_what_is_told_at_the_very_end_is_deleted_too(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        waiting(store)
        put(store, 1, 2)
        store.ledger.settle("mqtt", [1])
    assert waiting(open_store(path)) == [2]


def test_what_was_told_from_memory_does_not_wait_once_it_is_written(tmp_path: Path) -> None:
    """C39: the card is full, the change goes out, and then there is room again."""
    with open_store(tmp_path / "boat.db") as store:
        waiting(store)
        fill(store)
        with pytest.raises(OperationFailed):
            put(store, *range(1, 400))
        store.ledger.settle("mqtt", range(1, 399))
        store._open_connection().execute("PRAGMA max_page_count = 1000000")
        put(store, *range(1, 400))
        assert waiting(store) == [399]
        put(store)
        assert store.ledger._settled == {"mqtt": set()}


def test_ways_are_apart_and_nobody_waits_who_was_not_asked_for(tmp_path: Path) -> None:
    with open_store(tmp_path / "boat.db") as store:
        put(store, 1)
        waiting(store, "a")
        waiting(store, "b")
        put(store, 2)
        store.ledger.settle("a", [2])
        put(store)
        assert (waiting(store, "a"), waiting(store, "b"), waiting(store, "c")) == ([], [2], [])


def test_what_waits_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ledger, "CHANGES_KEPT", 10)
    with open_store(tmp_path / "boat.db") as store:
        waiting(store)
        for number in range(1, 40, 3):
            put(store, number, number + 1, number + 2)
        assert waiting(store) == list(range(30, 40))


def test_numbers_go_on_after_a_clean_end(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        history_id = store.ledger.history_id
        put(store, 1, 2)
    with closing(sqlite3.connect(path)) as connection, connection:
        # were history to be thinned out, its numbers would not come back
        connection.execute("DELETE FROM alert_change WHERE sequence = 2")
    with open_store(path) as store:
        assert (store.next_alert_sequence(), store.next_alert_id()) == (3, 3)
        assert store.ledger.history_id == history_id and len(history_id) == 16


def test_no_number_that_a_full_card_kept_out_is_given_again(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    store = open_store(path)
    put(store, 1)
    fill(store)
    with pytest.raises(OperationFailed):
        put(store, *range(2, 500))  # told from memory, then the battery switch
    cut(store)
    with open_store(path) as store:
        assert (store.next_alert_sequence(), store.next_alert_id()) == (1002, 102)
    with open_store(path) as store:
        assert (store.next_alert_sequence(), store.next_alert_id()) == (1002, 102)


def test_an_end_with_something_unwritten_is_not_clean(tmp_path: Path) -> None:
    path = tmp_path / "boat.db"
    with open_store(path) as store:
        put(store, 1)
        fill(store)
        with pytest.raises(OperationFailed):
            put(store, *range(2, 500))
    with open_store(path) as store:
        assert store.next_alert_sequence() == 1002


def test_another_database_and_a_copy_put_back_are_other_histories(tmp_path: Path) -> None:
    path, copy = tmp_path / "boat.db", tmp_path / "copy.db"
    with open_store(path) as store:
        waiting(store)
        put(store, 1)
        backup(path, copy)
        put(store, 2)
        first = store.ledger.history_id
    path.rename(tmp_path / "set-aside.db")
    with open_store(path) as store:
        second = store.ledger.history_id
    with open_store(copy) as store:
        assert waiting(store) == []
        third = store.ledger.history_id
    assert len({first, second, third}) == 3
    with open_store(copy) as store:
        assert store.ledger.history_id == third


def test_the_last_word_of_each_alert_that_stands(tmp_path: Path) -> None:
    with open_store(tmp_path / "boat.db") as store:
        over = change(3, alert(1, AlertState.NORMAL))
        outputs = [change(1, alert(1)), change(2, alert(2)), over, change(4, alert(2))]
        store.write(outputs, monotonic_seconds=1.0, time=START_TIME)
        assert store.ledger.last_sequences() == {2: 4}
