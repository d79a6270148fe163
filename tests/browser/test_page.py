"""The page in a real browser: what it says, that it greys when the line is dead, that "Seen" arrives."""

import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By

from invented_boat import invented_states, now_again, write_invented_history
from lugwatch.clock import SystemClock
from lugwatch.model import JointState
from lugwatch.store.writer import Store
from pages import Served

pytestmark = pytest.mark.browser

QUIET = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)
DEADLINE_SECONDS = 30.0


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    with tempfile.TemporaryDirectory(prefix="browser-", ignore_cleanup_errors=True) as folder:
        options = webdriver.ChromeOptions()
        options.binary_location = "/usr/bin/chromium"
        for argument in (*QUIET, f"--user-data-dir={folder}"):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
        yield driver
        driver.quit()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with write_invented_history(tmp_path / "lugwatch.db", SystemClock()) as store:
        yield store


@pytest.fixture
def page(tmp_path: Path, store: Store, browser: webdriver.Chrome) -> Iterator[Served]:
    with Served(tmp_path) as page:
        _size(browser, 390, 844)
        browser.get(page.url)
        _until(lambda: len(browser.find_elements(By.CSS_SELECTOR, ".joint")) == 11)
        yield page
        browser.get("about:blank")


def _size(browser: webdriver.Chrome, width: int, height: int) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
    )


def _until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + DEADLINE_SECONDS
    while not true():
        assert time.monotonic() < deadline, "it did not come true in time"
        time.sleep(0.1)  # polling another process with a deadline


def _text(browser: webdriver.Chrome, selector: str) -> str:
    # a node may be replaced between finding and reading it: ask the page in one go
    found = browser.execute_script("return document.querySelector(arguments[0])?.innerText ?? ''", selector)
    return str(found).replace("\u00a0", " ")


def _complaints(browser: webdriver.Chrome) -> list[str]:
    return [
        entry["message"] for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")
    ]


def test_sentence_first_then_the_warming_joint(page: Served, browser: webdriver.Chrome) -> None:
    assert _text(browser, "h1") == "Seven steady, two without load, one warming, one silent."
    first = _text(browser, ".joint")
    assert first.startswith("Isolator, in") and "41.2 °C" in first and "+46 % ±7" in first
    second = browser.execute_script("return document.querySelectorAll('.joint')[1].innerText")
    assert "Battery minus terminal" in second and "no reading 4" in second
    assert (
        browser.execute_script("return document.querySelectorAll('.joint.triangle polygon.mark').length") == 1
    )
    assert "46 %" in _text(browser, ".alert") and "What to do" in _text(browser, ".alert")
    _until(lambda: len(browser.find_elements(By.CSS_SELECTOR, "#chart-part canvas")) == 2)
    assert "of 120 A" in _text(browser, "#currents")
    assert _complaints(browser) == []


def test_it_follows_what_is_written(page: Served, store: Store, browser: webdriver.Chrome) -> None:
    now_again(store, SystemClock(), [JointState.STEADY] * 11)
    _until(lambda: _text(browser, "h1") == "All eleven joints steady.")


@pytest.mark.parametrize("width", [390, 320])
@pytest.mark.parametrize("path", ["", "passages", "watchman"])
def test_nothing_scrolls_sideways(page: Served, browser: webdriver.Chrome, width: int, path: str) -> None:
    _size(browser, width, 700)
    browser.get(page.url + path)
    if not path:
        _until(lambda: len(browser.find_elements(By.CSS_SELECTOR, "#chart-part canvas")) == 2)
    assert browser.execute_script("return document.documentElement.scrollWidth") == width
    assert _complaints(browser) == []


def test_red_is_red_and_stays_chosen(page: Served, browser: webdriver.Chrome) -> None:
    browser.find_element(By.CSS_SELECTOR, '[data-look-choice="red"]').click()
    browser.get(page.url)
    _until(lambda: len(browser.find_elements(By.CSS_SELECTOR, ".joint")) == 11)
    lit = browser.execute_script(
        """const seen = new Set();
        const keys = ['color', 'backgroundColor', 'fill', 'stroke'];
        for (const e of document.querySelectorAll('*'))
            for (const key of keys) seen.add(getComputedStyle(e)[key]);
        return [...seen].filter((c) => c.startsWith('rgb'));"""
    )
    assert len(lit) > 3
    for colour in lit:
        red, green, blue = (float(part) for part in colour[colour.index("(") + 1 : -1].split(",")[:3])
        assert green <= 90 and blue <= 60 and red >= green, colour
    browser.execute_script("localStorage.clear()")


def test_fahrenheit_everywhere(page: Served, browser: webdriver.Chrome) -> None:
    browser.find_element(By.CSS_SELECTOR, '[data-unit-choice="fahrenheit"]').click()
    assert "106.2 °F" in _text(browser, ".joint")
    assert "115 °F (104 to 124); its limit is 194 °F" in _text(browser, ".alert")
    assert "°C" not in _text(browser, "main")
    browser.execute_script("localStorage.clear()")


def test_seen_arrives(page: Served, tmp_path: Path, browser: webdriver.Chrome) -> None:
    browser.find_element(By.CSS_SELECTOR, ".alert .deed button").click()

    def deeds() -> list[tuple[str, int]]:
        connection = sqlite3.connect(tmp_path / "lugwatch.db")
        rows = connection.execute("SELECT deed, alert_id FROM crew_action").fetchall()
        connection.close()
        return rows

    _until(lambda: deeds() == [("acknowledge", 7)])
    _until(lambda: "Noted" in _text(browser, ".alert .deed"))


def test_grey_when_the_line_is_dead_and_back_when_it_lives(
    page: Served, tmp_path: Path, store: Store, browser: webdriver.Chrome
) -> None:
    port = page.port
    page.stop()
    _until(lambda: _text(browser, "h1").startswith("No contact with lugwatch for"))
    assert "lost" in browser.execute_script("return document.body.className")
    opacity = "return Number(getComputedStyle(document.getElementById('known')).opacity)"
    _until(lambda: browser.execute_script(opacity) < 0.6)
    assert "Last heard at" in _text(browser, "#last-known")
    assert "live" not in _text(browser, "#age").replace("not live", "")
    with Served(tmp_path, port=port):
        now_again(store, SystemClock(), invented_states())
        _until(lambda: _text(browser, "h1").startswith("Seven steady"))
        assert "lost" not in browser.execute_script("return document.body.className")
