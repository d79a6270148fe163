"""The live line in a real browser: sound, title and icon, hidden pages, a browser without streams; speed."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from browsing import PAGES, ask, complaints, count, size, text, until
from invented_boat import invented_alert, invented_states, now_again
from lugwatch.clock import SystemClock
from lugwatch.model import AlertChange, AlertChangeKind, AlertState, Category, Condition, JointState
from lugwatch.store.writer import Store
from pages import Served

pytestmark = pytest.mark.browser

# 4 times slower, 1.6 Mbit/s and 150 ms: what Chromium's tools call fast 3G
SLOW = {"offline": False, "latency": 150, "downloadThroughput": 200_000, "uploadThroughput": 90_000}
FIRST_CONTENT_MS = 1000.0
CHART_MS = 1500.0
# this machine runs other tests beside: what is asserted is twice what is promised on an idle one
SHARED = 2.0


@contextmanager
def before_scripts(browser: webdriver.Chrome, script: str) -> Iterator[None]:
    """Run a script in each page before its own."""
    known = browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": script})
    try:
        yield
    finally:
        browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", known)


def raise_alarm(store: Store, alert_id: int = 9, sequence: int = 2) -> None:
    clock = SystemClock()
    alarm = replace(
        invented_alert(clock.time(), alert_id=alert_id),
        joint="fuse_bar",
        condition=Condition.HOT,
        category=Category.ALARM,
        raised_time=clock.time(),
    )
    change = AlertChange(sequence=sequence, time=clock.time(), change=AlertChangeKind.RAISED, alert=alarm)
    now_again(store, clock, invented_states(), change)


def test_an_alarm_sounds_after_a_first_tap_and_shows_in_title_and_icon(
    page: Served, store: Store, browser: webdriver.Chrome
) -> None:
    usual = ask(browser, "return document.getElementById('icon').getAttribute('href')")
    assert "mark.svg" in usual and browser.title.startswith("(1)"), "a caution is unseen"
    assert ask(browser, "return document.documentElement.dataset.sounded ?? null") is None, "and is silent"
    browser.find_element(By.TAG_NAME, "h1").click()
    raise_alarm(store)
    until(lambda: ask(browser, "return document.documentElement.dataset.sounded ?? null") == "alarm")
    until(lambda: browser.title.startswith("(2)"))
    assert "mark-alert" in ask(browser, "return document.getElementById('icon').getAttribute('href')")
    assert text(browser, "#unseen") == "2 unseen"
    assert text(browser, ".alert").startswith("Alarm since"), "the worst on top, with what to do"
    assert ask(browser, "return document.querySelector('.alert details').open") is True


def test_it_sounds_on_every_page(page: Served, store: Store, browser: webdriver.Chrome) -> None:
    browser.get(page.url + "passages")
    browser.find_element(By.TAG_NAME, "h1").click()
    raise_alarm(store)
    until(lambda: ask(browser, "return document.documentElement.dataset.sounded ?? null") == "alarm")
    assert "one warming" in text(browser, ".top")


def test_what_has_been_seen_is_silent(page: Served, store: Store, browser: webdriver.Chrome) -> None:
    clock = SystemClock()
    seen = replace(
        invented_alert(clock.time()),
        category=Category.ALARM,
        state=AlertState.ACTIVE_ACKNOWLEDGED,
        acknowledged_time=clock.time(),
    )
    change = AlertChange(sequence=2, time=clock.time(), change=AlertChangeKind.ACKNOWLEDGED, alert=seen)
    now_again(store, clock, invented_states(), change)
    until(lambda: "Seen at" in text(browser, ".alert"))
    assert count(browser, '[data-deed="acknowledge"]') == 0
    assert ask(browser, "return document.documentElement.dataset.sounded ?? null") is None
    assert not browser.title.startswith("(")


COUNTING = """
window.streams = { opened: [], closed: 0 };
const Real = window.EventSource;
window.EventSource = class extends Real {
  constructor(url) { super(url); window.streams.opened.push(url); window.streams.last = this; }
  close() { window.streams.closed += 1; super.close(); }
};
window.hideIt = (hidden) => {
  const value = hidden ? 'hidden' : 'visible';
  Object.defineProperty(document, 'visibilityState', { value, configurable: true });
  document.dispatchEvent(new Event('visibilitychange'));
};
"""


def test_a_hidden_page_hangs_up_and_hears_what_it_missed(
    page: Served, store: Store, browser: webdriver.Chrome
) -> None:
    with before_scripts(browser, COUNTING):
        browser.get(page.url)
        until(lambda: count(browser, "#joints .joint") == 11)
        assert ask(browser, "return window.streams.opened.length") == 1, "one stream a page"
        ask(browser, "window.hideIt(true)")
        assert ask(browser, "return window.streams.closed") == 1
        raise_alarm(store)
        ask(browser, "window.hideIt(false)")
        until(lambda: "alarm raised" in text(browser, "#news"))
        assert ask(browser, "return window.streams.opened[1]") == "/api/events?after=1"
    assert complaints(browser) == []


def nodes_and_bytes(browser: webdriver.Chrome) -> tuple[float, float]:
    """What the page holds once what nobody needs has been thrown away."""
    for _ in range(3):
        browser.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
    found = browser.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    values = {row["name"]: row["value"] for row in found}
    return values["Nodes"], values["JSHeapUsedSize"]


def test_hundreds_of_updates_leave_nothing_behind(page: Served, browser: webdriver.Chrome) -> None:
    again = """
    const now = JSON.parse(arguments[0]);
    for (let n = 0; n < arguments[1]; n += 1) {
      now.joints[0].probe_celsius = 40 + (n % 7);
      window.streams.last.dispatchEvent(new MessageEvent('now', { data: JSON.stringify(now) }));
    }"""
    browser.execute_cdp_cmd("Performance.enable", {})
    with before_scripts(browser, COUNTING):
        browser.get(page.url)
        until(lambda: count(browser, "#circuit .joint") == 11)
        now = ask(browser, "return fetch('/api/now').then((r) => r.text())")
        ask(browser, again, now, 20)
        nodes, size_bytes = nodes_and_bytes(browser)
        ask(browser, again, now, 400)
        nodes_after, bytes_after = nodes_and_bytes(browser)
    assert nodes_after <= 1.1 * nodes, (nodes, nodes_after)
    assert bytes_after <= 1.2 * size_bytes, (size_bytes, bytes_after)


def test_a_browser_without_streams_asks_instead(
    page: Served, store: Store, browser: webdriver.Chrome
) -> None:
    with before_scripts(browser, "delete window.EventSource;"):
        browser.get(page.url)
        until(lambda: count(browser, "#joints .joint") == 11)
        now_again(store, SystemClock(), [JointState.STEADY] * 11)
        until(lambda: text(browser, "h1") == "All eleven joints steady.")


def test_nothing_of_the_boat_is_kept_on_the_phone(page: Served, browser: webdriver.Chrome) -> None:
    for path in PAGES:
        browser.get(page.url + path)
        kept = ask(browser, "return JSON.stringify({...localStorage, ...sessionStorage})")
        assert set(json.loads(kept)) <= {"look", "unit", "size"}
        assert ask(browser, "return navigator.serviceWorker.controller") is None
    assert ask(browser, "return document.querySelector('link[rel=manifest]').href").endswith(
        "/manifest.webmanifest"
    )


@pytest.mark.slow
def test_first_content_and_a_passages_chart_come_soon_on_a_slow_phone(
    page: Served, browser: webdriver.Chrome
) -> None:
    watching = """
    window.longest = 0;
    new PerformanceObserver((list) => {
      for (const task of list.getEntries()) window.longest = Math.max(window.longest, task.duration);
    }).observe({ type: 'longtask', buffered: true });
    window.charted = null;
    new MutationObserver(() => {
      const there = document.querySelector('#chart-celsius canvas');
      if (window.charted === null && there) window.charted = performance.now();
    }).observe(document, { childList: true, subtree: true });
    """
    browser.execute_cdp_cmd("Network.enable", {})
    try:
        browser.execute_cdp_cmd("Network.setCacheDisabled", {"cacheDisabled": True})
        browser.execute_cdp_cmd("Network.emulateNetworkConditions", SLOW)
        browser.execute_cdp_cmd("Emulation.setCPUThrottlingRate", {"rate": 4})
        with before_scripts(browser, watching):
            browser.get(page.url)
            until(lambda: count(browser, "#circuit .joint") == 11)
            first = ask(
                browser, "return performance.getEntriesByName('first-contentful-paint')[0]?.startTime"
            )
            longest = ask(browser, "return window.longest")
            browser.get(page.url + "passages/1")
            until(lambda: ask(browser, "return window.charted"))
            charted = ask(browser, "return window.charted")
    finally:
        browser.execute_cdp_cmd("Emulation.setCPUThrottlingRate", {"rate": 1})
        browser.execute_cdp_cmd(
            "Network.emulateNetworkConditions",
            {"offline": False, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1},
        )
        browser.execute_cdp_cmd("Network.setCacheDisabled", {"cacheDisabled": False})
    print(f"first content {first:.0f} ms, longest task {longest:.0f} ms, chart {charted:.0f} ms")  # noqa: T201
    assert first <= SHARED * FIRST_CONTENT_MS
    assert charted <= SHARED * CHART_MS
    assert longest <= SHARED * 200.0
    size(browser, 390, 844)
