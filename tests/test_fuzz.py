"""Parsers against examples that were nearly right: no crash, no hang, nothing accepted without its check."""

from collections.abc import Iterator

import pytest
from hypothesis import given, settings

from fuzzing import EXAMPLE_SECONDS, ended_within
from fuzzing_bytes import RAW
from fuzzing_files import TARGETS, forget_files

# the slow ones write files or step the core
FEW = {
    "backups": 25,
    "numbers in the core": 40,
    "bus recordings": 60,
    "one-wire folder": 100,
    "configuration": 150,
}
EXAMPLES = 250


@pytest.fixture(autouse=True, scope="module")
def _nothing_left() -> Iterator[None]:
    yield
    forget_files()


@pytest.mark.parametrize("name", TARGETS)
def test_whatever_comes_is_refused_in_words_or_holds_its_check(name: str) -> None:
    target = TARGETS[name]

    @settings(max_examples=FEW.get(name, EXAMPLES))
    @given(target.examples)
    def run(example: object) -> None:
        with ended_within(EXAMPLE_SECONDS):
            target.check(example)

    run()


@pytest.mark.parametrize("name", RAW)
def test_what_the_guided_fuzzer_begins_with_is_an_example_of_its_target(name: str) -> None:
    """bench/fuzz_guided.py: from a seed that no parser knows, coverage would find its way to none."""
    assert len(RAW[name].seeds) == len(set(RAW[name].seeds)) > 0
    for data in (*RAW[name].seeds, b"", b"\xff\x00"):
        TARGETS[name].check(RAW[name].example(data))
