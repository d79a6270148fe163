"""A proof test on a phone: begun, its forecast watched while it narrows, its verdict kept, two compared."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver

from browsing import ask, complaints, count, size, text, until
from lugwatch.clock import SystemClock
from lugwatch.proof import Verdict
from lugwatch.store.queries import History
from pages import Served
from proofs_fed import AMPS, BAD, SOUND, Fed

pytestmark = pytest.mark.browser


@pytest.fixture
def fed(tmp_path: Path) -> Iterator[Fed]:
    with Fed(tmp_path / "lugwatch.db", SystemClock()) as fed:
        fed.feed(2.0)
        yield fed


def press(browser: webdriver.Chrome, selector: str) -> None:
    ask(browser, "document.querySelector(arguments[0]).click()", selector)


def stage(browser: webdriver.Chrome, joint: str) -> str:
    return str(
        ask(
            browser,
            "return document.querySelector(arguments[0])?.dataset.stage || ''",
            f"[data-joint={joint}]",
        )
    )


def band_kelvin(browser: webdriver.Chrome) -> float:
    """How wide the drawn interval is at its newest end, in px."""
    line = """const line = document.querySelector(arguments[0] + ' .upright');
        return line ? line.y2.baseVal.value - line.y1.baseVal.value : -1"""
    return float(ask(browser, line, f"[data-joint={SOUND}]"))


def test_a_joint_is_proved_from_the_phone(tmp_path: Path, fed: Fed, browser: webdriver.Chrome) -> None:
    with Served(tmp_path) as served:
        size(browser, 390, 844)
        complaints(browser)
        # from the joint to the test
        browser.get(served.url + f"joints/{BAD}")
        until(lambda: count(browser, f'a[href="/proofs?joint={BAD}"]') == 1)
        press(browser, f'a[href="/proofs?joint={BAD}"]')
        until(lambda: count(browser, "#proof-form input[name=joints]:checked") == 1)
        assert "Keep hands, sleeves and tools away" in text(browser, "#begin-part")
        assert "never open its output while it charges" in text(browser, "#begin-part")
        # a joint whose current is not measured cannot be chosen
        assert count(browser, "#proof-form input[name=joints]:disabled") == 1
        ask(browser, "document.querySelector('[name=amps]').value = 'lots'")
        press(browser, "[data-how=live]")
        until(lambda: "“lots” is no number" in text(browser, "#proof-note"))
        ask(browser, "document.querySelector('[name=amps]').value = '120'")
        press(browser, f"input[name=joints][value={SOUND}]")
        press(browser, "[data-how=live]")
        until(lambda: stage(browser, BAD) == "resting")
        assert "switch the load on" in text(browser, f"[data-joint={BAD}] .stage")
        assert "Keep hands, sleeves and tools away" in text(browser, "#trial-part")
        fed.feed(4.0)
        until(lambda: stage(browser, BAD) == "rested")
        fed.feed(2.5, AMPS)
        until(lambda: "too short" in text(browser, f"[data-joint={BAD}]"))
        fed.feed(2.0, AMPS)
        until(lambda: "surely above" in text(browser, f"[data-joint={BAD}]"))
        widest = band_kelvin(browser)
        assert widest > 0 and stage(browser, SOUND) == "loaded"
        assert ask(browser, "return document.documentElement.scrollWidth") <= 390
        assert stage(browser, BAD) == "over", "it waits for the other"
        fed.feed(3.0, AMPS)
        until(lambda: 0 < band_kelvin(browser) < widest)
        fed.feed(4.0, AMPS)
        until(lambda: count(browser, "#kept-part li") == 2)
        with History.open(tmp_path / "lugwatch.db") as history:
            tests = {t.joint: t for t in history.proofs()}
        assert (tests[BAD].verdict, tests[SOUND].verdict) == (Verdict.BAD, Verdict.SOUND)
        until(lambda: "It is over and kept" in text(browser, "#trial-part"))
        # compared
        press(browser, "#kept-part form button")
        until(
            lambda: (
                "ends warmer than" in text(browser, "#compared")
                or "ends cooler than" in text(browser, "#compared")
            )
        )
        assert ask(browser, "return document.documentElement.scrollWidth") <= 390
        assert count(browser, f'a[href="/joints/{BAD}/sheet"]') >= 1
        assert complaints(browser) == []
        browser.get("about:blank")


def test_it_is_ended_by_the_crew_and_reads_in_fahrenheit(
    tmp_path: Path, fed: Fed, browser: webdriver.Chrome
) -> None:
    fed.feed(4.0)
    fed.feed(2.5, AMPS)
    with Served(tmp_path, web='temperature_unit = "fahrenheit"\n') as served:
        size(browser, 390, 844)
        browser.get(served.url + f"proofs?joint={SOUND}")
        press(browser, "[data-how=live]")
        until(lambda: stage(browser, SOUND) == "loaded")
        said = text(browser, f"[data-joint={SOUND}]")
        assert "°F" in said and " K" not in said and "°C" not in said
        press(browser, "[data-end=drop]")
        until(lambda: "nothing was kept" in text(browser, "#trial-part"))
        with History.open(tmp_path / "lugwatch.db") as history:
            assert history.proofs() == []
        browser.get("about:blank")
