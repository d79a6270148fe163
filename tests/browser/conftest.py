"""One browser for all tests of the page, and the invented boat served to it."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver

from browsing import complaints, count, forget_choices, open_browser, size, until
from invented_boat import write_invented_history
from lugwatch.clock import SystemClock
from lugwatch.store.writer import Store
from pages import Served


@pytest.fixture(scope="session")
def browser() -> Iterator[webdriver.Chrome]:
    yield from open_browser()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with write_invented_history(tmp_path / "lugwatch.db", SystemClock()) as store:
        yield store


@pytest.fixture
def page(tmp_path: Path, store: Store, browser: webdriver.Chrome) -> Iterator[Served]:
    with Served(tmp_path) as page:
        size(browser, 390, 844)
        complaints(browser)  # those of the server before
        browser.get(page.url)
        until(lambda: count(browser, "#joints .joint") == 11)
        yield page
        forget_choices(browser)
        browser.get("about:blank")
