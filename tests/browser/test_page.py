"""The first page in a real browser: what it says, what it draws, that it greys when the line is dead."""

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from browsing import (
    PAGES,
    WORDS_IN_THE_WAY,
    ask,
    choose,
    complaints,
    count,
    size,
    text,
    until,
)
from invented_boat import invented_alert, invented_boat, invented_estimate, invented_states, now_again
from lugwatch.clock import SystemClock
from lugwatch.model import AlertChange, AlertChangeKind, AlertState, Boat, JointState
from lugwatch.store.writer import Store
from pages import Served

pytestmark = pytest.mark.browser


def test_sentence_first_then_the_warming_joint(page: Served, browser: webdriver.Chrome) -> None:
    assert text(browser, "h1") == "Seven steady, two without load, one warming, one silent."
    first = text(browser, "#joints .joint")
    assert first.startswith("Isolator, in") and "41.2 °C" in first and "+46 % ±7" in first
    second = ask(browser, "return document.querySelectorAll('#joints .joint')[1].innerText")
    assert "Battery minus terminal" in second and "no reading 4" in second.replace("\u00a0", " ")
    assert count(browser, "#joints .joint.triangle polygon.mark") == 1
    assert "46 %" in text(browser, ".alert") and "What to do" in text(browser, ".alert")
    assert complaints(browser) == []


def test_each_joint_stands_in_the_circuit_with_its_figures(page: Served, browser: webdriver.Chrome) -> None:
    until(lambda: count(browser, "#circuit .joint") == 11)
    told = ask(
        browser,
        "return [...document.querySelectorAll('#circuit .joint')].map((e) => e.getAttribute('aria-label'))",
    )
    labels = [label.replace("\u00a0", " ") for label in told]
    assert "41 °C Isolator, in: warming, 41.2 °C, limit 90 °C" in labels, "what is seen, then all of it"
    assert any(n.endswith(" Battery minus terminal: no reading, not known, limit 75 °C") for n in labels)
    assert count(browser, "#circuit .joint .scale .end") == 11, "each with its limit"
    assert count(browser, "#circuit .joint.dashed") == 1
    flows = ask(
        browser,
        """return [...document.querySelectorAll('#circuit .conductor')].map(
            (e) => [e.classList[1], +e.getAttribute('stroke-width')])""",
    )
    thickness = dict(flows)
    assert thickness["flows"] > 2 * thickness["idle"]
    ask(
        browser,
        """document.querySelector('#circuit a[data-joint=isolator_in]')
            .dispatchEvent(new MouseEvent('click', {bubbles: true, cancelable: true}))""",
    )
    until(lambda: browser.current_url.endswith("/joints/isolator_in"))


@pytest.mark.parametrize(("width", "large"), [(320, False), (390, False), (390, True), (1280, False)])
def test_no_word_of_the_circuit_stands_on_another(
    page: Served, browser: webdriver.Chrome, width: int, large: bool
) -> None:
    size(browser, width, 844)
    choose(browser, size="large" if large else "usual")
    browser.get(page.url)
    until(lambda: count(browser, "#circuit .joint") == 11)
    assert ask(browser, WORDS_IN_THE_WAY, "#circuit") == []


def test_names_of_machines_are_whole_on_a_phone(page: Served, browser: webdriver.Chrome) -> None:
    size(browser, 390, 844)
    browser.get(page.url)
    until(lambda: count(browser, "#circuit .joint") == 11)
    # "Alternator" fits its column at this width; its letters were once counted as too wide
    told = ask(
        browser,
        """return [...document.querySelectorAll('#circuit svg > g > text')]
        .filter((e) => e.querySelector('title'))
        .map((e) => [e.querySelector('title').textContent,
                     [...e.querySelectorAll('tspan')].map((row) => row.textContent).join('')])""",
    )
    assert [name for name, _ in told] == ["Alternator", "Battery", "Inverter"]
    assert all(name == said for name, said in told), told


