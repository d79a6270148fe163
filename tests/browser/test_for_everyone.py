"""For everyone: each control has a name and a place for a finger, each page an order, each thing a key.

Success criteria of WCAG 2.2 by their numbers; the checks are our own, in a real browser.
"""

import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from browsing import PAGES, ask, choose, count, size, until
from pages import Served

pytestmark = pytest.mark.browser

EVERY_PAGE = (*PAGES, "joints/bar_alternator", "passages/1?with=1")

FINDINGS = """
const found = [];
const seen = (e) => e.getClientRects().length > 0 && !e.closest('[hidden]');
const name = (e) => (e.getAttribute('aria-label') || e.innerText || e.textContent || e.title || '').trim()
  || [...(e.labels || [])].map((l) => l.textContent.trim()).join(' ');
const about = (e) => e.outerHTML.slice(0, 120);
if (!document.documentElement.lang) found.push(['3.1.1 language', '']);
if (!document.title.trim()) found.push(['2.4.2 title', '']);
if (document.querySelectorAll('main').length !== 1) found.push(['main', '']);
if (document.querySelectorAll('h1').length !== 1) found.push(['one h1', '']);
for (const e of document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]'))
  if (seen(e) && !name(e)) found.push(['4.1.2 name', about(e)]);
for (const e of document.querySelectorAll('input:not([type=hidden]), select, textarea'))
  if (seen(e) && !(e.labels && e.labels.length)) found.push(['3.3.2 label', about(e)]);
const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
for (const id of ids) if (ids.indexOf(id) !== ids.lastIndexOf(id)) found.push(['id twice', id]);
let last = 0;
for (const e of document.querySelectorAll('h1, h2, h3, h4')) {
  if (!seen(e)) continue;
  const level = +e.tagName[1];
  if (level > last + 1) found.push(['1.3.1 heading leaps', about(e)]);
  last = level;
}
// 2.5.8 asks for 24 px; links within a sentence and drawings at scale are excepted there
for (const e of document.querySelectorAll('button, nav a, .go, select, input:not([type=hidden]), summary, #joints a')) {
  if (!seen(e)) continue;
  const r = e.getBoundingClientRect();
  if (r.height < 38 || r.width < 30) found.push(['2.5.8 target', Math.round(r.width) + '×' + Math.round(r.height), about(e)]);
}
for (const e of document.querySelectorAll('svg')) {
  const told = e.closest('[aria-hidden=true]') || e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') || e.closest('a[aria-label]');
  if (seen(e) && !told) found.push(['1.1.1 drawing', about(e)]);
}
return found;
"""  # noqa: E501


@pytest.mark.parametrize("path", EVERY_PAGE)
def test_each_control_has_a_name_a_label_and_room_for_a_finger(
    page: Served, browser: webdriver.Chrome, path: str
) -> None:
    browser.get(page.url + path)
    if path.startswith("joints"):
        until(lambda: count(browser, "#chart-stack canvas") >= 4)
    if not path:
        until(lambda: count(browser, "#circuit .joint") == 11)
    assert ask(browser, FINDINGS) == []


def test_a_joint_is_reached_and_opened_by_keys_alone(page: Served, browser: webdriver.Chrome) -> None:
    """2.1.1, 2.4.7: by Tab and Enter, and what has the focus is seen."""
    until(lambda: count(browser, "#circuit .joint") == 11)
    for _ in range(12):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        where = ask(browser, "return document.activeElement.dataset.joint || ''")
        if where and ask(browser, "return !!document.activeElement.closest('#circuit')"):
            break
    assert ask(browser, "return !!document.activeElement.closest('#circuit')")
    stroke = "return getComputedStyle(document.activeElement.querySelector('.touch')).stroke"
    assert ask(browser, stroke) != "none"
    ActionChains(browser).send_keys(Keys.ENTER).perform()
    until(lambda: browser.current_url.endswith(f"/joints/{where}"))


def test_the_focus_stays_where_it_is_while_figures_change(page: Served, browser: webdriver.Chrome) -> None:
    ask(browser, "document.querySelectorAll('#joints a')[2].focus()")
    joint = ask(browser, "return document.activeElement.dataset.joint")
    old = ask(browser, "window.old = document.activeElement; return true")
    assert old
    size(browser, 400, 844)  # everything is drawn anew
    until(lambda: ask(browser, "return !window.old.isConnected"))
    assert ask(browser, "return document.activeElement.dataset.joint") == joint


@pytest.mark.parametrize("path", EVERY_PAGE)
def test_at_twice_the_size_nothing_is_lost(page: Served, browser: webdriver.Chrome, path: str) -> None:
    """1.4.4 and 1.4.10: 195 px wide is a phone of 390 px at 200 %, and large type beside."""
    size(browser, 320, 640)
    choose(browser, size="large")
    browser.get(page.url + path)
    cut = """return [...document.querySelectorAll('main *, nav *')].filter((e) => e.getClientRects().length
        && !e.closest('.u-wrap') && e.getBoundingClientRect().right > innerWidth + 1)
        .map((e) => e.outerHTML.slice(0, 90))"""
    assert ask(browser, cut) == []
