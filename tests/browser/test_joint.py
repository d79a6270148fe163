"""A joint's page in a real browser: moved by finger, mouse, wheel, keys, buttons; journal, season, print."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.select import Select

from browsing import ask, complaints, count, size, text, until
from invented_boat import invented_passage
from lugwatch.clock import SystemClock
from lugwatch.dashboard.doors import write_lock
from lugwatch.store.queries import History
from lugwatch.store.writer import Store
from lugwatch.units import format_time
from pages import Served

pytestmark = pytest.mark.browser


def stretch(browser: webdriver.Chrome) -> tuple[float, float]:
    """What the charts show [s]."""
    start, end = ask(
        browser, "const d = document.getElementById('chart-stack').dataset; return [+d.from, +d.to]"
    )
    return start, end


@pytest.fixture
def joint(page: Served, browser: webdriver.Chrome) -> Iterator[Served]:
    browser.get(page.url + "joints/bar_alternator")
    until(lambda: count(browser, "#chart-stack canvas") >= 4)
    ask(browser, "document.querySelector('.u-over').scrollIntoView({block: 'center'})")
    yield page
    assert complaints(browser) == []


def plot_place(browser: webdriver.Chrome) -> tuple[float, float, float, float]:
    left, top, width, height = ask(
        browser,
        """const r = document.querySelector('.u-over').getBoundingClientRect();
        return [r.left, r.top, r.width, r.height]""",
    )
    return left, top, width, height


def test_buttons_and_keys_move_and_zoom(joint: Served, browser: webdriver.Chrome) -> None:
    start, end = stretch(browser)
    assert end - start == pytest.approx(3600.0, abs=60.0), "an hour was recorded"
    browser.find_element(By.CSS_SELECTOR, '[data-zoom="0.5"]').click()
    until(lambda: stretch(browser)[1] - stretch(browser)[0] == pytest.approx((end - start) / 2, abs=2.0))
    browser.find_element(By.CSS_SELECTOR, '[data-move="-0.5"]').click()
    until(lambda: stretch(browser)[0] < start + (end - start) * 0.05)
    stack = browser.find_element(By.ID, "chart-stack")
    before = stretch(browser)
    stack.send_keys(Keys.ARROW_RIGHT)
    until(lambda: stretch(browser)[0] > before[0])
    stack.send_keys("-")
    until(lambda: stretch(browser)[1] - stretch(browser)[0] > before[1] - before[0])
    stack.send_keys(Keys.END)
    until(lambda: abs(stretch(browser)[1] - end) < 120.0)
    browser.find_element(By.CSS_SELECTOR, '#ranges [data-hours="24"]').click()
    until(lambda: stretch(browser)[1] - stretch(browser)[0] == pytest.approx(86_400.0, abs=2.0))
    assert ask(browser, "return document.querySelector('#ranges [aria-pressed=true]').dataset.hours") == "24"


def test_the_wheel_zooms_about_the_pointer_and_the_mouse_drags(
    joint: Served, browser: webdriver.Chrome
) -> None:
    start, end = stretch(browser)
    left, top, width, height = plot_place(browser)
    at = {"x": left + width * 0.25, "y": top + height / 2}
    browser.execute_cdp_cmd(
        "Input.dispatchMouseEvent", {"type": "mouseWheel", **at, "deltaX": 0, "deltaY": -200}
    )
    until(lambda: stretch(browser)[1] - stretch(browser)[0] < (end - start) * 0.7)
    now = stretch(browser)
    fixed = start + 0.25 * (end - start)
    assert now[0] + 0.25 * (now[1] - now[0]) == pytest.approx(fixed, abs=0.02 * (end - start))
    over = browser.find_element(By.CSS_SELECTOR, ".u-over")
    ActionChains(browser).move_to_element(over).click_and_hold().move_by_offset(-60, 0).release().perform()
    until(lambda: stretch(browser)[0] > now[0] + 0.1 * (now[1] - now[0]))


def touch(browser: webdriver.Chrome, kind: str, *points: tuple[float, float]) -> None:
    browser.execute_cdp_cmd(
        "Input.dispatchTouchEvent",
        {"type": kind, "touchPoints": [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)]},
    )


def test_two_fingers_zoom_and_one_pans(joint: Served, browser: webdriver.Chrome) -> None:
    start, end = stretch(browser)
    left, top, width, height = plot_place(browser)
    y = top + height / 2
    middle = left + width / 2
    touch(browser, "touchStart", (middle - 30, y), (middle + 30, y))
    for apart in range(35, 100, 10):
        touch(browser, "touchMove", (middle - apart, y), (middle + apart, y))
    touch(browser, "touchEnd")
    until(lambda: stretch(browser)[1] - stretch(browser)[0] < 0.5 * (end - start))
    now = stretch(browser)
    touch(browser, "touchStart", (middle, y))
    for x in range(10, 100, 10):
        touch(browser, "touchMove", (middle + x, y))
    touch(browser, "touchEnd")
    until(lambda: stretch(browser)[0] < now[0] - 0.1 * (now[1] - now[0]))


def test_a_year_is_asked_for_in_few_points_and_a_fresh_read_out_has_units(
    joint: Served, browser: webdriver.Chrome
) -> None:
    browser.find_element(By.CSS_SELECTOR, '#ranges [data-hours="8766"]').click()
    until(lambda: int(ask(browser, "return document.getElementById('chart-stack').dataset.points || 0")) > 0)
    assert int(ask(browser, "return document.getElementById('chart-stack').dataset.points")) <= 2000
    browser.find_element(By.CSS_SELECTOR, '#ranges [data-hours="1"]').click()
    until(lambda: stretch(browser)[1] - stretch(browser)[0] < 3700.0)
    until(lambda: count(browser, "#chart-stack canvas") >= 4)

    def read_out(share: float) -> str:
        # the chart may be drawn anew meanwhile: where it is is asked each time
        left, top, width, height = plot_place(browser)
        at = {"x": left + share * width, "y": top + height / 2}
        browser.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": "mouseMoved", **at})
        return text(browser, "#chart-note")

    until(lambda: "no reading" in read_out(0.5))  # the middle of the hour is a gap
    until(lambda: "°C" in read_out(0.2) and " A" in read_out(0.2))


def test_current_squared_on_demand(joint: Served, browser: webdriver.Chrome) -> None:
    button = browser.find_element(By.CSS_SELECTOR, "figcaption button")
    ask(browser, "arguments[0].click()", button)
    until(lambda: "A²" in text(browser, "#chart-stack"))


def test_an_entry_is_written_on_the_page_and_read_there(
    joint: Served, tmp_path: Path, browser: webdriver.Chrome
) -> None:
    Select(browser.find_element(By.NAME, "kind")).select_by_value("millivolts")
    browser.find_element(By.NAME, "millivolts").send_keys("4,5")
    browser.find_element(By.NAME, "amps").send_keys("90")
    browser.find_element(By.NAME, "amps").send_keys(Keys.ENTER)
    until(lambda: "decimal point" in text(browser, "#journal-note"))
    browser.find_element(By.NAME, "millivolts").clear()
    browser.find_element(By.NAME, "millivolts").send_keys("4.5")
    browser.find_element(By.NAME, "amps").send_keys(Keys.ENTER)
    until(lambda: "4.5 mV at 90 A" in text(browser, ".entries"))
    assert "50 µΩ as it was" in text(browser, ".entries")
    with History.open(tmp_path / "lugwatch.db") as history:
        (entry,) = history.journal("bar_alternator")
    assert (entry.volts, entry.amps, entry.who) == (0.0045, 90.0, "crew")
    complaints(browser)  # the refusal is in the browser's log


def test_the_code_on_the_terminal_lets_a_phone_in(
    page: Served, tmp_path: Path, browser: webdriver.Chrome
) -> None:
    write_lock(tmp_path / "lugwatch.passphrase", "brass washers elsewhere")
    browser.find_element(By.CSS_SELECTOR, '[data-deed="acknowledge"]').click()
    until(lambda: text(browser, ".deed").endswith("Enter the pass-phrase first."))
    browser.get(page.url + "enter")
    browser.find_element(By.NAME, "passphrase").send_keys("not this one" + Keys.ENTER)
    until(lambda: text(browser, "#enter-note") == "That is not it.")
    browser.get(page.url + "enter#brass%20washers%20elsewhere")
    browser.refresh()  # only what follows the # changed, so the page was not loaded anew
    until(lambda: browser.current_url == page.url)
    assert "brass" not in ask(browser, "return document.cookie + location.href")
    until(lambda: count(browser, '[data-deed="acknowledge"]') == 1)
    browser.find_element(By.CSS_SELECTOR, '[data-deed="acknowledge"]').click()
    until(lambda: "Noted" in text(browser, ".deed"))
    browser.delete_all_cookies()


def test_a_season_is_read_by_touch_and_by_keys(page: Served, store: Store, browser: webdriver.Chrome) -> None:
    now = SystemClock().time()
    passages = []
    for n in range(40):
        passage = invented_passage(now - (41 - n) * 86_400_000, passage_id=n + 2)
        bar = passage.joints["bar_alternator"]
        assert bar.rise_coefficient is not None
        worse = replace(bar, rise_coefficient=bar.rise_coefficient * (1.0 + n / 100.0))
        joints = {**passage.joints, "bar_alternator": worse}
        passages.append(replace(passage, end_time=passage.start_time + 7_200_000, joints=joints))
    store.write(passages, monotonic_seconds=SystemClock().monotonic_seconds(), time=now)
    browser.get(page.url + "season")
    until(lambda: count(browser, "#season .row") == 11)
    assert count(browser, "#season .row:first-child .cell") == 40
    assert count(browser, "#season .row:first-child .up") > 20, "surely more is marked by its tip as well"
    assert count(browser, "#season .row:nth-child(2) .up") == 0
    strip = browser.find_element(By.CSS_SELECTOR, "#season .strip")
    strip.send_keys("")
    ask(browser, "document.querySelector('#season .strip').focus()")
    until(lambda: "+39 %" in text(browser, "#season-note"))
    strip.send_keys(Keys.ARROW_LEFT)
    until(lambda: "+38 %" in text(browser, "#season-note"))
    assert ask(browser, "return document.documentElement.scrollWidth") <= 390


def test_a_passage_prints_as_a_sheet(page: Served, browser: webdriver.Chrome) -> None:
    browser.get(page.url + "passages/1")
    until(lambda: count(browser, "#passage-chart canvas") == 2)
    try:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        hidden = "return [...document.querySelectorAll(arguments[0])].every((e) => e.offsetParent === null)"
        for selector in ("nav", "footer", "button", "#passage-chart", ".top"):
            assert ask(browser, hidden, selector), selector
        assert "licensed marine electrician" in text(browser, ".print-only")
        assert (
            ask(browser, "return getComputedStyle(document.querySelector('table.stack tr')).display")
            == "table-row"
        )
        paper = ask(browser, "return getComputedStyle(document.documentElement).backgroundColor")
        assert paper == "rgb(255, 255, 255)"
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    printed = browser.execute_cdp_cmd("Page.printToPDF", {})["data"]
    assert len(printed) > 5_000
    size(browser, 390, 844)


def test_filters_and_comparison_are_forms_that_work(page: Served, browser: webdriver.Chrome) -> None:
    browser.get(page.url + "alerts")
    Select(browser.find_element(By.NAME, "category")).select_by_value("alarm")
    browser.find_element(By.CSS_SELECTOR, ".filters button").click()
    until(lambda: "category=alarm" in browser.current_url and "No alert fits." in text(browser, "main"))
    assert Select(browser.find_element(By.NAME, "category")).first_selected_option.text == "Alarm"
    Select(browser.find_element(By.NAME, "category")).select_by_value("caution")
    browser.find_element(By.CSS_SELECTOR, ".filters button").click()
    until(lambda: "1 of 1" in text(browser, "main"))
    assert complaints(browser) == []


@pytest.mark.parametrize(
    ("typed", "meant", "shown"),
    [
        # 13 hours ahead of UTC in summer, 12 in winter; the clocks go back on 5 April 2026 at 3 h
        ("2026-01-15T12:00", "2026-01-14T23:00:00Z", "15 Jan 2026, 12:00"),
        ("2026-07-15T12:00", "2026-07-15T00:00:00Z", "15 Jul 2026, 12:00"),
        ("2026-04-05T01:30", "2026-04-04T12:30:00Z", "5 Apr 2026, 01:30"),
        ("2026-04-05T04:30", "2026-04-04T16:30:00Z", "5 Apr 2026, 04:30"),
    ],
)
def test_times_are_the_boats_on_every_phone(
    tmp_path: Path, store: Store, browser: webdriver.Chrome, typed: str, meant: str, shown: str
) -> None:
    with Served(tmp_path, web='time_zone = "Pacific/Auckland"\n') as served:
        browser.get(served.url + "joints/bar_alternator")
        until(lambda: count(browser, "#journal-form") == 1)
        Select(browser.find_element(By.NAME, "kind")).select_by_value("good")
        ask(browser, "document.querySelector('[name=at]').value = arguments[0]", typed)
        browser.find_element(By.NAME, "by").send_keys(Keys.ENTER)
        until(lambda: "good as it is" in text(browser, ".entries"))
        assert shown in text(browser, ".entries")
        with History.open(tmp_path / "lugwatch.db") as history:
            (entry,) = history.journal("bar_alternator")
        assert format_time(entry.time) == meant
        browser.get("about:blank")