def many_joints(joints: int, name: str) -> Boat:
    """A boat whose currents meet on one bar, several joints on each."""
    boat = invented_boat()
    made = [
        replace(
            boat.joints[n % 11],
            joint=f"j{n}",
            name=f"{name} {n}",
            current=("alternator", "battery", "inverter")[n % 3],
            neighbours=("j0",) if 0 < n < 9 else (),
        )
        for n in range(joints)
    ]
    channels = tuple(replace(c, name=f"{c.name} {name}") for c in boat.channels)
    return replace(boat, name=name, joints=tuple(made), channels=channels)


@pytest.mark.parametrize("joints", [1, 64])
@pytest.mark.parametrize("width", [320, 1280])
def test_a_boat_of_one_joint_and_of_many(
    tmp_path: Path, browser: webdriver.Chrome, joints: int, width: int
) -> None:
    clock, boat = SystemClock(), many_joints(joints, "\"><img src=x onerror=document.title='caught'> 🔥 Ω")
    with Store.open(tmp_path / "lugwatch.db", clock=clock, boat=boat, version="0") as store:
        estimates = [
            replace(invented_estimate(n % 11, clock.time()), joint=f"j{n}", limit_celsius=90.0)
            for n in range(joints)
        ]
        store.write(estimates, monotonic_seconds=clock.monotonic_seconds(), time=clock.time())
        with Served(tmp_path) as served:
            size(browser, width, 844)
            complaints(browser)  # those of the server before
            browser.get(served.url)
            until(lambda: count(browser, "#circuit .joint") == joints)
            until(lambda: count(browser, "#joints .joint") == joints)
            assert ask(browser, WORDS_IN_THE_WAY, "#circuit") == []
            assert ask(browser, "return document.documentElement.scrollWidth") <= width
            assert count(browser, "img") == 0 and "caught" not in browser.title.split("onerror")[0]
            browser.get(served.url + "joints/j0")
            until(lambda: "41" in text(browser, "#figures") or "58" in text(browser, "#figures"))
            assert count(browser, "img") == 0 and complaints(browser) == []


def test_it_follows_what_is_written(page: Served, store: Store, browser: webdriver.Chrome) -> None:
    now_again(store, SystemClock(), [JointState.STEADY] * 11)
    until(lambda: text(browser, "h1") == "All eleven joints steady.")
    until(lambda: count(browser, "#circuit .joint.triangle") == 0)


@pytest.mark.parametrize(("width", "large"), [(390, False), (320, False), (320, True), (640, False)])
def test_nothing_scrolls_sideways(page: Served, browser: webdriver.Chrome, width: int, large: bool) -> None:
    """320 px is 1280 px at 400 % zoom: WCAG 2.2, 1.4.10."""
    size(browser, width, 700)
    choose(browser, size="large" if large else "usual")
    for path in (*PAGES, "joints/bar_alternator", "passages/1?with=1", "nowhere"):
        browser.get(page.url + path)
        if path.startswith("joints"):
            until(lambda: count(browser, "#chart-stack canvas") >= 4)
        assert ask(browser, "return document.documentElement.scrollWidth") <= width, path
    assert [c for c in complaints(browser) if "nowhere" not in c and "404" not in c] == []


def test_red_is_red_and_stays_chosen(page: Served, browser: webdriver.Chrome) -> None:
    browser.get(page.url + "page")
    browser.find_element(By.CSS_SELECTOR, '[data-look-choice="red"]').click()
    for path in (*PAGES, "joints/bar_alternator"):
        browser.get(page.url + path)
        if not path:
            until(lambda: count(browser, "#circuit .joint") == 11)
        lit = ask(
            browser,
            """const seen = new Set();
            const keys = ['color', 'backgroundColor', 'fill', 'stroke', 'borderTopColor'];
            for (const e of document.body.querySelectorAll('*'))
                for (const key of keys) {
                    const value = getComputedStyle(e)[key];
                    if (value.startsWith('rgb') && !value.endsWith(', 0)')) seen.add(value);
                }
            return [...seen];""",
        )
        assert len(lit) > 2
        for colour in lit:
            red, green, blue = (float(part) for part in colour[colour.index("(") + 1 : -1].split(",")[:3])
            assert green <= 90 and blue <= 60 and red >= green, (path, colour)


