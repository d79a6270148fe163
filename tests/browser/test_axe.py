"""axe-core over every page in every light: no finding of WCAG 2.2 A and AA, whatever its weight.

The rules are axe-core's own, from the npm registry; scripts that a test puts in are not held back by the
page's policy, which the browser keeps for the page's own.
"""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver

from browsing import PAGES, ask, choose, count, forget_choices, size, until
from invented_boat import write_invented_history
from lugwatch.clock import SystemClock
from pages import Served, build_hook
from proofs_fed import AMPS, BAD, SOUND, Fed

pytestmark = pytest.mark.browser

BENCH = Path(__file__).parent.parent / "axe"
LIGHTS = ("day", "dark", "red")
JOINT = "joints/bar_alternator"
EVERY_PAGE = (
    *PAGES,
    JOINT,
    "passages/1?with=1",
    f"{JOINT}/sheet",
    "passages/1/sheet",
    "winter",
    "sheet",
    "none",
)
RUN = """
const done = arguments[arguments.length - 1];
axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']}).then(
  (found) => done([found.passes.length, found.violations.map((v) => [v.id, v.impact,
    v.nodes.map((n) => n.target.join(' ') + ': ' + (n.failureSummary || '').split('\\n')[1])])]),
  (error) => done([0, String(error)]));
"""


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The script, installed as the node's bench is."""
    folder = tmp_path_factory.mktemp("axe")
    for name in ("package.json", "package-lock.json", ".npmrc"):
        shutil.copy(BENCH / name, folder / name)
    environment = dict(os.environ)
    hook = build_hook()
    command = [*hook.npm_command(environment), "ci", "--ignore-scripts", "--no-audit", "--no-fund"]
    hook.run_npm(command, folder, environment, subprocess.run)
    return (folder / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def boat(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The invented boat, one of its joints described from bar to nut."""
    folder = tmp_path_factory.mktemp("axe-boat")
    with write_invented_history(folder / "lugwatch.db", SystemClock()):
        served = Served(folder)
        text = served.configuration.read_text(encoding="utf-8").replace(
            'id = "bar"\nprobe', 'id = "bar_alternator"\nprobe'
        )
        stack = '[joint.stack]\nlugs = ["50:150", "16:20"]\nthrough = ["washer"]\n'
        served.configuration.write_text(text + stack, encoding="utf-8")
        with served:
            yield served


def findings(browser: webdriver.Chrome, axe: str) -> object:
    ask(browser, axe + "; window.axe = axe;")
    browser.set_script_timeout(60)
    passes, found = browser.execute_async_script(RUN)
    assert passes > 5 or found, "it did look"
    return found


@pytest.mark.slow
@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("path", EVERY_PAGE)
def test_axe_finds_nothing(boat: Served, browser: webdriver.Chrome, axe: str, path: str, light: str) -> None:
    size(browser, 390, 844)
    browser.get(boat.url + "manifest.webmanifest")
    choose(browser, look=light)
    browser.get(boat.url + path)
    if not path.endswith(("sheet", "winter")):
        until(lambda: ask(browser, "return document.documentElement.dataset.look") == light)
    if path == "":
        until(lambda: count(browser, "#circuit .joint") == 11)
    if path == JOINT:
        until(lambda: count(browser, "#chart-stack canvas") >= 4 and count(browser, ".stack-drawing") == 1)
    ask(browser, "for (const d of document.querySelectorAll('details')) d.open = true")
    try:
        assert findings(browser, axe) == []
    finally:
        forget_choices(browser)
        browser.get("about:blank")


@pytest.mark.parametrize("light", LIGHTS)
def test_axe_finds_nothing_while_a_joint_is_proved(
    tmp_path: Path, browser: webdriver.Chrome, axe: str, light: str
) -> None:
    with Fed(tmp_path / "lugwatch.db", SystemClock()) as fed, Served(tmp_path) as served:
        fed.feed(6.0)
        fed.feed(5.0, AMPS)
        size(browser, 390, 844)
        browser.get(served.url + f"proofs?joint={BAD}")
        choose(browser, look=light)
        browser.get(served.url + f"proofs?joint={BAD}")
        ask(browser, "document.querySelector(`input[value=${arguments[0]}]`).click()", SOUND)
        ask(browser, "document.querySelector('[data-how=live]').click()")
        until(lambda: count(browser, ".proof-chart") == 2)
        assert findings(browser, axe) == []
        forget_choices(browser)
        browser.get("about:blank")
