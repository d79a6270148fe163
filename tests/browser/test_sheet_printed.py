"""Sheets in a real browser: their style is let in, they fit A4, and they print to pages."""

import base64
import re
from pathlib import Path

import pytest
from selenium import webdriver

import lived_history
from browsing import ask, complaints
from pages import Served, built_page

pytestmark = pytest.mark.browser

PRINTED = {"preferCSSPageSize": True, "printBackground": True}
A4_WIDTH_PIXELS = 718  # 190 mm: A4 less the narrower margins that a printer may take, at 96 to the inch


def test_a_sheet_prints_to_pages_of_a4(browser: webdriver.Chrome, tmp_path: Path) -> None:
    built_page()
    browser.get("about:blank")
    complaints(browser)  # those of a page whose server has gone
    database = lived_history.live(tmp_path)
    for words in (("joint", lived_history.WORSE), ("passage", "2"), ("boat",)):
        out = tmp_path / f"{words[0]}.html"
        lived_history.done("sheet", *words, "--db", database, "-o", out)
        browser.get(out.as_uri())
        printed = browser.execute_cdp_cmd("Page.printToPDF", PRINTED)["data"]
        pdf = base64.b64decode(printed)
        # ISO 32000-1, 7.7.3: page objects, and the size of their medium in points (A4: 595 by 842)
        assert pdf.startswith(b"%PDF-")
        assert 1 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 4, words
        boxes = {tuple(map(float, box)) for box in re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)}
        assert boxes and all(abs(w - 595.3) < 1.5 and abs(h - 841.9) < 1.5 for w, h in boxes), boxes
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        browser.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": A4_WIDTH_PIXELS, "height": 1123, "deviceScaleFactor": 1, "mobile": False},
        )
        assert ask(browser, "return document.documentElement.scrollWidth") <= A4_WIDTH_PIXELS, words
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        assert not complaints(browser)


def test_a_served_sheet_has_its_style_and_nothing_complains(page: Served, browser: webdriver.Chrome) -> None:
    browser.get(page.url + "joints/bar_alternator/sheet")
    assert (
        ask(browser, "return getComputedStyle(document.querySelector('table')).borderCollapse") == "collapse"
    )
    assert ask(browser, "return document.querySelector('svg.chart circle') !== null")
    assert not complaints(browser)
