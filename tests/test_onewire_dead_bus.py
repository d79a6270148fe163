"""Two one-wire buses in one folder, of which one is dead: the other keeps its rhythm."""

import errno
from pathlib import Path

import pytest

from lugwatch.clock import ManualClock
from lugwatch.model import Reading
from lugwatch.sources.onewire import OneWire
from test_onewire import PlayedFiles, Tree, faults, readings, source


@pytest.fixture
def two_buses(tmp_path: Path) -> tuple[Tree, ManualClock, PlayedFiles, OneWire]:
    """Probes 1 and 2 on the first bus, 3 to 8 on the second, which the helpers below let die."""
    tree, clock = Tree(tmp_path, 8), ManualClock()
    for number, members in ((1, tree.addresses[:2]), (2, tree.addresses[2:])):
        folder = tree.master(number)
        for address in members:
            (folder / address).mkdir()
    files = PlayedFiles(clock)
    return tree, clock, files, source(tree, clock, files)


def let_die(tree: Tree, files: PlayedFiles) -> None:
    """Its lines are held: it never ends measuring, and each read is waited for, in vain."""
    files.answers["w1_bus_master2/therm_bulk_read"] = [b"-1\n"] * 10_000
    files.slow_of = dict.fromkeys(tree.addresses[2:], 0.75)
    files.errors |= {f"{address}/w1_slave": errno.EIO for address in tree.addresses[2:]}


def test_a_dead_bus_delays_another_by_one_round_at_most(two_buses) -> None:
    tree, clock, files, bus = two_buses
    assert len(readings(bus.poll())) == 8
    let_die(tree, files)
    spent, rounds = [], []
    for _ in range(20):
        began = clock.monotonic_seconds()
        rounds.append(bus.poll())
        spent.append(clock.monotonic_seconds() - began)
        clock.advance(max(0.0, 5.0 - spent[-1]))
    assert spent[0] > 5.0  # it is found out by waiting
    assert max(spent[1:]) < 5.0 and all(readings(events).keys() == {"p1", "p2"} for events in rounds)
    for events in rounds:  # nobody is forgotten, in whatever turn it was asked
        assert {c for c, _ in faults(events) if c} == {f"p{n}" for n in range(3, 9)}
    moments = [e.monotonic_seconds for events in rounds[2:] for e in events if isinstance(e, Reading)]
    gaps = {round(b - a, 3) for a, b in zip(moments[::2], moments[2::2], strict=False)}
    assert gaps == {5.0}
    assert len({key for key in files.reads[-40:] if key.endswith("w1_slave")}) == 8  # each has its turn


def test_a_bus_that_was_dead_is_read_again_in_the_round_after(two_buses) -> None:
    tree, clock, files, bus = two_buses
    let_die(tree, files)
    for _ in range(3):
        bus.poll()
    files.answers.clear()
    files.errors.clear()
    files.slow_of.clear()
    (tree.path / tree.addresses[4] / "w1_slave").unlink()  # one of them is dead for good
    clock.advance(5.0)
    for _ in range(2):
        bus.poll()
    assert readings(bus.poll()).keys() == {f"p{n}" for n in (1, 2, 3, 4, 6, 7, 8)}