def test_fahrenheit_everywhere(page: Served, browser: webdriver.Chrome) -> None:
    browser.get(page.url + "page")
    browser.find_element(By.CSS_SELECTOR, '[data-unit-choice="fahrenheit"]').click()
    browser.get(page.url)
    until(lambda: "106.2 °F" in text(browser, "#joints .joint"))
    assert "115 °F (104 to 124); its limit is 194 °F" in text(browser, ".alert")
    # no line ends between a figure and its unit
    assert "194\u00a0°F" in str(ask(browser, "return document.querySelector('.alert').textContent"))
    for path in ("", "passages", "passages/1", "joints/isolator_in", "alerts"):
        browser.get(page.url + path)
        if path.startswith("joints"):
            until(lambda: "°F" in text(browser, "#figures"))
        until(lambda: "°F" in text(browser, "main"))
        # the form asks for °C by name; 20 °C is the temperature that resistances are compared at
        shown = text(browser, "main").replace("Its temperature then, °C", "").replace("at 20 °C", "")
        assert "°C" not in shown, (path, shown)


def test_seen_arrives(page: Served, tmp_path: Path, browser: webdriver.Chrome) -> None:
    browser.find_element(By.CSS_SELECTOR, '.alert .deed [data-deed="acknowledge"]').click()

    def deeds() -> list[tuple[str, int]]:
        connection = sqlite3.connect(tmp_path / "lugwatch.db")
        rows = connection.execute("SELECT deed, alert_id FROM crew_action").fetchall()
        connection.close()
        return rows

    until(lambda: deeds() == [("acknowledge", 7)])
    until(lambda: "Noted" in text(browser, ".alert .deed"))


def test_grey_when_the_line_is_dead_and_back_when_it_lives(
    page: Served, tmp_path: Path, store: Store, browser: webdriver.Chrome
) -> None:
    port = page.port
    page.stop()
    until(lambda: text(browser, "h1").startswith("No contact with lugwatch for"))
    assert "lost" in ask(browser, "return document.body.className")
    assert "not live" in browser.title
    opacity = "return Number(getComputedStyle(document.getElementById('known')).opacity)"
    until(lambda: ask(browser, opacity) < 0.6)
    assert "Last heard at" in text(browser, "#last-known")
    assert "live" not in text(browser, "#age").replace("not live", "")
    with Served(tmp_path, port=port):
        now_again(store, SystemClock(), invented_states())
        until(lambda: text(browser, "h1").startswith("Seven steady"))
        assert "lost" not in ask(browser, "return document.body.className")


def test_an_alert_is_put_aside_and_taken_back(page: Served, store: Store, browser: webdriver.Chrome) -> None:
    offered = "return [...document.querySelectorAll('.alert [data-deed]')].map((e) => e.dataset.deed)"
    assert ask(browser, offered) == ["acknowledge", "silence", "shelve"]
    clock = SystemClock()
    shelved = replace(
        invented_alert(clock.time()), state=AlertState.SHELVED, shelved_until_time=clock.time() + 3_600_000
    )
    change = AlertChange(sequence=2, time=clock.time(), change=AlertChangeKind.SHELVED, alert=shelved)
    now_again(store, clock, invented_states(), change)
    until(lambda: "Put aside until" in text(browser, ".alert .deed"))
    assert ask(browser, offered) == ["unshelve"]
    assert "over" in ask(browser, "return document.querySelector('.alert').className"), "it presses no more"


def test_a_joint_is_taken_out_of_service_on_its_page(
    page: Served, tmp_path: Path, browser: webdriver.Chrome
) -> None:
    browser.get(page.url + "joints/isolator_in")
    until(lambda: count(browser, "#service button") == 1)
    ask(browser, "document.querySelector('#service button').click()")
    until(lambda: "Noted" in text(browser, "#service"))
    connection = sqlite3.connect(tmp_path / "lugwatch.db")
    rows = connection.execute("SELECT deed, joint FROM crew_action").fetchall()
    connection.close()
    assert rows == [("out_of_service", "isolator_in")]
