"""Passages by hand in a real browser: named, split at a time of the boat's, merged, undone."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from browsing import ask, complaints, count, size, text, until
from by_hand import MINUTE, write_two_passages
from lugwatch.clock import SystemClock
from lugwatch.store.queries import History
from pages import Served

pytestmark = pytest.mark.browser


@pytest.fixture
def served(tmp_path: Path, browser: webdriver.Chrome) -> Iterator[Served]:
    with (
        write_two_passages(tmp_path / "lugwatch.db", SystemClock()),
        Served(tmp_path, web='time_zone = "Pacific/Auckland"\n') as served,
    ):
        size(browser, 390, 844)
        complaints(browser)
        yield served
        browser.get("about:blank")


def test_a_passage_is_named_split_merged_and_all_of_it_undone(
    served: Served, tmp_path: Path, browser: webdriver.Chrome
) -> None:
    def press(selector: str) -> None:
        ask(browser, "document.querySelector(arguments[0]).click()", selector)

    def in_auckland(time: int) -> str:
        as_there = """return new Intl.DateTimeFormat('sv-SE', {timeZone: 'Pacific/Auckland',
            dateStyle: 'short', timeStyle: 'medium'}).format(new Date(arguments[0])).replace(' ', 'T')"""
        return str(ask(browser, as_there, time))

    with History.open(tmp_path / "lugwatch.db") as history:
        before = history.passages()
    browser.get(served.url + "passages/1")
    until(lambda: count(browser, "form[data-hand]") == 3)
    name = browser.find_element(By.CSS_SELECTOR, "form[data-hand=name] input")
    name.send_keys("To Corfu <b>")
    press("form[data-hand=name] button")
    until(lambda: "To Corfu <b>," in text(browser, "h1"))
    half = ask(browser, "return document.querySelector('[name=at]').value")
    assert before[0].end_time is not None
    assert half == in_auckland((before[0].start_time + before[0].end_time) // 2), "a date need not be typed"
    # outside of the passage: one line, and nothing is changed
    ask(browser, "document.querySelector('[name=at]').value = '2020-01-01T12:00:00'")
    press("form[data-hand=split] button")
    until(lambda: "is not within passage 1" in text(browser, "#hand-note"))
    complaints(browser)  # the refusal is in the browser's log
    cut = before[0].start_time // 1000 * 1000 + 10 * MINUTE
    ask(browser, "document.querySelector('[name=at]').value = arguments[0]", in_auckland(cut))
    press("form[data-hand=split] button")
    until(lambda: "A part of a passage" in text(browser, "main"))
    with History.open(tmp_path / "lugwatch.db") as history:
        assert next((p.passage_id, p.end_time) for p in history.passages()) == (1, cut)
    assert ask(browser, "return document.documentElement.scrollWidth") <= 390
    press("button[data-merge]")
    until(lambda: count(browser, "button[data-undo]") == 3 and "A part of" not in text(browser, "main"))
    browser.get(served.url + "passages")
    for number in (3, 2, 1):
        until(lambda: count(browser, f'[data-undo="{number}"]') == 1)  # noqa: B023 - asked at once
        press(f'[data-undo="{number}"]')
        until(lambda: count(browser, f'[data-undo="{number}"]') == 0 and "Done" not in text(browser, "main"))  # noqa: B023
    with History.open(tmp_path / "lugwatch.db") as history:
        assert history.passages() == before and len(history.passage_decisions()) == 6
    assert ask(browser, "return document.documentElement.scrollWidth") <= 390
    assert complaints(browser) == []
