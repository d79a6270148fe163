"""A real browser for tests of the page: opened once, asked in one go, waited for with a deadline."""

import tempfile
import time
from collections.abc import Callable, Iterator
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

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
PAGES = ("", "passages", "passages/1", "season", "alerts", "journal", "proofs", "watchman", "page", "enter")

# Overlapping or cut words of a drawing, each with its place. Half a letter of the line's height may touch.
WORDS_IN_THE_WAY = """
const inside = document.querySelector(arguments[0]).getBoundingClientRect();
const boxes = [...document.querySelectorAll(arguments[0] + ' text')].map(
  (e) => [e.firstChild ? e.firstChild.data : '', e.getBoundingClientRect()]);
const found = [];
boxes.forEach(([a, p], i) => {
  if (p.left < inside.left - 1 || p.right > inside.right + 1) found.push([a, 'outside', p.left, p.right]);
  boxes.slice(i + 1).forEach(([b, q]) => {
    const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
    const tall = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
    if (wide > 1 && tall > Math.min(p.height, q.height) * 0.35) found.push([a, b, wide, tall]);
  });
});
return found;
"""


def open_browser() -> Iterator[webdriver.Chrome]:
    with tempfile.TemporaryDirectory(prefix="browser-", ignore_cleanup_errors=True) as folder:
        options = webdriver.ChromeOptions()
        options.binary_location = "/usr/bin/chromium"
        for argument in (*QUIET, f"--user-data-dir={folder}"):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
        yield driver
        driver.quit()


def size(browser: webdriver.Chrome, width: int, height: int) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
    )


def until(true: Callable[[], object]) -> None:
    deadline = time.monotonic() + DEADLINE_SECONDS
    while not true():
        assert time.monotonic() < deadline, "it did not come true in time"
        time.sleep(0.1)  # polling another process with a deadline


def text(browser: webdriver.Chrome, selector: str) -> str:
    # a node may be replaced between finding and reading it: ask the page in one go
    found = browser.execute_script("return document.querySelector(arguments[0])?.innerText ?? ''", selector)
    return str(found).replace("\u00a0", " ")


def count(browser: webdriver.Chrome, selector: str) -> int:
    return int(browser.execute_script("return document.querySelectorAll(arguments[0]).length", selector))


def complaints(browser: webdriver.Chrome) -> list[str]:
    return [
        entry["message"] for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")
    ]


def choose(browser: webdriver.Chrome, **choices: str) -> None:
    """Keep choices as the settings page does, for the next page that is opened."""
    for key, value in choices.items():
        browser.execute_script("localStorage.setItem(arguments[0], arguments[1])", key, value)


def forget_choices(browser: webdriver.Chrome) -> None:
    browser.execute_script("localStorage.clear()")


def ask(browser: webdriver.Chrome, script: str, *arguments: object) -> Any:
    return browser.execute_script(script, *arguments)
